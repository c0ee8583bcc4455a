package persistence

import (
	"context"

	"github.com/google/uuid"

	"leveltrail/domain/calibration"
	"leveltrail/domain/request"
)

var people = kindOf[calibration.Person]("person", `id version created_at recorded_at name authorisations`)

// CreatePerson stores a new person. It is a Conflict if another one has the name.
func (s *Store) CreatePerson(ctx context.Context, p calibration.Person) (calibration.Person, error) {
	return create(ctx, s, people, p)
}

// Person returns the person of the given id.
func (s *Store) Person(ctx context.Context, id uuid.UUID) (calibration.Person, error) {
	return get(ctx, s, people, id)
}

// People returns a page of the people who measure.
func (s *Store) People(ctx context.Context, p request.Page) ([]calibration.Person, error) {
	return list(ctx, s, people, `id > $1 order by id limit $2`, p.After, p.Limit)
}

// PersonVersions returns every version of the person of the given id, oldest first.
func (s *Store) PersonVersions(ctx context.Context, id uuid.UUID) ([]calibration.Person, error) {
	return versions(ctx, s, people, id)
}

// UpdatePerson stores the version of p that follows p.Version.
func (s *Store) UpdatePerson(ctx context.Context, p calibration.Person) (calibration.Person, error) {
	return update(ctx, s, people, p)
}
