package persistence

import (
	"context"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/access"
)

// entry is one line of the journal about something that [kind.put] does not write.
type entry struct {
	at      time.Time
	kind    string // of record
	verb    string
	record  uuid.UUID
	client  uuid.UUID // zero: of no client
	version int
	reason  string
	detail  any // nil or what goes into jsonb
}

// enter adds e to the journal, on behalf of the caller.
func enter(ctx context.Context, q conn, e entry) error {
	by := access.From(ctx)
	var client *uuid.UUID
	if e.client != uuid.Nil {
		client = &e.client
	}
	_, err := q.Exec(ctx, `
		with j as (insert into journal (at, key_id, actor, request_id, type, record_type, record_id, client_id, version, reason, detail)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11) returning id)
		insert into journal_open (entry_id) select id from j`,
		e.at, by.KeyID, by.Name, by.RequestID, e.kind+"."+e.verb, e.kind, e.record, client, e.version, e.reason, e.detail)
	return err
}
