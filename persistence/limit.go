package persistence

import (
	"context"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/assessment"
	"leveltrail/domain/fault"
	"leveltrail/domain/request"
)

var limits = kindOf[assessment.Limit]("limit",
	`client_id id version created_at recorded_at project_id position_id symbol level_db relative nth separation_us
	at period yearly rule compare rounding allowed_chance source removed`)

// CreateLimit stores a new limit of l.ProjectID.
func (s *Store) CreateLimit(ctx context.Context, l assessment.Limit) (assessment.Limit, error) {
	err := s.write(ctx, func(tx pgx.Tx) error {
		project, err := projects.get(ctx, tx, l.ProjectID)
		if err != nil {
			return err
		}
		l.ClientID = project.ClientID
		if err := ofProject(ctx, tx, l); err != nil {
			return err
		}
		l, err = limits.insert(ctx, tx, l, s.stamp())
		return err
	})
	return l, err
}

// ofProject refuses a limit at a position of another project.
func ofProject(ctx context.Context, q conn, l assessment.Limit) error {
	if l.PositionID == uuid.Nil {
		return nil
	}
	p, err := positions.get(ctx, q, l.PositionID)
	if fault.KindOf(err) == fault.NotFound || err == nil && p.ProjectID != l.ProjectID {
		return unknown("limit", "position_id", "names no position of the project")
	}
	return err
}

// Limit returns the limit of the given id, a removed one too.
func (s *Store) Limit(ctx context.Context, id uuid.UUID) (assessment.Limit, error) {
	return get(ctx, s, limits, id)
}

// Limits returns a page of the limits of a project that are not removed.
func (s *Store) Limits(ctx context.Context, projectID uuid.UUID, p request.Page) (ls []assessment.Limit, err error) {
	err = s.read(ctx, func(q conn) error {
		project, err := projects.get(ctx, q, projectID)
		if err != nil {
			return err
		}
		ls, err = limits.where(ctx, q, `client_id = $1 and project_id = $2 and not removed and id > $3 order by id limit $4`,
			project.ClientID, projectID, p.After, p.Limit)
		return err
	})
	return ls, err
}

// LimitVersions returns every version of the limit of the given id, oldest first.
func (s *Store) LimitVersions(ctx context.Context, id uuid.UUID) ([]assessment.Limit, error) {
	return versions(ctx, s, limits, id)
}

// UpdateLimit stores the version of l that follows l.Version.
func (s *Store) UpdateLimit(ctx context.Context, l assessment.Limit) (assessment.Limit, error) {
	err := s.write(ctx, func(tx pgx.Tx) (err error) {
		if err := ofProject(ctx, tx, l); err != nil {
			return err
		}
		l, err = limits.update(ctx, tx, l, s.stamp())
		return err
	})
	return l, err
}

// RemoveLimit takes l, at l.Version, out of force. Who asks later still learns of it.
func (s *Store) RemoveLimit(ctx context.Context, l assessment.Limit) (assessment.Limit, error) {
	if l.Removed {
		return l, &fault.Error{Kind: fault.Conflict, Code: "limit_removed", Message: "the limit is removed already"}
	}
	l.Removed = true
	err := s.write(ctx, func(tx pgx.Tx) (err error) {
		l, err = limits.change(ctx, tx, l, s.stamp(), "removed", "")
		return err
	})
	return l, err
}
