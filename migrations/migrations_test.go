package migrations_test

import (
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"strings"
	"sync"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"

	"leveltrail/migrations"
	"leveltrail/persistence/pgtest"
)

func status(t *testing.T, url string) migrations.State {
	t.Helper()
	s, err := migrations.Status(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// keyValues writes the URL as libpq's other form of connection string.
func keyValues(t *testing.T, text string) string {
	t.Helper()
	u, err := url.Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	password, _ := u.User.Password()
	pairs := []string{"user=" + u.User.Username(), "password=" + password, "dbname=" + strings.TrimPrefix(u.Path, "/")}
	if u.Hostname() != "" {
		pairs = append(pairs, "host="+u.Hostname(), "port="+u.Port())
	}
	for key, values := range u.Query() {
		pairs = append(pairs, fmt.Sprintf("%s='%s'", key, values[0]))
	}
	return strings.Join(pairs, " ")
}

func TestUpStatusDown(t *testing.T) {
	t.Parallel()
	for form, write := range map[string]func(string) string{
		"URL":        func(u string) string { return u },
		"key values": func(u string) string { return keyValues(t, u) },
	} {
		t.Run(form, func(t *testing.T) {
			t.Parallel()
			db := pgtest.Empty(t)
			latest := migrations.Latest()
			owner := write(db.Owner)
			check := func(when string, version uint) {
				t.Helper()
				if diff := cmp.Diff(migrations.State{Version: version, Latest: latest}, status(t, owner)); diff != "" {
					t.Errorf("Status %s (-want +got):\n%s", when, diff)
				}
			}
			check("of an empty database", 0)
			for range 2 { // the second time there is nothing to do
				if err := migrations.Up(owner); err != nil {
					t.Fatal(err)
				}
				check("after Up", latest)
			}
			if err := migrations.Down(owner, 0); err == nil {
				t.Error("Down by 0 steps succeeds; want an error")
			}
			if err := migrations.Down(owner, 1); err != nil {
				t.Fatal(err)
			}
			check("after one step down", latest-1)
			if err := migrations.Down(owner, int(latest)); err == nil {
				t.Error("Down by more steps than were done succeeds; want an error")
			}
			check("after all steps down", 0)
		})
	}
}

func TestUpAtOnce(t *testing.T) {
	t.Parallel()
	owner := pgtest.Empty(t).Owner
	var wg sync.WaitGroup
	for range 3 {
		wg.Go(func() {
			if err := migrations.Up(owner); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if s := status(t, owner); s.Version != s.Latest || s.Dirty {
		t.Errorf("Status = %+v; want the latest", s)
	}
}

func TestRefusedStepLeavesTheOneBefore(t *testing.T) {
	t.Parallel()
	file := func(text string) *fstest.MapFile { return &fstest.MapFile{Data: []byte(text)} }
	steps := fstest.MapFS{
		"000001_a.up.sql":   file("create table a ();\ncreate table b ();\ncreate tble c ();"),
		"000001_a.down.sql": file("drop table b; drop table missing;"),
		"000002_b.up.sql":   file("create table d ();\ndo $$ begin perform 1/0; end $$"),
		"000002_b.down.sql": file(""),
	}
	owner := pgtest.Empty(t).Owner
	conn, err := pgx.Connect(t.Context(), owner)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	check := func(err error, text string, version uint, tables ...string) {
		t.Helper()
		if err == nil || !strings.Contains(err.Error(), text) || strings.Contains(err.Error(), "create table") {
			t.Errorf("error = %v; want one with %q and without the file", err, text)
		}
		if s := status(t, owner); s.Version != version || s.Dirty {
			t.Errorf("Status = %+v; want version %d, not dirty", s, version)
		}
		rows, _ := conn.Query(t.Context(), `select tablename::text from pg_tables
			where schemaname = 'public' and tablename <> 'schema_migrations' order by 1`)
		got, err := pgx.CollectRows(rows, pgx.RowTo[string])
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(tables, got); diff != "" && len(tables)+len(got) > 0 {
			t.Errorf("tables (-want +got):\n%s", diff)
		}
	}
	check(migrations.UpFrom(steps, owner), `at step 0, at line 3: ERROR: syntax error at or near "tble"`, 0)
	steps["000001_a.up.sql"] = file("create table a ();\ncreate table b ();")
	check(migrations.UpFrom(steps, owner), "at step 1, at ", 1, "a", "b")
	check(migrations.StepsFrom(steps, owner, -1), `ERROR: table "missing" does not exist`, 1, "a", "b")
}

// Data of every step survives the steps after it: a fixture, testdata/NNNNNN.sql,
// is inserted after the step of its number, and in the end no table is empty.
func TestDataSurvivesLaterSteps(t *testing.T) {
	t.Parallel()
	db := pgtest.Empty(t)
	ups, err := migrations.List(migrations.Files)
	if err != nil {
		t.Fatal(err)
	}
	conn, err := pgx.Connect(t.Context(), db.Superuser) // row-level security hides nothing
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	fixtures, err := fs.Glob(os.DirFS("testdata"), "*.sql")
	if err != nil {
		t.Fatal(err)
	}
	used := 0
	for _, name := range ups {
		if err := migrations.Steps(db.Owner, 1); err != nil {
			t.Fatal(err)
		}
		fixture, err := os.ReadFile("testdata/" + name[:6] + ".sql")
		if os.IsNotExist(err) {
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		if _, err := conn.Exec(t.Context(), string(fixture)); err != nil {
			t.Fatalf("the fixture of %s: %v", name, err)
		}
		used++
	}
	if used != len(fixtures) {
		t.Errorf("%d of the fixtures %v belong to a step", used, fixtures)
	}
	rows, _ := conn.Query(t.Context(), "select schemaname || '.' || quote_ident(tablename) from pg_tables where schemaname !~ '^(pg_|information_schema)'")
	tables, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	for _, table := range tables {
		var filled bool
		if err := conn.QueryRow(t.Context(), "select exists (select from "+table+")").Scan(&filled); err != nil {
			t.Fatal(err)
		}
		if !filled {
			t.Errorf("table %s is empty; want a row from a fixture", table)
		}
	}
	if err := migrations.Down(db.Owner, len(ups)); err != nil {
		t.Errorf("down, with data: %v", err)
	}
}
