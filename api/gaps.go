package api

import (
	"context"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/calibration"
	"leveltrail/domain/request"
	"leveltrail/domain/survey"
)

type gapStore interface {
	CalibrationRecords(ctx context.Context, p request.Page) ([]calibration.Instrument, []calibration.Certificate, map[uuid.UUID]bool, error)
	MeasuredSurveys(ctx context.Context, from, to *time.Time, p request.Page) ([]survey.Touched, error)
}

// RecordGap is something missing in the records, or that does not fit together.
type RecordGap struct {
	Kind     string     `json:"kind" enums:"calibrator_level_not_certified,certificate_without_document,certificate_without_uncertainty,conformity_contradicted,instrument_without_certificate,serial_number_mismatch,series_without_certificate,series_without_checks"` // What is missing
	Subject  Subject    `json:"subject"`                                                                                                                                                                                                                                 // What it is about
	SurveyID *uuid.UUID `json:"survey_id"`                                                                                                                                                                                                                               // Null where it is about an instrument or a certificate by itself
	SeriesID *uuid.UUID `json:"series_id"`                                                                                                                                                                                                                               // Likewise
	Detail   string     `json:"detail"`                                                                                                                                                                                                                                  // For people, with the values
}

func gapOf(g calibration.Gap) RecordGap {
	return RecordGap{string(g.Kind), Subject(g.Subject), orNil(g.SurveyID), orNil(g.SeriesID), g.Detail}
}

// The walks of the list of gaps, one after the other.
const (
	ofInstruments = "instruments"
	ofSurveys     = "surveys"
)

type gapHandlers struct{ *server }

func (h gapHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/calibrations/gaps", respondTable(h.server, h.list, gapTable, "kind", "from", "to", "limit", "cursor"))
}

// list lists what is missing in the records of calibration.
//
//	@Summary		List what is missing in the records of calibration
//	@Description	Instruments of a kind that a rule profile has calibrated and that never were, certificates without document or measurement uncertainty, with another serial number, or that state conformance against a result beyond its limits; then series without a certificate on a day of use, without checks before or after, or checked at a level that is not on the calibrator's certificate. A page examines so many instruments, then surveys, and holds the gaps found: it may hold none and yet name a next page. from and to bound the use of the surveys examined. With Accept: text/csv a table.
//	@Tags			calibrations
//	@Produce		json,text/csv
//	@Param			kind	query		string	false	"Only gaps of this kind"	Enums(calibrator_level_not_certified, certificate_without_document, certificate_without_uncertainty, conformity_contradicted, instrument_without_certificate, serial_number_mismatch, series_without_certificate, series_without_checks)
//	@Param			from	query		string	false	"Surveys with use after this instant"	format(date-time)
//	@Param			to		query		string	false	"Surveys with use before this instant"	format(date-time)
//	@Param			limit	query		int		false	"Instruments and surveys examined for a page"	minimum(1)	maximum(200)	default(50)
//	@Param			cursor	query		string	false	"Next page, from the answer before"
//	@Success		200		{object}	List[RecordGap]
//	@Failure		default	{object}	Problem	"Any error"
//	@Router			/v1/calibrations/gaps [get]
func (h gapHandlers) list(c *gin.Context) (List[RecordGap], error) {
	l := List[RecordGap]{Items: []RecordGap{}}
	p, walk, err := h.pageOfWalks(c, ofInstruments, ofSurveys)
	if err != nil {
		return l, err
	}
	kind, one := c.GetQuery("kind")
	kinds := make([]string, len(calibration.GapKinds))
	for i, k := range calibration.GapKinds {
		kinds[i] = string(k)
	}
	if one && !slices.Contains(kinds, kind) {
		return l, badParameter("kind", "not_allowed", "must be one of "+strings.Join(kinds, ", "))
	}
	from, err := queryTime(c, "from")
	if err != nil {
		return l, err
	}
	to, err := queryTime(c, "to")
	if err != nil {
		return l, err
	}
	note := func(gaps []calibration.Gap) {
		for _, g := range gaps {
			if !one || string(g.Kind) == kind {
				l.Items = append(l.Items, gapOf(g))
			}
		}
	}
	if walk == ofInstruments {
		if !one || calibration.GapKind(kind).OfRecords() {
			examined, last, err := h.ofRecords(c, p, note)
			if err != nil {
				return l, err
			}
			if examined == p.Limit {
				l.NextCursor = h.more(c, ofInstruments, last)
				return l, nil
			}
			p.Limit -= examined
		}
		p.After = uuid.Nil
	}
	if one && !calibration.GapKind(kind).OfSurveys() {
		return l, nil
	}
	found, err := h.store.MeasuredSurveys(c.Request.Context(), from, to, p)
	if err != nil {
		return l, err
	}
	if len(found) == p.Limit {
		last := p.After
		if found = found[:p.Limit-1]; len(found) > 0 {
			last = found[len(found)-1].ID
		}
		l.NextCursor = h.more(c, ofSurveys, last)
	}
	for _, s := range found {
		note(calibration.GapsOfVerdict(calibration.Decide(s.Facts)))
	}
	return l, nil
}

// ofRecords notes the gaps of a page of instruments and their certificates. It returns
// how many instruments there were and the last one examined, which leaves out the one beyond the page.
func (h gapHandlers) ofRecords(c *gin.Context, p request.Page, note func([]calibration.Gap)) (n int, last uuid.UUID, err error) {
	profiles, err := h.profilesAsked(c)
	if err != nil {
		return 0, last, err
	}
	of, held, documented, err := h.store.CalibrationRecords(c.Request.Context(), p)
	if err != nil {
		return 0, last, err
	}
	if n = len(of); n == p.Limit {
		beyond := of[n-1].ID
		of = of[:n-1]
		last = of[n-2].ID
		held = slices.DeleteFunc(held, func(c calibration.Certificate) bool { return c.InstrumentID == beyond })
	}
	note(calibration.GapsOfRecords(of, held, documented, profiles))
	return n, last, nil
}

func gapTable(l List[RecordGap]) table {
	t := table{name: "calibration-gaps", header: []string{"kind", "subject_type", "subject_id", "survey_id", "series_id", "detail"}}
	for _, g := range l.Items {
		line := []string{g.Kind, g.Subject.Type, g.Subject.ID.String(), "", "", g.Detail}
		if g.SurveyID != nil {
			line[3] = g.SurveyID.String()
		}
		if g.SeriesID != nil {
			line[4] = g.SeriesID.String()
		}
		t.lines = append(t.lines, line)
	}
	return t
}
