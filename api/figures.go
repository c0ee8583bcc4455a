package api

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
	"leveltrail/domain/survey"
)

type figureStore interface {
	CollectSurvey(ctx context.Context, surveyID uuid.UUID, plan func([]series.Facts) ([]series.Ask, error)) ([]series.Answer, error)
}

// Engine names the rules by which figures are computed. It changes when any figure could.
const Engine = "leveltrail 1"

// Figure is a level with everything it takes to read it.
type Figure struct {
	LevelDB  *float64 `json:"level_db"`                                  // Null where only below_db or above_db is known
	LowestDB *float64 `json:"lowest_db,omitempty"`                       // Of an upper bound made by samples under range: the lower end
	BelowDB  *float64 `json:"below_db,omitempty"`                        // It lies below this floor of the measuring range
	AboveDB  *float64 `json:"above_db,omitempty"`                        // It lies above this ceiling of the measuring range
	Basis    string   `json:"basis"`                                     // Kind of samples it was made from: integrated, short_leq, sampled, instrument, spot, mixed
	Bound    string   `json:"bound,omitempty" enums:"lower,upper"`       // The true value is this or higher, this or lower
	Range    string   `json:"range,omitempty" enums:"declared,inferred"` // Where the end of the measuring range that it rests on is known from
	Shares   []Share  `json:"shares,omitempty"`                          // Of a mixed basis
}

// Share is the part of the measured time of a figure that has one basis.
type Share struct {
	Basis string  `json:"basis"` // Kind of samples
	Share float64 `json:"share"` // From 0 to 1
}

// Unavailable is a figure that the data cannot carry.
type Unavailable struct {
	Symbol string `json:"symbol"` // Figure
	Reason string `json:"reason"` // Why there is none
}

// PeriodTime says how much of a period was measured.
type PeriodTime struct {
	Symbol    string  `json:"symbol"` // Level of the period
	MeasuredS float64 `json:"measured_s"`
	AskedS    float64 `json:"asked_s"`  // On the real clock, inside the span
	Coverage  float64 `json:"coverage"` // Measured over the larger of asked and nominal time
}

// Reference counts the days and nights that a result rests on.
type Reference struct {
	Days   int `json:"days"`   // Days
	Nights int `json:"nights"` // Nights
}

// Step is one entry of a profile over time.
type Step struct {
	From        time.Time         `json:"from"`
	To          time.Time         `json:"to"`
	Samples     int64             `json:"samples"`  // Measured, flagged ones included
	Coverage    *float64          `json:"coverage"` // Measured over asked time; null for spot readings
	Levels      map[string]Figure `json:"levels"`
	Indices     map[string]Figure `json:"indices,omitempty"` // Of steps of whole days
	Unavailable []Unavailable     `json:"unavailable,omitempty"`
}

// Evidence says what figures were made from and by which rules.
type Evidence struct {
	Engine string  `json:"engine"` // Rules by which the figures are computed
	Inputs []Input `json:"inputs"` // What they were made from
	Digest string  `json:"digest"` // SHA-256 over what was asked and the samples' tallies and histograms that answered
}

// Input is the samples of one series that figures were made from.
type Input struct {
	SeriesID uuid.UUID `json:"series_id"` // Series
	Revision int64     `json:"revision"`  // Counts the changes of its samples
	Version  int       `json:"version"`   // Of its header
}

// Summary is figures computed from a series.
type Summary struct {
	SeriesID    uuid.UUID         `json:"series_id"`              // Series
	PositionID  uuid.UUID         `json:"position_id"`            // Its position
	Quantity    string            `json:"quantity" example:"LAF"` // What a sample is
	IntervalS   *float64          `json:"interval_s"`             // Null for spot readings
	From        time.Time         `json:"from"`
	To          time.Time         `json:"to"`
	TimeZone    string            `json:"time_zone"`                                        // Of days and periods
	Samples     int64             `json:"samples"`                                          // How many samples are numbers
	Coverage    *float64          `json:"coverage"`                                         // Measured time over the time asked; null for spot readings
	CoverageOf  string            `json:"coverage_of" enums:"request,survey,series_extent"` // Whose time was asked
	ExcludedS   float64           `json:"excluded_s"`
	UnderRange  int64             `json:"under_range"`                // How many samples are flagged as below the measuring range
	OverRange   int64             `json:"over_range"`                 // How many samples are flagged as above the measuring range
	UsableS     *float64          `json:"usable_s"`                   // What the verdict lets stand; null for spot readings
	Outcome     string            `json:"outcome"`                    // Of the verdict on the series
	Windows     string            `json:"windows" enums:"all,usable"` // Which samples the figures cover
	Levels      map[string]Figure `json:"levels"`
	Indices     map[string]Figure `json:"indices"`
	Periods     []PeriodTime      `json:"periods"`
	PeriodSet   string            `json:"period_set"` // Name of the division of the day
	Reference   Reference         `json:"reference"`
	Steps       []Step            `json:"steps"`
	Unavailable []Unavailable     `json:"unavailable"`
	Evidence    *Evidence         `json:"evidence,omitempty"` // In the summary of a survey it stands there
}

