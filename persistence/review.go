package persistence

import (
	"context"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/access"
	"leveltrail/domain/fault"
	"leveltrail/domain/survey"
)

var reviews = kindOf[survey.Review]("sign_off_review",
	`client_id id version created_at recorded_at sign_off_id step decision reason author`)

// reviewDue says of a row of sign_off whether a review of it is due.
const reviewDue = `coalesce((select r.step = 'opened' from sign_off_review r
	where (r.client_id, r.sign_off_id) = (sign_off.client_id, sign_off.id) order by r.id desc limit 1), false)`

// OpenReviews marks sign-offs as due for review, whoever's clients they are of,
// and returns those that were not due already.
func (s *Store) OpenReviews(ctx context.Context, signOffIDs []uuid.UUID, reason string) (opened []uuid.UUID, err error) {
	err = s.write(ctx, func(tx pgx.Tx) error {
		opened, err = s.openReviews(ctx, tx, signOffIDs, reason)
		return err
	})
	return opened, err
}

// openReviews is OpenReviews in a transaction. What falls with a certificate
// falls for every client, also for those whom the caller may not see.
func (s *Store) openReviews(ctx context.Context, tx pgx.Tx, signOffIDs []uuid.UUID, reason string) (opened []uuid.UUID, err error) {
	if len(signOffIDs) == 0 {
		return nil, nil
	}
	if _, err := tx.Exec(ctx, `set local app.client_ids = '*'`); err != nil {
		return nil, err
	}
	due, err := signOffs.where(ctx, tx, `id = any($1) and not `+reviewDue+` order by id`, signOffIDs)
	if err != nil {
		return nil, err
	}
	for _, so := range due {
		r := survey.Review{ClientID: so.ClientID, SignOffID: so.ID, Step: survey.ReviewOpened, Reason: reason, Author: access.From(ctx).Name}
		if _, err := s.enterReview(ctx, tx, r, "opened"); err != nil {
			return nil, err
		}
		opened = append(opened, so.ID)
	}
	_, err = tx.Exec(ctx, seeing(ctx))
	return opened, err
}

// CloseReview adds to the history of a sign-off what a person decided on it. It
// is a Conflict with code review_not_due where nothing is to be decided.
func (s *Store) CloseReview(ctx context.Context, r survey.Review) (survey.Review, error) {
	err := s.write(ctx, func(tx pgx.Tx) error {
		so, err := signOffs.get(ctx, tx, r.SignOffID)
		if err != nil {
			return err
		}
		// Two who decide at once wait for each other.
		if _, err := tx.Exec(ctx, `select pg_advisory_xact_lock(hashtextextended($1, 3))`, so.ID.String()); err != nil {
			return err
		}
		due, err := signOffs.where(ctx, tx, `client_id = $1 and id = $2 and `+reviewDue, so.ClientID, so.ID)
		if err != nil {
			return err
		}
		if len(due) == 0 {
			return &fault.Error{Kind: fault.Conflict, Code: "review_not_due", Message: "no review of the sign-off is due"}
		}
		r.ClientID, r.Step = so.ClientID, survey.ReviewClosed
		r, err = s.enterReview(ctx, tx, r, "closed")
		return err
	})
	return r, err
}

// enterReview adds r to the history, under a word of its own in the journal.
func (s *Store) enterReview(ctx context.Context, tx pgx.Tx, r survey.Review, verb string) (survey.Review, error) {
	now := s.stamp()
	args := reviews.args(r, map[string]any{"id": uuid.Must(uuid.NewV7()), "version": 1, "created_at": now, "recorded_at": now})
	return reviews.put(ctx, tx, `insert into sign_off_review (`+reviews.list+`) values (`+reviews.placeholders()+`)`, args, verb, r.Reason)
}

// ReviewsOf returns the histories of the reviews of sign-offs, each oldest first.
func (s *Store) ReviewsOf(ctx context.Context, signOffIDs []uuid.UUID) (map[uuid.UUID][]survey.Review, error) {
	all, err := list(ctx, s, reviews, `sign_off_id = any($1) order by id`, signOffIDs)
	of := map[uuid.UUID][]survey.Review{}
	for _, r := range all {
		of[r.SignOffID] = append(of[r.SignOffID], r)
	}
	return of, err
}
