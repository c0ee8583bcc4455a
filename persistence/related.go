package persistence

import (
	"context"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/survey"
)

// Related returns those of the records named that are there for the caller, in one round trip.
func (s *Store) Related(ctx context.Context, ids survey.RelatedIDs) (r survey.Related, err error) {
	b := &pgx.Batch{}
	queueAny(b, clients, ids.Clients, &r.Clients)
	queueAny(b, projects, ids.Projects, &r.Projects)
	queueAny(b, surveys, ids.Surveys, &r.Surveys)
	queueAny(b, positions, ids.Positions, &r.Positions)
	queueAny(b, instruments, ids.Instruments, &r.Instruments)
	queueAny(b, laboratories, ids.Laboratories, &r.Laboratories)
	if b.Len() > 0 {
		err = s.askAll(ctx, b)
	}
	return r, err
}

// queueAny adds to b the query for the current records of the given ids; recs is set when b is sent.
func queueAny[T any](b *pgx.Batch, k kind[T], ids []uuid.UUID, recs *[]T) {
	if len(ids) == 0 {
		return
	}
	k.queueWhere(b, recs, `id = any($1)`, ids)
}
