package persistence

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/access"
)

// versioned gives, for each kind of record with a version table, the canonical
// content of one version. [kindOf] fills it.
var versioned = map[string]func(ctx context.Context, q conn, id uuid.UUID, version int) (map[string]any, error){}

// content returns what one version of a record says, by column. Columns that say
// nothing are left out, so that a column added later does not alter the content
// of versions written before.
func (k kind[T]) content(ctx context.Context, q conn, id uuid.UUID, version int) (map[string]any, error) {
	rows, _ := q.Query(ctx, `select `+k.list+` from `+k.table+`_version where id = $1 and version = $2`, id, version)
	rec, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[T])
	if err != nil {
		return nil, fmt.Errorf("version %d of %s %s: %w", version, k.table, id, err)
	}
	content := map[string]any{}
	v := reflect.ValueOf(rec)
	for i, c := range k.columns {
		f := v.Field(k.fields[i])
		if f.IsZero() || f.Kind() == reflect.Slice && f.Len() == 0 {
			continue
		}
		x := f.Interface()
		switch t := x.(type) {
		case time.Time:
			x = canonicalTime(t)
		case *time.Time:
			x = canonicalTime(*t)
		}
		content[c] = x
	}
	return content, nil
}

func canonicalTime(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05.000000Z") }

// canonical returns the bytes of an entry that its seal covers: JSON with sorted
// names, of the entry and the version that it is about.
func canonical(ctx context.Context, q conn, e access.Entry) ([]byte, error) {
	m := map[string]any{
		"seq": e.Seq, "at": canonicalTime(e.At), "key_id": e.KeyID, "actor": e.Actor, "request_id": e.RequestID,
		"type": e.Type, "record_id": e.RecordID, "version": e.Version, "reason": e.Reason,
	}
	if e.ClientID != uuid.Nil {
		m["client_id"] = e.ClientID
	}
	if e.Detail != nil {
		var detail any
		d := json.NewDecoder(bytes.NewReader(e.Detail))
		d.UseNumber()
		if err := d.Decode(&detail); err != nil {
			return nil, err
		}
		m["detail"] = detail
	}
	if content, ok := versioned[e.RecordType]; ok && e.Detail == nil {
		c, err := content(ctx, q, e.RecordID, e.Version)
		if err != nil {
			return nil, err
		}
		m["record"] = c
	}
	return json.Marshal(m)
}

func link(before, canonical []byte) []byte {
	h := sha256.New()
	h.Write(before)
	h.Write(canonical)
	return h.Sum(nil)
}

const sealAtOnce = 1000

// Seal gives the committed entries of the journal their order, chains them and
// queues what webhooks ask for of them. It returns how many it sealed; another
// process that seals at the same time leaves it none.
func (s *Store) Seal(ctx context.Context) (n int, err error) {
	ctx = access.With(ctx, access.Caller{Name: "the service", All: true})
	for {
		done := 0
		err = s.write(ctx, func(tx pgx.Tx) error {
			var free bool
			if err := tx.QueryRow(ctx, `select pg_try_advisory_xact_lock(7304)`).Scan(&free); err != nil || !free {
				return err
			}
			done, err = s.sealSome(ctx, tx, s.stamp())
			return err
		})
		n += done
		if err != nil || done < sealAtOnce {
			return n, err
		}
	}
}

// SealedHead seals all that has committed, after whoever else seals at the same
// time, and returns the head of the chain.
func (s *Store) SealedHead(ctx context.Context) (h access.Head, err error) {
	err = s.write(ctx, func(tx pgx.Tx) error {
		b := &pgx.Batch{}
		b.Queue(`set local app.client_ids = '*'`)
		b.Queue(`select pg_advisory_xact_lock(7304)`)
		if err := tx.SendBatch(ctx, b).Close(); err != nil {
			return err
		}
		for done := sealAtOnce; done == sealAtOnce; {
			if done, err = s.sealSome(ctx, tx, s.stamp()); err != nil {
				return err
			}
		}
		if h, err = head(ctx, tx); err != nil {
			return err
		}
		_, err = tx.Exec(ctx, seeing(ctx)) // the transaction may be one of more than this
		return err
	})
	return h, err
}

// Head returns the head of the journal's chain as it is.
func (s *Store) Head(ctx context.Context) (access.Head, error) { return head(ctx, s.pool) }

// head returns the last seal, zero where there is none.
func head(ctx context.Context, q conn) (h access.Head, err error) {
	err = q.QueryRow(ctx, `select seq, sha256, sealed_at from journal_seal order by seq desc limit 1`).Scan(&h.Seq, &h.SHA256, &h.SealedAt)
	if errors.Is(err, pgx.ErrNoRows) {
		err = nil
	}
	return h, err
}

const entryColumns = `j.at, j.key_id, j.actor, j.request_id, j.type, j.record_type, j.record_id, j.client_id, j.version, j.reason, j.detail`

func (s *Store) sealSome(ctx context.Context, tx pgx.Tx, now time.Time) (int, error) {
	// What has not committed is not seen and is sealed when it has. The numbers of entries
	// follow the order of writing, so that a record's versions come in theirs.
	rows, _ := tx.Query(ctx, `
		select j.id as seq, `+entryColumns+`, null::bytea as sha256 from journal_open o join journal j on j.id = o.entry_id
		order by j.id limit $1`, sealAtOnce)
	entries, err := pgx.CollectRows(rows, pgx.RowToStructByName[access.Entry])
	if err != nil || len(entries) == 0 {
		return 0, err
	}
	var last int64
	var head []byte
	err = tx.QueryRow(ctx, `select seq, sha256 from journal_seal order by seq desc limit 1`).Scan(&last, &head)
	if err != nil && !errors.Is(err, pgx.ErrNoRows) {
		return 0, err
	}
	sealed := last
	ids, seqs, sums := make([]int64, len(entries)), make([]int64, len(entries)), make([][]byte, len(entries))
	for i, e := range entries {
		ids[i] = e.Seq
		last++
		e.Seq = last
		b, err := canonical(ctx, tx, e)
		if err != nil {
			return 0, err
		}
		head = link(head, b)
		seqs[i], sums[i] = e.Seq, head
	}
	b := &pgx.Batch{}
	b.Queue(`insert into journal_seal (seq, entry_id, sealed_at, sha256)
		select n.seq, n.id, $1, n.sum from unnest($2::bigint[], $3::bigint[], $4::bytea[]) n (seq, id, sum)`, now, seqs, ids, sums)
	b.Queue(`delete from journal_open where entry_id = any($1)`, ids)
	if err := tx.SendBatch(ctx, b).Close(); err != nil {
		return 0, err
	}
	return len(entries), s.address(ctx, tx, sealed, now)
}

// Entries returns the sealed entries that follow after, at most limit of them, and
// of those about keys and webhooks only where withKeys.
func (s *Store) Entries(ctx context.Context, after int64, limit int, withKeys bool) (es []access.Entry, err error) {
	err = s.read(ctx, func(q conn) error {
		rows, _ := q.Query(ctx, `
			select l.seq, `+entryColumns+`, l.sha256 from journal_seal l join journal j on j.id = l.entry_id
			where l.seq > $1 and ($3 or j.record_type not in `+untold+`) order by l.seq limit $2`, after, limit, withKeys)
		es, err = pgx.CollectRows(rows, pgx.RowToStructByName[access.Entry])
		return err
	})
	return es, err
}

// openTooLong is how long an entry may wait for its seal before that is a fault.
const openTooLong = time.Minute

// VerifyJournal recomputes the whole chain and reports the first entry that is not what was sealed.
func (s *Store) VerifyJournal(ctx context.Context) (v access.Verification, err error) {
	ctx = access.With(ctx, access.Caller{Name: "the service", All: true})
	err = s.read(ctx, func(q conn) error {
		var oldest *time.Time
		if err := q.QueryRow(ctx, `select count(*), min(j.at) from journal_open o left join journal j on j.id = o.entry_id`).Scan(&v.Open, &oldest); err != nil {
			return err
		}
		for v.BadSeq == 0 {
			rows, _ := q.Query(ctx, `
				select l.seq, `+entryColumns+`, l.sha256 from journal_seal l join journal j on j.id = l.entry_id
				where l.seq > $1 order by l.seq limit $2`, v.Entries, sealAtOnce)
			entries, err := pgx.CollectRows(rows, pgx.RowToStructByName[access.Entry])
			if err != nil {
				return err
			}
			if len(entries) == 0 {
				break
			}
			for _, e := range entries {
				if e.Seq != v.Entries+1 {
					v.BadSeq, v.Why = v.Entries+1, "the entry is missing"
					return nil
				}
				b, err := canonical(ctx, q, e)
				if err != nil {
					if !errors.Is(err, pgx.ErrNoRows) {
						return err
					}
					v.BadSeq, v.Why = e.Seq, "the version that it is about is missing"
					return nil
				}
				if head := link(v.Head, b); !bytes.Equal(head, e.SHA256) {
					v.BadSeq, v.Why = e.Seq, "the entry, or the version that it is about, is not what was sealed"
					return nil
				}
				v.Head, v.Entries = e.SHA256, e.Seq
			}
		}
		if v.BadSeq, v.Why, err = unrecorded(ctx, q, v); err != nil || v.BadSeq != 0 {
			return err
		}
		if oldest != nil && s.stamp().Sub(*oldest) > openTooLong {
			v.BadSeq, v.Why = v.Entries+1, "an entry of "+oldest.UTC().Format(time.RFC3339)+" was left unsealed"
		}
		return nil
	})
	return v, err
}
