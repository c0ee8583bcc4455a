package api

import (
	"context"
	"slices"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
	"leveltrail/domain/survey"
)

// question is what is asked of the series of a survey.
type question struct {
	survey      survey.Survey
	verdict     calibration.Verdict
	request     summary.Request
	residual    acoustic.ResidualLimits
	uncertainty func(span time.Duration) bool
	steps       bool     // uncertainties of steps are wanted
	periods     []string // symbols of periods over which figures of their own are wanted
	counts      []maximaWanted
	bands       []aside
	backgrounds []aside
	course      profile    // of the highest stretches and the typical day
	over        *surveysOf // of a position; nil: of the survey alone
}

// reply is what the samples of a survey answered.
type reply struct {
	facts    []series.Facts
	series   []summary.Summary // in the order of facts
	places   []place
	survey   survey.Survey // with what is known of the uncertainty of the results
	evidence Evidence
}

// questionOf reads what the query asks of the survey with that id.
func (s *server) questionOf(ctx context.Context, v survey.Survey, p survey.Project, r summary.Request) (q question, err error) {
	r.Asked = &series.Span{From: v.StartedAt}
	if v.EndedAt != nil {
		r.Asked.To = *v.EndedAt
	}
	q = question{survey: v, request: r, residual: p.Residual()}
	q.verdict, err = s.verdict(ctx, v.ID, nil)
	return q, err
}

// answerTo answers a question on one snapshot.
func (s *server) answerTo(ctx context.Context, q question) (a reply, err error) {
	in := &inquiry{steps: q.steps}
	var groups [][]int
	var ofSeries []func() summary.Summary
	var ofPlaces []func() place
	plan := func(facts []series.Facts) ([][]series.Ask, error) {
		in.start(facts)
		if q.over != nil {
			q.over.begin(in, &q)
		}
		groups, ofSeries, ofPlaces = byPosition(facts), make([]func() summary.Summary, len(facts)), nil
		for _, members := range groups {
			finish, err := q.planPlace(in, members, ofSeries)
			if err != nil {
				return nil, err
			}
			ofPlaces = append(ofPlaces, finish)
		}
		if q.over != nil {
			if err := q.over.planEach(in, q); err != nil {
				return nil, err
			}
		}
		return in.asks, nil
	}
	if q.over != nil {
		in.answers, err = s.store.CollectPosition(ctx, q.over.position, plan)
	} else {
		in.answers, err = s.store.CollectSurvey(ctx, q.survey.ID, plan)
	}
	if err != nil {
		return a, ofQuery(err)
	}
	a.survey = q.survey
	a.facts, a.series = in.facts, made(ofSeries)
	for i, members := range groups {
		p := ofPlaces[i]()
		var of []summary.Summary
		for _, n := range broadband(in.facts, members) {
			of = append(of, a.series[n])
		}
		p.figures, p.coverage = withUncertainties(p.figures, of)
		if err := s.describe(ctx, &p, in.facts, members, q.verdict); err != nil {
			return a, err
		}
		a.places = append(a.places, p)
	}
	a.evidence = evidenceOf(q.request, in, verdictInputs(q.verdict), budgetInputs(q.survey, q.residual, a.places))
	return a, nil
}

func made[T any](fs []func() T) []T {
	all := make([]T, len(fs))
	for i, f := range fs {
		all[i] = f()
	}
	return all
}

// planPlace asks what the figures of one position and of its series take.
func (q question) planPlace(in *inquiry, members []int, ofSeries []func() summary.Summary) (func() place, error) {
	span := asked(q.request, in.facts)
	doubt := q.uncertainty != nil && q.uncertainty(span.To.Sub(span.From))
	counts := broadband(in.facts, members)
	figures, err := q.planParts(in, q.request, counts, doubt, ofSeries)
	if err != nil {
		return nil, err
	}
	for _, n := range members {
		if ofSeries[n] != nil {
			continue
		}
		p, err := summary.PlanFor(q.request, plannedOf(in.facts[n], q.verdict))
		if err != nil {
			return nil, err
		}
		_, ofSeries[n] = in.figures(n, p, doubt)
	}
	residual, err := q.planResidual(in, members, doubt)
	if err != nil {
		return nil, err
	}
	difference := q.planDifference(in, counts)
	periods := map[string]func() periodFigures{}
	for _, symbol := range q.periods {
		if periods[symbol], err = q.planPeriod(in, counts, symbol, span); err != nil {
			return nil, err
		}
	}
	var maxima []func() maximaFound
	for _, w := range q.counts {
		maxima = append(maxima, q.planMaxima(in, counts, w, span))
	}
	asides, err := q.planAsides(in, members, span)
	if err != nil {
		return nil, err
	}
	course, err := q.course.planPlace(in, q.request, counts, q.headersOf(in, counts))
	if err != nil {
		return nil, err
	}
	return func() place {
		p := place{figures: figures(), periods: q.request.Periods, limits: q.residual, ofPeriods: map[string]periodFigures{}, wanted: q.counts, counts: made(maxima)}
		residual(&p)
		difference(&p.figures)
		for symbol, of := range periods {
			p.ofPeriods[symbol] = of()
		}
		asides(&p)
		course(&p)
		return p
	}, nil
}

