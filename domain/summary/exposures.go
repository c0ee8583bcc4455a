package summary

import (
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// Exposures sums up the sound exposure levels of events.
type Exposures struct {
	Events  int     // in all
	Counted int     // of which the exposure level is known
	Sum     *Figure // LAE of all of them together; nil if none is known
	Mean    *Figure // energy mean of their LAE
	Over    *Figure // LAeq over the rating time: 10 lg(Σ10^(LAE/10)/T); nil without a rating time
	Reason  string  // why there are no levels, or why they are lower bounds
}

// SumExposures adds the exposure levels of events up and spreads them over a rating
// time, zero for none (ISO 1996-1). Bounds carry over, and where the level of an event is
// not known the sum is a lower bound: there was no less. of are of one symbol, such as
// LAE; events is how many there were in all; level is the symbol of the spread level.
func SumExposures(of []Figure, events int, rating time.Duration, level string) Exposures {
	e := Exposures{Events: events, Counted: len(of)}
	if len(of) == 0 {
		e.Reason = "of no event the sound exposure level is known"
		return e
	}
	var up, down bool
	levels := make([]acoustic.Decibel, len(of))
	f := Figure{Symbol: of[0].Symbol, Basis: of[0].Basis}
	for i, g := range of {
		if g.Level == nil {
			e.Counted--
			continue
		}
		levels[i] = *g.Level
		up, down = up || g.Bound == Lower, down || g.Bound == Upper
		f.Range = f.Range.and(g.Range)
		if g.Basis != f.Basis {
			f.Basis = Mixed
		}
	}
	if e.Counted < len(of) {
		e.Reason = "the level of an event lies beyond the measuring range"
		return e
	}
	if e.Counted < events {
		up, e.Reason = true, "of some events the sound exposure level is not known: there was at least this much"
	}
	switch {
	case up && down:
		e.Reason = "some levels are upper bounds and some lower, and of their sum nothing is known"
		return e
	case up:
		f.Bound = Lower
	case down:
		f.Bound = Upper
	}
	give := func(l acoustic.Decibel, symbol string) *Figure {
		g := f
		g.Symbol, g.Level = symbol, &l
		return &g
	}
	sum, _ := acoustic.EnergySum(levels)
	mean, _ := acoustic.EnergyMean(levels)
	e.Sum, e.Mean = give(sum, f.Symbol), give(mean, f.Symbol)
	e.Mean.Bound = ""
	if down || up && e.Counted == events { // of those counted
		e.Mean.Bound = f.Bound
	}
	if rating > 0 {
		over, _ := acoustic.OfExposures(levels, rating)
		e.Over = give(over, level)
	}
	return e
}

// ExposureReadings returns what readings of sound exposure levels at instants are worth:
// their energy mean as often as there are readings, which sum up to the same. Flagged
// readings are events whose level is not known.
func ExposureReadings(a series.Answer) (of []Figure, events int) {
	var t series.Tally
	for _, cell := range a.Tallies {
		t = t.Plus(cell)
	}
	mean, ok := t.Energy.Mean(t.Count)
	for range t.Count {
		if ok {
			of = append(of, Figure{Symbol: "LAE", Level: &mean, Basis: Instrument})
		}
	}
	return of, int(t.Samples())
}
