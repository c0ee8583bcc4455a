package persistence

import (
	"context"
	"crypto/rand"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/access"
	"leveltrail/domain/fault"
	"leveltrail/domain/request"
)

const keyColumns = `id, record_id, version, created_at, recorded_at, secret_hash, name, role, client_ids, expires_at, revoked_at, last_used_at`

// Key returns the key of the given public part, revoked and expired ones too.
func (s *Store) Key(ctx context.Context, id string) (access.Key, error) {
	return oneKey(ctx, s.pool, `id = $1`, id)
}

// KeyByRecord returns the key of the given record id, revoked and expired ones too.
func (s *Store) KeyByRecord(ctx context.Context, id uuid.UUID) (k access.Key, err error) {
	err = s.read(ctx, func(q conn) error {
		k, err = oneKey(ctx, q, `record_id = $1`, id)
		return err
	})
	return k, err
}

func oneKey(ctx context.Context, q conn, where string, arg any) (access.Key, error) {
	rows, _ := q.Query(ctx, `select `+keyColumns+` from api_key where `+where, arg)
	k, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[access.Key])
	return k, classify(err, "key")
}

// Keys returns a page of the keys.
func (s *Store) Keys(ctx context.Context, p request.Page) (ks []access.Key, err error) {
	err = s.read(ctx, func(q conn) error {
		rows, _ := q.Query(ctx, `select `+keyColumns+` from api_key where record_id > $1 order by record_id limit $2`, p.After, p.Limit)
		ks, err = pgx.CollectRows(rows, pgx.RowToStructByName[access.Key])
		return err
	})
	return ks, err
}

// CreateKey stores a new key. Each of its clients must exist.
func (s *Store) CreateKey(ctx context.Context, k access.Key) (access.Key, error) {
	now := s.stamp()
	k.RecordID, k.Version, k.CreatedAt, k.RecordedAt = uuid.Must(uuid.NewV7()), 1, now, now
	err := s.write(ctx, func(tx pgx.Tx) error {
		var known int
		if err := tx.QueryRow(ctx, `select count(*) from client where id = any($1)`, k.ClientIDs).Scan(&known); err != nil {
			return err
		}
		if known != len(k.ClientIDs) {
			return unknown("key", "client_ids", "must each name a client, once")
		}
		_, err := tx.Exec(ctx, `
			insert into api_key (`+keyColumns+`) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)`,
			k.ID, k.RecordID, k.Version, k.CreatedAt, k.RecordedAt, k.SecretHash, k.Name, k.Role, k.ClientIDs, k.ExpiresAt, k.RevokedAt, k.LastUsedAt)
		if err != nil {
			return classify(err, "api_key")
		}
		return enter(ctx, tx, entry{at: now, kind: "key", verb: "created", record: k.RecordID, version: 1})
	})
	return k, err
}

// UpdateKey stores when k expires or was revoked, as the version that follows k.Version.
func (s *Store) UpdateKey(ctx context.Context, k access.Key, verb string) (access.Key, error) {
	err := s.write(ctx, func(tx pgx.Tx) error {
		now := s.stamp()
		tag, err := tx.Exec(ctx, `
			update api_key set version = version + 1, recorded_at = $3, expires_at = $4, revoked_at = $5 where record_id = $1 and version = $2`,
			k.RecordID, k.Version, now, k.ExpiresAt, k.RevokedAt)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return &fault.Error{Kind: fault.Conflict, Code: "version_conflict", Message: "the key has changed since it was read"}
		}
		k.Version, k.RecordedAt = k.Version+1, now
		return enter(ctx, tx, entry{at: now, kind: "key", verb: verb, record: k.RecordID, version: k.Version})
	})
	return k, err
}

// RotateKey stores fresh, the successor of k, and when k expires: both or, where k has changed since it
// was read, neither.
func (s *Store) RotateKey(ctx context.Context, k, fresh access.Key) (access.Key, error) {
	err := s.write(ctx, func(tx pgx.Tx) (err error) {
		ctx := context.WithValue(ctx, txKey{}, tx)
		if _, err = s.UpdateKey(ctx, k, "rotated"); err == nil {
			fresh, err = s.CreateKey(ctx, fresh)
		}
		return err
	})
	return fresh, err
}

// KeyUsed notes that a key opened.
func (s *Store) KeyUsed(ctx context.Context, id string) error {
	_, err := s.pool.Exec(ctx, `update api_key set last_used_at = date_trunc('minute', $2::timestamptz) where id = $1`, id, s.stamp())
	return err
}

// adminKeyName names the key that comes from the settings of the service.
const adminKeyName = "administrator from the settings"

// SetAdminKey makes k the admin key of the settings; another one of before is revoked.
func (s *Store) SetAdminKey(ctx context.Context, k access.Key) error {
	k.Name, k.Role = adminKeyName, "admin"
	ctx = access.With(ctx, access.Caller{Name: "the service", All: true})
	return s.write(ctx, func(tx pgx.Tx) error {
		now := s.stamp()
		if _, err := tx.Exec(ctx, `
			update api_key set revoked_at = $1, recorded_at = $1, version = version + 1 where name = $2 and id <> $3 and revoked_at is null`,
			now, adminKeyName, k.ID); err != nil {
			return err
		}
		old, err := oneKey(ctx, tx, `id = $1`, k.ID)
		switch {
		case fault.KindOf(err) == fault.NotFound:
			_, err = s.CreateKey(context.WithValue(ctx, txKey{}, tx), k)
			return err
		case err != nil:
			return err
		case old.Name != adminKeyName:
			return &fault.Error{Kind: fault.Conflict, Message: "the admin key of the settings is in use under another name"}
		}
		_, err = tx.Exec(ctx, `update api_key set secret_hash = $2, revoked_at = null where id = $1`, k.ID, k.SecretHash)
		return err
	})
}

// Secret returns the random 32 bytes kept under name, made when first asked for.
func (s *Store) Secret(ctx context.Context, name string) ([]byte, error) {
	fresh := make([]byte, 32)
	rand.Read(fresh)
	var kept []byte
	err := s.write(ctx, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `insert into secret (name, value) values ($1, $2) on conflict do nothing`, name, fresh); err != nil {
			return err
		}
		return tx.QueryRow(ctx, `select value from secret where name = $1`, name).Scan(&kept)
	})
	return kept, err
}
