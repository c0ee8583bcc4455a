// Package persistence keeps the service's records and samples in PostgreSQL.
package persistence

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgtype"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/riverqueue/river"

	"leveltrail/domain/access"
)

// Store is the database. Each exported method is one transaction, or part of
// the one that [Store.Once] has begun. Records of clients that the context's
// [access.Caller] may not see do not exist for it.
type Store struct {
	pool *pgxpool.Pool
	jobs *river.Client[pgx.Tx] // adds jobs for [Store.Work]
	now  func() time.Time
}

// Open connects to the database at url. It refuses a role that row-level
// security does not bind or that owns tables: the service must run as neither.
func Open(ctx context.Context, url string) (*Store, error) {
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, fmt.Errorf("reading the database URL: %w", err)
	}
	if !strings.Contains(url, "pool_max_conns") {
		config.MaxConns = connections
	}
	config.AfterConnect = scanUTC
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, fmt.Errorf("connecting to the database: %w", err)
	}
	jobs, err := newQueue(pool)
	if err != nil {
		pool.Close()
		return nil, fmt.Errorf("making the job queue: %w", err)
	}
	s := &Store{pool: pool, jobs: jobs, now: time.Now}
	if err := s.refuseUnboundRole(ctx); err != nil {
		pool.Close()
		return nil, err
	}
	return s, nil
}

// connections bounds those of one process, unless the database's address says pool_max_conns:
// more than one key's requests take at one time, so that no key waits for another's.
const connections = 24

// scanUTC has instants come back in UTC, wherever the program runs.
func scanUTC(_ context.Context, c *pgx.Conn) error {
	registerIDs(c.TypeMap())
	c.TypeMap().RegisterType(&pgtype.Type{
		Name: "timestamptz", OID: pgtype.TimestamptzOID, Codec: &pgtype.TimestamptzCodec{ScanLocation: time.UTC},
	})
	return nil
}

// Close closes all connections.
func (s *Store) Close() { s.pool.Close() }

// Ping reports whether the database answers.
func (s *Store) Ping(ctx context.Context) error { return s.pool.Ping(ctx) }

func (s *Store) refuseUnboundRole(ctx context.Context) error {
	var role string
	var bypasses, owns bool
	err := s.pool.QueryRow(ctx, `
		select current_user,
			(select rolsuper or rolbypassrls from pg_roles where rolname = current_user),
			exists (select from pg_tables where schemaname = 'public' and pg_has_role(current_user, tableowner, 'usage'))`).
		Scan(&role, &bypasses, &owns)
	switch {
	case err != nil:
		return fmt.Errorf("reading the database role: %w", err)
	case bypasses:
		return fmt.Errorf("the database role %q bypasses row-level security: serve as leveltrail_app", role)
	case owns:
		return fmt.Errorf("the database role %q owns the tables: serve as leveltrail_app and migrate as the owner", role)
	}
	return nil
}

// conn is what a pool and a transaction share.
type conn interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
	Exec(ctx context.Context, sql string, args ...any) (pgconn.CommandTag, error)
	SendBatch(ctx context.Context, b *pgx.Batch) pgx.BatchResults
}

type txKey struct{}

// write runs f in a transaction that sees the caller's clients: the one of
// [Store.Once] if ctx has it, else one of its own.
func (s *Store) write(ctx context.Context, f func(tx pgx.Tx) error) error {
	if tx, ok := ctx.Value(txKey{}).(pgx.Tx); ok {
		return f(tx)
	}
	return pgx.BeginTxFunc(ctx, s.pool, pgx.TxOptions{BeginQuery: "begin; " + seeing(ctx)}, f)
}

// ask runs one query that sees the caller's clients and gives its rows to f, in one round
// trip: until the pipeline of a batch ends, what it holds is one transaction.
func (s *Store) ask(ctx context.Context, f func(rows pgx.Rows) error, sql string, args ...any) error {
	if tx, ok := ctx.Value(txKey{}).(pgx.Tx); ok {
		rows, _ := tx.Query(ctx, sql, args...)
		return f(rows)
	}
	b := &pgx.Batch{}
	b.Queue(setVisible, visible(ctx))
	var failed error // not for the batch, which would prepare its statements anew after it
	b.Queue(sql, args...).Query(func(rows pgx.Rows) error {
		failed = f(rows)
		return nil
	})
	if err := s.pool.SendBatch(ctx, b).Close(); err != nil && failed == nil {
		return err
	}
	return failed
}

// askAll sends several queries as [Store.ask] does one: together they take one round trip.
func (s *Store) askAll(ctx context.Context, queries *pgx.Batch) error {
	if tx, ok := ctx.Value(txKey{}).(pgx.Tx); ok {
		return tx.SendBatch(ctx, queries).Close()
	}
	b := &pgx.Batch{}
	b.Queue(setVisible, visible(ctx))
	b.QueuedQueries = append(b.QueuedQueries, queries.QueuedQueries...)
	return s.pool.SendBatch(ctx, b).Close()
}

// setVisible makes the clients that its parameter lists visible, until the transaction ends.
const setVisible = `select set_config('app.client_ids', $1, true)`

// seeing returns the statement that makes the caller's clients visible. Its
// text holds nothing but parsed ids.
func seeing(ctx context.Context) string { return "set local app.client_ids = '" + visible(ctx) + "'" }

// visible lists the caller's clients, "*" for all.
func visible(ctx context.Context) string {
	c := access.From(ctx)
	if c.All {
		return "*"
	}
	ids := make([]string, len(c.Clients))
	for i, id := range c.Clients {
		ids[i] = id.String()
	}
	return strings.Join(ids, ",")
}

// stamp returns the store's clock as the database keeps it.
func (s *Store) stamp() time.Time { return s.now().UTC().Truncate(time.Microsecond) }

var errRollBack = errors.New("roll back")
