package persistence_test

import (
	"net/url"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/persistence"
	"leveltrail/persistence/pgtest"
)

// TestRolesThatPoliciesDoNotBind opens the store as roles that must not serve.
func TestRolesThatPoliciesDoNotBind(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	super := pgtest.Connect(t, db.Superuser)
	role := "leveltrail_test_" + strings.ReplaceAll(uuid.NewString(), "-", "")
	for _, sql := range []string{
		"create role " + role + " login bypassrls password 'x'",
		"grant leveltrail_app to " + role,
	} {
		if _, err := super.Exec(t.Context(), sql); err != nil {
			t.Fatal(err)
		}
	}
	bypassing, err := url.Parse(db.App)
	if err != nil {
		t.Fatal(err)
	}
	bypassing.User = url.UserPassword(role, "x")
	for name, tt := range map[string]struct{ url, want string }{
		"superuser": {db.Superuser, "bypasses row-level security"},
		"bypassrls": {bypassing.String(), "bypasses row-level security"},
		"owner":     {db.Owner, "owns the tables"},
	} {
		s, err := persistence.Open(t.Context(), tt.url)
		if err == nil {
			s.Close()
		}
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("Open as %s = %v; want an error: %s", name, err, tt.want)
		}
	}
	if _, err := super.Exec(t.Context(), "drop role "+role); err != nil {
		t.Error(err)
	}
}

// TestPoliciesOfClientTables holds every table that names a client to a policy that binds its owner
// too, but for those that all may look into: they hold ids, no content.
func TestPoliciesOfClientTables(t *testing.T) {
	t.Parallel()
	rows, _ := pgtest.Connect(t, pgtest.New(t).Superuser).Query(t.Context(), `
		select c.relname::text from pg_class c
		where c.relkind in ('r', 'p') and c.relnamespace = 'public'::regnamespace
			and (c.relname in ('client', 'client_version') or exists (
				select from pg_attribute a where a.attrelid = c.oid and a.attname in ('client_id', 'client_ids') and not a.attisdropped))
			and not (c.relrowsecurity and c.relforcerowsecurity and exists (select from pg_policy p where p.polrelid = c.oid))
		order by 1`)
	open, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	// Keys are looked up before it is known who asks; job numbers are unique over all clients;
	// a meter's use is told of other clients' surveys by its time alone.
	if diff := cmp.Diff([]string{"api_key", "instrument_use", "job_number"}, open); diff != "" {
		t.Errorf("tables that name a client and have no policy (-want +got):\n%s", diff)
	}
}
