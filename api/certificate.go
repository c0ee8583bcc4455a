package api

import (
	"context"
	"net/http"
	"strings"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/calibration"
	"leveltrail/domain/fault"
	"leveltrail/domain/request"
)

// A certificate names its laboratory or, by laboratory, one to be found or made.
type certificateStore interface {
	CreateCertificate(ctx context.Context, c calibration.Certificate, laboratory string) (calibration.Certificate, error)
	Certificate(ctx context.Context, id uuid.UUID) (calibration.Certificate, error)
	Certificates(ctx context.Context, instrumentID uuid.UUID, p request.Page) ([]calibration.Certificate, error)
	CertificateVersions(ctx context.Context, id uuid.UUID) ([]calibration.Certificate, error)
	UpdateCertificate(ctx context.Context, c calibration.Certificate, laboratory string) (calibration.Certificate, error)
	LaboratoryNames(ctx context.Context, ids []uuid.UUID) (map[uuid.UUID]string, error)
}

// issued is a certificate with the name of its laboratory, which may be one still to be found or made.
type issued struct {
	calibration.Certificate
	laboratory string
	conflict   bool // laboratory and laboratory_id disagree
}

// Validate reports every member that makes c unfit to store.
func (c issued) Validate() error {
	if c.laboratory != "" {
		c.LaboratoryID = uuid.Max // found or made when it is stored
	}
	var bad fault.Fields
	collect(&bad, c.Certificate.Validate())
	bad.Check(!c.conflict, "laboratory_id", "conflicting", "must not come together with laboratory")
	return bad.Err("certificate")
}

// certificate returns c, a certificate of an instrument of the given kind, with the members of in.
func (in NewCertificate) certificate(c issued, kind calibration.Kind) issued {
	old := c
	c.Accreditation, c.laboratory, c.LaboratoryID = "", "", uuid.Nil
	if l := in.Laboratory; l != nil {
		c.Accreditation, c.laboratory = orZero(l.Accreditation), strings.TrimSpace(l.Name)
	}
	if in.LaboratoryID != nil {
		// Beside the laboratory that was there it names another one; beside a new one it contradicts.
		c.conflict = c.laboratory != "" && c.laboratory != old.laboratory
		c.laboratory, c.LaboratoryID = "", *in.LaboratoryID
	}
	c.Accredited, c.ItemSerialNumber, c.Number, c.Revision = orZero(in.Accredited), orZero(in.ItemSerialNumber), in.Number, orZero(in.Revision)
	c.Scope = nil
	for _, s := range in.Scope {
		c.Scope = append(c.Scope, calibration.Scope(s))
	}
	c.ReplacesID = orZero(in.ReplacesID)
	c.CalibratedFrom, c.CalibratedOn, c.IssuedOn = orZero(in.CalibratedFrom), in.CalibratedOn, orZero(in.IssuedOn)
	c.Standard, c.PersonAuthorising = orZero(in.Standard), orZero(in.PersonAuthorising)
	c.AsFound, c.AsLeft = calibration.Conformity(orZero(in.AsFound)), calibration.Conformity(orZero(in.AsLeft))
	c.Adjusted, c.PatternEvidence = orZero(in.Adjusted), orZero(in.PatternEvidence)
	c.LaboratoryDueOn, c.DueOverrideOn = orZero(in.LaboratoryDueOn), orZero(in.DueOverrideOn)
	c.ReferenceStandards, c.Results = nil, nil
	for _, s := range in.ReferenceStandards {
		c.ReferenceStandards = append(c.ReferenceStandards, calibration.ReferenceStandard{
			Description: s.Description, Certificate: orZero(s.Certificate),
		})
	}
	for _, r := range in.Results {
		c.Results = append(c.Results, r.result())
	}
	c.Certificate = c.WithDefaults(kind)
	return c
}

type certificateHandlers struct{ *server }

func (h certificateHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/instruments/:id/certificates", respond(h.server, http.StatusOK, h.listOfInstrument, "limit", "cursor"))
	v1.POST("/instruments/:id/certificates", respond(h.server, http.StatusCreated, h.create))
	v1.GET("/certificates", respond(h.server, http.StatusOK, h.list, "limit", "cursor"))
	v1.GET("/certificates/:id", respond(h.server, http.StatusOK, h.get))
	v1.PATCH("/certificates/:id", respond(h.server, http.StatusOK, h.update))
	v1.GET("/certificates/:id/versions", respond(h.server, http.StatusOK, h.versions))
}

// list lists the certificates.
//
//	@Summary	List certificates
//	@Tags		certificates
//	@Param		limit	query		int		false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor	query		string	false	"Next page, from the answer before"
//	@Success	200		{object}	List[Certificate]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/certificates [get]
func (h certificateHandlers) list(c *gin.Context) (List[Certificate], error) {
	return h.page(c, uuid.Nil)
}

// listOfInstrument lists the certificates of an instrument.
//
//	@Summary	List the certificates of an instrument
//	@Tags		certificates
//	@Param		id		path		string	true	"Instrument"		format(uuid)
//	@Param		limit	query		int		false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor	query		string	false	"Next page, from the answer before"
//	@Success	200		{object}	List[Certificate]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/instruments/{id}/certificates [get]
func (h certificateHandlers) listOfInstrument(c *gin.Context) (List[Certificate], error) {
	id, err := pathID(c)
	if err != nil {
		return List[Certificate]{}, err
	}
	if _, err := h.store.Instrument(c.Request.Context(), id); err != nil {
		return List[Certificate]{}, err
	}
	return h.page(c, id)
}

