package api

import (
	"context"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/access"
	"leveltrail/domain/calibration"
	"leveltrail/domain/survey"
)

// NewReview is what a person decided on a sign-off of which something fell, as sent.
type NewReview struct {
	Decision string `json:"decision" enums:"stands,sign_off_again"` // The sign-off stands as it is, or another is needed
	Reason   string `json:"reason"`                                 // Why
}

// Review is an entry of the history of a sign-off's reviews.
type Review struct {
	ID       uuid.UUID `json:"id"`
	At       time.Time `json:"at"`
	Step     string    `json:"step" enums:"opened,closed"`             // Opened where something that the sign-off relied on fell, closed by a person
	Decision *string   `json:"decision" enums:"stands,sign_off_again"` // Null of an opened one
	Reason   string    `json:"reason"`                                 // What fell; why it was decided so
	By       string    `json:"by"`                                     // Name of the key
	Remarks  []Remark  `json:"remarks"`                                // not_independent: who decided has measured
}

// Remark is something noted of a decision. It changes nothing of it.
type Remark struct {
	Rule   string `json:"rule"`   // What is noted, as in findings; further rules may appear
	Detail string `json:"detail"` // For people
}

// Reviews is the history of a sign-off's reviews.
type Reviews struct {
	SignOffID uuid.UUID `json:"sign_off_id"`
	ReviewDue bool      `json:"review_due"` // A person has to look at the sign-off
	Items     []Review  `json:"items"`      // Oldest first
}

// reviewOf returns the body of r, of a sign-off of a survey.
func reviewOf(r survey.Review, of survey.Survey) Review {
	out := Review{r.ID, r.RecordedAt, r.Step, orNil(r.Decision), r.Reason, r.Author, []Remark{}}
	if r.NotIndependent(of.Operator) {
		out.Remarks = append(out.Remarks, Remark{string(calibration.NotIndependent), r.Author + " measured and decided on the sign-off of the survey."})
	}
	return out
}

// reviewDue reports whether the newest entry of a history is an opened one.
func reviewDue(history []survey.Review) bool {
	return len(history) > 0 && history[len(history)-1].Step == survey.ReviewOpened
}

// reviews tells the history of a sign-off's reviews.
//
//	@Summary	Tell the history of a sign-off's reviews
//	@Tags		sign-offs
//	@Param		id		path		string	true	"Sign-off"	format(uuid)
//	@Success	200		{object}	Reviews
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/sign-offs/{id}/review [get]
func (h signOffHandlers) reviews(c *gin.Context) (Reviews, error) {
	return readOne(c, func(ctx context.Context, id uuid.UUID) (Reviews, error) {
		of, err := h.signedSurvey(ctx, id)
		if err != nil {
			return Reviews{}, err
		}
		all, err := h.store.ReviewsOf(ctx, []uuid.UUID{id})
		out := Reviews{SignOffID: id, ReviewDue: reviewDue(all[id]), Items: []Review{}}
		for _, r := range all[id] {
			out.Items = append(out.Items, reviewOf(r, of))
		}
		return out, err
	}, func(r Reviews) Reviews { return r })
}

// review records what a person decided on a sign-off.
//
//	@Summary		Record the review of a sign-off
//	@Description	Of one whose review is due. The sign-off itself never changes. Whoever measured and decides leaves the remark not_independent.
//	@Tags			sign-offs
//	@Accept			json
//	@Param			id		path		string		true	"Sign-off"	format(uuid)
//	@Param			review	body		NewReview	true	"Decision"
//	@Success		201		{object}	Review
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/sign-offs/{id}/review [post]
func (h signOffHandlers) review(c *gin.Context) (Review, error) {
	id, err := pathID(c)
	if err != nil {
		return Review{}, err
	}
	of, err := h.signedSurvey(c.Request.Context(), id)
	if err != nil {
		return Review{}, err
	}
	r := survey.Review{SignOffID: id, Author: access.From(c.Request.Context()).Name}
	var in NewReview
	err = decode(c, &in, func() error {
		r.Decision, r.Reason = in.Decision, in.Reason
		return r.Validate()
	})
	if err != nil {
		return Review{}, err
	}
	r, err = h.store.CloseReview(c.Request.Context(), r)
	return reviewOf(r, of), err
}

// signedSurvey returns the survey of a sign-off, as it is now.
func (h signOffHandlers) signedSurvey(ctx context.Context, signOffID uuid.UUID) (survey.Survey, error) {
	so, err := h.store.SignOff(ctx, signOffID)
	if err != nil {
		return survey.Survey{}, err
	}
	return h.store.Survey(ctx, so.SurveyID)
}
