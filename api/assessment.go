package api

import (
	"context"
	"net/http"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/assessment"
	"leveltrail/domain/calibration"
	"leveltrail/domain/caution"
	"leveltrail/domain/request"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
	"leveltrail/domain/survey"
)

// Facade is what turned a level at one setting into one at another.
type Facade struct {
	CorrectionDB  float64 `json:"correction_db"`  // Added to the measured level
	UncertaintyDB float64 `json:"uncertainty_db"` // Standard uncertainty of the correction
	Source        string  `json:"source"`         // Where it is from
}

// Assessment is the comparison of one result with one limit.
type Assessment struct {
	LimitID      uuid.UUID  `json:"limit_id"`      // Limit
	LimitVersion int        `json:"limit_version"` // Its version
	PositionID   uuid.UUID  `json:"position_id"`   // Position of the result
	Number       int        `json:"number"`        // Number of the position
	Symbol       string     `json:"symbol"`        // Figure compared
	Period       *string    `json:"period"`        // Symbol of the period; null for the whole time
	From         *time.Time `json:"from"`          // Of a count of maxima: the period that decided
	To           *time.Time `json:"to"`            // End of that period
	Outcome      string     `json:"outcome" enums:"below,exceeded,not_decided,not_valid,indicates_exceedance"`
	TreatAs      *string    `json:"treat_as"`                                                 // At a workplace, what an undecided or unusable result is to be treated as
	Level        *Figure    `json:"level"`                                                    // As measured; null if there is none
	ComparedDB   *float64   `json:"compared_db"`                                              // Corrected and rounded, as it was compared
	LimitDB      *float64   `json:"limit_db"`                                                 // The limit, of a relative one too
	Rule         string     `json:"rule" enums:"simple,guarded_low,guarded_high,probability"` // Decision rule
	Compare      string     `json:"compare" enums:"greater,greater_or_equal"`                 // Whether a level at the limit exceeds it
	Rounding     string     `json:"rounding" enums:"none,half_up_1,half_up_0.5,up_1"`         // Applied before comparing
	Facade       *Facade    `json:"facade"`                                                   // Correction applied; null if none was needed
	Residual     *Corrected `json:"residual"`                                                 // Correction for residual sound; null where nothing is marked as such
	Probability  *float64   `json:"probability"`                                              // That the true level lies above the limit, from level and uncertainty; null without
	Uncertainty  *Budget    `json:"uncertainty"`                                              // Of the level as measured or corrected for residual sound; null without
	Verdict      string     `json:"verdict"`                                                  // Of the series of the position together
	Reason       *string    `json:"reason"`                                                   // Why nothing is decided, or what limits the answer
	Cautions     []Caution  `json:"cautions"`                                                 // To be shown beside the outcome
	Source       string     `json:"source"`                                                   // Of the limit
}

// SurveyAssessment is the comparison of a survey's results with the limits of its project.
type SurveyAssessment struct {
	SurveyID    uuid.UUID    `json:"survey_id"`              // Survey
	Verdict     string       `json:"verdict"`                // On the survey
	Windows     string       `json:"windows" enums:"usable"` // Which samples the results cover
	Assessments []Assessment `json:"assessments"`            // One for each limit and position
	Cautions    []Caution    `json:"cautions"`               // To be shown beside the whole
	Evidence    Evidence     `json:"evidence"`
}

type assessmentHandlers struct{ *server }

func (h assessmentHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/surveys/:id/assessment", respond(h.server, http.StatusOK, h.get, "position_id", "from", "to", "min_coverage", "represents_year",
		"facade_correction_db", "facade_uncertainty_db", "facade_source"))
}

