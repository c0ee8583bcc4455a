// Package migrations holds the schema, as steps that can be done and undone.
package migrations

import (
	"context"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"regexp"
	"strconv"

	"github.com/golang-migrate/migrate/v4"
	"github.com/golang-migrate/migrate/v4/database"
	pgxdriver "github.com/golang-migrate/migrate/v4/database/pgx/v5"
	"github.com/golang-migrate/migrate/v4/source/iofs"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/stdlib"
)

//go:embed *.sql
var files embed.FS

// State is how far a database is migrated.
type State struct {
	Version uint // of the last step done, 0 for none
	Latest  uint // of the last step there is
	Dirty   bool // step Version failed half way and needs a hand
}

// Latest returns the number of the last step there is.
func Latest() uint {
	steps, err := list(files)
	if err != nil {
		panic(err) // embedded, and tested
	}
	return uint(len(steps))
}

// Fingerprint returns a short text that differs between different schemas.
func Fingerprint() string {
	sum := sha256.New()
	names, _ := fs.Glob(files, "*.up.sql")
	for _, name := range names {
		b, _ := fs.ReadFile(files, name)
		fmt.Fprintf(sum, "%s %d\n%s", name, len(b), b)
	}
	return hex.EncodeToString(sum.Sum(nil)[:6])
}

// Up does every step that is not done yet. Several programs may call it at
// once; one waits for the other. url is a connection string in either form that
// libpq knows, of the role that is to own the schema. A step that fails leaves
// the database as the step before it left it.
func Up(url string) error { return up(files, url) }

func up(fsys fs.FS, url string) error {
	err := with(fsys, url, (*migrate.Migrate).Up, func(failed int) int { return failed - 1 })
	if errors.Is(err, migrate.ErrNoChange) {
		return nil
	}
	return err
}

// Down undoes the last steps steps, with the data they held.
func Down(url string, steps int) error {
	if steps < 1 {
		return fmt.Errorf("the number of steps to undo is %d; it must be at least 1", steps)
	}
	return Steps(url, -steps)
}

// Steps does the next n steps, or undoes the last -n. It is an error when there
// are fewer; those there are have then been done.
func Steps(url string, n int) error { return steps(files, url, n) }

func steps(fsys fs.FS, url string, n int) error {
	before := func(failed int) int { return failed - 1 }
	if n < 0 { // the number recorded is the one the failed step was to lead to
		before = func(failed int) int { return failed + 1 }
	}
	return with(fsys, url, func(m *migrate.Migrate) error { return m.Steps(n) }, before)
}

// Status reads how far the database is migrated. It changes nothing.
func Status(ctx context.Context, url string) (State, error) {
	state := State{Latest: Latest()}
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		return state, err
	}
	defer conn.Close(context.WithoutCancel(ctx))
	err = conn.QueryRow(ctx, "select version, dirty from "+pgxdriver.DefaultMigrationsTable).Scan(&state.Version, &state.Dirty)
	const undefinedTable = "42P01"
	if pg, ok := errors.AsType[*pgconn.PgError](err); errors.Is(err, pgx.ErrNoRows) || ok && pg.Code == undefinedTable {
		return state, nil
	}
	return state, err
}

// with calls f with a migrator of the database. When PostgreSQL refuses a step, it
// has rolled it back whole, as a file is one implicit transaction; what is
// recorded is then set to before of the number that the failure left.
func with(fsys fs.FS, url string, f func(*migrate.Migrate) error, before func(failed int) int) (err error) {
	config, err := pgx.ParseConfig(url)
	if err != nil {
		return err
	}
	db := stdlib.OpenDB(*config)
	defer db.Close()
	target, err := pgxdriver.WithInstance(db, &pgxdriver.Config{})
	if err != nil {
		return fmt.Errorf("open the database to migrate: %w", err)
	}
	source, err := iofs.New(fsys, ".")
	if err != nil {
		return errors.Join(err, target.Close())
	}
	m, err := migrate.NewWithInstance("iofs", source, "pgx5", target)
	if err != nil {
		return errors.Join(err, target.Close())
	}
	defer func() {
		sourceErr, targetErr := m.Close()
		err = errors.Join(err, sourceErr, targetErr)
	}()
	err = f(m)
	refused, ok := errors.AsType[database.Error](err) // whose text is the whole file
	if !ok {
		return err
	}
	failed, _, versionErr := target.Version()
	cause, ok := errors.AsType[*pgconn.PgError](refused.OrigErr)
	if !ok || versionErr != nil {
		return fmt.Errorf("migration: %w", errors.Join(refused.OrigErr, versionErr))
	}
	last := before(max(failed, 0))
	if last == 0 {
		last = database.NilVersion
	}
	place := cause.Where // of an error within a block of code
	if cause.Position > 0 {
		place = fmt.Sprintf("line %d", refused.Line)
	}
	return fmt.Errorf("migrate a database at step %d, at %s: %w", max(last, 0), place, errors.Join(cause, m.Force(last)))
}

var fileName = regexp.MustCompile(`^(\d{6})_[a-z0-9_]+\.(up|down)\.sql$`)

// list returns the names of the up files in fsys by ascending number. It is an
// error when a name has another form, a number is missing or used twice, and
// when a step lacks either file.
func list(fsys fs.FS) ([]string, error) {
	names, err := fs.Glob(fsys, "*.sql")
	if err != nil {
		return nil, err
	}
	var ups []string
	downs := map[string]bool{}
	for _, name := range names { // sorted
		m := fileName.FindStringSubmatch(name)
		if m == nil {
			return nil, fmt.Errorf("migration %s is not named like 000001_name.up.sql", name)
		}
		if m[2] == "down" {
			downs[name] = true
			continue
		}
		ups = append(ups, name)
		if n, _ := strconv.Atoi(m[1]); n != len(ups) {
			return nil, fmt.Errorf("migration %s is in place %d", name, len(ups))
		}
	}
	for _, up := range ups {
		down := up[:len(up)-len("up.sql")] + "down.sql"
		if !downs[down] {
			return nil, fmt.Errorf("migration %s has no %s", up, down)
		}
		delete(downs, down)
	}
	for down := range downs {
		return nil, fmt.Errorf("migration %s undoes nothing", down)
	}
	return ups, nil
}
