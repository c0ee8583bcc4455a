package pgtest_test

import (
	"fmt"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"

	"leveltrail/migrations"
	"leveltrail/persistence/pgtest"
)

func TestNewIsMigratedAndOnesOwn(t *testing.T) {
	t.Parallel()
	for i := range 4 {
		t.Run(fmt.Sprint(i), func(t *testing.T) {
			t.Parallel()
			db := pgtest.New(t)
			state, err := migrations.Status(t.Context(), db.Owner)
			if err != nil {
				t.Fatal(err)
			}
			want := migrations.State{Version: migrations.Latest(), Latest: migrations.Latest()}
			if diff := cmp.Diff(want, state); diff != "" {
				t.Errorf("Status (-want +got):\n%s", diff)
			}
			// The same name in each of the four: they would clash in one database.
			if _, err := pgtest.Connect(t, db.Owner).Exec(t.Context(), "create table mine ()"); err != nil {
				t.Error(err)
			}
		})
	}
}

func TestRoles(t *testing.T) {
	t.Parallel()
	db := pgtest.Empty(t)
	type role struct {
		Name              string
		Super, Bypass     bool
		OwnsDatabase      bool
		MayCreateInPublic bool
	}
	roleOf := func(url string) role {
		rows, _ := pgtest.Connect(t, url).Query(t.Context(), `
			select rolname as name, rolsuper as super, rolbypassrls as bypass,
				exists (select from pg_database where datname = current_database() and datdba = r.oid) as owns_database,
				has_schema_privilege('public', 'create') as may_create_in_public
			from pg_roles r where rolname = current_user`)
		got, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[role])
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	if diff := cmp.Diff(role{Name: "leveltrail_owner", OwnsDatabase: true, MayCreateInPublic: true}, roleOf(db.Owner)); diff != "" {
		t.Errorf("owner (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(role{Name: "leveltrail_app"}, roleOf(db.App)); diff != "" {
		t.Errorf("app (-want +got):\n%s", diff)
	}
	if !roleOf(db.Superuser).Super {
		t.Error("Superuser is none")
	}
}

func TestEmptyHasNoTable(t *testing.T) {
	t.Parallel()
	db := pgtest.Empty(t)
	rows, _ := pgtest.Connect(t, db.Owner).Query(t.Context(), "select tablename::text from pg_tables where schemaname = 'public'")
	tables, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil || len(tables) != 0 {
		t.Errorf("tables = %v, %v; want none", tables, err)
	}
}

func TestDatabaseIsDroppedAfterItsTest(t *testing.T) {
	t.Parallel()
	var name, admin string
	t.Run("test", func(t *testing.T) {
		db := pgtest.New(t)
		if err := pgtest.Connect(t, db.App).QueryRow(t.Context(), "select current_database()").Scan(&name); err != nil {
			t.Fatal(err)
		}
	})
	admin = pgtest.Empty(t).Superuser
	var exists bool
	if err := pgtest.Connect(t, admin).QueryRow(t.Context(),
		"select exists (select from pg_database where datname = $1)", name).Scan(&exists); err != nil {
		t.Fatal(err)
	}
	if name == "" || exists {
		t.Errorf("database %q exists: %t; want that it is dropped", name, exists)
	}
}
