package api

import (
	"context"
	"errors"
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
	Certificates(ctx context.Context, f calibration.CertificateFilter, p request.Page) ([]calibration.Certificate, error)
	CertificateVersions(ctx context.Context, id uuid.UUID) ([]calibration.Certificate, error)
	UpdateCertificate(ctx context.Context, c calibration.Certificate, laboratory string) (calibration.Certificate, error)
	LaboratoriesOf(ctx context.Context, ids []uuid.UUID) (map[uuid.UUID]calibration.Laboratory, error)
	InstrumentsOf(ctx context.Context, ids []uuid.UUID) (map[uuid.UUID]calibration.Instrument, error)
}

// issued is a certificate with the name of its laboratory, which may be one still to be found or made.
type issued struct {
	calibration.Certificate
	laboratory string
	conflict   bool   // laboratory and laboratory_id disagree
	moved      bool   // confirmed, and yet given another instrument
	mismatch   string // a sentence if it prints another serial number than its instrument has
	beside     string // the versions of laboratory and instrument that it was read with
}

// Validate reports every member that makes c unfit to store.
func (c issued) Validate() error {
	if c.laboratory != "" {
		c.LaboratoryID = uuid.Max // found or made when it is stored
	}
	var bad fault.Fields
	collect(&bad, c.Certificate.Validate())
	bad.Check(!c.conflict, "laboratory_id", "conflicting", "must not come together with laboratory")
	bad.Check(!c.moved, "instrument_id", "immutable", "never changes once the certificate is confirmed")
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
	c.ReferenceStandards, c.Results, c.Parts = nil, nil, nil
	for _, p := range in.Parts {
		c.Parts = append(c.Parts, calibration.CertifiedPart{Kind: calibration.Kind(p.Kind), SerialNumber: strings.TrimSpace(p.SerialNumber)})
	}
	for _, s := range in.ReferenceStandards {
		c.ReferenceStandards = append(c.ReferenceStandards, calibration.ReferenceStandard{
			Description: strings.TrimSpace(s.Description), Certificate: strings.TrimSpace(orZero(s.Certificate)),
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
	v1.GET("/instruments/:id/certificates", respond(h.server, http.StatusOK, h.listOfInstrument, "limit", "cursor", "expand"))
	v1.POST("/instruments/:id/certificates", respond(h.server, http.StatusCreated, h.create))
	v1.GET("/certificates", respond(h.server, http.StatusOK, h.list, "limit", "cursor", "instrument_id", "laboratory_id", "number", "state", "expand"))
	v1.GET("/certificates/:id", respond(h.server, http.StatusOK, h.get, "expand"))
	v1.PATCH("/certificates/:id", respond(h.server, http.StatusOK, h.update))
	v1.GET("/certificates/:id/versions", respond(h.server, http.StatusOK, h.versions))
}

// list lists the certificates.
//
//	@Summary	List certificates
//	@Tags		certificates
//	@Param		instrument_id	query		string		false	"Only those of this instrument"	format(uuid)
//	@Param		laboratory_id	query		string		false	"Only those of this laboratory"	format(uuid)
//	@Param		number			query		string		false	"Only those of this number"
//	@Param		state			query		string		false	"Only those in this state"	Enums(draft, confirmed)
//	@Param		limit			query		int			false	"Records a page"			minimum(1)	maximum(200)	default(50)
//	@Param		cursor			query		string		false	"Next page, from the answer before"
//	@Param		expand			query		[]string	false	"Records that each refers to, to be answered with it"	collectionFormat(csv)	Enums(instrument, laboratory)
//	@Success	200				{object}	List[Certificate]
//	@Failure	default			{object}	Problem	"Any error"
//	@Router		/v1/certificates [get]
func (h certificateHandlers) list(c *gin.Context) (List[Certificate], error) {
	var f calibration.CertificateFilter
	var err error
	if f.InstrumentID, err = queryID(c, "instrument_id"); err == nil {
		f.LaboratoryID, err = queryID(c, "laboratory_id")
	}
	if err == nil {
		f.State, err = queryWord(c, "state", "", calibration.Draft, calibration.Confirmed)
	}
	if err == nil {
		f.Number, err = queryText(c, "number")
	}
	if err != nil {
		return List[Certificate]{}, err
	}
	return h.page(c, f)
}

// listOfInstrument lists the certificates of an instrument.
//
//	@Summary	List the certificates of an instrument
//	@Tags		certificates
//	@Param		id		path		string		true	"Instrument"		format(uuid)
//	@Param		limit	query		int			false	"Records a page"	minimum(1)	maximum(200)	default(50)
//	@Param		cursor	query		string		false	"Next page, from the answer before"
//	@Param		expand	query		[]string	false	"Records that each refers to, to be answered with it"	collectionFormat(csv)	Enums(instrument, laboratory)
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
	return h.page(c, calibration.CertificateFilter{InstrumentID: id})
}

func (h certificateHandlers) page(c *gin.Context, f calibration.CertificateFilter) (List[Certificate], error) {
	p, err := h.pageOf(c)
	if err != nil {
		return List[Certificate]{}, err
	}
	recs, err := h.store.Certificates(c.Request.Context(), f, p)
	if err != nil {
		return List[Certificate]{}, err
	}
	named, err := h.named(c.Request.Context(), recs...)
	if err != nil {
		return List[Certificate]{}, err
	}
	return expandList(h.server, c, listOf(h.server, c, p, named, func(r issued) uuid.UUID { return r.ID }, certificateOf))
}

// named returns the certificates with what their bodies show of their laboratories and instruments.
func (h certificateHandlers) named(ctx context.Context, recs ...calibration.Certificate) ([]issued, error) {
	var labs, instruments []uuid.UUID
	for _, r := range recs {
		labs, instruments = append(labs, r.LaboratoryID), append(instruments, r.InstrumentID)
	}
	laboratoryOf, err := h.store.LaboratoriesOf(ctx, labs)
	if err != nil {
		return nil, err
	}
	instrumentOf, err := h.store.InstrumentsOf(ctx, instruments)
	named := make([]issued, len(recs))
	for i, r := range recs {
		l, on := laboratoryOf[r.LaboratoryID], instrumentOf[r.InstrumentID]
		named[i] = issued{Certificate: r, laboratory: l.Name, beside: "l" + itoa(l.Version) + "i" + itoa(on.Version)}
		if on.Version > 0 {
			named[i].mismatch = r.NamesAnother(on)
		}
	}
	return named, err
}

// one returns c with the name of its laboratory, unless reading it failed with err.
func (h certificateHandlers) one(ctx context.Context, c calibration.Certificate, err error) (issued, error) {
	if err != nil {
		return issued{}, err
	}
	named, err := h.named(ctx, c)
	if err != nil {
		return issued{}, err
	}
	return named[0], nil
}

func (h certificateHandlers) read(ctx context.Context, id uuid.UUID) (issued, error) {
	rec, err := h.store.Certificate(ctx, id)
	return h.one(ctx, rec, err)
}

// create stores a new certificate.
//
//	@Summary		Create a certificate
//	@Description	The same certificate again, by laboratory, number and revision, changes nothing; with other content it is refused, and the errors name what differs. One that prints another serial number than the instrument's is stored and says so in problems.
//	@Tags			certificates
//	@Accept			json
//	@Param			id			path		string			true	"Instrument"	format(uuid)
//	@Param			certificate	body		NewCertificate	true	"Certificate to store"
//	@Success		201			{object}	Certificate
//	@Success		200			{object}	Certificate
//	@Failure		default		{object}	Problem	"Any error"
//	@Router			/v1/instruments/{id}/certificates [post]
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
	if f, ok := errors.AsType[*fault.Error](err); ok && f.Code == "already_recorded" {
		answerWith(c, http.StatusOK)
		err = nil
	}
	named, err := h.one(ctx, rec, err)
	return certificateOf(named), err
}

// get returns a certificate.
//
//	@Summary	Read a certificate
//	@Tags		certificates
//	@Param		id		path		string		true	"Certificate"										format(uuid)
//	@Param		expand	query		[]string	false	"Records that it refers to, to be answered with it"	collectionFormat(csv)	Enums(instrument, laboratory)
//	@Success	200		{object}	Certificate
//	@Failure	default	{object}	Problem	"Any error"
//	@Router		/v1/certificates/{id} [get]
func (h certificateHandlers) get(c *gin.Context) (Certificate, error) {
	id, err := pathID(c)
	if err != nil {
		return Certificate{}, err
	}
	rec, err := h.read(c.Request.Context(), id)
	return expandOne(h.server, c, certificateOf(rec), err)
}

// update changes a certificate.
//
//	@Summary	Change a certificate
//	@Tags		certificates
//	@Accept		application/merge-patch+json
//	@Param		id		path		string				true	"Certificate"	format(uuid)
//	@Param		patch	body		CertificatePatch	true	"Members to change"
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
			on, err := h.store.InstrumentsOf(ctx, []uuid.UUID{rec.InstrumentID})
			kind = on[rec.InstrumentID].Kind
			return rec, err
		},
		func(ctx context.Context, r issued) (issued, error) {
			on, err := h.store.InstrumentsOf(ctx, []uuid.UUID{r.InstrumentID})
			if err != nil {
				return r, err
			}
			r.Certificate = r.WithDefaults(on[r.InstrumentID].Kind) // a draft may just have got its instrument
			rec, err := h.store.UpdateCertificate(ctx, r.Certificate, r.laboratory)
			return h.one(ctx, rec, err)
		},
		newCertificateOf,
		func(in CertificatePatch, r issued) issued {
			r = in.certificate(r, kind)
			r.moved, r.InstrumentID = r.State != calibration.Draft && orZero(in.InstrumentID) != r.InstrumentID, orZero(in.InstrumentID)
			return r
		})
	body := certificateOf(rec)
	return body, staleAs(err, body)
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
