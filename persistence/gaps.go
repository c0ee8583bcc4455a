package persistence

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/calibration"
	"leveltrail/domain/request"
	"leveltrail/domain/survey"
)

// CalibrationRecords returns a page of the instruments, their certificates, and which of
// those have their document kept.
func (s *Store) CalibrationRecords(
	ctx context.Context, p request.Page,
) (of []calibration.Instrument, held []calibration.Certificate, documented map[uuid.UUID]bool, err error) {
	err = s.read(ctx, func(q conn) error {
		if of, err = instruments.where(ctx, q, `id > $1 order by id limit $2`, p.After, p.Limit); err != nil {
			return err
		}
		ids := make([]uuid.UUID, len(of))
		for i := range of {
			ids[i] = of[i].ID
		}
		if held, err = certificates.where(ctx, q, `instrument_id = any($1) order by instrument_id, calibrated_on, id`, ids); err != nil {
			return err
		}
		rows, _ := q.Query(ctx, `select d.id from certificate c join certificate_document d on d.id = c.id where c.instrument_id = any($1)`, ids)
		kept, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
		documented = make(map[uuid.UUID]bool, len(kept))
		for _, id := range kept {
			documented[id] = true
		}
		return err
	})
	return of, held, documented, err
}

// MeasuredSurveys returns a page of the surveys of the caller's clients for which an
// instrument was used within a span (nil: no bound), with what their verdicts rest on.
func (s *Store) MeasuredSurveys(ctx context.Context, from, to *time.Time, p request.Page) (all []survey.Touched, err error) {
	now := s.stamp()
	err = s.read(ctx, func(q conn) error {
		args := pgx.StrictNamedArgs{"known": now, "after": p.After, "limit": p.Limit}
		u := usesWithin(from, to, args)
		rows, _ := q.Query(ctx, `
			select id from survey where id > @after and void_reason is null
				and exists (select from instrument_use u where u.survey_id = survey.id and `+u.known+` and `+u.within+`)
			order by id limit @limit`, args)
		ids, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
		if err != nil {
			return err
		}
		all, err = factsKnown(ctx, q, ids, now)
		return err
	})
	return all, err
}
