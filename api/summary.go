package api

import (
	"net/http"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/caution"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
	"leveltrail/domain/survey"
)

// PositionSummary is the figures of a position, from all its series in the survey.
type PositionSummary struct {
	PositionID  uuid.UUID         `json:"position_id"` // Position
	Number      int               `json:"number"`      // Its number
	Label       string            `json:"label"`       // Where it is
	Levels      map[string]Figure `json:"levels"`
	Indices     map[string]Figure `json:"indices"`
	Periods     []PeriodTime      `json:"periods"`
	Reference   Reference         `json:"reference"`
	Unavailable []Unavailable     `json:"unavailable"`
	Residual    []Corrected       `json:"residual,omitempty"`    // Equivalent levels, those of periods and the index corrected for residual sound, where series or spans are marked as such
	Highest     []PlaceHighest    `json:"highest,omitempty"`     // As asked: of each equivalent level that series of the position carry
	TypicalDay  *PlaceTypicalDay  `json:"typical_day,omitempty"` // As asked
	Uncertainty *Budget           `json:"uncertainty"`           // Measurement uncertainty of the A-weighted equivalent level; null without one
}

// SurveySummary is figures computed from the series of a survey.
type SurveySummary struct {
	SurveyID  uuid.UUID         `json:"survey_id"` // Survey
	Outcome   string            `json:"outcome"`   // Of the verdict on the survey
	Series    []Summary         `json:"series"`
	Positions []PositionSummary `json:"positions"`
	Cautions  []Caution         `json:"cautions"` // To be shown beside the figures of positions
	Evidence  Evidence          `json:"evidence"`
}

// cautionsFor returns what has to stand beside figures.
func cautionsFor(levels, indices []summary.Figure, ref summary.Reference) []caution.Caution {
	var weighted, estimated, sampled bool
	for _, fs := range [][]summary.Figure{levels, indices} {
		for _, f := range fs {
			weighted = weighted || f.Symbol[1] != 'C' && f.Symbol[1] != 'Z' // indices have no letter of a weighting, and are of A
			estimated = estimated || f.Bound != "" || f.Basis == summary.Sampled || f.Basis == summary.Spot || f.Basis == summary.Mixed
			sampled = sampled || f.Representativity != nil && f.Representativity.Reason == ""
		}
	}
	var cs []caution.Caution
	if weighted {
		cs = append(cs, caution.NotDescribed)
	}
	if len(indices) > 0 {
		cs = append(cs, caution.Days(ref.Days, ref.Nights))
	}
	if estimated {
		cs = append(cs, caution.NotForCompliance)
	}
	if sampled {
		cs = append(cs, caution.NotHeard)
	}
	return cs
}

// cautionsOfKind returns what has to stand beside levels of a survey of that kind.
func cautionsOfKind(v survey.Survey) []caution.Caution {
	if v.Kind != "workplace" {
		return nil
	}
	return []caution.Caution{caution.NotSafeForEveryone, caution.Unprotected}
}

func cautionsOf(cs []caution.Caution) []Caution {
	out := make([]Caution, len(cs))
	for i, c := range cs {
		out[i] = Caution(c)
	}
	return out
}

func periodTimesOf(ps []summary.PeriodTime) []PeriodTime {
	out := make([]PeriodTime, len(ps))
	for i, p := range ps {
		out[i] = PeriodTime{p.Symbol, p.Measured.Seconds(), p.Asked.Seconds(), round(p.Coverage, 5)}
	}
	return out
}

type figureHandlers struct{ *server }

func (h figureHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/series/:id/summary", respond(h.server, http.StatusOK, h.ofSeries, figureParameters...))
	v1.GET("/positions/:id/summary", respond(h.server, http.StatusOK, h.ofPosition,
		"from", "to", "percentiles", "periods", "time_zone", "min_coverage", "windows", "exclusions", "uncertainty", "highest", "moving_by", "typical_day"))
	v1.GET("/surveys/:id/summary", respond(h.server, http.StatusOK, h.ofSurvey, figureParameters...))
}

