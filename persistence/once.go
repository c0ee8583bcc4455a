package persistence

import (
	"bytes"
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"leveltrail/domain/fault"
	"leveltrail/domain/request"
)

// Once answers the request r by do, in one transaction with the row that keeps
// the answer; when r was answered before, it returns that answer and replayed.
// The store's methods called with do's context are part of the transaction.
// Where do returns undo, nothing of its effect stays but the answer is kept;
// an answer of 500 and more leaves no trace.
//
// It is a Conflict with code request_in_flight while the same request is being
// answered, and Invalid with code idempotency_key_reused where the key came with another body.
func (s *Store) Once(ctx context.Context, r request.Repeatable, do func(context.Context) (a request.Answer, undo bool)) (a request.Answer, replayed bool, err error) {
	err = s.write(ctx, func(tx pgx.Tx) error {
		var free bool
		lock := r.KeyID + " " + r.Method + " " + r.Path + " " + r.IdempotencyKey
		if err := tx.QueryRow(ctx, `select pg_try_advisory_xact_lock(hashtextextended($1, 0))`, lock).Scan(&free); err != nil {
			return err
		}
		if !free {
			return &fault.Error{Kind: fault.Conflict, Code: "request_in_flight", Message: "this request is being answered; ask again"}
		}
		var sha []byte
		err := tx.QueryRow(ctx, `
			select request_sha256, status, headers, body from kept_answer
			where key_id = $1 and method = $2 and path = $3 and idempotency_key = $4`,
			r.KeyID, r.Method, r.Path, r.IdempotencyKey).Scan(&sha, &a.Status, &a.Headers, &a.Body)
		switch {
		case err == nil && !bytes.Equal(sha, r.RequestSHA256):
			return &fault.Error{Kind: fault.Invalid, Code: "idempotency_key_reused", Message: "this Idempotency-Key came with another request"}
		case err == nil:
			replayed = true
			return nil
		case err != pgx.ErrNoRows: //nolint:errorlint // returned as is by Scan
			return err
		}
		err = pgx.BeginFunc(ctx, tx, func(effect pgx.Tx) error {
			var undo bool
			if a, undo = do(context.WithValue(ctx, txKey{}, effect)); undo {
				return errRollBack
			}
			return nil
		})
		if err != nil && err != errRollBack { //nolint:errorlint // returned as is by BeginFunc
			return err
		}
		if a.Status >= 500 {
			return errRollBack
		}
		_, err = tx.Exec(ctx, `
			insert into kept_answer (key_id, method, path, idempotency_key, request_sha256, status, headers, body, created_at)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
			r.KeyID, r.Method, r.Path, r.IdempotencyKey, r.RequestSHA256, a.Status, a.Headers, a.Body, s.stamp())
		return err
	})
	if err == errRollBack { //nolint:errorlint // returned as is by BeginTxFunc
		err = nil
	}
	return a, replayed, err
}

// keptFor is how long an answer is kept: phones come back after a weekend.
const keptFor = 7 * 24 * time.Hour

// ForgetAnswers deletes the answers that have been kept long enough.
func (s *Store) ForgetAnswers(ctx context.Context) error {
	_, err := s.pool.Exec(ctx, `delete from kept_answer where created_at < $1`, s.stamp().Add(-keptFor))
	return err
}
