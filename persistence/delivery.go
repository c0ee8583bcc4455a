package persistence

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/riverqueue/river"

	"leveltrail/domain/access"
	"leveltrail/domain/fault"
	"leveltrail/domain/request"
	"leveltrail/domain/webhook"
)

// untold are kinds of records whose changes no webhook tells, nor the sequence of
// changes to anyone but an admin: who holds which key, and who is told what.
const untold = `('key', 'webhook')`

// address queues, in the transaction that seals them, the entries after seq for
// each webhook that asks for them. So no kill of the program can lose one.
func (s *Store) address(ctx context.Context, tx pgx.Tx, seq int64, now time.Time) error {
	if err := s.disableOfRevokedKeys(ctx, tx); err != nil {
		return err
	}
	rows, _ := tx.Query(ctx, `
		select w.id, l.seq from webhook w join journal_seal l on l.seq > $1 join journal j on j.id = l.entry_id
		where w.enabled and j.record_type not in `+untold+`
			and (w.client_ids is null or j.client_id is null or j.client_id = any(w.client_ids))
			and (w.types = '{}' or j.type = any(w.types) or split_part(j.type, '.', 1) || '.*' = any(w.types))
		order by l.seq, w.id`, seq)
	var deliveries, webhooks []uuid.UUID
	var seqs []int64
	var jobs []river.InsertManyParams
	var w uuid.UUID
	if _, err := pgx.ForEachRow(rows, []any{&w, &seq}, func() error {
		id := uuid.Must(uuid.NewV7())
		deliveries, webhooks, seqs = append(deliveries, id), append(webhooks, w), append(seqs, seq)
		jobs = append(jobs, river.InsertManyParams{Args: deliverArgs{Delivery: id, Webhook: w, Round: 1}})
		return nil
	}); err != nil || len(jobs) == 0 {
		return err
	}
	if _, err := tx.Exec(ctx, `
		insert into webhook_delivery (id, webhook_id, seq, created_at, round, state, attempts, next_attempt_at, error)
		select n.id, n.webhook, n.seq, $4, 1, 'pending', 0, $4, '' from unnest($1::uuid[], $2::uuid[], $3::bigint[]) n (id, webhook, seq)`,
		deliveries, webhooks, seqs, now); err != nil {
		return err
	}
	_, err := s.jobs.InsertManyFastTx(ctx, tx, jobs)
	return err
}

// disableOfRevokedKeys disables the webhooks that revoked keys answer for.
func (s *Store) disableOfRevokedKeys(ctx context.Context, tx pgx.Tx) error {
	rows, _ := tx.Query(ctx, `
		select `+webhookColumns+` from webhook where enabled and exists (
			select from api_key k where k.id = webhook.key_id and k.revoked_at is not null) for update`)
	ws, err := pgx.CollectRows(rows, pgx.RowToStructByName[webhook.Webhook])
	if err != nil {
		return err
	}
	for _, w := range ws {
		w.Enabled, w.DisabledReason = false, "the key that made or last changed it was revoked"
		if _, err := s.changeWebhook(ctx, tx, w, "disabled", w.DisabledReason); err != nil {
			return err
		}
	}
	return nil
}

const deliverySelect = `
	select d.id, d.webhook_id, d.created_at, d.round, d.state, d.attempts, d.attempted_at, d.next_attempt_at, d.status, d.error,
		l.seq, j.at, j.type, j.record_type, j.record_id, j.client_id, j.version
	from webhook_delivery d join journal_seal l on l.seq = d.seq join journal j on j.id = l.entry_id `

func scanDelivery(row pgx.CollectableRow) (d webhook.Delivery, err error) {
	var client *uuid.UUID
	e := &d.Entry
	err = row.Scan(&d.ID, &d.WebhookID, &d.CreatedAt, &d.Round, &d.State, &d.Attempts, &d.AttemptedAt, &d.NextAttemptAt, &d.Status, &d.Error,
		&e.Seq, &e.At, &e.Type, &e.RecordType, &e.RecordID, &client, &e.Version)
	if client != nil {
		e.ClientID = *client
	}
	return d, err
}

// Deliveries returns a page of a webhook's deliveries, of those in state unless that is empty.
func (s *Store) Deliveries(ctx context.Context, w uuid.UUID, state webhook.State, p request.Page) (ds []webhook.Delivery, err error) {
	err = s.read(ctx, func(q conn) error {
		rows, _ := q.Query(ctx, deliverySelect+`
			where d.webhook_id = $1 and ($2 = '' or d.state = $2) and d.id > $3 order by d.id limit $4`, w, state, p.After, p.Limit)
		ds, err = pgx.CollectRows(rows, scanDelivery)
		return err
	})
	return ds, err
}

