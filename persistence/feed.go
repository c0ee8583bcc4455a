package persistence

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/calibration"
	"leveltrail/domain/request"
)

const feedColumns = `id, version, created_at, recorded_at, name, within_days, rule_profile, secret_hash, last_used_at`

// CreateFeed stores a new feed.
func (s *Store) CreateFeed(ctx context.Context, f calibration.Feed) (calibration.Feed, error) {
	now := s.stamp()
	f.ID, f.Version, f.CreatedAt, f.RecordedAt = uuid.Must(uuid.NewV7()), 1, now, now
	err := s.write(ctx, func(tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `insert into calendar_feed (`+feedColumns+`) values ($1, $2, $3, $4, $5, $6, $7, $8, null)`,
			f.ID, f.Version, f.CreatedAt, f.RecordedAt, f.Name, f.WithinDays, f.RuleProfile, f.SecretHash)
		if err != nil {
			return classify(err, "feed")
		}
		return enter(ctx, tx, entry{at: now, kind: "calendar_feed", verb: "created", record: f.ID, version: f.Version})
	})
	return f, err
}

// Feed returns the feed of the given id.
func (s *Store) Feed(ctx context.Context, id uuid.UUID) (calibration.Feed, error) {
	return s.oneFeed(ctx, `id = $1`, id)
}

// FeedOpened returns the feed whose secret has the given hash, and notes that it was used.
func (s *Store) FeedOpened(ctx context.Context, secretHash []byte) (calibration.Feed, error) {
	f, err := s.oneFeed(ctx, `secret_hash = $1`, secretHash)
	now := s.stamp()
	if err != nil || f.LastUsedAt != nil && now.Sub(*f.LastUsedAt) < time.Minute {
		return f, err
	}
	_, err = s.pool.Exec(ctx, `update calendar_feed set last_used_at = date_trunc('minute', $2::timestamptz) where id = $1`, f.ID, now)
	return f, err
}

func (s *Store) oneFeed(ctx context.Context, where string, arg any) (f calibration.Feed, err error) {
	err = s.read(ctx, func(q conn) error {
		rows, _ := q.Query(ctx, `select `+feedColumns+` from calendar_feed where `+where, arg)
		f, err = pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[calibration.Feed])
		return classify(err, "feed")
	})
	return f, err
}

// Feeds returns a page of the feeds.
func (s *Store) Feeds(ctx context.Context, p request.Page) (fs []calibration.Feed, err error) {
	err = s.read(ctx, func(q conn) error {
		rows, _ := q.Query(ctx, `select `+feedColumns+` from calendar_feed where id > $1 order by id limit $2`, p.After, p.Limit)
		fs, err = pgx.CollectRows(rows, pgx.RowToStructByName[calibration.Feed])
		return err
	})
	return fs, err
}

// DeleteFeed deletes a feed, and with it all that its address could be found by.
func (s *Store) DeleteFeed(ctx context.Context, f calibration.Feed) error {
	return s.write(ctx, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `delete from calendar_feed where id = $1`, f.ID)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return notFound("feed")
		}
		return enter(ctx, tx, entry{at: s.stamp(), kind: "calendar_feed", verb: "deleted", record: f.ID, version: f.Version})
	})
}