// PositionSummary is the figures of a position, from all its series in the survey.
type PositionSummary struct {
	PositionID  uuid.UUID         `json:"position_id"` // Position
	Number      int               `json:"number"`      // Its number
	Label       string            `json:"label"`       // Where it is
	Levels      map[string]Figure `json:"levels"`
	Unavailable []Unavailable     `json:"unavailable"`
}

// SurveySummary is figures computed from the series of a survey.
type SurveySummary struct {
	SurveyID  uuid.UUID         `json:"survey_id"` // Survey
	Outcome   string            `json:"outcome"`   // Of the verdict on the survey
	Series    []Summary         `json:"series"`
	Positions []PositionSummary `json:"positions"`
	Evidence  Evidence          `json:"evidence"`
}

func round(x float64, decimals int) float64 {
	p := math.Pow10(decimals)
	return math.Round(x*p) / p
}

// decibels rounds a computed level to 0.01 dB, the only place where it is rounded.
func decibels(d *acoustic.Decibel) *float64 {
	if d == nil {
		return nil
	}
	x := round(float64(*d), 2)
	return &x
}

func figuresOf(fs []summary.Figure) map[string]Figure {
	m := make(map[string]Figure, len(fs))
	for _, f := range fs {
		g := Figure{
			LevelDB: decibels(f.Level), LowestDB: decibels(f.Lowest), BelowDB: decibels(f.Below), AboveDB: decibels(f.Above),
			Basis: string(f.Basis), Bound: string(f.Bound), Range: string(f.Range),
		}
		for _, s := range f.Shares {
			g.Shares = append(g.Shares, Share{string(s.Basis), round(s.Share, 5)})
		}
		m[f.Symbol] = g
	}
	return m
}

func unavailableOf(us []summary.Unavailable) []Unavailable {
	out := make([]Unavailable, len(us))
	for i, u := range us {
		out[i] = Unavailable(u)
	}
	return out
}

func share(x *float64) *float64 {
	if x == nil {
		return nil
	}
	y := round(*x, 5)
	return &y
}

func summaryOf(s summary.Summary, f series.Facts) Summary {
	out := Summary{
		SeriesID: s.SeriesID, PositionID: f.Series.PositionID, Quantity: s.Quantity.Symbol, IntervalS: headerOf(f.Series).IntervalS,
		From: s.Span.From, To: s.Span.To, TimeZone: s.Zone.String(), Samples: s.Samples,
		Coverage: share(s.Coverage), CoverageOf: s.CoverageOf, ExcludedS: s.Excluded.Seconds(),
		UnderRange: s.UnderRange, OverRange: s.OverRange, Outcome: s.Outcome, Windows: s.Windows,
		Levels: figuresOf(s.Levels), Indices: figuresOf(s.Indices), PeriodSet: s.PeriodSet,
		Periods: make([]PeriodTime, len(s.Periods)), Reference: Reference(s.Reference),
		Steps: make([]Step, len(s.Steps)), Unavailable: unavailableOf(s.Unavailable),
	}
	if s.Usable != nil {
		x := s.Usable.Seconds()
		out.UsableS = &x
	}
	for i, p := range s.Periods {
		out.Periods[i] = PeriodTime{p.Symbol, p.Measured.Seconds(), p.Asked.Seconds(), round(p.Coverage, 5)}
	}
	for i, st := range s.Steps {
		out.Steps[i] = Step{
			From: st.From, To: st.To, Samples: st.Samples, Coverage: share(st.Coverage), Levels: figuresOf(st.Levels),
		}
		if len(st.Indices) > 0 {
			out.Steps[i].Indices = figuresOf(st.Indices)
		}
		if len(st.Unavailable) > 0 {
			out.Steps[i].Unavailable = unavailableOf(st.Unavailable)
		}
	}
	return out
}

