package persistence

import (
	"context"
	"encoding/hex"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/fault"
	"leveltrail/domain/request"
	"leveltrail/domain/survey"
)

var signOffs = kindOf[survey.SignOff]("sign_off",
	`client_id id version created_at recorded_at survey_id survey_version revision reason statement signed_by outcome sha256 page_sha256`)

// CreateSignOff stores a sign-off with its bytes, which rest on what basis tells
// apart. It is a Conflict with code survey_changing where that is not the
// survey's basis any more, and with code duplicate where the revision is taken. engine names
// the rules by which figures are computed: another one's may differ.
func (s *Store) CreateSignOff(ctx context.Context, so survey.SignOff, c survey.SignOffCopy, basis survey.Basis, engine string) (survey.SignOff, error) {
	err := s.write(ctx, func(tx pgx.Tx) error {
		v, err := surveys.get(ctx, tx, so.SurveyID)
		if err != nil {
			return err
		}
		so.ClientID = v.ClientID
		now, err := s.bases(ctx, tx, []survey.Survey{v})
		if err != nil {
			return err
		}
		if now[v.ID] != basis {
			return &fault.Error{Kind: fault.Conflict, Code: "survey_changing", Message: "the survey, or what it rests on, changed while it was signed off: look at it again"}
		}
		at := so.RecordedAt
		if so, err = signOffs.insert(ctx, tx, so, at); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `insert into sign_off_copy (client_id, sign_off_id, frozen, page) values ($1, $2, $3, $4)`,
			so.ClientID, so.ID, c.Frozen, c.Page); err != nil {
			return classify(err, "sign_off")
		}
		basis.Figures = engine + " " + basis.Figures
		if err := keepCheck(ctx, tx, so, survey.SignOffCheck{Basis: basis, CheckedAt: at}); err != nil {
			return err
		}
		return enter(ctx, tx, entry{
			at: at, kind: "survey", verb: "signed_off", record: so.SurveyID, client: so.ClientID, version: so.SurveyVersion,
			detail: map[string]any{"sign_off_id": so.ID, "revision": so.Revision, "sha256": hex.EncodeToString(so.SHA256)},
		})
	})
	return so, err
}

// SignOff returns the sign-off of the given id.
func (s *Store) SignOff(ctx context.Context, id uuid.UUID) (survey.SignOff, error) {
	return get(ctx, s, signOffs, id)
}

// SignOffCopy returns the bytes of a sign-off.
func (s *Store) SignOffCopy(ctx context.Context, id uuid.UUID) (so survey.SignOff, c survey.SignOffCopy, err error) {
	err = s.read(ctx, func(q conn) error {
		if so, err = signOffs.get(ctx, q, id); err != nil {
			return err
		}
		return classify(q.QueryRow(ctx, `select frozen, page from sign_off_copy where client_id = $1 and sign_off_id = $2`, so.ClientID, so.ID).
			Scan(&c.Frozen, &c.Page), "sign_off")
	})
	return so, c, err
}

// SignOffs returns a page of the sign-offs that f selects.
func (s *Store) SignOffs(ctx context.Context, f survey.SignOffFilter, p request.Page) ([]survey.SignOff, error) {
	return list(ctx, s, signOffs, `
		(@client::uuid = '00000000-0000-0000-0000-000000000000' or client_id = @client)
		and (@survey::uuid = '00000000-0000-0000-0000-000000000000' or survey_id = @survey)
		and (@due::boolean is null or @due = `+reviewDue+`)
		and (not @latest or not exists (select from sign_off n where (n.client_id, n.survey_id) = (sign_off.client_id, sign_off.survey_id) and n.revision > sign_off.revision))
		and id > @after order by id limit @limit`,
		pgx.StrictNamedArgs{
			"client": f.ClientID, "survey": f.SurveyID, "due": f.ReviewDue, "latest": f.Latest, "after": p.After, "limit": p.Limit,
		})
}

// latestSignOffs selects the last sign-off of each of the surveys $1 that had one at an instant $2 (null: now).
const latestSignOffs = `survey_id = any($1) and ($2::timestamptz is null or created_at <= $2) and not exists (
	select from sign_off n where (n.client_id, n.survey_id) = (sign_off.client_id, sign_off.survey_id) and n.revision > sign_off.revision
		and ($2::timestamptz is null or n.created_at <= $2))
	order by id`

// LatestSignOffs returns the last sign-off of each of the surveys that had one at an instant (nil: now).
func (s *Store) LatestSignOffs(ctx context.Context, surveyIDs []uuid.UUID, at *time.Time) ([]survey.SignOff, error) {
	return list(ctx, s, signOffs, latestSignOffs, surveyIDs, at)
}