// ofSeries returns the figures of a series.
//
//	@Summary		Figures of a series
//	@Description	Equivalent level, extremes, exceedance levels, coverage, indices of day, evening and night, a profile over time; each with its basis. What the data cannot carry is listed under unavailable. The figures cover all samples unless windows=usable. Uncertainties estimated from the samples stand beside the figures of the whole span.
//	@Tags			figures
//	@Param			id					path		string		true	"Series"															format(uuid)
//	@Param			from				query		string		false	"Beginning of the span"												format(date-time)
//	@Param			to					query		string		false	"End of the span"													format(date-time)
//	@Param			percentiles			query		string		false	"Exceedance levels, in percent of the time, separated by commas: 10,50,90 unless given; none for none"
//	@Param			step				query		string		false	"Length of the steps of a profile over time: 15m, 1h, 1d"
//	@Param			step_percentiles	query		string		false	"Exceedance levels of each step, separated by commas: as percentiles unless given; none for none"
//	@Param			periods				query		string		false	"Name of a division of the day: the project's unless given"
//	@Param			time_zone			query		string		false	"IANA time zone of days and periods: the project's unless given"
//	@Param			min_coverage		query		number		false	"Share of a period that must have been measured: 0.75 unless given"
//	@Param			windows				query		string		false	"Which samples the figures cover"									Enums(all, usable)		default(all)
//	@Param			exclusions			query		string		false	"Whether marked spans are left out"									Enums(applied, ignored)	default(applied)
//	@Param			uncertainty			query		string		false	"Uncertainties estimated from the samples: included for spans of up to 62 days unless given"	Enums(included, omitted)
//	@Param			step_uncertainty	query		string		false	"Uncertainties of the steps, estimated from their samples"			Enums(included, omitted)	default(omitted)
//	@Param			highest				query		string		false	"Lengths of time, separated by commas: the stretch of each in which the equivalent level is highest, such as 1h for the worst hour"
//	@Param			moving_by			query		string		false	"By which those stretches move on: their own length unless given, so that they are clock hours or quarter hours"
//	@Param			typical_day			query		string		false	"The 24 hours of the local day over all days of the span"			Enums(included, omitted)	default(omitted)
//	@Success		200					{object}	Summary
//	@Failure		default				{object}	Problem	"Any error"
//	@Router			/v1/series/{id}/summary [get]
func (h figureHandlers) ofSeries(c *gin.Context) (Summary, error) {
	id, err := pathID(c)
	if err != nil {
		return Summary{}, err
	}
	ctx := c.Request.Context()
	v, project, err := h.store.SurveyOfSeries(ctx, id)
	if err != nil {
		return Summary{}, err
	}
	r, err := figureRequest(c, project)
	if err != nil {
		return Summary{}, err
	}
	wanted, err := queryUncertainty(c)
	if err != nil {
		return Summary{}, err
	}
	more, err := profileRequest(c)
	if err != nil {
		return Summary{}, err
	}
	verdict, err := h.verdict(ctx, v.ID, nil)
	if err != nil {
		return Summary{}, err
	}
	in := &inquiry{}
	if in.steps, err = queryStepUncertainty(c); err != nil {
		return Summary{}, err
	}
	var of func() summary.Summary
	var enter func(*Summary)
	answers, err := h.store.CollectAll(ctx, id, expected(r), func(f series.Facts) ([]series.Ask, error) {
		in.start([]series.Facts{f})
		header := plannedOf(f, verdict)
		plan, err := summary.PlanFor(r, header)
		if err != nil {
			return nil, err
		}
		span := asked(r, in.facts)
		_, of = in.figures(0, plan, wanted(span.To.Sub(span.From)))
		enter, err = more.plan(in, r, header)
		return in.asks[0], err
	})
	if err != nil {
		return Summary{}, ofQuery(err)
	}
	in.answers = [][]series.Answer{answers}
	out := summaryOf(of(), in.facts[0])
	enter(&out)
	out.Cautions = append(out.Cautions, cautionsOf(cautionsOfKind(v))...)
	evidence := evidenceOf(r, in, verdictInputs(verdict))
	out.Evidence = &evidence
	return out, nil
}

// expected returns where the samples are that a request asks, zero at an end that it leaves open.
func expected(r summary.Request) (s series.Span) {
	if r.From != nil {
		s.From = *r.From
	}
	if r.To != nil {
		s.To = *r.To
	}
	return s
}

