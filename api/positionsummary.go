package api

import (
	"context"
	"reflect"
	"slices"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
	"leveltrail/domain/request"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
	"leveltrail/domain/survey"
	"leveltrail/domain/uncertainty"
)

// PositionOverSurveys is the figures of a position from all surveys of its project.
type PositionOverSurveys struct {
	PositionSummary
	Windows  string           `json:"windows" enums:"all,usable"` // Which samples the figures cover
	Surveys  []PositionSurvey `json:"surveys"`                    // Those that measured at the position, in time order
	Repeats  *Repeats         `json:"repeats"`                    // How the surveys' levels differ; null for fewer than two
	Cautions []Caution        `json:"cautions"`                   // To be shown beside the figures
	Evidence Evidence         `json:"evidence"`
}

// PositionSurvey is what one survey tells of a position.
type PositionSurvey struct {
	SurveyID uuid.UUID    `json:"survey_id"` // Survey
	From     time.Time    `json:"from"`
	To       time.Time    `json:"to"`      // Of what is asked of it
	Outcome  string       `json:"outcome"` // Of the verdict on it
	LAeq     *PlainFigure `json:"laeq"`    // Null where there is none
	Reason   *string      `json:"reason"`  // Why there is none
}

// Repeats says how far the energy mean of repeated surveys can lie from that of many
// such surveys, each of which counts alike.
type Repeats struct {
	Surveys       int     `json:"surveys"`         // That have a level
	MeanDB        float64 `json:"mean_db"`         // Energy mean of their LAeq
	UncertaintyDB float64 `json:"uncertainty_db"`  // Its standard uncertainty, from how they differ, the surveys taken as independent
	LowestDB      float64 `json:"lowest_level_db"` // Lowest of the levels
	HighestDB     float64 `json:"highest_level_db"`
}

// surveysOf is the surveys that measured at a position.
type surveysOf struct {
	position uuid.UUID
	surveys  []survey.Survey // of the project, in time order; once begun, those that measured there
	spans    []series.Span   // asked of each, once begun
	each     []func() summary.PositionFigures
}

// begin lets the request ask the time of the surveys that measured at the position, and
// nothing of the time between.
func (o *surveysOf) begin(in *inquiry, q *question) {
	measured := map[uuid.UUID]time.Time{} // end of the last sample
	for _, f := range in.facts {
		if end := f.Content.Extent.To; end.After(measured[f.Series.SurveyID]) {
			measured[f.Series.SurveyID] = end
		}
	}
	of := o.surveys
	o.surveys, o.spans, o.each = nil, nil, nil
	for _, v := range of {
		end, ok := measured[v.ID]
		if !ok {
			continue
		}
		s := series.Span{From: v.StartedAt, To: end}
		if v.EndedAt != nil {
			s.To = *v.EndedAt
		}
		if r := q.request; r.From != nil && r.From.After(s.From) {
			s.From = *r.From
		}
		if r := q.request; r.To != nil && r.To.Before(s.To) {
			s.To = *r.To
		}
		if s.From.Before(s.To) {
			o.surveys, o.spans = append(o.surveys, v), append(o.spans, s)
		}
	}
	if len(o.spans) == 0 {
		return
	}
	asked := o.spans[0]
	for _, s := range o.spans {
		if s.To.After(asked.To) {
			asked.To = s.To
		}
	}
	q.request.Within, q.request.Asked = o.spans, &asked
	q.survey.Contributions = nil
	if alike := func(v survey.Survey) bool { return !reflect.DeepEqual(v.Contributions, o.surveys[0].Contributions) }; !slices.ContainsFunc(o.surveys, alike) {
		q.survey.Contributions = o.surveys[0].Contributions
	}
}

// planEach asks the levels of each survey.
func (o *surveysOf) planEach(in *inquiry, q question) error {
	for i, v := range o.surveys {
		var counts []int
		for n, f := range in.facts {
			if f.Series.SurveyID == v.ID && f.Series.BandFraction == nil && !f.Series.Residual {
				counts = append(counts, n)
			}
		}
		r := summary.Request{
			From: &o.spans[i].From, To: &o.spans[i].To, Zone: q.request.Zone, MinCoverage: q.request.MinCoverage,
			UsableOnly: q.request.UsableOnly, IgnoreExclusions: q.request.IgnoreExclusions,
		}
		figures, err := q.planParts(in, r, counts, false, make([]func() summary.Summary, len(in.facts)))
		if err != nil {
			return err
		}
		o.each = append(o.each, figures)
	}
	return nil
}

