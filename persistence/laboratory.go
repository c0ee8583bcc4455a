package persistence

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/calibration"
	"leveltrail/domain/request"
)

var laboratories = kindOf[calibration.Laboratory]("laboratory", `id version created_at recorded_at name accreditations`)

// CreateLaboratory stores a new laboratory. It is a Conflict if another one has its name.
func (s *Store) CreateLaboratory(ctx context.Context, l calibration.Laboratory) (calibration.Laboratory, error) {
	return create(ctx, s, laboratories, l)
}

// Laboratory returns the laboratory of the given id.
func (s *Store) Laboratory(ctx context.Context, id uuid.UUID) (calibration.Laboratory, error) {
	return get(ctx, s, laboratories, id)
}

// Laboratories returns a page of the laboratories.
func (s *Store) Laboratories(ctx context.Context, p request.Page) ([]calibration.Laboratory, error) {
	return list(ctx, s, laboratories, `id > $1 order by id limit $2`, p.After, p.Limit)
}

// LaboratoryVersions returns every version of the laboratory of the given id, oldest first.
func (s *Store) LaboratoryVersions(ctx context.Context, id uuid.UUID) ([]calibration.Laboratory, error) {
	return versions(ctx, s, laboratories, id)
}

// UpdateLaboratory stores the version of l that follows l.Version.
func (s *Store) UpdateLaboratory(ctx context.Context, l calibration.Laboratory) (calibration.Laboratory, error) {
	return update(ctx, s, laboratories, l)
}

// LaboratoriesOf returns the laboratories of the given ids.
func (s *Store) LaboratoriesOf(ctx context.Context, ids []uuid.UUID) (map[uuid.UUID]calibration.Laboratory, error) {
	found, err := list(ctx, s, laboratories, `id = any($1)`, ids)
	of := map[uuid.UUID]calibration.Laboratory{}
	for _, l := range found {
		of[l.ID] = l
	}
	return of, err
}

// laboratoryNamed returns the id of the laboratory of the given name, made if there is none.
func laboratoryNamed(ctx context.Context, tx pgx.Tx, name string, now time.Time) (uuid.UUID, error) {
	// Another request that makes the same one is waited for.
	if _, err := tx.Exec(ctx, `select pg_advisory_xact_lock(hashtextextended($1, 2))`, name); err != nil {
		return uuid.Nil, err
	}
	found, err := laboratories.where(ctx, tx, `name = $1`, name)
	if err != nil || len(found) > 0 {
		return firstID(found), err
	}
	l, err := laboratories.insert(ctx, tx, calibration.Laboratory{Name: name}, now)
	return l.ID, err
}

func firstID(found []calibration.Laboratory) uuid.UUID {
	if len(found) == 0 {
		return uuid.Nil
	}
	return found[0].ID
}
