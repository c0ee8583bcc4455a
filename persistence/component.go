package persistence

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/calibration"
	"leveltrail/domain/fault"
	"leveltrail/domain/request"
)

var components = kindOf[calibration.Component]("component",
	`id version created_at recorded_at instrument_id part_id starts_at ends_at`)

// CreateComponent stores a part newly fitted on the meter c.InstrumentID.
func (s *Store) CreateComponent(ctx context.Context, c calibration.Component) (calibration.Component, error) {
	return s.fit(ctx, c, components.insert)
}

// UpdateComponent stores the version of c that follows c.Version.
func (s *Store) UpdateComponent(ctx context.Context, c calibration.Component) (calibration.Component, error) {
	return s.fit(ctx, c, components.update)
}

// fit stores c with put if its part sits nowhere else at the time.
func (s *Store) fit(ctx context.Context, c calibration.Component,
	put func(context.Context, conn, calibration.Component, time.Time) (calibration.Component, error),
) (calibration.Component, error) {
	err := s.write(ctx, func(tx pgx.Tx) error {
		// Another request that fits the same part is waited for.
		if _, err := tx.Exec(ctx, `select pg_advisory_xact_lock(hashtextextended($1, 3))`, c.PartID.String()); err != nil {
			return err
		}
		meter, err := instruments.get(ctx, tx, c.InstrumentID)
		if err != nil {
			return err
		}
		part, err := instruments.get(ctx, tx, c.PartID)
		if fault.KindOf(err) == fault.NotFound {
			return unknown("component", "part_id", "names no instrument")
		}
		if err != nil {
			return err
		}
		fitted, err := components.where(ctx, tx, `part_id = $1`, c.PartID)
		if err != nil {
			return err
		}
		if err := c.ValidateWith(meter, part, fitted); err != nil {
			return err
		}
		c, err = put(ctx, tx, c, s.stamp())
		return err
	})
	return c, err
}

// Component returns the fitted part of the given id.
func (s *Store) Component(ctx context.Context, id uuid.UUID) (calibration.Component, error) {
	return get(ctx, s, components, id)
}

// ComponentsOfInstrument returns a page of the parts fitted on a meter at any time.
func (s *Store) ComponentsOfInstrument(ctx context.Context, instrumentID uuid.UUID, p request.Page) (cs []calibration.Component, err error) {
	err = s.read(ctx, func(q conn) error {
		if _, err := instruments.get(ctx, q, instrumentID); err != nil {
			return err
		}
		cs, err = components.where(ctx, q, `instrument_id = $1 and id > $2 order by id limit $3`, instrumentID, p.After, p.Limit)
		return err
	})
	return cs, err
}

// ComponentVersions returns every version of the fitted part of the given id, oldest first.
func (s *Store) ComponentVersions(ctx context.Context, id uuid.UUID) ([]calibration.Component, error) {
	return versions(ctx, s, components, id)
}

// queueFitted asks, as known at an instant, the parts fitted on the meters that a condition from $2 on
// names, and wherever else those parts were fitted; which part a record names may have been corrected.
func queueFitted(b *pgx.Batch, fitted *[]calibration.Component, at time.Time, meters string, args ...any) {
	components.queueKnown(b, fitted, at, `id in (select id from component_version where part_id in (
		select part_id from component_version where `+meters+` and recorded_at <= $1))`, args...)
}