type figureHandlers struct{ *server }

var figureParameters = []string{
	"from", "to", "percentiles", "step", "step_percentiles", "periods", "time_zone", "min_coverage", "windows", "exclusions",
}

func (h figureHandlers) routes(v1 *gin.RouterGroup) {
	v1.GET("/series/:id/summary", respond(h.server, http.StatusOK, h.ofSeries, figureParameters...))
	v1.GET("/surveys/:id/summary", respond(h.server, http.StatusOK, h.ofSurvey, figureParameters...))
}

// ofSeries returns the figures of a series.
//
//	@Summary		Figures of a series
//	@Description	Equivalent level, extremes, exceedance levels, coverage, indices of day, evening and night, a profile over time; each with its basis. What the data cannot carry is listed under unavailable. The figures cover all samples unless windows=usable.
//	@Tags			figures
//	@Param			id					path		string		true	"Series"															format(uuid)
//	@Param			from				query		string		false	"Beginning of the span"												format(date-time)
//	@Param			to					query		string		false	"End of the span"													format(date-time)
//	@Param			percentiles			query		string		false	"Exceedance levels, in percent of the time, separated by commas: 10,50,90 unless given; none for none"
//	@Param			step				query		string		false	"Length of the steps of a profile over time: 15m, 1h, 1d"
//	@Param			step_percentiles	query		string		false	"Exceedance levels of each step, separated by commas: as percentiles unless given; none for none"
//	@Param			periods				query		string		false	"Name of a division of the day"
//	@Param			time_zone			query		string		false	"IANA time zone of days and periods: the project's unless given"
//	@Param			min_coverage		query		number		false	"Share of a period that must have been measured: 0.75 unless given"
//	@Param			windows				query		string		false	"Which samples the figures cover"									Enums(all, usable)		default(all)
//	@Param			exclusions			query		string		false	"Whether marked spans are left out"									Enums(applied, ignored)	default(applied)
//	@Success		200					{object}	Summary
//	@Failure		default				{object}	Problem	"Any error"
//	@Router			/v1/series/{id}/summary [get]
func (h figureHandlers) ofSeries(c *gin.Context) (Summary, error) {
	id, err := pathID(c)
	if err != nil {
		return Summary{}, err
	}
	ctx := c.Request.Context()
	rec, _, err := h.store.Series(ctx, id)
	if err != nil {
		return Summary{}, err
	}
	v, project, err := h.surveyAndProject(ctx, rec.SurveyID)
	if err != nil {
		return Summary{}, err
	}
	r, err := figureRequest(c, project)
	if err != nil {
		return Summary{}, err
	}
	verdict, err := h.verdict(ctx, v.ID, nil)
	if err != nil {
		return Summary{}, err
	}
	var plan summary.Plan
	var facts series.Facts
	answer, err := h.store.CollectSeries(ctx, id, func(f series.Facts) (ask series.Ask, err error) {
		facts = f
		plan, err = summary.PlanFor(r, plannedOf(f, verdict))
		return plan.Ask, err
	})
	if err != nil {
		return Summary{}, ofQuery(err)
	}
	out := summaryOf(summary.Of(plan, answer), facts)
	evidence := evidenceOf([]series.Facts{facts}, []series.Ask{plan.Ask}, []series.Answer{answer})
	out.Evidence = &evidence
	return out, nil
}