// get compares the results of a survey with the limits of its project.
//
//	@Summary		Compare a survey's results with the limits of its project
//	@Description	From the usable windows alone. A lower bound can only show that a limit is exceeded, an upper bound that it is kept; a result whose verdict does not stand is never below a limit. Where a position lies at another setting than its limit holds for, a façade correction with its source is needed. Which limits hold, and what follows, is for the law at the place and its competent persons.
//	@Tags			limits
//	@Param			id						path		string	true	"Survey"									format(uuid)
//	@Param			position_id				query		string	false	"Position whose results are asked for"	format(uuid)
//	@Param			from					query		string	false	"Beginning of the span"						format(date-time)
//	@Param			to						query		string	false	"End of the span"							format(date-time)
//	@Param			min_coverage			query		number	false	"Share of the time, or of a period, that must have been measured: 0.75 unless given"
//	@Param			represents_year			query		string	false	"Why the results represent the year, where a limit is of a yearly average"
//	@Param			facade_correction_db	query		number	false	"Added to levels of positions whose setting is not that of the limit"
//	@Param			facade_uncertainty_db	query		number	false	"Standard uncertainty of that correction"
//	@Param			facade_source			query		string	false	"Where that correction is from"
//	@Success		200						{object}	SurveyAssessment
//	@Failure		default					{object}	Problem	"Any error"
//	@Router			/v1/surveys/{id}/assessment [get]
func (h assessmentHandlers) get(c *gin.Context) (SurveyAssessment, error) {
	id, err := pathID(c)
	if err != nil {
		return SurveyAssessment{}, err
	}
	positionID, err := queryID(c, "position_id")
	if err != nil {
		return SurveyAssessment{}, err
	}
	ctx := c.Request.Context()
	v, project, err := h.store.SurveyAndProject(ctx, id)
	if err != nil {
		return SurveyAssessment{}, err
	}
	facade, err := queryFacade(c)
	if err != nil {
		return SurveyAssessment{}, err
	}
	r, err := figureRequest(c, project)
	if err != nil {
		return SurveyAssessment{}, err
	}
	return h.assess(ctx, v, project, assessing{r, facade, positionID, c.Query("represents_year")})
}

// assessing is how the results of a survey are to be compared with limits.
type assessing struct {
	request    summary.Request
	facade     *assessment.Facade // nil: none
	positionID uuid.UUID          // zero: of every position
	yearly     string             // why the results represent the year; empty: they do not
}

// assess compares the results of a survey with the limits of its project.
func (s *server) assess(ctx context.Context, v survey.Survey, project survey.Project, how assessing) (SurveyAssessment, error) {
	r := how.request
	limits, err := s.limitsOf(ctx, project.ID)
	if err != nil {
		return SurveyAssessment{}, err
	}
	r.UsableOnly, r.Percentiles, r.StepPercentiles = true, percentilesOf(limits), nil
	q, err := s.questionOf(ctx, v, project, r)
	if err != nil {
		return SurveyAssessment{}, err
	}
	q.uncertainty = func(span time.Duration) bool { return span <= shortSpan }
	q.periods, q.counts = wantedBy(limits)
	q.bands, q.backgrounds = asidesOf(limits)
	usable, err := s.answerTo(ctx, q)
	if err != nil {
		return SurveyAssessment{}, err
	}
	all := usable
	if slices.ContainsFunc(usable.places, func(p place) bool { return !p.stands() }) {
		q.request.UsableOnly = false // an unusable result that lies above a limit still warns
		if all, err = s.answerTo(ctx, q); err != nil {
			return SurveyAssessment{}, err
		}
	}
	out := SurveyAssessment{
		SurveyID: v.ID, Verdict: string(q.verdict.Outcome), Windows: "usable", Assessments: []Assessment{},
		Cautions: cautionsOf(caution.Environmental()), Evidence: usable.evidence,
	}
	if v.Kind == "workplace" {
		out.Cautions = cautionsOf(caution.Workplace())
	}
	for i := range usable.places {
		p := &usable.places[i]
		if how.positionID != uuid.Nil && p.record.ID != how.positionID {
			continue
		}
		var unusable *place
		for j := range all.places {
			if all.places[j].record.ID == p.record.ID {
				unusable = &all.places[j]
			}
		}
		for _, l := range limits {
			if l.PositionID == uuid.Nil || l.PositionID == p.record.ID {
				comparison := comparison{limit: l, place: p, unusable: unusable, survey: v, facade: how.facade, least: r.MinCoverage, yearly: how.yearly}
				if stands(comparison.outcome()) {
					comparison.unusable = nil
				}
				out.Assessments = append(out.Assessments, comparison.assess())
			}
		}
	}
	return out, nil
}

