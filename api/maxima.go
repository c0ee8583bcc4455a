package api

import (
	"fmt"
	"slices"
	"time"

	"leveltrail/domain/assessment"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
)

// maximaWanted asks for the event maxima of one symbol, in each occurrence of a period
// or, without one, over the whole span.
type maximaWanted struct{ symbol, period string }

// maximaFound is the maxima that were asked for.
type maximaFound struct {
	occurrences []occurrence
	reason      string // why there are none
}

// occurrence is one period, such as a night, with the maxima in it.
type occurrence struct {
	series.Span
	figure   summary.Figure // of what kind the maxima are; no level
	coverage float64
	maxima   []assessment.Maximum
}

// mostMaxima bounds the readings that maxima are looked for in.
const mostMaxima = 200_000

// planMaxima asks the maxima of the series that holds them best: those that the meter
// held before readings at instants.
func (q question) planMaxima(in *inquiry, counts []int, w maximaWanted, span series.Span) func() maximaFound {
	none := func(reason string) func() maximaFound {
		return func() maximaFound { return maximaFound{reason: reason} }
	}
	best := -1
	var figure summary.Figure
	for _, n := range counts {
		switch symbol := in.facts[n].Series.Quantity; {
		case in.facts[n].Series.IntervalUS == 0:
		case symbol == w.symbol:
			if best >= 0 && figure.Basis == summary.Instrument {
				return none("several series of the position carry " + w.symbol)
			}
			best, figure = n, summary.Figure{Symbol: w.symbol, Basis: summary.Instrument}
		case symbol+"max" == w.symbol && figure.Basis == "":
			best, figure = n, summary.Figure{Symbol: w.symbol, Basis: summary.Sampled, Bound: summary.Lower}
		}
	}
	if best < 0 {
		return none("no series of the position carries " + w.symbol)
	}
	inside := []series.Span{span}
	if w.period != "" {
		var ok bool
		if inside, ok = summary.Occurrences(q.request.Periods, w.period, q.request.Zone, span); !ok {
			return none("the project's day has no period " + w.period)
		}
	}
	h := plannedOf(in.facts[best], q.verdict)
	var left []series.Span
	if !q.request.IgnoreExclusions {
		left = h.Exclusions
	}
	byTime := func(a, b series.Span) int { return a.From.Compare(b.From) }
	if q.request.UsableOnly && h.Verdict != nil {
		usable := slices.SortedFunc(slices.Values(h.Verdict.Usable), byTime)
		left = append(left, series.Subtract([]series.Span{span}, usable)...)
	}
	slices.SortFunc(left, byTime)
	step := max(h.Interval, time.Second)
	var ask series.Ask
	var of []int // occurrence of each cell
	for i, o := range inside {
		for _, s := range series.Subtract([]series.Span{o}, left) {
			if s.To.Sub(s.From)/step > mostMaxima-time.Duration(len(ask.Cells)) {
				return none(fmt.Sprintf("more than %d readings to look for events in: ask for a shorter span", mostMaxima))
			}
			for at := s.From; at.Before(s.To); at = at.Add(step) {
				end := at.Add(step)
				if end.After(s.To) {
					end = s.To
				}
				ask.Cells = append(ask.Cells, series.Cell{Span: series.Span{From: at, To: end}, Group: -1})
				of = append(of, i)
			}
		}
	}
	answer := in.ask(best, ask)
	return func() maximaFound {
		var found maximaFound
		measured := make([]time.Duration, len(inside))
		for _, o := range inside {
			found.occurrences = append(found.occurrences, occurrence{Span: o, figure: figure})
		}
		for j, t := range answer().Tallies {
			o := &found.occurrences[of[j]]
			measured[of[j]] += time.Duration(t.Samples()) * h.Interval
			if t.Count > 0 {
				o.maxima = append(o.maxima, assessment.Maximum{At: ask.Cells[j].From, Level: t.Max})
			}
			if t.Over > 0 { // above the range: at least its ceiling, or the highest number
				ceiling := h.Highest
				if h.Ceiling != nil {
					ceiling = h.Ceiling
				}
				if ceiling != nil {
					o.maxima = append(o.maxima, assessment.Maximum{At: ask.Cells[j].From, Level: *ceiling})
				}
				o.figure.Bound = summary.Lower
			}
		}
		for i := range found.occurrences {
			o := &found.occurrences[i]
			o.coverage = min(1, float64(measured[i])/float64(max(o.To.Sub(o.From), 1)))
			if o.coverage < q.request.MinCoverage { // an event may have come unmeasured
				o.figure.Bound = summary.Lower
			}
		}
		return found
	}
}
