package api

import (
	"context"
	"net/http"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/calibration"
	"leveltrail/domain/civil"
	"leveltrail/domain/request"
)

type nonconformityStore interface {
	CreateNonconformity(ctx context.Context, n calibration.Nonconformity) (calibration.Nonconformity, error)
	Nonconformity(ctx context.Context, id uuid.UUID) (calibration.Nonconformity, error)
	Nonconformities(ctx context.Context, f calibration.NonconformityFilter, p request.Page) ([]calibration.Nonconformity, error)
	NonconformityVersions(ctx context.Context, id uuid.UUID) ([]calibration.Nonconformity, error)
	UpdateNonconformity(ctx context.Context, n calibration.Nonconformity) (calibration.Nonconformity, error)
}

// ClientInformed says that a client was told of a nonconformity.
type ClientInformed struct {
	ClientID uuid.UUID  `json:"client_id"`                              // Whom
	On       civil.Date `json:"on"`                                     // When
	By       string     `json:"by"`                                     // Who told it
	Note     *string    `json:"note,omitempty" extensions:"x-nullable"` // How, and what was said
}

// NewNonconformity is work that did not conform, as sent.
type NewNonconformity struct {
	What           string           `json:"what"`                                        // What was found
	FoundOn        civil.Date       `json:"found_on"`                                    // When
	SurveyIDs      []uuid.UUID      `json:"survey_ids,omitempty"`                        // Surveys affected
	InstrumentIDs  []uuid.UUID      `json:"instrument_ids,omitempty"`                    // Instruments affected
	CertificateIDs []uuid.UUID      `json:"certificate_ids,omitempty"`                   // Certificates affected
	Decision       *string          `json:"decision,omitempty" extensions:"x-nullable"`  // What is done about it; needed before it is closed
	Informed       []ClientInformed `json:"informed,omitempty"`                          // Clients that were told
	ClosedOn       *civil.Date      `json:"closed_on,omitempty" extensions:"x-nullable"` // Absent while it is open
}

// Nonconformity is work that did not conform, what it touches and what was done about it.
type Nonconformity struct {
	Stamp
	State          string           `json:"state" enums:"open,closed"`
	What           string           `json:"what"`            // What was found
	FoundOn        civil.Date       `json:"found_on"`        // When
	SurveyIDs      []uuid.UUID      `json:"survey_ids"`      // Surveys affected
	InstrumentIDs  []uuid.UUID      `json:"instrument_ids"`  // Instruments affected
	CertificateIDs []uuid.UUID      `json:"certificate_ids"` // Certificates affected
	Decision       *string          `json:"decision"`        // What is done about it; null while nothing is decided
	Informed       []ClientInformed `json:"informed"`        // Clients that were told
	ClosedOn       *civil.Date      `json:"closed_on"`       // Null while it is open
}

func (n Nonconformity) path() string { return "/v1/nonconformities/" + n.ID.String() }

// nonconformity returns n with the members of in.
func (in NewNonconformity) nonconformity(n calibration.Nonconformity) calibration.Nonconformity {
	n.What, n.FoundOn, n.Decision, n.ClosedOn = in.What, in.FoundOn, orZero(in.Decision), orZero(in.ClosedOn)
	n.SurveyIDs, n.InstrumentIDs, n.CertificateIDs, n.Informed = in.SurveyIDs, in.InstrumentIDs, in.CertificateIDs, nil
	for _, t := range in.Informed {
		n.Informed = append(n.Informed, calibration.Informed{ClientID: t.ClientID, On: t.On, By: t.By, Note: orZero(t.Note)})
	}
	return n
}

func newNonconformityOf(n calibration.Nonconformity) NewNonconformity {
	in := NewNonconformity{
		What: n.What, FoundOn: n.FoundOn, SurveyIDs: n.SurveyIDs, InstrumentIDs: n.InstrumentIDs, CertificateIDs: n.CertificateIDs,
		Decision: orNil(n.Decision), Informed: []ClientInformed{}, ClosedOn: orNil(n.ClosedOn),
	}
	for _, t := range n.Informed {
		in.Informed = append(in.Informed, ClientInformed{t.ClientID, t.On, t.By, orNil(t.Note)})
	}
	return in
}

func nonconformityOf(n calibration.Nonconformity) Nonconformity {
	in, state := newNonconformityOf(n), "open"
	if in.ClosedOn != nil {
		state = "closed"
	}
	return Nonconformity{
		Stamp: Stamp{n.ID, n.Version, n.CreatedAt, n.RecordedAt}, State: state, What: in.What, FoundOn: in.FoundOn, SurveyIDs: in.SurveyIDs,
		InstrumentIDs: in.InstrumentIDs, CertificateIDs: in.CertificateIDs, Decision: in.Decision, Informed: in.Informed, ClosedOn: in.ClosedOn,
	}
}

