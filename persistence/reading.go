package persistence

import (
	"context"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
)

// read runs f in a read-only transaction on one snapshot that sees the caller's clients.
// No one waits for its end, which changes nothing.
func (s *Store) read(ctx context.Context, f func(q conn) error) error {
	if tx, ok := ctx.Value(txKey{}).(pgx.Tx); ok {
		return f(tx)
	}
	c, err := s.pool.Acquire(ctx)
	if err != nil {
		return err
	}
	r := &reading{Conn: c}
	defer func() {
		if !r.begun {
			c.Release()
			return
		}
		go func() {
			c.Exec(context.WithoutCancel(ctx), "commit") //nolint:errcheck // a connection that fails is not used again
			c.Release()
		}()
	}()
	return f(r)
}

// reading is a connection whose read-only transaction begins in the round trip of what is first asked, if that is a batch.
type reading struct {
	*pgxpool.Conn
	begun bool
}

// opened returns b behind what begins the transaction, unless that has begun.
func (r *reading) opened(ctx context.Context, b *pgx.Batch) *pgx.Batch {
	if r.begun {
		return b
	}
	r.begun = true
	all := &pgx.Batch{}
	all.Queue("begin isolation level repeatable read read only")
	all.Queue(setVisible, visible(ctx))
	all.QueuedQueries = append(all.QueuedQueries, b.QueuedQueries...)
	return all
}

// SendBatch sends queries whose results their own functions take.
func (r *reading) SendBatch(ctx context.Context, b *pgx.Batch) pgx.BatchResults {
	return r.Conn.SendBatch(ctx, r.opened(ctx, b))
}

func (r *reading) begin(ctx context.Context) error {
	if r.begun {
		return nil
	}
	return r.SendBatch(ctx, &pgx.Batch{}).Close()
}

// Query asks one query.
func (r *reading) Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error) {
	if err := r.begin(ctx); err != nil {
		return failedRows{err: err}, err
	}
	return r.Conn.Query(ctx, sql, args...)
}

// QueryRow asks one query for one row.
func (r *reading) QueryRow(ctx context.Context, sql string, args ...any) pgx.Row {
	if err := r.begin(ctx); err != nil {
		return failedRows{err: err}
	}
	return r.Conn.QueryRow(ctx, sql, args...)
}

// Exec runs a statement.
func (r *reading) Exec(ctx context.Context, sql string, args ...any) (pgconn.CommandTag, error) {
	if err := r.begin(ctx); err != nil {
		return pgconn.CommandTag{}, err
	}
	return r.Conn.Exec(ctx, sql, args...)
}

// failedRows are no rows, as the transaction that should ask for them did not begin.
type failedRows struct {
	pgx.Rows
	err error
}

// Close does nothing.
func (f failedRows) Close() {}

// Err returns the error.
func (f failedRows) Err() error { return f.err }

// Next reports no row.
func (f failedRows) Next() bool { return false }

// Scan returns the error.
func (f failedRows) Scan(...any) error { return f.err }