func (h certificateHandlers) page(c *gin.Context, instrumentID uuid.UUID) (List[Certificate], error) {
	p, err := h.pageOf(c)
	if err != nil {
		return List[Certificate]{}, err
	}
	recs, err := h.store.Certificates(c.Request.Context(), instrumentID, p)
	if err != nil {
		return List[Certificate]{}, err
	}
	named, err := h.named(c.Request.Context(), recs...)
	return listOf(h.server, c, p, named, func(r issued) uuid.UUID { return r.ID }, certificateOf), err
}

// named returns the certificates with the names of their laboratories.
func (h certificateHandlers) named(ctx context.Context, recs ...calibration.Certificate) ([]issued, error) {
	ids := make([]uuid.UUID, len(recs))
	for i, r := range recs {
		ids[i] = r.LaboratoryID
	}
	names, err := h.store.LaboratoryNames(ctx, ids)
	named := make([]issued, len(recs))
	for i, r := range recs {
		named[i] = issued{Certificate: r, laboratory: names[r.LaboratoryID]}
	}
	return named, err
}

// one returns c with the name of its laboratory, unless reading it failed with err.
func (h certificateHandlers) one(ctx context.Context, c calibration.Certificate, err error) (issued, error) {
	if err != nil {
		return issued{}, err
	}
	named, err := h.named(ctx, c)
	return named[0], err
}

func (h certificateHandlers) read(ctx context.Context, id uuid.UUID) (issued, error) {
	rec, err := h.store.Certificate(ctx, id)
	return h.one(ctx, rec, err)
}

// create stores a new certificate.
//
//	@Summary	Create a certificate
//	@Tags		certificates
//	@Accept		json
//	@Param		id			path		string			true	"Instrument"	format(uuid)
//	@Param		certificate	body		NewCertificate	true	"Certificate to store"
//	@Success	201			{object}	Certificate
//	@Failure	default		{object}	Problem	"Any error"
//	@Router		/v1/instruments/{id}/certificates [post]
func (h certificateHandlers) create(c *gin.Context) (Certificate, error) {
	ctx := c.Request.Context()
	id, err := pathID(c)
	if err != nil {
		return Certificate{}, err
	}
	i, err := h.store.Instrument(ctx, id)
	if err != nil {
		return Certificate{}, err
	}
	var in NewCertificate
	made := func() issued {
		return in.certificate(issued{Certificate: calibration.Certificate{InstrumentID: id}}, i.Kind)
	}
	if err := decode(c, &in, func() error { return made().Validate() }); err != nil {
		return Certificate{}, err
	}
	rec, err := h.store.CreateCertificate(ctx, made().Certificate, made().laboratory)
	named, err := h.one(ctx, rec, err)
	return certificateOf(named), err
}

// get returns a certificate.
//
//	@Summary	Read a certificate
//	@Tags		certificates
//	@Param		id		path		string	true	"Certificate"	format(uuid)
//	@Success	200		{object}	Certificate
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/certificates/{id} [get]
func (h certificateHandlers) get(c *gin.Context) (Certificate, error) {
	id, err := pathID(c)
	if err != nil {
		return Certificate{}, err
	}
	rec, err := h.read(c.Request.Context(), id)
	return certificateOf(rec), err
}

// update changes a certificate.
//
//	@Summary	Change a certificate
//	@Tags		certificates
//	@Accept		application/merge-patch+json
//	@Param		id		path		string			true	"Certificate"	format(uuid)
//	@Param		patch	body		NewCertificate	true	"Members to change"
//	@Success	200		{object}	Certificate
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/certificates/{id} [patch]
func (h certificateHandlers) update(c *gin.Context) (Certificate, error) {
	var kind calibration.Kind
	rec, err := change(c,
		func(ctx context.Context, id uuid.UUID) (issued, error) {
			rec, err := h.read(ctx, id)
			if err != nil {
				return rec, err
			}
			i, err := h.store.Instrument(ctx, rec.InstrumentID)
			kind = i.Kind
			return rec, err
		},
		func(ctx context.Context, r issued) (issued, error) {
			rec, err := h.store.UpdateCertificate(ctx, r.Certificate, r.laboratory)
			return h.one(ctx, rec, err)
		},
		newCertificateOf,
		func(in NewCertificate, r issued) issued { return in.certificate(r, kind) })
	return certificateOf(rec), err
}

// versions lists every version of a certificate.
//
//	@Summary	List the versions of a certificate, oldest first
//	@Tags		certificates
//	@Param		id		path		string	true	"Certificate"	format(uuid)
//	@Success	200		{object}	List[Certificate]
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/certificates/{id}/versions [get]
func (h certificateHandlers) versions(c *gin.Context) (List[Certificate], error) {
	return versionsOf(c, func(ctx context.Context, id uuid.UUID) ([]issued, error) {
		recs, err := h.store.CertificateVersions(ctx, id)
		if err != nil {
			return nil, err
		}
		return h.named(ctx, recs...)
	}, certificateOf)
}
