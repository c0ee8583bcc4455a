package uncertainty

import (
	"math"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// mostStretches bounds the stretches into which a series is cut. When there would be
// more, neighbours are joined.
const mostStretches = 512

// Stream collects samples of a series with an interval, in time order, in bounded
// memory whatever the length: a year of seconds takes as much as a day.
type Stream struct {
	interval time.Duration
	start    time.Time
	length   time.Duration // of a stretch
	end      time.Time     // of the last sample
	gaps     Gaps
	over     bool
	tallies  []series.Tally
	levels   []series.Histogram // by stretch; nil if no distribution was asked
	counts   *series.Counts
}

// NewStream returns a Stream of samples at the interval, which keeps the distribution
// over time only if asked.
func NewStream(interval time.Duration, distribution bool) *Stream {
	s := &Stream{interval: interval, length: interval}
	if distribution {
		s.counts = new(series.Counts)
	}
	return s
}

// Add takes the next run.
func (s *Stream) Add(r series.Run) {
	if len(r.Levels) == 0 {
		return
	}
	if s.tallies == nil {
		s.start, s.end = r.Start, r.Start
	}
	if !r.Start.Equal(s.end) {
		s.gaps.Break()
	}
	s.end = r.Start.Add(time.Duration(len(r.Levels)) * s.interval)
	for _, l := range r.Levels {
		if l == series.UnderRange || l == series.OverRange {
			s.over = s.over || l == series.OverRange
			s.gaps.Add(0)
			continue
		}
		s.gaps.add(acoustic.EnergyOf(l).Ratio(), float64(l)*nepers)
	}
	for s.end.Sub(s.start) > mostStretches*s.length {
		s.join()
	}
	for len(r.Levels) > 0 {
		i := int(r.Start.Sub(s.start) / s.length)
		next := s.start.Add(time.Duration(i+1) * s.length)
		n := min(len(r.Levels), int((next.Sub(r.Start)+s.interval-1)/s.interval))
		for len(s.tallies) <= i {
			s.tallies = append(s.tallies, series.Tally{})
			s.levels = append(s.levels, series.Histogram{})
		}
		s.tallies[i] = s.tallies[i].Plus(series.TallyOf(r.Levels[:n]))
		if s.counts != nil {
			for _, l := range r.Levels[:n] {
				s.counts.Add(l, 1)
			}
			s.levels[i] = s.levels[i].Plus(s.counts.Histogram())
			s.counts.Reset()
		}
		r = series.Run{Start: r.Start.Add(time.Duration(n) * s.interval), Levels: r.Levels[n:]}
	}
}

// join makes one stretch of each two.
func (s *Stream) join() {
	s.length *= 2
	half := (len(s.tallies) + 1) / 2
	for i := range half {
		s.tallies[i], s.levels[i] = s.tallies[2*i], s.levels[2*i]
		if 2*i+1 < len(s.tallies) {
			s.tallies[i] = s.tallies[i].Plus(s.tallies[2*i+1])
			s.levels[i] = s.levels[i].Plus(s.levels[2*i+1])
		}
	}
	s.tallies, s.levels = s.tallies[:half], s.levels[:half]
}

// nepers is the natural logarithm of the power ratio of a hundredth of a decibel.
const nepers = math.Ln10 / 1000

// SamplingOfMean returns the sampling uncertainty of the energy mean.
func (s *Stream) SamplingOfMean() (Estimate, string) {
	if s.over {
		return Estimate{}, overRange
	}
	g := s.gaps
	return g.Mean()
}

// OfMean returns the representativity uncertainty of the energy mean.
func (s *Stream) OfMean() (Estimate, string) { return OfMean(s.tallies) }

// OfExceedance returns the representativity uncertainty of an exceedance level; the
// Stream must keep the distribution.
func (s *Stream) OfExceedance(p series.Percent) (Estimate, string) { return OfExceedance(s.levels, p) }

// SamplingOfExceedance returns the sampling uncertainty of the level exceeded in p of
// the time from runs in time order: which level that is must be known before they are
// looked at, so that a stream cannot tell.
func SamplingOfExceedance(runs []series.Run, interval time.Duration, p series.Percent) (e Estimate, reason string) {
	var all series.Counts
	for _, r := range runs {
		for _, l := range r.Levels {
			all.Add(l, 1)
		}
	}
	h := all.Histogram()
	level, ok := h.Exceedance(p)
	if !ok {
		return e, "no samples"
	}
	var g Gaps
	for i, r := range runs {
		if i > 0 && !r.Start.Equal(runs[i-1].Start.Add(time.Duration(len(runs[i-1].Levels))*interval)) {
			g.Break()
		}
		for _, l := range r.Levels {
			x := 0.0
			if l > level { // flags lie beyond all numbers
				x = 1
			}
			g.Add(x)
		}
	}
	return g.Exceedance(h, p)
}