// stands reports whether all results of the place stand.
func (p *place) stands() bool {
	for _, b := range p.bands {
		if !stands(b.outcome) {
			return false
		}
	}
	return stands(p.outcome)
}

func stands(o calibration.Outcome) bool {
	return o != calibration.NotValid && o != calibration.Undetermined
}

// limitsOf returns all limits of a project that are in force.
func (s *server) limitsOf(ctx context.Context, projectID uuid.UUID) (all []assessment.Limit, err error) {
	page := request.Page{Limit: 200}
	for {
		some, err := s.store.Limits(ctx, projectID, page)
		all = append(all, some...)
		if err != nil || len(some) < page.Limit {
			return all, err
		}
		page.After = some[len(some)-1].ID
	}
}

// queryFacade reads the façade correction, nil where there is none.
func queryFacade(c *gin.Context) (*assessment.Facade, error) {
	number := func(name string) (acoustic.Decibel, bool, error) {
		text, ok := c.GetQuery(name)
		if !ok {
			return 0, false, nil
		}
		x, err := strconv.ParseFloat(text, 64)
		if err != nil || !(x >= -20 && x <= 20) {
			return 0, false, badParameter(name, "out_of_range", "must be a number from -20 to 20")
		}
		return acoustic.Decibel(x), true, nil
	}
	correction, given, err := number("facade_correction_db")
	if err != nil {
		return nil, err
	}
	u, stated, err := number("facade_uncertainty_db")
	if err != nil {
		return nil, err
	}
	source := strings.TrimSpace(c.Query("facade_source"))
	switch {
	case !given && !stated && source == "":
		return nil, nil
	case !given:
		return nil, badParameter("facade_correction_db", "required", "is needed beside the other two")
	case !stated || u < 0:
		return nil, badParameter("facade_uncertainty_db", "required", "must say how uncertain the correction is")
	case source == "":
		return nil, badParameter("facade_source", "required", "must say where the correction is from")
	}
	return &assessment.Facade{Correction: correction, Uncertainty: u, Source: source}, nil
}

var exceedanceSymbol = regexp.MustCompile(`^L[ACZ][FS]?(\d{1,2}(?:\.\d{1,3})?)$`)

// percentilesOf returns the exceedance levels that limits are about.
func percentilesOf(limits []assessment.Limit) (ps []series.Percent) {
	for _, l := range limits {
		for _, symbol := range []string{l.Symbol, l.Relative} {
			if level, _, ok := series.CutBand(symbol); ok {
				symbol = level
			}
			if m := exceedanceSymbol.FindStringSubmatch(symbol); m != nil {
				x, _ := strconv.ParseFloat(m[1], 64)
				if n := series.Percent(x*1000 + 0.5); n > 0 && !slices.Contains(ps, n) {
					ps = append(ps, n)
				}
			}
		}
	}
	return ps
}

// wantedBy returns what limits ask beside the figures of the whole span.
func wantedBy(limits []assessment.Limit) (periods []string, counts []maximaWanted) {
	for _, l := range limits {
		if l.Nth > 0 {
			if w := (maximaWanted{l.Symbol, l.Period}); !slices.Contains(counts, w) {
				counts = append(counts, w)
			}
		} else if l.Period != "" && !slices.Contains(periods, l.Period) {
			periods = append(periods, l.Period)
		}
	}
	return periods, counts
}