// ofSurvey returns the figures of a survey.
//
//	@Summary		Figures of a survey
//	@Description	The summary of each series over the survey's own time, and the figures of each position from all its series.
//	@Tags			figures
//	@Param			id					path		string		true	"Survey"															format(uuid)
//	@Param			from				query		string		false	"Beginning of the span"												format(date-time)
//	@Param			to					query		string		false	"End of the span"													format(date-time)
//	@Param			percentiles			query		string		false	"Exceedance levels, in percent of the time, separated by commas: 10,50,90 unless given; none for none"
//	@Param			step				query		string		false	"Length of the steps of a profile over time: 15m, 1h, 1d"
//	@Param			step_percentiles	query		string		false	"Exceedance levels of each step, separated by commas: as percentiles unless given; none for none"
//	@Param			periods				query		string		false	"Name of a division of the day"
//	@Param			time_zone			query		string		false	"IANA time zone of days and periods: the project's unless given"
//	@Param			min_coverage		query		number		false	"Share of a period that must have been measured: 0.75 unless given"
//	@Param			windows				query		string		false	"Which samples the figures cover"									Enums(all, usable)		default(all)
//	@Param			exclusions			query		string		false	"Whether marked spans are left out"									Enums(applied, ignored)	default(applied)
//	@Success		200					{object}	SurveySummary
//	@Failure		default				{object}	Problem	"Any error"
//	@Router			/v1/surveys/{id}/summary [get]
func (h figureHandlers) ofSurvey(c *gin.Context) (SurveySummary, error) {
	id, err := pathID(c)
	if err != nil {
		return SurveySummary{}, err
	}
	ctx := c.Request.Context()
	v, project, err := h.surveyAndProject(ctx, id)
	if err != nil {
		return SurveySummary{}, err
	}
	r, err := figureRequest(c, project)
	if err != nil {
		return SurveySummary{}, err
	}
	r.Asked = &series.Span{From: v.StartedAt}
	if v.EndedAt != nil {
		r.Asked.To = *v.EndedAt
	}
	verdict, err := h.verdict(ctx, id, nil)
	if err != nil {
		return SurveySummary{}, err
	}
	var facts []series.Facts
	var asks []series.Ask
	var plans []summary.Plan
	answers, err := h.store.CollectSurvey(ctx, id, func(fs []series.Facts) ([]series.Ask, error) {
		facts, plans, asks = fs, make([]summary.Plan, len(fs)), make([]series.Ask, len(fs))
		for _, group := range byPosition(fs) {
			headers := make([]summary.Header, len(group))
			for i, n := range group {
				headers[i] = plannedOf(fs[n], verdict)
			}
			ps, err := summary.PlanPosition(r, headers)
			if err != nil {
				return nil, err
			}
			for i, n := range group {
				plans[n], asks[n] = ps[i], ps[i].Ask
			}
		}
		return asks, nil
	})
	if err != nil {
		return SurveySummary{}, ofQuery(err)
	}
	out := SurveySummary{
		SurveyID: id, Outcome: string(verdict.Outcome), Series: make([]Summary, len(facts)), Positions: []PositionSummary{},
		Evidence: evidenceOf(facts, asks, answers),
	}
	for i := range facts {
		out.Series[i] = summaryOf(summary.Of(plans[i], answers[i]), facts[i])
	}
	for _, group := range byPosition(facts) {
		parts := make([]summary.Part, len(group))
		for i, n := range group {
			parts[i] = summary.Part{Plan: plans[n], Answer: answers[n]}
		}
		p, err := h.store.Position(ctx, facts[group[0]].Series.PositionID)
		if err != nil {
			return SurveySummary{}, err
		}
		figures := summary.Position(parts)
		out.Positions = append(out.Positions, PositionSummary{
			PositionID: p.ID, Number: p.Number, Label: p.Label,
			Levels: figuresOf(figures.Levels), Unavailable: unavailableOf(figures.Unavailable),
		})
	}
	return out, nil
}

func (s *server) surveyAndProject(ctx context.Context, surveyID uuid.UUID) (v survey.Survey, p survey.Project, err error) {
	if v, err = s.store.Survey(ctx, surveyID); err != nil {
		return v, p, err
	}
	p, err = s.store.Project(ctx, v.ProjectID)
	return v, p, err
}

// byPosition groups the indices of series by position, in the order of their first.
func byPosition(fs []series.Facts) [][]int {
	var groups [][]int
	at := map[uuid.UUID]int{}
	for i, f := range fs {
		n, ok := at[f.Series.PositionID]
		if !ok {
			n = len(groups)
			at[f.Series.PositionID] = n
			groups = append(groups, nil)
		}
		groups[n] = append(groups[n], i)
	}
	return groups
}

// plannedOf returns what planning figures takes to know of a series.
func plannedOf(f series.Facts, v calibration.Verdict) summary.Header {
	q, _ := series.ParseQuantity(f.Series.Quantity)
	h := summary.Header{
		SeriesID: f.Series.ID, InstrumentID: f.Series.InstrumentID, Quantity: q, Interval: f.Series.Interval(),
		Extent: f.Content.Extent, Floor: f.Series.RangeFromDB, Ceiling: f.Series.RangeToDB,
	}
	if f.Content.Numbers > 0 {
		h.Lowest, h.Highest = &f.Content.Lowest, &f.Content.Highest
	}
	for _, x := range f.Exclusions {
		h.Exclusions = append(h.Exclusions, series.Span{From: x.StartsAt, To: x.EndsAt})
	}
	for _, s := range v.Series {
		if s.SeriesID == f.Series.ID {
			h.Verdict = &summary.Verdict{Outcome: string(s.Outcome), Usable: s.Usable}
		}
	}
	return h
}

