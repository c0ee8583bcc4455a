package persistence

import (
	"context"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

func create[T any](ctx context.Context, s *Store, k kind[T], rec T) (T, error) {
	err := s.write(ctx, func(tx pgx.Tx) (err error) {
		rec, err = k.insert(ctx, tx, rec, s.stamp())
		return err
	})
	return rec, err
}

func update[T any](ctx context.Context, s *Store, k kind[T], rec T) (T, error) {
	err := s.write(ctx, func(tx pgx.Tx) (err error) {
		rec, err = k.update(ctx, tx, rec, s.stamp())
		return err
	})
	return rec, err
}

func get[T any](ctx context.Context, s *Store, k kind[T], id uuid.UUID) (rec T, err error) {
	err = s.ask(ctx, func(rows pgx.Rows) error {
		rec, err = pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[T])
		return err
	}, k.byID, id)
	return rec, classify(err, k.table)
}

func list[T any](ctx context.Context, s *Store, k kind[T], where string, args ...any) (recs []T, err error) {
	err = s.ask(ctx, func(rows pgx.Rows) error {
		recs, err = pgx.CollectRows(rows, pgx.RowToStructByName[T])
		return err
	}, k.matching+where, args...)
	return recs, classify(err, k.table)
}

func versions[T any](ctx context.Context, s *Store, k kind[T], id uuid.UUID) (recs []T, err error) {
	err = s.read(ctx, func(q conn) error {
		recs, err = k.versions(ctx, q, id)
		return err
	})
	return recs, err
}

func first[T any](ctx context.Context, s *Store, k kind[T], id uuid.UUID) (rec T, err error) {
	recs, err := versions(ctx, s, k, id)
	if err != nil {
		return rec, err
	}
	return recs[0], nil
}
