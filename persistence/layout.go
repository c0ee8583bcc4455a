package persistence

import (
	"context"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/fault"
	"leveltrail/domain/request"
	"leveltrail/domain/survey"
)

var layouts = kindOf[survey.Layout]("layout", `id version created_at recorded_at name instrument_id layout removed`)

// CreateLayout stores a new layout. It is a Conflict if another one has its name.
func (s *Store) CreateLayout(ctx context.Context, l survey.Layout) (survey.Layout, error) {
	return create(ctx, s, layouts, l)
}

// Layout returns the layout of the given id, one that was removed too.
func (s *Store) Layout(ctx context.Context, id uuid.UUID) (survey.Layout, error) {
	return get(ctx, s, layouts, id)
}

// Layouts returns a page of the layouts that are not removed, those of one meter unless instrumentID is zero.
func (s *Store) Layouts(ctx context.Context, instrumentID uuid.UUID, p request.Page) ([]survey.Layout, error) {
	return list(ctx, s, layouts, `
		not removed and ($1::uuid = '00000000-0000-0000-0000-000000000000' or instrument_id = $1) and id > $2
		order by id limit $3`, instrumentID, p.After, p.Limit)
}

// LayoutVersions returns every version of the layout of the given id, oldest first.
func (s *Store) LayoutVersions(ctx context.Context, id uuid.UUID) ([]survey.Layout, error) {
	return versions(ctx, s, layouts, id)
}

// UpdateLayout stores the version of l that follows l.Version.
func (s *Store) UpdateLayout(ctx context.Context, l survey.Layout) (survey.Layout, error) {
	return update(ctx, s, layouts, l)
}

// RemoveLayout takes l, at l.Version, out of the list. Imports that used it are not touched.
func (s *Store) RemoveLayout(ctx context.Context, l survey.Layout) (survey.Layout, error) {
	l.Removed = true
	err := s.write(ctx, func(tx pgx.Tx) (err error) {
		l, err = layouts.change(ctx, tx, l, s.stamp(), "removed", "")
		return err
	})
	return l, err
}

// layoutGiven returns the layout that o names, zero if it names none.
func layoutGiven(ctx context.Context, q conn, o survey.ImportOptions) (l survey.Layout, err error) {
	if o.LayoutID == uuid.Nil {
		return l, nil
	}
	l, err = layouts.get(ctx, q, o.LayoutID)
	if fault.KindOf(err) == fault.NotFound || err == nil && l.Removed {
		return l, unknown("import", "layout_id", "names no layout")
	}
	return l, err
}
