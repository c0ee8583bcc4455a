package migrations_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"

	"leveltrail/migrations"
	"leveltrail/persistence/pgtest"
)

// catalog lists what a schema is made of, one line each: its relations with their
// owner and settings, columns, indexes, constraints, policies, triggers, functions,
// types, comments, extensions and every grant. Left out are what extensions bring,
// the table that records the steps, and the roles, which belong to the whole server.
const catalog = `
with mine as (
	select n.oid, n.nspname, n.nspowner, n.nspacl from pg_namespace n
	where n.nspname !~ '^pg_' and n.nspname <> 'information_schema'
), rel as (
	select c.*, format('%I.%I', nspname, relname) as name, nspname from pg_class c join mine on mine.oid = relnamespace
	where relname !~ '^schema_migrations' and not exists (
		select from pg_depend d where d.classid = 'pg_class'::regclass and d.objid = c.oid and d.deptype = 'e')
), fn as (
	select p.*, p.oid::regprocedure::text as name from pg_proc p join mine on mine.oid = pronamespace
	where not exists (select from pg_depend d where d.classid = 'pg_proc'::regclass and d.objid = p.oid and d.deptype = 'e')
), typ as (
	select t.*, format('%I.%I', nspname, typname) as name from pg_type t join mine on mine.oid = typnamespace
	where typtype in ('e', 'd', 'r') and not exists (
		select from pg_depend d where d.classid = 'pg_type'::regclass and d.objid = t.oid and d.deptype = 'e')
), grants as (
	select 'schema ' || nspname as on, acl.* from mine, aclexplode(coalesce(nspacl, acldefault('n', nspowner))) acl
	union all
	select 'relation ' || name, acl.* from rel, aclexplode(coalesce(relacl, acldefault(case relkind when 'S' then 's' else 'r' end::"char", relowner))) acl where relkind not in ('i', 'I', 'c')
	union all
	select 'column ' || name || '.' || attname, acl.* from rel join pg_attribute on attrelid = rel.oid, aclexplode(attacl) acl
	union all
	select 'function ' || name, acl.* from fn, aclexplode(coalesce(proacl, acldefault('f', proowner))) acl
	union all
	select 'type ' || name, acl.* from typ, aclexplode(coalesce(typacl, acldefault('T', typowner))) acl
	union all
	select 'default ' || defaclobjtype::text, acl.* from pg_default_acl, aclexplode(defaclacl) acl
)
select line from (
	select format('schema %s owner %s', nspname, nspowner::regrole) as line from mine
	union all
	select format('relation %s kind %s owner %s persistence %s rls %s forced %s options %s view %s', name, relkind, relowner::regrole,
		relpersistence, relrowsecurity, relforcerowsecurity, reloptions,
		case when relkind in ('v', 'm') then pg_get_viewdef(rel.oid) end) from rel
	union all
	select format('column %s.%s number %s type %s not null %s default %s identity %s generated %s storage %s compression %s', name, attname,
		row_number() over (partition by attrelid order by attnum), -- a column dropped and added again has another attnum in the same place
		format_type(atttypid, atttypmod), attnotnull, pg_get_expr(adbin, adrelid), attidentity, attgenerated, attstorage, attcompression)
		from rel join pg_attribute on attrelid = rel.oid left join pg_attrdef on adrelid = attrelid and adnum = attnum
		where attnum > 0 and not attisdropped and relkind <> 'i'
	union all
	select format('index %s: %s', name, pg_get_indexdef(rel.oid)) from rel where relkind = 'i'
	union all
	select format('constraint %s on %s: %s', conname, name, pg_get_constraintdef(c.oid)) from pg_constraint c join rel on rel.oid = conrelid
	union all
	select format('policy %s on %s for %s to %s permissive %s using %s check %s', policyname, tablename, cmd, roles, permissive, qual, with_check)
		from pg_policies where schemaname in (select nspname from mine)
	union all
	select format('trigger on %s: %s', name, pg_get_triggerdef(g.oid)) from pg_trigger g join rel on rel.oid = tgrelid where not tgisinternal
	union all
	select format('function %s owner %s: %s', name, proowner::regrole, case when prokind in ('f', 'p') then pg_get_functiondef(fn.oid) end) from fn
	union all
	select format('type %s kind %s base %s labels %s', name, typtype, typbasetype::regtype,
		(select array_agg(enumlabel order by enumsortorder) from pg_enum where enumtypid = typ.oid)) from typ
	union all
	select format('comment on %s %s column %s: %s', classoid::regclass, name, objsubid, description) from pg_description join rel on rel.oid = objoid
	union all
	select format('extension %s %s', extname, extversion) from pg_extension
	union all
	select format('grant on %s to %s: %s grantable %s', g.on, case g.grantee when 0 then 'public' else g.grantee::regrole::text end,
		g.privilege_type, g.is_grantable) from grants g
) lines
order by line collate "C"`

func describe(t *testing.T, url string) []string {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	rows, _ := conn.Query(t.Context(), catalog)
	lines, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	return lines
}

// Every step is undone exactly by its down file, and doing it again gives the same.
func TestEachStepIsUndoneExactly(t *testing.T) {
	t.Parallel()
	url := pgtest.Empty(t).Owner
	ups, err := migrations.List(migrations.Files)
	if err != nil {
		t.Fatal(err)
	}
	step := func(n int) []string {
		t.Helper()
		if err := migrations.Steps(url, n); err != nil {
			t.Fatal(err)
		}
		return describe(t, url)
	}
	for _, name := range ups {
		before := describe(t, url)
		done := step(+1)
		if diff := cmp.Diff(before, step(-1)); diff != "" {
			t.Errorf("%s is not reverted by its down file (-before +after):\n%s", name, diff)
		}
		again := step(+1)
		if diff := cmp.Diff(done, again); diff != "" {
			t.Errorf("%s done again gives another schema (-once +again):\n%s", name, diff)
		}
	}
}

// The catalog must see each kind of thing that a step may leave behind.
func TestCatalogSeesWhatAStepLeaves(t *testing.T) {
	t.Parallel()
	url := pgtest.New(t).Owner
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	before := describe(t, url)
	for _, sql := range []string{
		"create table left_over (id int)",
		"alter table left_over add column at timestamptz",
		"alter table left_over alter column at set default now()",
		"alter table left_over add constraint left_over_id_check check (id > 0)",
		"create index on left_over (id)",
		"alter table left_over enable row level security",
		"create policy p on left_over using (id = 1)",
		"alter policy p on left_over using (id = 2)",
		"grant select on left_over to leveltrail_app",
		"grant update (id) on left_over to leveltrail_app",
		"create function f() returns int language sql as 'select 1'",
		"create or replace function f() returns int language sql as 'select 2'",
		"revoke execute on function f() from public",
		"create function g() returns trigger language plpgsql as 'begin return new; end'",
		"create trigger g before insert on left_over for each row execute function g()",
		"create view v as select 1",
		"create sequence s",
		"create type mood as enum ('a')",
		"alter type mood add value 'b'",
		"create schema other",
		"grant create on schema public to leveltrail_app",
		"comment on table left_over is 'x'",
		"alter default privileges grant select on tables to leveltrail_app",
		"create extension btree_gist",
	} {
		if _, err := conn.Exec(t.Context(), sql); err != nil {
			t.Fatalf("%s: %v", sql, err)
		}
		after := describe(t, url)
		if cmp.Equal(before, after) {
			t.Errorf("the catalog does not show: %s", sql)
		}
		before = after
	}
}