// evidenceOf says what answers were made from.
func evidenceOf(facts []series.Facts, asks []series.Ask, answers []series.Answer) Evidence {
	e := Evidence{Engine: Engine, Inputs: make([]Input, len(facts))}
	sum := sha256.New()
	var b []byte
	put := func(ns ...int64) {
		for _, n := range ns {
			b = binary.BigEndian.AppendUint64(b, uint64(n))
		}
	}
	sum.Write([]byte(Engine))
	for i, f := range facts {
		e.Inputs[i] = Input{SeriesID: f.Series.ID, Revision: f.Content.Revision, Version: f.Series.Version}
		b = append(b[:0], f.Series.ID[:]...)
		for j, t := range answers[i].Tallies {
			cell := asks[i].Cells[j]
			put(cell.From.UnixMicro(), cell.To.UnixMicro(), t.Count, t.Under, t.Over, int64(t.Energy.Hi), int64(t.Energy.Lo), int64(t.Min), int64(t.Max))
		}
		for _, h := range answers[i].Histograms {
			put(h.Under, h.Over)
			for _, bin := range h.Bins {
				put(int64(bin.Level), bin.Count)
			}
		}
		sum.Write(b)
	}
	e.Digest = hex.EncodeToString(sum.Sum(nil))
	return e
}

// figureRequest reads what the query asks of figures.
func figureRequest(c *gin.Context, p survey.Project) (r summary.Request, err error) {
	r = summary.Request{Zone: p.Zone(), Periods: acoustic.DefaultPeriods, MinCoverage: summary.DefaultMinCoverage}
	if r.From, err = queryTime(c, "from"); err != nil {
		return r, err
	}
	if r.To, err = queryTime(c, "to"); err != nil {
		return r, err
	}
	if r.Step, err = queryStep(c); err != nil {
		return r, err
	}
	if r.Percentiles, err = queryPercentiles(c, "percentiles", []series.Percent{10_000, 50_000, 90_000}); err != nil {
		return r, err
	}
	if r.StepPercentiles, err = queryPercentiles(c, "step_percentiles", r.Percentiles); err != nil {
		return r, err
	}
	if name, ok := c.GetQuery("periods"); ok {
		if r.Periods, ok = acoustic.PeriodSetNamed(name); !ok {
			return r, badParameter("periods", "not_allowed", "must be one of "+strings.Join(acoustic.PeriodSetNames(), ", "))
		}
	}
	if name, ok := c.GetQuery("time_zone"); ok {
		zone := survey.Project{TimeZone: name}
		if r.Zone = zone.Zone(); r.Zone.String() != name {
			return r, badParameter("time_zone", "unknown_time_zone", "must be an IANA time zone such as Europe/Vienna")
		}
	}
	if text, ok := c.GetQuery("min_coverage"); ok {
		if r.MinCoverage, err = strconv.ParseFloat(text, 64); err != nil || !(r.MinCoverage >= 0 && r.MinCoverage <= 1) {
			return r, badParameter("min_coverage", "out_of_range", "must lie between 0 and 1")
		}
	}
	windows, err := queryWord(c, "windows", "all", "usable")
	if err != nil {
		return r, err
	}
	r.UsableOnly = windows == "usable"
	exclusions, err := queryWord(c, "exclusions", "applied", "ignored")
	r.IgnoreExclusions = exclusions == "ignored"
	return r, err
}

// maxPercentiles bounds how many exceedance levels one request may ask.
const maxPercentiles = 100

// queryPercentiles reads a list of percentages, otherwise where it is absent.
func queryPercentiles(c *gin.Context, name string, otherwise []series.Percent) ([]series.Percent, error) {
	text, ok := c.GetQuery(name)
	if !ok {
		return otherwise, nil
	}
	if text == "none" {
		return nil, nil
	}
	words := strings.Split(text, ",")
	var ps []series.Percent
	for _, w := range words {
		x, err := strconv.ParseFloat(w, 64)
		n := math.Round(x * 1000)
		if err != nil || !(x > 0 && x < 100) || math.Abs(x*1000-n) > 1e-6 || len(words) > maxPercentiles {
			return nil, badParameter(name, "out_of_range", "must be none or at most 100 numbers between 0 and 100 with at most three decimals, separated by commas")
		}
		ps = append(ps, series.Percent(n))
	}
	return ps, nil
}