// headersOf returns what planning takes to know of some of the series.
func (q question) headersOf(in *inquiry, of []int) []summary.Header {
	headers := make([]summary.Header, len(of))
	for i, n := range of {
		headers[i] = plannedOf(in.facts[n], q.verdict)
	}
	return headers
}

// planParts asks the figures of a position and of those of its series that count, whose
// summaries it enters in of.
func (q question) planParts(in *inquiry, r summary.Request, counts []int, doubt bool, of []func() summary.Summary) (func() summary.PositionFigures, error) {
	plans, err := summary.PlanPosition(r, q.headersOf(in, counts))
	parts := make([]func() summary.Part, len(plans))
	for i, p := range plans {
		parts[i], of[counts[i]] = in.figures(counts[i], p, doubt)
	}
	return position(in, parts, plans, counts, doubt), err
}

// position returns the figures of a position from the parts of some series, with doubt those
// uncertainties of them that several series make together.
func position(in *inquiry, parts []func() summary.Part, plans []summary.Plan, of []int, doubt bool) func() summary.PositionFigures {
	var d summary.PositionDoubt
	var answers []func() series.Answer
	if doubt {
		d = summary.PositionDoubtOf(plans)
		for _, a := range d.Asks {
			answers = append(answers, in.ask(of[a.Of], a.Ask))
		}
	}
	return func() summary.PositionFigures {
		all := made(parts)
		figures := summary.Position(all)
		d.Doubted(&figures, all, made(answers))
		return figures
	}
}

// planResidual asks the residual equivalent levels of a position, over all that is marked
// and over what of it lies in the hours of each period.
func (q question) planResidual(in *inquiry, members []int, doubt bool) (enter func(*place), err error) {
	headers, of, extent := q.residualsOf(in, members, "")
	if len(of) == 0 {
		return func(*place) {}, nil
	}
	whole, err := q.residualLevels(in, headers, of, doubt, nil)
	if err != nil {
		return nil, err
	}
	periods := map[string]func() []summary.Figure{}
	for _, p := range q.request.Periods.Periods {
		inside, _ := summary.Occurrences(q.request.Periods, p.Symbol, q.request.Zone, extent)
		if periods[p.Symbol], err = q.residualLevels(in, headers, of, doubt, series.Subtract([]series.Span{extent}, inside)); err != nil {
			return nil, err
		}
	}
	return func(p *place) {
		p.residual, p.residualOf = whole(), map[string][]summary.Figure{}
		for symbol, levels := range periods {
			p.residualOf[symbol] = levels()
		}
	}, nil
}

// residualsOf returns those of the members that tell of the residual sound in a band, or
// of broadband levels, what planning takes to know of them and the time that they reach over.
func (q question) residualsOf(in *inquiry, members []int, band string) (headers []summary.Header, of []int, extent series.Span) {
	for _, n := range members {
		_, own, _ := series.CutBand(in.facts[n].Series.Use())
		if h, ok := residualOf(in.facts[n], q.verdict); ok && own == band {
			headers, of = append(headers, h), append(of, n)
			extent = hull(extent, h.Extent)
		}
	}
	return headers, of, extent
}

// residualLevels asks the residual equivalent levels of some series, but for what lies outside.
func (q question) residualLevels(in *inquiry, headers []summary.Header, of []int, doubt bool, outside []series.Span) (func() []summary.Figure, error) {
	r := summary.Request{Zone: q.request.Zone, MinCoverage: q.request.MinCoverage, UsableOnly: q.request.UsableOnly}
	headers = slices.Clone(headers)
	for i := range headers {
		headers[i].Exclusions = slices.Concat(headers[i].Exclusions, outside)
	}
	plans, err := summary.PlanPosition(r, headers)
	if err != nil {
		return nil, err
	}
	parts, alone := make([]func() summary.Part, len(of)), make([]func() summary.Summary, len(of))
	for i, n := range of {
		parts[i], alone[i] = in.figures(n, plans[i], doubt)
	}
	figures := position(in, parts, plans, of, doubt)
	return func() []summary.Figure {
		all, _ := withUncertainties(figures(), made(alone))
		var levels []summary.Figure
		for _, f := range all.Levels {
			if summary.ResidualSymbol(f.Symbol) {
				levels = append(levels, f)
			}
		}
		return levels
	}, nil
}

