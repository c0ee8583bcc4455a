package summary

import (
	"math"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// statedBound is the least difference in dB between the ends of an equivalent
// level for which a bound is stated (house value).
const statedBound = 0.05

// lot is the samples of one series, in one scope.
type lot struct {
	*Header
	series.Tally
}

// end is one end of the measuring range of a series.
type end struct {
	level  acoustic.Level
	source RangeSource // empty: the end is not known
}

// floor returns the level that samples under range lie below.
func (h *Header) floor() end { return endOf(h.Floor, h.Lowest) }

// ceiling returns the level that samples over range lie above.
func (h *Header) ceiling() end { return endOf(h.Ceiling, h.Highest) }

func endOf(declared, inferred *acoustic.Level) end {
	switch {
	case declared != nil:
		return end{*declared, Declared}
	case inferred != nil:
		return end{*inferred, Inferred}
	}
	return end{}
}

// and returns the weaker of two sources: what rests on both is inferred if one is.
func (s RangeSource) and(t RangeSource) RangeSource {
	if s == "" || t == Inferred {
		return t
	}
	return s
}

// sound is sound energy between two bounds: power ratio times seconds, or times
// readings for spot samples. Samples under range lie between no energy and the
// floor, samples over range at the ceiling or above.
type sound struct {
	low, high float64
	time      float64 // seconds, or readings
	open      bool    // over range: there is no upper end
	unknown   bool    // of a flagged sample nothing is known, as no end of the range is
	source    RangeSource
}

// sound returns the energy of a lot.
func (l lot) sound() sound { return soundOf(l.Header, &l.Tally) }

// soundOf returns the energy of samples of the series h.
func soundOf(h *Header, t *series.Tally) (s sound) {
	weight := h.Interval.Seconds()
	if h.Interval == 0 {
		weight = 1
	}
	s.time = float64(t.Samples()) * weight
	if h.Quantity.Statistic == series.Exposure {
		weight = 1 // it is energy already, re 1 s
	}
	low, high := t.Energy, t.Energy
	if t.Over > 0 {
		top := h.ceiling()
		s.open, s.unknown, s.source = true, top.source == "", top.source
		low = low.Plus(acoustic.EnergyOf(top.level).Times(uint64(t.Over)))
		high = low
	}
	if t.Under > 0 && t.Over == 0 {
		bottom := h.floor()
		s.unknown, s.source = bottom.source == "", bottom.source
		high = high.Plus(acoustic.EnergyOf(bottom.level).Times(uint64(t.Under)))
	}
	s.low, s.high = low.Ratio()*weight, high.Ratio()*weight
	return s
}

// plus returns the sound of both, one after the other.
func (s sound) plus(t sound) sound {
	return sound{
		low: s.low + t.low, high: s.high + t.high, time: s.time + t.time,
		open: s.open || t.open, unknown: s.unknown || t.unknown, source: s.source.and(t.source),
	}
}

// level returns the level of s spread over time, in the unit of s.time. reason is
// empty, or says why there is none.
func (s sound) level(time float64) (f Figure, reason string) {
	switch {
	case s.time == 0:
		return f, noSamples
	case s.unknown:
		return f, noRange
	}
	high := acoustic.FromRatio(s.high / time)
	f.Range = s.source
	if s.low == s.high && !s.open {
		f.Level = &high
		return f, ""
	}
	low := acoustic.FromRatio(s.low / time)
	switch {
	case s.open:
		f.Level, f.Bound = &low, Lower
	case high-low >= statedBound:
		f.Level, f.Bound = &high, Upper
		if !math.IsInf(float64(low), -1) {
			f.Lowest = &low
		}
	default:
		f.Level = &high
	}
	return f, ""
}

// exposure returns the sound exposure level of a whole span: of sound that was
// not measured there is none.
func (s sound) exposure(coverage float64) (f Figure, reason string) {
	if coverage < 1 {
		return f, "needs coverage 1, it is " + thousandths(coverage)
	}
	return s.level(1)
}

const (
	noSamples = "no samples"
	noRange   = "samples are flagged as out of a range that is not known"
)

// maximum returns the highest level of lots.
func maximum(lots []lot) (f Figure, reason string) { return extremeOf(lots, +1) }

// minimum returns the lowest level of lots.
func minimum(lots []lot) (f Figure, reason string) { return extremeOf(lots, -1) }

// extremeOf returns the highest level for sign +1, the lowest for −1. In the words
// of the highest: a sample over range is the highest unless another series has a
// number above that range; samples under range matter only where there are no others.
func extremeOf(lots []lot, sign int) (f Figure, reason string) {
	var number, beyond, short end // an empty source stands for none
	further := func(a, b end) bool { return b.source == "" || sign*int(a.level) > sign*int(b.level) }
	for i := range lots {
		l := &lots[i]
		over, under, top, bottom, n := l.Over, l.Under, l.ceiling(), l.floor(), end{l.Max, Declared}
		if sign < 0 {
			over, under, top, bottom, n = under, over, bottom, top, end{l.Min, Declared}
		}
		if over > 0 {
			if top.source == "" {
				return f, noRange
			}
			if further(top, beyond) {
				beyond = top
			}
		}
		if l.Count > 0 && further(n, number) {
			number = n
		}
		if under > 0 && bottom.source != "" && further(bottom, short) {
			short = bottom
		}
	}
	switch {
	case beyond.source != "" && (number.source == "" || !further(number, beyond)):
		return past(beyond, sign), ""
	case number.source != "" && beyond.source != "": // the flagged sample may still lie further
		return Figure{Level: new(number.level.Decibel()), Bound: boundOf(sign), Range: beyond.source}, ""
	case number.source != "":
		return Figure{Level: new(number.level.Decibel())}, ""
	case short.source != "":
		return past(short, -sign), ""
	}
	return f, nothing(lots)
}

// past returns the figure of what lies above an end of the range, below it for sign −1.
func past(e end, sign int) Figure {
	if sign < 0 {
		return Figure{Below: new(e.level.Decibel()), Range: e.source}
	}
	return Figure{Above: new(e.level.Decibel()), Range: e.source}
}

// boundOf returns the bound that a maximum has if some of it may have been missed, for −1 a minimum.
func boundOf(sign int) Bound {
	if sign < 0 {
		return Upper
	}
	return Lower
}

// nothing says why lots have no extreme.
func nothing(lots []lot) string {
	for _, l := range lots {
		if l.Samples() > 0 {
			return noRange
		}
	}
	return noSamples
}

// fewestBeyond is how many samples must lie on each side of an exceedance level (house value).
const fewestBeyond = 5

// exceeded returns the level exceeded in n of the time. h is of samples of one
// kind and interval, lots say from which series it was merged.
func exceeded(h series.Histogram, n series.Percent, lots []lot) (f Figure, reason string) {
	samples := h.Samples()
	switch {
	case samples == 0:
		return f, noSamples
	case samples*int64(min(n, 100_000-n)) < fewestBeyond*100_000:
		return f, "too few readings"
	}
	// Samples over range rank highest: all of them lie above the lowest ceiling, and
	// of a level beyond it no more is known. Likewise samples under range.
	l, _ := h.Exceedance(n)
	if h.Over > 0 {
		f, reason = minimum(flagged(lots, false))
		if l == series.OverRange || reason == "" && l.Decibel() > *f.Above {
			return f, reason
		}
	}
	if h.Under > 0 {
		f, reason = maximum(flagged(lots, true))
		if l == series.UnderRange || reason == "" && l.Decibel() < *f.Below {
			return f, reason
		}
	}
	return Figure{Level: new(l.Decibel())}, ""
}

// flagged returns the lots with nothing but their samples under range, or over range.
func flagged(lots []lot, under bool) []lot {
	var all []lot
	for _, l := range lots {
		t := series.Tally{Over: l.Over}
		if under {
			t = series.Tally{Under: l.Under}
		}
		all = append(all, lot{l.Header, t})
	}
	return all
}

// duration returns how long n samples of the series take.
func (h *Header) duration(n int64) time.Duration { return time.Duration(n) * h.Interval }
