package summary

import (
	"strconv"
	"time"

	"leveltrail/domain/series"
)

// form says which figures a series can carry, and under which symbols.
type form struct {
	mean        string // energy mean: "LAeq"; empty for none
	meanBasis   Basis
	exposure    string // sound exposure level of the span: "LAE"
	indices     bool   // day, evening and night levels
	exceed      string // what stands before the percentage of an exceedance level: "LAF"
	exceedBasis Basis
	max, min    string
	extreme     Basis // of max and min
	maxBound    Bound
	minBound    Bound
	cannot      []Unavailable // what a reader expects and the series cannot carry
	why         string        // it carries no indices
	percentiles Unavailable   // Reason: it carries no exceedance levels; Symbol as exceed; zero if nobody expects any
}

// shortLeq is the longest interval whose equivalent levels stand in for time-weighted ones.
const shortLeq = time.Second

// formOf returns the form of a series.
func formOf(h Header) form {
	q := h.Quantity
	if !q.Level() {
		const why = "a side measurement is not a sound level"
		return form{cannot: []Unavailable{{q.Symbol, why}}}
	}
	lx := "L" + string(rune(q.Weighting))
	weighted := lx + string(rune(q.Time))
	f := form{}
	cannot := func(symbol, reason string) { f.cannot = append(f.cannot, Unavailable{symbol, reason}) }
	distribution := func(prefix, reason string) { f.percentiles = Unavailable{prefix, reason} }

	switch q.Statistic {
	case series.Instant:
		f.mean, f.meanBasis = lx+"eq", Sampled
		f.exceed, f.exceedBasis = weighted, Sampled
		f.max, f.min, f.extreme, f.maxBound, f.minBound = weighted+"max", weighted+"min", Sampled, Lower, Upper
	case series.Equivalent:
		f.mean, f.meanBasis = lx+"eq", Integrated
		switch {
		case q.Time != 0: // time-weighted first
			f.mean = q.Symbol
			distribution(lx, "the distribution of "+q.Symbol+" is no exceedance level")
		case h.Interval <= shortLeq:
			f.exceed, f.exceedBasis = lx, ShortLeq
		default:
			distribution(lx, "needs intervals of 1 s or less, these are of "+seconds(h.Interval))
		}
		cannot(lx+"Fmax", "no "+lx+"F or "+lx+"Fmax series was recorded")
		cannot(lx+"Fmin", "no "+lx+"F or "+lx+"Fmin series was recorded")
	case series.CycleMaximum:
		f.mean, f.meanBasis = q.Symbol, Integrated
		distribution(lx, "the distribution of "+q.Symbol+" is no exceedance level")
	case series.Maximum:
		f.max, f.extreme = q.Symbol, Instrument
		cannot(lx+"eq", "maxima carry no equivalent level")
		distribution(weighted, "maxima carry no exceedance levels")
	case series.Minimum:
		f.min, f.extreme = q.Symbol, Instrument
		cannot(lx+"eq", "minima carry no equivalent level")
		distribution(weighted, "minima carry no exceedance levels")
	case series.Peak:
		f.max, f.extreme = q.Symbol, Instrument
		cannot("LAeq", "peaks carry no equivalent level")
	case series.Exposure:
		f.mean, f.meanBasis = lx+"eq", Integrated
		distribution(lx, "sound exposure levels carry no exceedance levels")
	}
	f.indices = f.mean == "LAeq"
	f.why = "needs an A-weighted equivalent level"
	if f.mean == lx+"eq" {
		f.exposure = lx + "E"
	}
	if q.Statistic != series.Peak {
		cannot("LCpeak", "no peak series was recorded")
	}
	if h.Interval == 0 {
		f.spot(q)
	}
	return f
}

// spot turns f into the form of readings at instants.
func (f *form) spot(q series.Quantity) {
	const why = "spot readings have no duration"
	f.indices, f.why = false, why
	if f.exposure != "" {
		f.cannot = append(f.cannot, Unavailable{f.exposure, why})
		f.exposure = ""
	}
	if q.Statistic == series.Exposure {
		f.cannot = append(f.cannot, Unavailable{f.mean, why})
		f.mean = ""
	}
	f.meanBasis, f.exceedBasis, f.extreme = Spot, Spot, Spot
	f.maxBound, f.minBound = Lower, Upper
}

// exceedance returns the symbol of an exceedance level: "LAF90", "LA99.5".
func exceedance(prefix string, n series.Percent) string {
	return prefix + strconv.FormatFloat(float64(n)/1000, 'f', -1, 64)
}

// seconds writes a duration in seconds: "900 s".
func seconds(d time.Duration) string { return strconv.FormatFloat(d.Seconds(), 'f', -1, 64) + " s" }
