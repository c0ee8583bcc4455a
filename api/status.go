package api

import (
	"context"
	"net/http"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/access"
	"leveltrail/domain/calibration"
	"leveltrail/domain/civil"
	"leveltrail/domain/request"
)

type statusStore interface {
	WithdrawCertificate(ctx context.Context, st calibration.CertificateStatus) (calibration.CertificateStatus, error)
	CertificateStatuses(ctx context.Context, certificateID uuid.UUID, p request.Page) ([]calibration.CertificateStatus, error)
	ConfirmCertificate(ctx context.Context, c calibration.Certificate) (calibration.Certificate, error)
}

// NewWithdrawal says that a certificate may not be relied on.
type NewWithdrawal struct {
	Reason        string     `json:"reason"`         // Why it may not be relied on
	EffectiveFrom civil.Date `json:"effective_from"` // First day on which it may not; the last day of calibration: it never might
}

// CertificateStatus is one entry of the history of a certificate, which only grows: the latest counts.
type CertificateStatus struct {
	Stamp
	CertificateID uuid.UUID   `json:"certificate_id"`
	Status        string      `json:"status" enums:"active,withdrawn,superseded"` // What it is from then on
	EffectiveFrom *civil.Date `json:"effective_from"`                             // First day on which it may not be relied on; null of an active one
	By            string      `json:"by"`                                         // Name of the key that said so
	Reason        string      `json:"reason"`                                     // Why
}

// Withdrawal is a certificate's withdrawal, with what it touches.
type Withdrawal struct {
	CertificateStatus
	AffectedSurveys []AffectedSurvey `json:"affected_surveys"` // Of the first 200 surveys in which the instrument was used; all of them: /v1/affected-surveys?certificate_id=…
}

func statusBody(st calibration.CertificateStatus) CertificateStatus {
	return CertificateStatus{
		Stamp{st.ID, st.Version, st.CreatedAt, st.RecordedAt}, st.CertificateID, st.Status, orNil(st.EffectiveFrom), st.By, st.Reason,
	}
}

type statusHandlers struct{ *server }

func (h statusHandlers) routes(v1 *gin.RouterGroup) {
	v1.POST("/certificates/:id/withdrawal", respond(h.server, http.StatusCreated, h.withdraw))
	v1.GET("/certificates/:id/statuses", respond(h.server, http.StatusOK, h.list, "limit", "cursor"))
	v1.POST("/certificates/:id/confirmation", respond(h.server, http.StatusOK, h.confirm))
}

// withdraw says that a certificate may not be relied on from a day on.
//
//	@Summary		Withdraw a certificate
//	@Description	Nothing is deleted: verdicts as known before stay what they were. The answer lists the surveys that stood on it; each of those is told to whoever follows the changes, as survey.certificate_withdrawn.
//	@Tags			certificates
//	@Accept			json
//	@Param			id			path		string			true	"Certificate"	format(uuid)
//	@Param			withdrawal	body		NewWithdrawal	true	"From which day, and why"
//	@Success		201			{object}	Withdrawal
//	@Failure		default		{object}	Problem	"Any error"
//	@Router			/v1/certificates/{id}/withdrawal [post]
func (h statusHandlers) withdraw(c *gin.Context) (Withdrawal, error) {
	ctx := c.Request.Context()
	id, err := pathID(c)
	if err != nil {
		return Withdrawal{}, err
	}
	of, err := h.store.Certificate(ctx, id)
	if err != nil {
		return Withdrawal{}, err
	}
	var in NewWithdrawal
	made := func() calibration.CertificateStatus {
		return calibration.CertificateStatus{
			CertificateID: id, Status: calibration.Withdrawn, EffectiveFrom: in.EffectiveFrom, By: access.From(ctx).Name, Reason: in.Reason,
		}
	}
	if err := decode(c, &in, func() error { return made().Validate(of) }); err != nil {
		return Withdrawal{}, err
	}
	st, err := h.store.WithdrawCertificate(ctx, made())
	if err != nil {
		return Withdrawal{}, err
	}
	target := calibration.Target{CertificateID: id}
	found, err := h.store.TouchedSurveys(ctx, target, nil, nil, nil, request.Page{Limit: maxLimit})
	if err != nil {
		return Withdrawal{}, err
	}
	reached, err := h.affectedOf(ctx, found, target, nil)
	return Withdrawal{statusBody(st), reached}, err
}

// list lists the history of a certificate's status.
//
//	@Summary	List the history of a certificate's status, oldest first
//	@Tags		certificates
//	@Param		id		path		string	true	"Certificate"		format(uuid)
//	@Param		limit	query		int		false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor	query		string	false	"Next page, from the answer before"
//	@Success	200		{object}	List[CertificateStatus]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/certificates/{id}/statuses [get]
func (h statusHandlers) list(c *gin.Context) (List[CertificateStatus], error) {
	return listUnder(h.server, c, h.store.CertificateStatuses, func(r calibration.CertificateStatus) uuid.UUID { return r.ID }, statusBody)
}

// confirm makes a draft a certificate that counts.
//
//	@Summary		Confirm a draft of a certificate
//	@Description	A draft proves nothing until a person has compared it with the document and confirms it.
//	@Tags			certificates
//	@Param			id			path		string	true	"Certificate"	format(uuid)
//	@Param			If-Match	header		string	true	"Entity tag of the draft that was looked at"
//	@Success		200			{object}	Certificate
//	@Failure		default		{object}	Problem	"Any error"
//	@Router			/v1/certificates/{id}/confirmation [post]
func (h statusHandlers) confirm(c *gin.Context) (Certificate, error) {
	of := certificateHandlers(h)
	rec, err := transition(c, of.read, func(ctx context.Context, r issued) (issued, error) {
		rec, err := h.store.ConfirmCertificate(ctx, r.Certificate)
		return of.one(ctx, rec, err)
	})
	body := certificateOf(rec)
	return body, staleAs(err, body)
}
