package persistence

import (
	"context"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/calibration"
	"leveltrail/domain/request"
)

var events = kindOf[calibration.Event]("event",
	`id version created_at recorded_at instrument_id kind on_day ends_cover before_calibration note`)

// CreateEvent stores a new event of the instrument e.InstrumentID.
func (s *Store) CreateEvent(ctx context.Context, e calibration.Event) (calibration.Event, error) {
	err := s.write(ctx, func(tx pgx.Tx) error {
		if _, err := instruments.get(ctx, tx, e.InstrumentID); err != nil {
			return err
		}
		var err error
		e, err = events.insert(ctx, tx, e, s.stamp())
		return err
	})
	return e, err
}

// Event returns the event of the given id.
func (s *Store) Event(ctx context.Context, id uuid.UUID) (calibration.Event, error) {
	return get(ctx, s, events, id)
}

// EventsOfInstrument returns a page of the events of an instrument.
func (s *Store) EventsOfInstrument(ctx context.Context, instrumentID uuid.UUID, p request.Page) (es []calibration.Event, err error) {
	err = s.read(ctx, func(q conn) error {
		if _, err := instruments.get(ctx, q, instrumentID); err != nil {
			return err
		}
		es, err = events.where(ctx, q, `instrument_id = $1 and id > $2 order by id limit $3`, instrumentID, p.After, p.Limit)
		return err
	})
	return es, err
}

// EventVersions returns every version of the event of the given id, oldest first.
func (s *Store) EventVersions(ctx context.Context, id uuid.UUID) ([]calibration.Event, error) {
	return versions(ctx, s, events, id)
}

// UpdateEvent stores the version of e that follows e.Version.
func (s *Store) UpdateEvent(ctx context.Context, e calibration.Event) (calibration.Event, error) {
	return update(ctx, s, events, e)
}
