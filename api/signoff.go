package api

import (
	"context"
	"encoding/hex"
	"net/http"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/access"
	"leveltrail/domain/calibration"
	"leveltrail/domain/fault"
	"leveltrail/domain/request"
	"leveltrail/domain/survey"
)

type signOffStore interface {
	CreateSignOff(ctx context.Context, so survey.SignOff, c survey.SignOffCopy, basis survey.Basis, engine string) (survey.SignOff, error)
	SignOff(ctx context.Context, id uuid.UUID) (survey.SignOff, error)
	SignOffCopy(ctx context.Context, id uuid.UUID) (survey.SignOff, survey.SignOffCopy, error)
	SignOffs(ctx context.Context, f survey.SignOffFilter, p request.Page) ([]survey.SignOff, error)
	LatestSignOffs(ctx context.Context, surveyIDs []uuid.UUID, at *time.Time) ([]survey.SignOff, error)
	SurveyBasis(ctx context.Context, id uuid.UUID) (survey.Basis, error)
	SignOffChecks(ctx context.Context, sos []survey.SignOff) (map[uuid.UUID]survey.Basis, map[uuid.UUID]survey.SignOffCheck, error)
	KeepSignOffCheck(ctx context.Context, so survey.SignOff, c survey.SignOffCheck) error
	SealedHead(ctx context.Context) (access.Head, error)
	CloseReview(ctx context.Context, r survey.Review) (survey.Review, error)
	ReviewsOf(ctx context.Context, signOffIDs []uuid.UUID) (map[uuid.UUID][]survey.Review, error)
	enclosureStore
}

// NewSignOff is a sign-off as sent.
type NewSignOff struct {
	Statement string  `json:"statement"`                                // What is signed off, in words
	Reason    *string `json:"reason,omitempty" extensions:"x-nullable"` // Why there is another; needed from the second on
}

// ListedSignOff is a sign-off without its frozen copy.
type ListedSignOff struct {
	ID        uuid.UUID       `json:"id"`
	ClientID  uuid.UUID       `json:"client_id"`
	SurveyID  uuid.UUID       `json:"survey_id"`
	Revision  int             `json:"revision"`   // Counts the sign-offs of the survey, from 1
	Reason    *string         `json:"reason"`     // Why there is another; null: the first
	Statement string          `json:"statement"`  // What is signed off, in words
	SignedBy  string          `json:"signed_by"`  // Name of the key
	SignedAt  time.Time       `json:"signed_at"`  // What was known then is frozen
	Outcome   string          `json:"outcome"`    // Of the verdict
	SHA256    string          `json:"sha256"`     // Of the frozen copy, as GET of the sign-off answers it
	ReviewDue *bool           `json:"review_due"` // Something that it relied on fell; null to keys of clients
	Changed   *SignOffChanges `json:"changed"`    // In what the survey differs today; null: in nothing, or not asked for
}

func listedSignOffOf(so survey.SignOff) ListedSignOff {
	return ListedSignOff{
		ID: so.ID, ClientID: so.ClientID, SurveyID: so.SurveyID, Revision: so.Revision, Reason: so.Reason, Statement: so.Statement,
		SignedBy: so.SignedBy, SignedAt: so.RecordedAt, Outcome: so.Outcome, SHA256: hex.EncodeToString(so.SHA256),
	}
}

type signOffHandlers struct{ *server }

func (h signOffHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/surveys/:id/sign-offs", respond(h.server, http.StatusOK, h.listOfSurvey, "limit", "cursor"))
	v1.POST("/surveys/:id/sign-offs", respond(h.server, http.StatusCreated, h.create))
	v1.GET("/sign-offs", respond(h.server, http.StatusOK, h.list, "limit", "cursor", "client_id", "survey_id", "review_due", "changed"))
	v1.GET("/sign-offs/:id", respond(h.server, http.StatusOK, h.get))
	v1.GET("/sign-offs/:id/evidence", h.evidence)
	v1.GET("/sign-offs/:id/review", respond(h.server, http.StatusOK, h.reviews))
	v1.POST("/sign-offs/:id/review", respond(h.server, http.StatusCreated, h.review))
}

