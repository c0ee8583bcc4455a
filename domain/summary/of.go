package summary

import (
	"math"
	"time"

	"leveltrail/domain/series"
)

// Of returns the figures that the answer to the plan's Ask makes.
func Of(p Plan, a series.Answer) Summary {
	h := &p.header
	s := Summary{
		SeriesID: h.SeriesID, Quantity: h.Quantity, Interval: h.Interval,
		Span: p.span, Zone: p.request.Zone, CoverageOf: p.coverageOf,
		Excluded: time.Duration(p.excluded) * time.Microsecond, Windows: "all",
		PeriodSet: p.request.Periods.Name,
	}
	if p.request.UsableOnly {
		s.Windows = "usable"
	}
	sums := p.sum(a)
	total := sums.total.Tally
	s.Samples, s.UnderRange, s.OverRange = total.Count, total.Under, total.Over
	if h.Verdict != nil {
		s.Outcome = h.Verdict.Outcome
		if h.Interval > 0 {
			s.Usable = new(h.duration(sums.usable))
		}
	}
	s.Coverage = p.coverage(&p.total, total.Samples())
	var sh sheet
	p.levels(&sh, &sums.total, p.request.Percentiles, p.form.names(p.request.Percentiles))
	if p.form.exposure != "" {
		f, reason := lot{h, total}.sound().exposure(*s.Coverage)
		sh.give(p.form.exposure, p.form.meanBasis, "", f, reason)
	}
	s.Levels, s.Unavailable = sh.figures, append(sh.cannot, p.form.cannot...)
	p.indices(&s, &sums.total)
	s.Steps = p.profile(sums)
	if p.request.Step > 0 && p.request.Step < h.Interval {
		s.Unavailable = append(s.Unavailable, Unavailable{"steps", "the samples are of " + seconds(h.Interval) + ", longer than a step"})
	}
	return s
}

// sums are the tallies of an answer added up by what they count towards.
type sums struct {
	total      scopeSum
	usable     int64              // samples that the verdict lets stand
	steps      []series.Tally     // by step
	slots      []series.Tally     // of one step after another; nil if steps have no indices
	histograms []series.Histogram // by step; nil if they have none of their own
}

// scopeSum is the samples of one scope.
type scopeSum struct {
	series.Tally
	slots     []series.Tally // nil if the scope has no indices
	histogram series.Histogram
}

// step returns the samples of a step.
func (s *sums) step(i int) scopeSum {
	sum := scopeSum{Tally: s.steps[i]}
	if n := len(s.total.slots); s.slots != nil {
		sum.slots = s.slots[i*n:][:n]
	}
	if s.histograms != nil {
		sum.histogram = s.histograms[i]
	}
	return sum
}

// sum adds up the tallies of a.
func (p *Plan) sum(a series.Answer) sums {
	all := sums{steps: a.Tallies} // where each cell is a step
	alone := p.cellsAreSteps()
	if !alone {
		all.steps = make([]series.Tally, p.steps())
	}
	all.total.slots = make([]series.Tally, len(p.slots))
	if p.stepAsked != nil {
		all.slots = make([]series.Tally, len(p.stepAsked))
	}
	for i := range a.Tallies {
		t, pl := &a.Tallies[i], &p.places[i]
		if pl.slot >= 0 {
			all.total.slots[pl.slot].Include(t)
		} else {
			all.total.Include(t)
		}
		if pl.usable {
			all.usable += t.Samples()
		}
		if pl.step >= 0 && !alone {
			all.steps[pl.step].Include(t)
		}
		if pl.step >= 0 && pl.slot >= 0 && all.slots != nil {
			all.slots[int(pl.step)*len(p.slots)+int(pl.slot)].Include(t)
		}
	}
	for i := range all.total.slots {
		all.total.Include(&all.total.slots[i])
	}
	switch len(a.Histograms) {
	case 0:
	case 1:
		all.total.histogram = a.Histograms[0]
	default:
		var counts series.Counts
		for _, h := range a.Histograms {
			counts.AddHistogram(h)
		}
		all.total.histogram = counts.Histogram()
	}
	if p.perStep() {
		all.histograms = a.Histograms
	}
	return all
}

