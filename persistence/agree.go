package persistence

import (
	"context"
	"maps"
	"slices"

	"github.com/jackc/pgx/v5"

	"leveltrail/domain/access"
)

// unrecorded returns the first thing that the chain of the journal does not show
// by itself, as the place in the journal of what it is about and what is wrong: a
// record that is not its newest version, a version without an entry, an entry that
// was sealed or awaits its seal no more. seq is zero if there is none.
func unrecorded(ctx context.Context, q conn, v access.Verification) (seq int64, why string, err error) {
	found := func(at *int64, what string) {
		n := v.Entries + 1 // of nothing that was sealed
		if at != nil {
			n = *at
		}
		if seq == 0 || n < seq {
			seq, why = n, what
		}
	}
	const sealOf = `(select min(l.seq) from journal j join journal_seal l on l.entry_id = j.id
		where j.record_type = $1 and j.record_id = f.id and j.version = f.version)`
	check := func(what, statement string, args ...any) error {
		rows, _ := q.Query(ctx, statement, args...)
		var at *int64
		_, err := pgx.ForEachRow(rows, []any{&at}, func() error { found(at, what); return nil })
		return err
	}
	for _, table := range slices.Sorted(maps.Keys(versioned)) {
		if err := check("the "+table+" is not the newest version that was sealed", `
			select `+sealOf+` from (
				select coalesce(v.id, c.id) as id, coalesce(v.version, c.version) as version
				from "`+table+`" c full join (select distinct on (id) * from `+table+`_version order by id, version desc) v on v.id = c.id
				where (c.*) is distinct from (v.*)) f order by 1 limit 1`, table); err != nil {
			return 0, "", err
		}
		if err := check("a version of the "+table+" has no entry", `
			select null::bigint from `+table+`_version v where not exists (
				select from journal j where j.record_type = $1 and j.record_id = v.id and j.version = v.version) limit 1`, table); err != nil {
			return 0, "", err
		}
	}
	if err := check("the copy of the sign-off is not what was signed", `
		select `+sealOf+` from (
			select v.id, v.version from sign_off_version v
			left join sign_off_copy c on (c.client_id, c.sign_off_id) = (v.client_id, v.id)
			where (sha256(c.frozen), sha256(c.page)) is distinct from (v.sha256, v.page_sha256)) f order by 1 limit 1`, "sign_off"); err != nil {
		return 0, "", err
	}
	err = check("an entry has no seal and awaits none", `
		select null::bigint from journal j where not exists (select from journal_seal l where l.entry_id = j.id)
			and not exists (select from journal_open o where o.entry_id = j.id) limit 1`)
	return seq, why, err
}