// listOfSurvey lists the sign-offs of a survey.
//
//	@Summary	List the sign-offs of a survey, oldest first
//	@Tags		sign-offs
//	@Param		id		path		string	true	"Survey"			format(uuid)
//	@Param		limit	query		int		false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor	query		string	false	"Next page, from the answer before"
//	@Success	200		{object}	List[ListedSignOff]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/surveys/{id}/sign-offs [get]
func (h signOffHandlers) listOfSurvey(c *gin.Context) (List[ListedSignOff], error) {
	id, err := pathID(c)
	if err != nil {
		return List[ListedSignOff]{}, err
	}
	if _, err := h.store.Survey(c.Request.Context(), id); err != nil {
		return List[ListedSignOff]{}, err
	}
	return h.page(c, survey.SignOffFilter{SurveyID: id}, "")
}

// list lists sign-offs.
//
//	@Summary		List sign-offs
//	@Description	With changed=true those last ones of their surveys whose verdict or figures would differ today, with what differs and what was recorded since; with changed=false the other last ones.
//	@Tags			sign-offs
//	@Param			limit		query		int		false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param			cursor		query		string	false	"Next page, from the answer before"
//	@Param			client_id	query		string	false	"Those of this client"						format(uuid)
//	@Param			survey_id	query		string	false	"Those of this survey"						format(uuid)
//	@Param			review_due	query		bool	false	"Those of which a review is due, or is not"
//	@Param			changed		query		bool	false	"Last ones of their surveys that would differ today, or would not"
//	@Success		200			{object}	List[ListedSignOff]
//	@Failure		default		{object}	Problem	"Any error"
//	@Router			/v1/sign-offs [get]
func (h signOffHandlers) list(c *gin.Context) (List[ListedSignOff], error) {
	var f survey.SignOffFilter
	var err error
	if f.ClientID, err = queryID(c, "client_id"); err != nil {
		return List[ListedSignOff]{}, err
	}
	if f.SurveyID, err = queryID(c, "survey_id"); err != nil {
		return List[ListedSignOff]{}, err
	}
	due, err := queryWord(c, "review_due", "", "true", "false")
	if err != nil {
		return List[ListedSignOff]{}, err
	}
	if due != "" {
		f.ReviewDue = new(due == "true")
	}
	changed, err := queryWord(c, "changed", "", "true", "false")
	if err != nil {
		return List[ListedSignOff]{}, err
	}
	if access.From(c.Request.Context()).Role == "client" && due+changed != "" {
		return List[ListedSignOff]{}, &refusal{status: http.StatusForbidden, code: "forbidden", detail: "this key sees what was signed off, not what became of it"}
	}
	f.Latest = changed != ""
	return h.page(c, f, changed)
}

// page answers a page of the sign-offs that f selects, of those alone that changed
// says: "true", "false" or empty for any.
func (h signOffHandlers) page(c *gin.Context, f survey.SignOffFilter, changed string) (List[ListedSignOff], error) {
	ctx := c.Request.Context()
	p, err := h.pageOf(c)
	if err != nil {
		return List[ListedSignOff]{}, err
	}
	found := map[uuid.UUID]*SignOffChanges{}
	sos, err := filled(p, func(p request.Page) ([]survey.SignOff, error) { return h.store.SignOffs(ctx, f, p) },
		func(so survey.SignOff) uuid.UUID { return so.ID },
		func(sos []survey.SignOff) (kept []survey.SignOff, err error) {
			if changed == "" {
				return sos, nil
			}
			of, err := h.changes(ctx, sos)
			for _, so := range sos {
				if found[so.ID] = of[so.ID]; (of[so.ID] != nil) == (changed == "true") {
					kept = append(kept, so)
				}
			}
			return kept, err
		})
	if err != nil {
		return List[ListedSignOff]{}, err
	}
	ids := make([]uuid.UUID, len(sos))
	for i, so := range sos {
		ids[i] = so.ID
	}
	reviews, err := h.store.ReviewsOf(ctx, ids)
	if err != nil {
		return List[ListedSignOff]{}, err
	}
	return listOf(h.server, c, p, sos, func(so survey.SignOff) uuid.UUID { return so.ID }, func(so survey.SignOff) ListedSignOff {
		out := listedSignOffOf(so)
		out.Changed = found[so.ID]
		if access.From(ctx).Role != "client" {
			out.ReviewDue = new(reviewDue(reviews[so.ID]))
		}
		return out
	}), nil
}

