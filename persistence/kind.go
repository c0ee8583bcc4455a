package persistence

import (
	"context"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/access"
	"leveltrail/domain/fault"
)

// kind is a kind of record: a table that holds the current version of each and
// a table, its name ending in _version, that holds every version. Columns fill
// the fields of T whose db tags they are, or whose names they match but for case and underscores.
type kind[T any] struct {
	table   string
	columns []string
	fields  []int  // of T, one for each column
	list    string // the columns, separated by commas

	matching string // the query for current versions, up to their condition
	byID     string // the query for the current version of a record
}

// kindOf describes a kind by its table and the names of its columns, once. The
// journal's seals cover its versions from then on.
func kindOf[T any](table, columns string) kind[T] {
	k := kind[T]{table: table, columns: strings.Fields(columns)}
	t := reflect.TypeFor[T]()
	fields := reflect.VisibleFields(t)
	for _, c := range k.columns {
		i := slices.IndexFunc(fields, func(f reflect.StructField) bool {
			return f.Tag.Get("db") == c || strings.EqualFold(f.Name, strings.ReplaceAll(c, "_", ""))
		})
		if i < 0 {
			panic(fmt.Sprintf("%s has no field for column %s", t, c))
		}
		k.fields = append(k.fields, fields[i].Index[0])
	}
	k.list = strings.Join(k.columns, ", ")
	k.matching = `select ` + k.list + ` from "` + table + `" where `
	k.byID = k.matching + `id = $1`
	versioned[table] = k.content
	return k
}

// args returns the values of rec for the columns, those named in set replaced.
// An id of zero is stored as null, a nil slice as an empty one.
func (k kind[T]) args(rec T, set map[string]any) []any {
	v := reflect.ValueOf(rec)
	args := make([]any, len(k.columns))
	for i, c := range k.columns {
		f := v.Field(k.fields[i])
		if x, ok := set[c]; ok {
			args[i] = x
		} else if f.Kind() == reflect.Slice && f.IsNil() {
			args[i] = reflect.MakeSlice(f.Type(), 0, 0).Interface()
		} else if args[i] = f.Interface(); args[i] == uuid.Nil {
			args[i] = nil
		}
	}
	return args
}

func (k kind[T]) placeholders() string {
	p := make([]string, len(k.columns))
	for i := range p {
		p[i] = "$" + strconv.Itoa(i+1)
	}
	return strings.Join(p, ", ")
}

// insert stores the first version of rec and returns it. An id of zero is replaced by a new one.
func (k kind[T]) insert(ctx context.Context, q conn, rec T, now time.Time) (T, error) {
	set := map[string]any{"version": 1, "created_at": now, "recorded_at": now}
	if id := reflect.ValueOf(rec).FieldByName("ID").Interface(); id == uuid.Nil {
		set["id"] = uuid.Must(uuid.NewV7())
	}
	return k.put(ctx, q, `insert into "`+k.table+`" (`+k.list+`) values (`+k.placeholders()+`)`, k.args(rec, set), "created", "")
}

// update stores the version that follows rec.Version, with the other members of
// rec. It is a Conflict with code version_conflict if that is not the current one.
func (k kind[T]) update(ctx context.Context, q conn, rec T, now time.Time) (T, error) {
	return k.change(ctx, q, rec, now, "changed", "")
}

// change is update under another name than "changed" in the journal, with its reason.
func (k kind[T]) change(ctx context.Context, q conn, rec T, now time.Time, verb, reason string) (T, error) {
	v := reflect.ValueOf(rec)
	version := int(v.FieldByName("Version").Int())
	args := k.args(rec, map[string]any{"version": version + 1, "recorded_at": now})
	n := len(args)
	rec, err := k.put(ctx, q, `update "`+k.table+`" set (`+k.list+`) = (`+k.placeholders()+`)
		where id = $`+strconv.Itoa(n+1)+` and version = $`+strconv.Itoa(n+2),
		append(args, v.FieldByName("ID").Interface(), version), verb, reason)
	if fault.KindOf(err) == fault.NotFound {
		err = &fault.Error{Kind: fault.Conflict, Code: "version_conflict", Message: "the record has changed since it was read"}
	}
	return rec, err
}