// ofSurvey returns the figures of a survey.
//
//	@Summary		Figures of a survey
//	@Description	The summary of each series over the survey's own time, and the figures of each position from all its series: at each instant one of them counts. So it is for the highest stretches and the typical day of a position. Bands, and series measured with the sound in question off, have summaries of their own only.
//	@Tags			figures
//	@Param			id					path		string		true	"Survey"															format(uuid)
//	@Param			from				query		string		false	"Beginning of the span"												format(date-time)
//	@Param			to					query		string		false	"End of the span"													format(date-time)
//	@Param			percentiles			query		string		false	"Exceedance levels, in percent of the time, separated by commas: 10,50,90 unless given; none for none"
//	@Param			step				query		string		false	"Length of the steps of a profile over time: 15m, 1h, 1d"
//	@Param			step_percentiles	query		string		false	"Exceedance levels of each step, separated by commas: as percentiles unless given; none for none"
//	@Param			periods				query		string		false	"Name of a division of the day: the project's unless given"
//	@Param			time_zone			query		string		false	"IANA time zone of days and periods: the project's unless given"
//	@Param			min_coverage		query		number		false	"Share of a period that must have been measured: 0.75 unless given"
//	@Param			windows				query		string		false	"Which samples the figures cover"									Enums(all, usable)		default(all)
//	@Param			exclusions			query		string		false	"Whether marked spans are left out"									Enums(applied, ignored)	default(applied)
//	@Param			uncertainty			query		string		false	"Uncertainties estimated from the samples: included for spans of up to 62 days unless given"	Enums(included, omitted)
//	@Param			step_uncertainty	query		string		false	"Uncertainties of the steps, estimated from their samples"			Enums(included, omitted)	default(omitted)
//	@Param			highest				query		string		false	"Lengths of time, separated by commas: the stretch of each in which the equivalent level of a position is highest, such as 1h for the worst hour"
//	@Param			moving_by			query		string		false	"By which those stretches move on: their own length unless given, so that they are clock hours or quarter hours"
//	@Param			typical_day			query		string		false	"The 24 hours of the local day at each position over all days of the span"	Enums(included, omitted)	default(omitted)
//	@Success		200					{object}	SurveySummary
//	@Failure		default				{object}	Problem	"Any error"
//	@Router			/v1/surveys/{id}/summary [get]
func (h figureHandlers) ofSurvey(c *gin.Context) (SurveySummary, error) {
	id, err := pathID(c)
	if err != nil {
		return SurveySummary{}, err
	}
	ctx := c.Request.Context()
	v, project, err := h.store.SurveyAndProject(ctx, id)
	if err != nil {
		return SurveySummary{}, err
	}
	r, err := figureRequest(c, project)
	if err != nil {
		return SurveySummary{}, err
	}
	wanted, err := queryUncertainty(c)
	if err != nil {
		return SurveySummary{}, err
	}
	q, err := h.questionOf(ctx, v, project, r)
	if err != nil {
		return SurveySummary{}, err
	}
	if q.course, err = profileRequest(c); err != nil {
		return SurveySummary{}, err
	}
	if q.steps, err = queryStepUncertainty(c); err != nil {
		return SurveySummary{}, err
	}
	q.uncertainty = wanted
	a, err := h.answerTo(ctx, q)
	if err != nil {
		return SurveySummary{}, err
	}
	return surveySummaryOf(q, a), nil
}

func surveySummaryOf(q question, a reply) SurveySummary {
	out := SurveySummary{
		SurveyID: q.survey.ID, Outcome: string(q.verdict.Outcome), Series: make([]Summary, len(a.series)), Positions: make([]PositionSummary, len(a.places)),
		Evidence: a.evidence,
	}
	for i, s := range a.series {
		out.Series[i] = summaryOf(s, a.facts[i])
	}
	var levels, indices []summary.Figure
	var ref summary.Reference
	for i := range a.places {
		p := &a.places[i]
		out.Positions[i] = positionSummaryOf(p, q.survey)
		levels, indices = append(levels, p.shown(q.survey.Contributions)...), append(indices, p.figures.Indices...)
		ref = summary.Reference{Days: max(ref.Days, p.figures.Reference.Days), Nights: max(ref.Nights, p.figures.Reference.Nights)}
	}
	out.Cautions = cautionsOf(append(cautionsFor(levels, indices, ref), cautionsOfKind(q.survey)...))
	return out
}

func positionSummaryOf(p *place, v survey.Survey) PositionSummary {
	f := &p.figures
	out := PositionSummary{
		PositionID: p.record.ID, Number: p.record.Number, Label: p.record.Label,
		Levels: bySymbol(f.Levels, figureOf), Indices: bySymbol(f.Indices, figureOf), Periods: periodTimesOf(f.Periods),
		Reference: Reference(f.Reference), Unavailable: unavailableOf(f.Unavailable), Highest: p.highest, TypicalDay: p.typical,
	}
	for _, c := range p.correctAll(v.Contributions) {
		out.Residual = append(out.Residual, c.body())
	}
	if total, why := p.figure("LAeq"); why == "" {
		b := budgetOf(p.budget(total, v.Contributions).Budget)
		out.Uncertainty = &b
	}
	return out
}