// cellsAreSteps reports whether the cells are the steps, one by one.
func (p *Plan) cellsAreSteps() bool {
	for i := range p.places {
		if p.places[i].step != int32(i) {
			return false
		}
	}
	return len(p.places) == p.steps()
}

// coverage returns measured over asked time of a scope, nil for spot readings.
// A sample that reaches over the end counts no more than the time asked.
func (p *Plan) coverage(s *scope, samples int64) *float64 {
	if p.header.Interval == 0 {
		return nil
	}
	asked := s.to - s.from
	if s == &p.total {
		asked -= p.unasked
	}
	if asked == 0 {
		return new(0.0)
	}
	return new(min(1, float64(p.header.duration(samples).Microseconds())/float64(asked)))
}

// sheet collects figures and what cannot be given.
type sheet struct {
	figures []Figure
	cannot  []Unavailable
}

// give enters f under a symbol, or the reason why there is none. A bound that f
// has already, from samples out of range, stays.
func (s *sheet) give(symbol string, basis Basis, bound Bound, f Figure, reason string) {
	if reason != "" {
		s.cannot = append(s.cannot, Unavailable{symbol, reason})
		return
	}
	f.Symbol, f.Basis = symbol, basis
	if f.Bound == "" {
		f.Bound = bound
	}
	s.figures = append(s.figures, f)
}

// levels enters the figures of a scope that need no clock. names are the symbols of percentiles.
func (p *Plan) levels(sh *sheet, sum *scopeSum, percentiles []series.Percent, names []string) {
	f := &p.form
	lots := []lot{{&p.header, sum.Tally}}
	if f.mean != "" {
		snd := lots[0].sound()
		fig, reason := snd.level(snd.time)
		sh.give(f.mean, f.meanBasis, "", fig, reason)
	}
	if f.max != "" {
		fig, reason := maximum(lots)
		sh.give(f.max, f.extreme, f.maxBound, fig, reason)
	}
	if f.min != "" {
		fig, reason := minimum(lots)
		sh.give(f.min, f.extreme, f.minBound, fig, reason)
	}
	for i, n := range percentiles {
		if f.exceed == "" {
			if f.percentiles.Reason != "" {
				sh.give(names[i], "", "", Figure{}, f.percentiles.Reason)
			}
			continue
		}
		fig, reason := exceeded(sum.histogram, n, lots)
		sh.give(names[i], f.exceedBasis, "", fig, reason)
	}
}

// names returns the symbols of exceedance levels.
func (f *form) names(percentiles []series.Percent) []string {
	prefix := f.exceed
	if prefix == "" {
		prefix = f.percentiles.Symbol
	}
	names := make([]string, len(percentiles))
	for i, n := range percentiles {
		names[i] = exceedance(prefix, n)
	}
	return names
}

// wholes returns how many nominal lengths of a period were measured, to the nearest whole.
func (p *Plan) wholes(i int, measured time.Duration) int {
	nominal := time.Duration(p.request.Periods.Periods[i].Minutes()) * time.Minute
	return int(math.Round(float64(measured) / float64(nominal)))
}

// indices enters the figures of the periods, or why there are none.
func (p *Plan) indices(s *Summary, sum *scopeSum) {
	set := p.request.Periods
	why := ""
	switch {
	case len(set.Periods) == 0:
		return
	case !p.form.indices:
		why = p.form.why
	case p.slots == nil: // an empty series
		why = noSamples
	}
	if why != "" {
		for _, period := range set.Periods {
			s.Unavailable = append(s.Unavailable, Unavailable{period.Symbol, why})
		}
		if set.Index != "" {
			s.Unavailable = append(s.Unavailable, Unavailable{set.Index, why})
		}
		return
	}
	var cannot []Unavailable
	s.Indices, s.Periods, cannot = p.periodFigures(&p.total, sum.slots)
	s.Unavailable = append(s.Unavailable, cannot...)
	last := len(s.Periods) - 1
	s.Reference = Reference{Days: p.wholes(0, s.Periods[0].Measured), Nights: p.wholes(last, s.Periods[last].Measured)}
}
