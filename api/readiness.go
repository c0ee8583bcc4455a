package api

import (
	"context"
	"net/http"
	"slices"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/calibration"
	"leveltrail/domain/civil"
)

type readinessStore interface {
	PlannedUse(ctx context.Context, surveyID uuid.UUID) (calibration.PlannedUse, error)
	Site(ctx context.Context, surveyID uuid.UUID) (calibration.Site, error)
}

// Owed is something to be seen to so that the measurements of a survey will stand.
type Owed struct {
	Code    string  `json:"code"`    // What it is: a rule of the verdict or a word of its own; further ones may appear
	Subject Subject `json:"subject"` // What it is about
	Detail  string  `json:"detail"`  // What is wrong
	Do      string  `json:"do"`      // What to do now
}

// CoveredDays is a run of planned local days with one certificate, or without any.
type CoveredDays struct {
	From          civil.Date `json:"from"`
	To            civil.Date `json:"to"`             // Last day
	CertificateID *uuid.UUID `json:"certificate_id"` // Certificate that covers them; null: none does
}

// ReadyInstrument says on which planned days an instrument is covered.
type ReadyInstrument struct {
	InstrumentID uuid.UUID     `json:"instrument_id"`
	Kind         string        `json:"kind"`
	SerialNumber string        `json:"serial_number"` // Of the instrument
	FittedOn     *uuid.UUID    `json:"fitted_on"`     // Planned meter that it is fitted on; null: it is planned itself
	Scope        string        `json:"scope"`         // What a certificate of it must be about
	Covered      bool          `json:"covered"`       // On every planned day
	Days         []CoveredDays `json:"days"`          // All planned days, in order
}

// Readiness says whether what is planned for a survey will let its measurements stand.
type Readiness struct {
	SurveyID    uuid.UUID          `json:"survey_id"`
	Ready       bool               `json:"ready"`        // Nothing is owed
	RuleProfile RuleProfileEdition `json:"rule_profile"` // What the survey will be judged by
	Planned     Window             `json:"planned"`      // When it is planned to measure
	Instruments []ReadyInstrument  `json:"instruments"`  // Planned meters, calibrators and parts, and the parts fitted on the meters
	Owed        []Owed             `json:"owed"`         // What to see to before leaving the office
}

// Outstanding says what is still owed to a survey before whoever measures leaves the site.
type Outstanding struct {
	SurveyID uuid.UUID `json:"survey_id"`
	Done     bool      `json:"done"` // Nothing is owed
	Owed     []Owed    `json:"owed"` // What to see to before leaving the site
}

func owedOf(all []calibration.Owed) []Owed {
	out := make([]Owed, len(all))
	for i, o := range all {
		out[i] = Owed{o.Code, Subject(o.Subject), o.Detail, o.Do}
	}
	return out
}

type readinessHandlers struct{ *server }

func (h readinessHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/surveys/:id/readiness", respond(h.server, http.StatusOK, h.readiness))
	v1.GET("/surveys/:id/outstanding", respond(h.server, http.StatusOK, h.outstanding))
}

// readiness tells what to see to before leaving the office.
//
//	@Summary		What to see to before leaving the office
//	@Description	Holds each meter, calibrator and part that the survey's plan names, and the microphones, preamplifiers and filter sets fitted on the meters, against the rule profile on every planned local day of the site. Nothing owed means that no verdict will fall for a certificate or a class, as far as is known now.
//	@Tags			verdicts
//	@Param			id		path		string	true	"Survey"	format(uuid)
//	@Success		200		{object}	Readiness
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/surveys/{id}/readiness [get]
func (h readinessHandlers) readiness(c *gin.Context) (Readiness, error) {
	id, err := pathID(c)
	if err != nil {
		return Readiness{}, err
	}
	p, err := h.store.PlannedUse(c.Request.Context(), id)
	if err != nil {
		return Readiness{}, err
	}
	all, owed := calibration.Readiness(p)
	out := Readiness{
		SurveyID: id, Ready: len(owed) == 0, RuleProfile: RuleProfileEdition{p.Profile.Code, p.Profile.Edition},
		Planned: Window{p.Time.From, p.Time.To}, Instruments: make([]ReadyInstrument, len(all)), Owed: owedOf(owed),
	}
	for i, r := range all {
		in := ReadyInstrument{
			InstrumentID: r.Instrument.ID, Kind: string(r.Instrument.Kind), SerialNumber: r.Instrument.SerialNumber, FittedOn: orNil(r.FittedOn),
			Scope: string(r.Scope), Days: make([]CoveredDays, len(r.Days)),
			Covered: !slices.ContainsFunc(r.Days, func(d calibration.CoveredDays) bool { return d.CertificateID == uuid.Nil }),
		}
		for k, d := range r.Days {
			in.Days[k] = CoveredDays{d.From, d.To, orNil(d.CertificateID)}
		}
		out.Instruments[i] = in
	}
	return out, nil
}

// outstanding tells what to see to before leaving the site.
//
//	@Summary		What to see to before leaving the site
//	@Description	A closing check that is missing, positions without the planned readings or duration, a meter or calibrator out of date, a clock that was not compared, samples piled up at an end of the measuring range, checks that deviate, files that did not become series: each with what to do now. Of what is measured without a file, a clock counts as compared with a field check that says meter_at.
//	@Tags			verdicts
//	@Param			id		path		string	true	"Survey"	format(uuid)
//	@Success		200		{object}	Outstanding
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/surveys/{id}/outstanding [get]
func (h readinessHandlers) outstanding(c *gin.Context) (Outstanding, error) {
	id, err := pathID(c)
	if err != nil {
		return Outstanding{}, err
	}
	site, err := h.store.Site(c.Request.Context(), id)
	if err != nil {
		return Outstanding{}, err
	}
	owed := calibration.Outstanding(site)
	return Outstanding{SurveyID: id, Done: len(owed) == 0, Owed: owedOf(owed)}, nil
}