// filled reads pages with read and keeps of each what keep says, until p.Limit
// records are there or none follow.
func filled[R any](p request.Page, read func(request.Page) ([]R, error), id func(R) uuid.UUID, keep func([]R) ([]R, error)) (all []R, err error) {
	for {
		recs, err := read(p)
		if err != nil {
			return nil, err
		}
		kept, err := keep(recs)
		if err != nil {
			return nil, err
		}
		if all = append(all, kept...); len(recs) < p.Limit || len(all) >= p.Limit {
			return all[:min(len(all), p.Limit)], nil
		}
		p.After = id(recs[len(recs)-1])
	}
}

// get returns a sign-off.
//
//	@Summary		Read a sign-off: the frozen copy
//	@Description	The same bytes for ever: JSON with sorted names, whose SHA-256 the list of sign-offs tells and the journal seals.
//	@Tags			sign-offs
//	@Param			id		path		string	true	"Sign-off"	format(uuid)
//	@Success		200		{object}	SignOff
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/sign-offs/{id} [get]
func (h signOffHandlers) get(c *gin.Context) (frozen, error) {
	return readOne(c, func(ctx context.Context, id uuid.UUID) (frozen, error) {
		so, bytes, err := h.store.SignOffCopy(ctx, id)
		return frozen{so, bytes.Frozen}, err
	}, func(f frozen) frozen { return f })
}

// create signs a survey off.
//
//	@Summary		Sign a survey off
//	@Description	Freezes the survey, the figures of its usable windows, its verdict and its trace as they are now, with the head of the journal. It locks nothing: later corrections are allowed and seen in /v1/sign-offs?changed=true. While anything is undetermined a decision is owed and nothing is signed off. Whoever measured and signs off leaves the remark not_independent.
//	@Tags			sign-offs
//	@Accept			json
//	@Param			id			path		string		true	"Survey"	format(uuid)
//	@Param			sign_off	body		NewSignOff	true	"Sign-off"
//	@Success		201			{object}	SignOff
//	@Failure		default		{object}	Problem	"Any error"
//	@Router			/v1/surveys/{id}/sign-offs [post]
func (h signOffHandlers) create(c *gin.Context) (frozen, error) {
	ctx := c.Request.Context()
	id, err := pathID(c)
	if err != nil {
		return frozen{}, err
	}
	v, project, err := h.store.SurveyAndProject(ctx, id)
	if err != nil {
		return frozen{}, err
	}
	before, err := h.store.LatestSignOffs(ctx, []uuid.UUID{id}, nil)
	if err != nil {
		return frozen{}, err
	}
	so := survey.SignOff{ID: uuid.Must(uuid.NewV7()), ClientID: v.ClientID, SurveyID: id, SurveyVersion: v.Version, Revision: 1, SignedBy: access.From(ctx).Name}
	if len(before) > 0 {
		so.Revision = before[0].Revision + 1
	}
	var in NewSignOff
	err = decode(c, &in, func() error {
		so.Statement, so.Reason = in.Statement, in.Reason
		return so.Validate()
	})
	if err != nil {
		return frozen{}, err
	}
	if v.VoidReason != nil {
		return frozen{}, &fault.Error{Kind: fault.Conflict, Code: "survey_void", Message: "the survey is void"}
	}
	basis, err := h.store.SurveyBasis(ctx, id)
	if err != nil {
		return frozen{}, err
	}
	now, err := h.standing(ctx, v, project, so.SignedBy)
	if err != nil {
		return frozen{}, err
	}
	if now.verdict.Outcome == calibration.Undetermined {
		return frozen{}, &fault.Error{Kind: fault.Conflict, Code: "decision_owed", Message: "the verdict is undetermined: " + now.verdict.Why()}
	}
	so.RecordedAt, so.Outcome = now.facts.AsKnownAt, string(now.verdict.Outcome)
	copied, err := h.freeze(ctx, &so, now)
	if err != nil {
		return frozen{}, err
	}
	so, err = h.store.CreateSignOff(ctx, so, copied, basis, Engine)
	return frozen{so, copied.Frozen}, err
}