// put runs a statement that writes one current version, together with those that
// add it to the version table and to the journal.
func (k kind[T]) put(ctx context.Context, q conn, statement string, args []any, verb, reason string) (T, error) {
	client := "null::uuid"
	switch {
	case k.table == "client":
		client = "w.id"
	case slices.Contains(k.columns, "client_id"):
		client = "w.client_id"
	}
	p := make([]any, 5) // $1 … of the journal follow those of the statement
	for i := range p {
		p[i] = "$" + strconv.Itoa(len(args)+i+1)
	}
	by := access.From(ctx)
	rows, _ := q.Query(ctx, fmt.Sprintf(`
		with w as (`+statement+` returning `+k.list+`),
		j as (insert into journal (at, key_id, actor, request_id, type, record_type, record_id, client_id, version, reason)
			select w.recorded_at, %s, %s, %s, %s, '`+k.table+`', w.id, `+client+`, w.version, %s from w returning id),
		o as (insert into journal_open (entry_id) select id from j)
		insert into `+k.table+`_version (`+k.list+`) select `+k.list+` from w returning `+k.list, p...),
		append(args, by.KeyID, by.Name, by.RequestID, k.table+"."+verb, reason)...)
	rec, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[T])
	return rec, classify(err, k.table)
}

// get returns the current version of the record of the given id.
func (k kind[T]) get(ctx context.Context, q conn, id uuid.UUID) (T, error) {
	rows, _ := q.Query(ctx, k.byID, id)
	rec, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[T])
	return rec, classify(err, k.table)
}

// versions returns every version of the record of the given id, oldest first.
func (k kind[T]) versions(ctx context.Context, q conn, id uuid.UUID) ([]T, error) {
	rows, _ := q.Query(ctx, `select `+k.list+` from `+k.table+`_version where id = $1 order by version`, id)
	recs, err := pgx.CollectRows(rows, pgx.RowToStructByName[T])
	if err == nil && len(recs) == 0 {
		return nil, notFound(strings.ReplaceAll(k.table, "_", " "))
	}
	return recs, classify(err, k.table)
}

// list returns the current records that the condition where holds for.
func (k kind[T]) where(ctx context.Context, q conn, where string, args ...any) ([]T, error) {
	rows, _ := q.Query(ctx, k.matching+where, args...)
	recs, err := pgx.CollectRows(rows, pgx.RowToStructByName[T])
	return recs, classify(err, k.table)
}

// queueWhere adds to b what [kind.where] asks; recs is set when b is sent.
func (k kind[T]) queueWhere(b *pgx.Batch, recs *[]T, where string, args ...any) {
	b.Queue(k.matching+where, args...).Query(func(rows pgx.Rows) (err error) {
		*recs, err = pgx.CollectRows(rows, pgx.RowToStructByName[T])
		return classify(err, k.table)
	})
}

// queueKnown asks, of the records of which some version meets where, for the version
// known at the given instant: the latest recorded by then that meets it. Records first
// recorded later are left out. where must be about columns that never change;
// its parameters start at $2. recs is set when b is sent.
func (k kind[T]) queueKnown(b *pgx.Batch, recs *[]T, at time.Time, where string, args ...any) {
	b.Queue(k.knownStatement(where), append([]any{at}, args...)...).Query(func(rows pgx.Rows) (err error) {
		*recs, err = pgx.CollectRows(rows, pgx.RowToStructByName[T])
		return classify(err, k.table)
	})
}

// without returns k reading empty lists in place of columns that hold lists in JSON.
func (k kind[T]) without(columns ...string) kind[T] {
	list := slices.Clone(k.columns)
	for i, c := range list {
		if slices.Contains(columns, c) {
			list[i] = `'[]'::jsonb as ` + c
		}
	}
	k.list = strings.Join(list, ", ")
	return k
}

func (k kind[T]) knownStatement(where string) string {
	return `
		select distinct on (id) ` + k.list + ` from ` + k.table + `_version
		where recorded_at <= $1 and (` + where + `) order by id, version desc`
}
