package api

import (
	"context"
	"net/http"
	"slices"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/access"
	"leveltrail/domain/calibration"
	"leveltrail/domain/fault"
	"leveltrail/domain/request"
)

type dispositionStore interface {
	CreateDisposition(ctx context.Context, d calibration.Disposition) (calibration.Disposition, error)
	DispositionsOfSurvey(ctx context.Context, surveyID uuid.UUID, p request.Page) ([]calibration.Disposition, error)
}

// NewDisposition is a decision on a finding, as sent.
type NewDisposition struct {
	FindingKey string `json:"finding_key"`                    // Key of the finding in the verdict
	Decision   string `json:"decision" enums:"accept,reject"` // Accepted, it becomes a remark; rejected, a fail
	Reason     string `json:"reason"`                         // Why
}

// Disposition is a decision on a finding. Of several on one the latest counts.
type Disposition struct {
	Stamp
	SurveyID uuid.UUID `json:"survey_id"`
	NewDisposition
	By string `json:"by"` // Name of the key that decided
}

func (in NewDisposition) disposition(surveyID uuid.UUID, by string) calibration.Disposition {
	return calibration.Disposition{SurveyID: surveyID, FindingKey: in.FindingKey, Decision: in.Decision, Reason: in.Reason, By: by}
}

func dispositionOf(d calibration.Disposition) Disposition {
	return Disposition{
		Stamp{d.ID, d.Version, d.CreatedAt, d.RecordedAt}, d.SurveyID, NewDisposition{d.FindingKey, d.Decision, d.Reason}, d.By,
	}
}

type dispositionHandlers struct{ *server }

func (h dispositionHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/surveys/:id/dispositions", respond(h.server, http.StatusOK, h.list, "limit", "cursor"))
	v1.POST("/surveys/:id/dispositions", respond(h.server, http.StatusCreated, h.create))
}

// list lists the decisions on findings of a survey.
//
//	@Summary	List the decisions on findings of a survey, oldest first
//	@Tags		verdicts
//	@Param		id		path		string	true	"Survey"			format(uuid)
//	@Param		limit	query		int		false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor	query		string	false	"Next page, from the answer before"
//	@Success	200		{object}	List[Disposition]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/surveys/{id}/dispositions [get]
func (h dispositionHandlers) list(c *gin.Context) (List[Disposition], error) {
	return listUnder(h.server, c, h.store.DispositionsOfSurvey, func(r calibration.Disposition) uuid.UUID { return r.ID }, dispositionOf)
}

// create stores a decision on a finding of a survey's verdict.
//
//	@Summary		Decide on a finding
//	@Description	An undetermined finding is accepted (it becomes a remark) or rejected (a fail). Of fails only one that says so may be accepted: a meter first calibrated after its use and found to conform then. The decision counts from now on; the finding's facts stay.
//	@Tags			verdicts
//	@Accept			json
//	@Param			id			path		string			true	"Survey"	format(uuid)
//	@Param			disposition	body		NewDisposition	true	"Decision"
//	@Success		201			{object}	Disposition
//	@Failure		default		{object}	Problem	"Any error"
//	@Router			/v1/surveys/{id}/dispositions [post]
func (h dispositionHandlers) create(c *gin.Context) (Disposition, error) {
	ctx := c.Request.Context()
	id, err := pathID(c)
	if err != nil {
		return Disposition{}, err
	}
	v, err := h.verdict(ctx, id, nil)
	if err != nil {
		return Disposition{}, err
	}
	var in NewDisposition
	by := access.From(ctx).Name
	err = decode(c, &in, func() error {
		if err := in.disposition(id, by).Validate(); err != nil {
			return err
		}
		return decidable(v, in)
	})
	if err != nil {
		return Disposition{}, err
	}
	d, err := h.store.CreateDisposition(ctx, in.disposition(id, by))
	return dispositionOf(d), err
}

// decidable reports why the decision of in has no effect on a verdict.
func decidable(v calibration.Verdict, in NewDisposition) error {
	var bad fault.Fields
	i := slices.IndexFunc(v.Findings, func(f calibration.Finding) bool { return f.Key == in.FindingKey })
	switch {
	case i < 0:
		bad.Add("finding_key", "unknown_reference", "names no finding of the verdict as it is now")
	case !v.Findings[i].Accepts(in.Decision):
		bad.Add("decision", "not_allowed", "has no effect on this finding, a "+string(v.Findings[i].Severity))
	}
	return bad.Err("disposition")
}
