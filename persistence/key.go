package persistence

import (
	"context"
	"crypto/rand"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/access"
	"leveltrail/domain/fault"
)

const keyColumns = `id, record_id, secret_hash, name, role, client_ids, expires_at, revoked_at, created_at`

// Key returns the key of the given public part, revoked and expired ones too.
func (s *Store) Key(ctx context.Context, id string) (access.Key, error) {
	rows, _ := s.pool.Query(ctx, `select `+keyColumns+` from api_key where id = $1`, id)
	k, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[access.Key])
	return k, classify(err, "key")
}

// CreateKey stores k.
func (s *Store) CreateKey(ctx context.Context, k access.Key) error {
	return s.write(ctx, func(tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `insert into api_key (`+keyColumns+`) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
			k.ID, uuid.Must(uuid.NewV7()), k.SecretHash, k.Name, k.Role, k.ClientIDs, k.ExpiresAt, nil, s.stamp())
		return classify(err, "api_key")
	})
}

// adminKeyName names the key that comes from the settings of the service.
const adminKeyName = "administrator from the settings"

// SetAdminKey makes k the admin key of the settings; another one of before is revoked.
func (s *Store) SetAdminKey(ctx context.Context, k access.Key) error {
	k.Name, k.Role = adminKeyName, "admin"
	return s.write(ctx, func(tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `update api_key set revoked_at = $1 where name = $2 and id <> $3 and revoked_at is null`,
			s.stamp(), adminKeyName, k.ID)
		if err != nil {
			return err
		}
		tag, err := tx.Exec(ctx, `
			insert into api_key (`+keyColumns+`) values ($1, $2, $3, $4, $5, null, null, null, $6)
			on conflict (id) do update set secret_hash = excluded.secret_hash, revoked_at = null where api_key.name = excluded.name`,
			k.ID, uuid.Must(uuid.NewV7()), k.SecretHash, k.Name, k.Role, s.stamp())
		if err == nil && tag.RowsAffected() == 0 {
			return &fault.Error{Kind: fault.Conflict, Message: "the admin key of the settings is in use under another name"}
		}
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
