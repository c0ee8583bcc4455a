package persistence

import (
	"context"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/calibration"
	"leveltrail/domain/fault"
	"leveltrail/domain/request"
)

var instruments = kindOf[calibration.Instrument]("instrument",
	`id version created_at recorded_at kind manufacturer model serial_number class specification`)

// CreateInstrument stores a new instrument. It is a Conflict if another one has
// its manufacturer, model and serial number.
func (s *Store) CreateInstrument(ctx context.Context, i calibration.Instrument) (calibration.Instrument, error) {
	return create(ctx, s, instruments, i)
}

// Instrument returns the instrument of the given id.
func (s *Store) Instrument(ctx context.Context, id uuid.UUID) (calibration.Instrument, error) {
	return get(ctx, s, instruments, id)
}

// Instruments returns a page of the instruments with a serial number and of a kind; empty: any.
func (s *Store) Instruments(ctx context.Context, serialNumber, kind string, p request.Page) ([]calibration.Instrument, error) {
	return list(ctx, s, instruments, `($1 = '' or serial_number = $1) and ($2 = '' or kind = $2) and id > $3 order by id limit $4`,
		serialNumber, kind, p.After, p.Limit)
}

// InstrumentsOf returns the instruments of the given ids.
func (s *Store) InstrumentsOf(ctx context.Context, ids []uuid.UUID) (map[uuid.UUID]calibration.Instrument, error) {
	found, err := list(ctx, s, instruments, `id = any($1)`, ids)
	of := map[uuid.UUID]calibration.Instrument{}
	for _, i := range found {
		of[i.ID] = i
	}
	return of, err
}

// InstrumentVersions returns every version of the instrument of the given id, oldest first.
func (s *Store) InstrumentVersions(ctx context.Context, id uuid.UUID) ([]calibration.Instrument, error) {
	return versions(ctx, s, instruments, id)
}

// UpdateInstrument stores the version of i that follows i.Version. It is Invalid to make
// another kind of what has certificates, parts, field checks or uses: they are those of its kind.
func (s *Store) UpdateInstrument(ctx context.Context, i calibration.Instrument) (calibration.Instrument, error) {
	err := s.write(ctx, func(tx pgx.Tx) (err error) {
		var fixed bool
		err = tx.QueryRow(ctx, `
			select exists (select from instrument where id = $1 and kind <> $2) and (
				exists (select from certificate where instrument_id = $1) or exists (select from component where $1 in (instrument_id, part_id))
				or exists (select from field_check where $1 in (instrument_id, calibrator_id)) or exists (select from instrument_use where instrument_id = $1))`,
			i.ID, i.Kind).Scan(&fixed)
		if err != nil {
			return err
		}
		var bad fault.Fields
		bad.Check(!fixed, "kind", "not_allowed", "cannot change: the instrument has certificates, parts, field checks or uses as what it is")
		if err := bad.Err("instrument"); err != nil {
			return err
		}
		i, err = instruments.update(ctx, tx, i, s.stamp())
		return err
	})
	return i, err
}