type nonconformityHandlers struct{ *server }

func (h nonconformityHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/nonconformities", respond(h.server, http.StatusOK, h.list, "limit", "cursor", "state", "survey_id", "instrument_id", "certificate_id"))
	v1.POST("/nonconformities", respond(h.server, http.StatusCreated, h.create))
	v1.GET("/nonconformities/:id", respond(h.server, http.StatusOK, h.get))
	v1.PATCH("/nonconformities/:id", respond(h.server, http.StatusOK, h.update))
	v1.GET("/nonconformities/:id/versions", respond(h.server, http.StatusOK, h.versions))
}

// list lists the nonconformities.
//
//	@Summary	List the work that did not conform
//	@Tags		nonconformities
//	@Param		state			query		string	false	"Only those in this state"				Enums(open, closed)
//	@Param		survey_id		query		string	false	"Only those that affect this survey"		format(uuid)
//	@Param		instrument_id	query		string	false	"Only those that affect this instrument"	format(uuid)
//	@Param		certificate_id	query		string	false	"Only those that affect this certificate"	format(uuid)
//	@Param		limit			query		int		false	"Records a page"							minimum(1)	maximum(200)	default(50)
//	@Param		cursor			query		string	false	"Next page, from the answer before"
//	@Success	200				{object}	List[Nonconformity]
//	@Failure	default			{object}	Problem	"Any error"
//	@Router		/v1/nonconformities [get]
func (h nonconformityHandlers) list(c *gin.Context) (List[Nonconformity], error) {
	var f calibration.NonconformityFilter
	var err error
	if f.State, err = queryWord(c, "state", "", "open", "closed"); err != nil {
		return List[Nonconformity]{}, err
	}
	for name, id := range map[string]*uuid.UUID{"survey_id": &f.SurveyID, "instrument_id": &f.InstrumentID, "certificate_id": &f.CertificateID} {
		if *id, err = queryID(c, name); err != nil {
			return List[Nonconformity]{}, err
		}
	}
	read := func(ctx context.Context, p request.Page) ([]calibration.Nonconformity, error) {
		return h.store.Nonconformities(ctx, f, p)
	}
	return listAll(h.server, c, read, func(r calibration.Nonconformity) uuid.UUID { return r.ID }, nonconformityOf)
}

// create stores a new nonconformity.
//
//	@Summary		Record work that did not conform
//	@Description	For those alone who see every client: it may touch several.
//	@Tags			nonconformities
//	@Accept			json
//	@Param			nonconformity	body		NewNonconformity	true	"Nonconformity to store"
//	@Success		201				{object}	Nonconformity
//	@Failure		default			{object}	Problem	"Any error"
//	@Router			/v1/nonconformities [post]
func (h nonconformityHandlers) create(c *gin.Context) (Nonconformity, error) {
	var in NewNonconformity
	made := func() calibration.Nonconformity { return in.nonconformity(calibration.Nonconformity{}) }
	if err := decode(c, &in, func() error { return made().Validate() }); err != nil {
		return Nonconformity{}, err
	}
	rec, err := h.store.CreateNonconformity(c.Request.Context(), made())
	return nonconformityOf(rec), err
}

// get returns a nonconformity.
//
//	@Summary	Read a nonconformity
//	@Tags		nonconformities
//	@Param		id		path		string	true	"Nonconformity"	format(uuid)
//	@Success	200		{object}	Nonconformity
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/nonconformities/{id} [get]
func (h nonconformityHandlers) get(c *gin.Context) (Nonconformity, error) {
	return readOne(c, h.store.Nonconformity, nonconformityOf)
}

// update changes a nonconformity.
//
//	@Summary	Change a nonconformity
//	@Tags		nonconformities
//	@Accept		application/merge-patch+json
//	@Param		id		path		string				true	"Nonconformity"	format(uuid)
//	@Param		patch	body		NewNonconformity	true	"Members to change"
//	@Success	200		{object}	Nonconformity
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/nonconformities/{id} [patch]
func (h nonconformityHandlers) update(c *gin.Context) (Nonconformity, error) {
	rec, err := change(c, h.store.Nonconformity, h.store.UpdateNonconformity, newNonconformityOf, NewNonconformity.nonconformity)
	return nonconformityOf(rec), err
}

// versions lists every version of a nonconformity.
//
//	@Summary	List the versions of a nonconformity, oldest first
//	@Tags		nonconformities
//	@Param		id		path		string	true	"Nonconformity"	format(uuid)
//	@Success	200		{object}	List[Nonconformity]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/nonconformities/{id}/versions [get]
func (h nonconformityHandlers) versions(c *gin.Context) (List[Nonconformity], error) {
	return versionsOf(c, h.store.NonconformityVersions, nonconformityOf)
}