// ofPosition returns the figures of a position from all surveys of its project.
//
//	@Summary		Figures of a position from all surveys
//	@Description	From all series of the position in the surveys of its project that are not void: at each instant one of them counts, and of two meters the one named primary at the position. The surveys' own times are asked and nothing of the time between them. What repeated surveys say of each other stands beside the figures.
//	@Tags			figures
//	@Param			id				path		string	true	"Position"															format(uuid)
//	@Param			from			query		string	false	"Beginning of the span"												format(date-time)
//	@Param			to				query		string	false	"End of the span"													format(date-time)
//	@Param			percentiles		query		string	false	"Exceedance levels, in percent of the time, separated by commas: 10,50,90 unless given; none for none"
//	@Param			periods			query		string	false	"Name of a division of the day: the project's unless given"
//	@Param			time_zone		query		string	false	"IANA time zone of days and periods: the project's unless given"
//	@Param			min_coverage	query		number	false	"Share of a period that must have been measured: 0.75 unless given"
//	@Param			windows			query		string	false	"Which samples the figures cover"									Enums(all, usable)		default(all)
//	@Param			exclusions		query		string	false	"Whether marked spans are left out"									Enums(applied, ignored)	default(applied)
//	@Param			uncertainty		query		string	false	"Uncertainties estimated from the samples: included for spans of up to 62 days unless given"	Enums(included, omitted)
//	@Param			highest			query		string	false	"Lengths of time, separated by commas: the stretch of each in which the equivalent level is highest, such as 1h for the worst hour"
//	@Param			moving_by		query		string	false	"By which those stretches move on: their own length unless given, so that they are clock hours or quarter hours"
//	@Param			typical_day		query		string	false	"The 24 hours of the local day over all surveys"	Enums(included, omitted)	default(omitted)
//	@Success		200				{object}	PositionOverSurveys
//	@Failure		default			{object}	Problem	"Any error"
//	@Router			/v1/positions/{id}/summary [get]
func (h figureHandlers) ofPosition(c *gin.Context) (PositionOverSurveys, error) {
	id, err := pathID(c)
	if err != nil {
		return PositionOverSurveys{}, err
	}
	ctx := c.Request.Context()
	record, err := h.store.Position(ctx, id)
	if err != nil {
		return PositionOverSurveys{}, err
	}
	project, err := h.store.Project(ctx, record.ProjectID)
	if err != nil {
		return PositionOverSurveys{}, err
	}
	r, err := figureRequest(c, project)
	if err != nil {
		return PositionOverSurveys{}, err
	}
	wanted, err := queryUncertainty(c)
	if err != nil {
		return PositionOverSurveys{}, err
	}
	q := question{request: r, residual: project.Residual(), uncertainty: wanted, over: &surveysOf{position: id}}
	if q.course, err = profileRequest(c); err != nil {
		return PositionOverSurveys{}, err
	}
	outcomes := map[uuid.UUID]calibration.Outcome{}
	if q.over.surveys, err = h.surveysOfProject(ctx, project); err != nil {
		return PositionOverSurveys{}, err
	}
	for _, v := range q.over.surveys {
		verdict, err := h.verdict(ctx, v.ID, nil)
		if err != nil {
			return PositionOverSurveys{}, err
		}
		outcomes[v.ID] = verdict.Outcome
		q.verdict.Series = append(q.verdict.Series, verdict.Series...)
	}
	a, err := h.answerTo(ctx, q)
	if err != nil {
		return PositionOverSurveys{}, err
	}
	p := place{record: record, limits: q.residual}
	if len(a.places) == 1 && len(q.over.surveys) > 0 {
		p = a.places[0]
	} else {
		p.figures.Unavailable = []summary.Unavailable{{Symbol: "LAeq", Reason: "no survey measured at the position in the time asked"}}
	}
	out := PositionOverSurveys{
		PositionSummary: positionSummaryOf(&p, a.survey), Windows: "all", Surveys: []PositionSurvey{}, Evidence: a.evidence,
		Cautions: cautionsOf(cautionsFor(p.shown(a.survey.Contributions), p.figures.Indices, p.figures.Reference)),
	}
	if r.UsableOnly {
		out.Windows = "usable"
	}
	var levels []acoustic.Decibel
	for i, v := range q.over.surveys[:len(q.over.spans)] { // none where no series is of the position
		one := PositionSurvey{SurveyID: v.ID, From: q.over.spans[i].From, To: q.over.spans[i].To, Outcome: string(outcomes[v.ID])}
		f, why := levelOf(q.over.each[i](), "LAeq")
		if one.Reason = orNil(why); why == "" {
			plain := plainOf(f)
			one.LAeq = &plain
			if f.Level != nil && f.Bound == "" {
				levels = append(levels, *f.Level)
			}
		}
		out.Surveys = append(out.Surveys, one)
	}
	out.Repeats = repeatsOf(levels)
	return out, nil
}

// repeatsOf says how levels of repeated surveys differ, nil for fewer than two.
func repeatsOf(levels []acoustic.Decibel) *Repeats {
	u, ok := uncertainty.OfRepeats(levels)
	if !ok {
		return nil
	}
	mean, _ := acoustic.EnergyMean(levels)
	return &Repeats{
		Surveys: len(levels), MeanDB: round(float64(mean), 2), UncertaintyDB: round(float64(u), 2),
		LowestDB: round(float64(slices.Min(levels)), 2), HighestDB: round(float64(slices.Max(levels)), 2),
	}
}

// surveysOfProject returns the surveys of a project that have series that count, in time order.
func (s *server) surveysOfProject(ctx context.Context, project survey.Project) (all []survey.Survey, err error) {
	page := request.Page{Limit: 200}
	for {
		some, err := s.store.Surveys(ctx, survey.Filter{ProjectID: project.ID}, page)
		if err != nil {
			return nil, err
		}
		ids := make([]uuid.UUID, len(some))
		for i, v := range some {
			ids[i] = v.ID
		}
		measured, err := s.store.Measured(ctx, ids)
		if err != nil {
			return nil, err
		}
		for _, v := range some {
			if measured[v.ID] {
				all = append(all, v)
			}
		}
		if len(some) < page.Limit {
			slices.SortFunc(all, func(a, b survey.Survey) int { return a.StartedAt.Compare(b.StartedAt) })
			return all, nil
		}
		page.After = some[len(some)-1].ID
	}
}
