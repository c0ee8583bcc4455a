package persistence

import (
	"context"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/fault"
	"leveltrail/domain/request"
	"leveltrail/domain/series"
)

var exclusions = kindOf[series.Exclusion]("exclusion",
	`client_id id version created_at recorded_at series_id starts_at ends_at reason author removed residual`)

// CreateExclusion stores a new exclusion of the series e.SeriesID.
func (s *Store) CreateExclusion(ctx context.Context, e series.Exclusion) (series.Exclusion, error) {
	err := s.write(ctx, func(tx pgx.Tx) error {
		h, err := seriesKind.get(ctx, tx, e.SeriesID)
		if err != nil {
			return err
		}
		if _, err := surveyToChange(ctx, tx, h.SurveyID); err != nil {
			return err
		}
		e.ClientID = h.ClientID
		e, err = exclusions.insert(ctx, tx, e, s.stamp())
		return err
	})
	return e, err
}

// Exclusion returns the exclusion of the given id, a removed one too.
func (s *Store) Exclusion(ctx context.Context, id uuid.UUID) (series.Exclusion, error) {
	return get(ctx, s, exclusions, id)
}

// ExclusionVersions returns every version of the exclusion of the given id, oldest first.
func (s *Store) ExclusionVersions(ctx context.Context, id uuid.UUID) ([]series.Exclusion, error) {
	return versions(ctx, s, exclusions, id)
}

// ExclusionsOfSeries returns a page of the exclusions of a series that are in force.
func (s *Store) ExclusionsOfSeries(ctx context.Context, seriesID uuid.UUID, p request.Page) (es []series.Exclusion, err error) {
	err = s.read(ctx, func(q conn) error {
		h, err := seriesKind.get(ctx, q, seriesID)
		if err != nil {
			return err
		}
		es, err = exclusions.where(ctx, q, `client_id = $1 and series_id = $2 and not removed and id > $3 order by id limit $4`,
			h.ClientID, seriesID, p.After, p.Limit)
		return err
	})
	return es, err
}

// RemoveExclusion stores the version that follows e.Version, which is in force no
// more: results take the span in again, and who asks later still learns of it.
func (s *Store) RemoveExclusion(ctx context.Context, e series.Exclusion) (series.Exclusion, error) {
	if e.Removed {
		return e, &fault.Error{Kind: fault.Conflict, Code: "exclusion_removed", Message: "the exclusion is removed already"}
	}
	e.Removed = true
	err := s.write(ctx, func(tx pgx.Tx) (err error) {
		e, err = exclusions.change(ctx, tx, e, s.stamp(), "removed", "")
		return err
	})
	return e, err
}