// Redeliver sends a delivery again from the first attempt on, under its old id.
func (s *Store) Redeliver(ctx context.Context, w, id uuid.UUID) (d webhook.Delivery, err error) {
	err = s.write(ctx, func(tx pgx.Tx) error {
		now := s.stamp()
		of, err := oneWebhook(ctx, tx, `select `+webhookColumns+` from webhook where id = $1 for share`, w)
		if err != nil {
			return err
		}
		if !of.Enabled {
			return &fault.Error{Kind: fault.Conflict, Code: "webhook_disabled", Message: "the webhook is disabled: enable it first"}
		}
		var round int
		err = tx.QueryRow(ctx, `
			update webhook_delivery set state = 'pending', round = round + 1, attempts = 0, next_attempt_at = $3
			where id = $2 and webhook_id = $1 returning round`, w, id, now).Scan(&round)
		if err != nil {
			return classify(err, "delivery")
		}
		if _, err := s.jobs.InsertTx(ctx, tx, deliverArgs{Delivery: id, Webhook: w, Round: round}, nil); err != nil {
			return err
		}
		rows, _ := tx.Query(ctx, deliverySelect+`where d.id = $1`, id)
		d, err = pgx.CollectExactlyOneRow(rows, scanDelivery)
		return err
	})
	return d, err
}

// beginAttempt counts an attempt of a delivery and returns what to send; ok is
// false where there is nothing to send any more.
func (s *Store) beginAttempt(ctx context.Context, id uuid.UUID, round int) (m webhook.Message, ok bool, err error) {
	err = s.write(ctx, func(tx pgx.Tx) error {
		now := s.stamp()
		rows, _ := tx.Query(ctx, deliverySelect+`where d.id = $1 and d.round = $2 and d.state = 'pending' for update of d`, id, round)
		ds, err := pgx.CollectRows(rows, scanDelivery)
		if err != nil || len(ds) == 0 {
			return err
		}
		d := ds[0]
		w, err := oneWebhook(ctx, tx, `select `+webhookColumns+` from webhook where id = $1`, d.WebhookID)
		if err != nil {
			return err
		}
		if !w.Enabled {
			_, err := tx.Exec(ctx, `update webhook_delivery set state = 'failed', next_attempt_at = null, error = 'the webhook was disabled' where id = $1`, id)
			return err
		}
		rows, _ = tx.Query(ctx, `
			select value from webhook_secret where webhook_id = $1 and (ends_at is null or ends_at > $2) order by created_at desc`, w.ID, now)
		secrets, err := pgx.CollectRows(rows, pgx.RowTo[[]byte])
		if err != nil {
			return err
		}
		m = webhook.Message{
			Delivery: id, Round: round, Attempt: d.Attempts + 1, Webhook: w.ID, URL: w.URL, Secrets: secrets, Entry: d.Entry,
		}
		ok = true
		_, err = tx.Exec(ctx, `update webhook_delivery set attempts = $2, attempted_at = $3 where id = $1`, id, m.Attempt, now)
		return err
	})
	return m, ok && err == nil, err
}

// nothingTaken says, of a message that is given up, why its webhook gets no more: nothing was
// taken since the message was due (Standard Webhooks has such a receiver disabled). It is empty if something was.
const nothingTaken = `
	select case when exists (
		select from webhook_delivery t where t.webhook_id = $1 and t.state = 'delivered' and t.attempted_at > d.created_at)
	then '' else 'the receiver took nothing since ' || to_char(d.created_at at time zone 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS"Z"') end
	from webhook_delivery d where d.id = $2`

// endAttempt notes what came of an attempt. again is false unless it is to be tried again after wait.
func (s *Store) endAttempt(ctx context.Context, m webhook.Message, o webhook.Outcome) (wait time.Duration, again bool, err error) {
	state, now := webhook.Delivered, s.stamp()
	var next *time.Time
	if o.Error != "" {
		state = webhook.Failed
		if wait, again = webhook.Wait(m.Attempt); again && !o.Gone {
			at := now.Add(wait)
			state, next = webhook.Pending, &at
		}
	}
	var status *int
	if o.Status != 0 {
		status = &o.Status
	}
	err = s.write(ctx, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `
			update webhook_delivery set state = $3, next_attempt_at = $4, status = $5, error = $6
			where id = $1 and round = $2 and state = 'pending'`, m.Delivery, m.Round, state, next, status, o.Error); err != nil {
			return err
		}
		reason := ""
		switch {
		case o.Gone:
			reason = "the receiver answered 410 Gone"
		case state == webhook.Failed:
			if err := tx.QueryRow(ctx, nothingTaken, m.Webhook, m.Delivery).Scan(&reason); err != nil {
				return err
			}
		}
		if reason == "" {
			return nil
		}
		w, err := oneWebhook(ctx, tx, `select `+webhookColumns+` from webhook where id = $1 for update`, m.Webhook)
		if fault.KindOf(err) == fault.NotFound || err == nil && !w.Enabled {
			return nil
		}
		if err != nil {
			return err
		}
		w.Enabled, w.DisabledReason = false, reason
		_, err = s.changeWebhook(ctx, tx, w, "disabled", w.DisabledReason)
		return err
	})
	return wait, again && !o.Gone, err
}

// deliveriesKept is how long a delivery that ended is listed.
const deliveriesKept = 30 * 24 * time.Hour

// ForgetDeliveries deletes the deliveries that ended long ago.
func (s *Store) ForgetDeliveries(ctx context.Context) error {
	ctx = access.With(ctx, access.Caller{All: true})
	return s.write(ctx, func(tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `delete from webhook_delivery where state <> 'pending' and created_at < $1`, s.stamp().Add(-deliveriesKept))
		return err
	})
}
