package persistence

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/access"
	"leveltrail/domain/fault"
	"leveltrail/domain/request"
	"leveltrail/domain/webhook"
)

const webhookColumns = `id, version, created_at, recorded_at, key_id, client_ids, name, url, types, enabled, disabled_reason`

// maxWebhooks bounds the webhooks of one key.
const maxWebhooks = 100

// CreateWebhook stores a new webhook that sends what the caller may see, signed with secret.
func (s *Store) CreateWebhook(ctx context.Context, w webhook.Webhook, secret []byte) (webhook.Webhook, error) {
	by, now := access.From(ctx), s.stamp()
	w.ID, w.Version, w.CreatedAt, w.RecordedAt, w.KeyID = uuid.Must(uuid.NewV7()), 1, now, now, by.KeyID
	if w.ClientIDs = nil; !by.All {
		w.ClientIDs = append([]uuid.UUID{}, by.Clients...)
	}
	if w.Types == nil {
		w.Types = []string{}
	}
	if !by.All && len(by.Clients) == 0 {
		return w, &fault.Error{Kind: fault.Conflict, Message: "this key sees no client: there is nothing to send"}
	}
	err := s.write(ctx, func(tx pgx.Tx) error {
		var n int
		if err := tx.QueryRow(ctx, `select count(*) from webhook where key_id = $1`, w.KeyID).Scan(&n); err != nil {
			return err
		}
		if n >= maxWebhooks {
			return &fault.Error{Kind: fault.Conflict, Code: "too_many", Message: "this key has 100 webhooks: delete one first"}
		}
		b := &pgx.Batch{}
		b.Queue(`insert into webhook (`+webhookColumns+`) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`,
			w.ID, w.Version, w.CreatedAt, w.RecordedAt, w.KeyID, w.ClientIDs, w.Name, w.URL, w.Types, w.Enabled, w.DisabledReason)
		b.Queue(`insert into webhook_secret (webhook_id, created_at, value) values ($1, $2, $3)`, w.ID, now, secret)
		if err := tx.SendBatch(ctx, b).Close(); err != nil {
			return classify(err, "webhook")
		}
		return enter(ctx, tx, entry{at: now, kind: "webhook", verb: "created", record: w.ID, version: 1})
	})
	return w, err
}

// Webhook returns the webhook of the given id, if it tells of no client that the caller may not see.
func (s *Store) Webhook(ctx context.Context, id uuid.UUID) (w webhook.Webhook, err error) {
	err = s.read(ctx, func(q conn) error {
		w, err = oneWebhook(ctx, q, `select `+webhookColumns+` from webhook where id = $1`, id)
		return err
	})
	return w, err
}

func oneWebhook(ctx context.Context, q conn, statement string, args ...any) (webhook.Webhook, error) {
	rows, _ := q.Query(ctx, statement, args...)
	w, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[webhook.Webhook])
	return w, classify(err, "webhook")
}

// Webhooks returns a page of the webhooks.
func (s *Store) Webhooks(ctx context.Context, p request.Page) (ws []webhook.Webhook, err error) {
	err = s.read(ctx, func(q conn) error {
		rows, _ := q.Query(ctx, `select `+webhookColumns+` from webhook where id > $1 order by id limit $2`, p.After, p.Limit)
		ws, err = pgx.CollectRows(rows, pgx.RowToStructByName[webhook.Webhook])
		return err
	})
	return ws, err
}

// UpdateWebhook stores w as the version that follows w.Version; its clients stay.
// The key that changes a webhook answers for it from then on.
func (s *Store) UpdateWebhook(ctx context.Context, w webhook.Webhook) (webhook.Webhook, error) {
	err := s.write(ctx, func(tx pgx.Tx) (err error) {
		w.KeyID = access.From(ctx).KeyID
		w, err = s.changeWebhook(ctx, tx, w, "changed", "")
		return err
	})
	return w, err
}

func (s *Store) changeWebhook(ctx context.Context, tx pgx.Tx, w webhook.Webhook, verb, reason string) (webhook.Webhook, error) {
	now := s.stamp()
	w, err := oneWebhook(ctx, tx, `
		update webhook set version = version + 1, recorded_at = $3, key_id = $4, name = $5, url = $6, types = $7, enabled = $8, disabled_reason = $9
		where id = $1 and version = $2 returning `+webhookColumns,
		w.ID, w.Version, now, w.KeyID, w.Name, w.URL, append([]string{}, w.Types...), w.Enabled, w.DisabledReason)
	if fault.KindOf(err) == fault.NotFound {
		return w, &fault.Error{Kind: fault.Conflict, Code: "version_conflict", Message: "the webhook has changed since it was read"}
	}
	if err == nil && !w.Enabled {
		_, err = tx.Exec(ctx, `update webhook_delivery set state = 'failed', next_attempt_at = null, error = 'the webhook was disabled'
			where webhook_id = $1 and state = 'pending'`, w.ID)
	}
	if err != nil {
		return w, err
	}
	return w, enter(ctx, tx, entry{at: now, kind: "webhook", verb: verb, record: w.ID, version: w.Version, reason: reason})
}

// DeleteWebhook deletes w, its secrets and its deliveries. w.Version must be the current one.
func (s *Store) DeleteWebhook(ctx context.Context, w webhook.Webhook) error {
	return s.write(ctx, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `delete from webhook where id = $1 and version = $2`, w.ID, w.Version)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return &fault.Error{Kind: fault.Conflict, Code: "version_conflict", Message: "the webhook has changed since it was read"}
		}
		return enter(ctx, tx, entry{at: s.stamp(), kind: "webhook", verb: "deleted", record: w.ID, version: w.Version})
	})
}

// RotateWebhookSecret makes secret the one that stays. The one before signs too for
// overlap; one that it had followed itself ends at once, so that there are never more than two.
func (s *Store) RotateWebhookSecret(ctx context.Context, w webhook.Webhook, secret []byte, overlap time.Duration) (webhook.Webhook, error) {
	err := s.write(ctx, func(tx pgx.Tx) (err error) {
		w.KeyID = access.From(ctx).KeyID
		if w, err = s.changeWebhook(ctx, tx, w, "secret_rotated", ""); err != nil {
			return err
		}
		b := &pgx.Batch{}
		b.Queue(`delete from webhook_secret where webhook_id = $1 and ends_at is not null`, w.ID)
		b.Queue(`update webhook_secret set ends_at = $2 where webhook_id = $1`, w.ID, w.RecordedAt.Add(overlap))
		b.Queue(`insert into webhook_secret (webhook_id, created_at, value) values ($1, $2, $3)`, w.ID, w.RecordedAt, secret)
		return tx.SendBatch(ctx, b).Close()
	})
	return w, err
}