// hull returns the span that holds both, of which the first may be zero.
func hull(a, b series.Span) series.Span {
	if a.From.IsZero() {
		return b
	}
	if b.From.Before(a.From) {
		a.From = b.From
	}
	if b.To.After(a.To) {
		a.To = b.To
	}
	return a
}

// planDifference asks LCeq − LAeq of a position, of the better series of each.
func (q question) planDifference(in *inquiry, counts []int) func(*summary.PositionFigures) {
	best, of := map[byte]summary.Header{}, map[byte]int{}
	for _, n := range counts {
		h := plannedOf(in.facts[n], q.verdict)
		equivalent := h.Quantity.Statistic == series.Equivalent && h.Quantity.Time == 0
		if !equivalent && h.Quantity.Statistic != series.Instant || !h.Quantity.Level() || h.Interval == 0 || h.Extent.From.IsZero() {
			continue
		}
		if was, ok := best[h.Quantity.Weighting]; !ok || equivalent && was.Quantity.Statistic != series.Equivalent {
			best[h.Quantity.Weighting], of[h.Quantity.Weighting] = h, n
		}
	}
	c, ofC := best['C']
	a, ofA := best['A']
	if !ofC || !ofA {
		return func(*summary.PositionFigures) {}
	}
	cannot := func(p *summary.PositionFigures, reason string) {
		p.Unavailable = append(p.Unavailable, summary.Unavailable{Symbol: "LCeq-LAeq", Reason: reason})
	}
	first, second, err := summary.PlanCommon(q.request, c, a)
	if err != nil {
		return func(p *summary.PositionFigures) {
			cannot(p, "the two were not measured over the same time, or over too long a time")
		}
	}
	x, y := in.ask(of['C'], first.Ask), in.ask(of['A'], second.Ask)
	return func(p *summary.PositionFigures) {
		d, reason := summary.CommonDifference(first, x(), second, y())
		if reason != "" {
			cannot(p, reason)
			return
		}
		p.Levels = append(p.Levels, d.Figure)
	}
}

// occurrences returns when a period was within a span, the span itself without one.
// reason says that the project's day has none of that symbol.
func (q question) occurrences(period string, span series.Span) (inside []series.Span, reason string) {
	if period == "" {
		return []series.Span{span}, ""
	}
	inside, ok := summary.Occurrences(q.request.Periods, period, q.request.Zone, span)
	if !ok {
		return nil, "the project's day has no period " + period
	}
	return inside, ""
}

// planPeriod asks figures over all occurrences of a period in the span.
func (q question) planPeriod(in *inquiry, counts []int, symbol string, span series.Span) (func() periodFigures, error) {
	inside, reason := q.occurrences(symbol, span)
	if reason != "" {
		return func() periodFigures { return periodFigures{reason: reason} }, nil
	}
	var length time.Duration
	for _, s := range inside {
		length += s.To.Sub(s.From)
	}
	r := q.request
	r.Step, r.Periods = 0, acoustic.PeriodSet{}
	headers := q.headersOf(in, counts)
	for i := range headers {
		if r.IgnoreExclusions {
			headers[i].Exclusions = nil
		}
		headers[i].Exclusions = append(headers[i].Exclusions, series.Subtract([]series.Span{span}, inside)...)
	}
	r.IgnoreExclusions = false
	plans, err := summary.PlanPosition(r, headers)
	if err != nil {
		return nil, err
	}
	doubt := q.uncertainty != nil && q.uncertainty(span.To.Sub(span.From))
	parts, alone := make([]func() summary.Part, len(counts)), make([]func() summary.Summary, len(counts))
	for i, n := range counts {
		parts[i], alone[i] = in.figures(n, plans[i], doubt)
	}
	figures := position(in, parts, plans, counts, doubt)
	return func() periodFigures {
		var f periodFigures
		f.PositionFigures, f.coverage = withUncertainties(figures(), made(alone))
		for s, share := range f.coverage { // of the period, not of the whole span
			f.coverage[s] = min(1, share*float64(span.To.Sub(span.From))/float64(max(length, 1)))
		}
		return f
	}, nil
}
