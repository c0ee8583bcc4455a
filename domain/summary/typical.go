package summary

import (
	"math"
	"slices"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// HourOfDay is a clock hour over several days.
type HourOfDay struct {
	Hour    int              // 0 for 00-01
	Days    int              // on which enough of it was measured
	LeftOut int              // days on which some of it was measured, but too little
	Figure  *Figure          // equivalent level over all days that count; nil if there are none
	Lowest  acoustic.Decibel // of the hourly levels
	Highest acoustic.Decibel
	Spread  *float64 // dB, standard deviation of the hourly levels; nil for fewer than two days
}

// PlanTypicalDay returns a plan for [TypicalDay].
func PlanTypicalDay(r Request, h Header) (Plan, error) { return PlanWindow(r, h, time.Hour, time.Hour) }

// TypicalDay returns the 24 hours of the local day over the days of the span: the energy
// mean of each and how its level differs from day to day. An hour counts on a day if half
// of it was measured. The hour that comes twice where the clock is set back is of two
// days. reason is empty, or says why there is none. p comes from [PlanTypicalDay].
func TypicalDay(p Plan, a series.Answer) (hours []HourOfDay, reason string) {
	if p.form.mean == "" || p.header.Interval == 0 || p.header.Interval > time.Hour {
		return nil, "needs samples with an interval of at most an hour that carry an equivalent level"
	}
	hours = make([]HourOfDay, 24)
	var measured [24]series.Tally
	var levels [24][]float64
	for i, sum := range p.sum(a).steps {
		if sum.Samples() == 0 {
			continue
		}
		n := time.UnixMicro(p.bounds[i]).In(p.request.Zone).Hour()
		s := lot{&p.header, sum}.sound()
		f, why := s.level(s.time)
		if p.header.duration(sum.Samples()) < time.Duration(hourShare*float64(time.Hour)) || why != "" {
			hours[n].LeftOut++
			continue
		}
		levels[n] = append(levels[n], float64(*f.Level))
		measured[n] = measured[n].Plus(sum)
	}
	days := 0
	for n := range hours {
		h := &hours[n]
		h.Hour, h.Days = n, len(levels[n])
		days += h.Days
		if h.Days == 0 {
			continue
		}
		h.Lowest, h.Highest = acoustic.Decibel(slices.Min(levels[n])), acoustic.Decibel(slices.Max(levels[n]))
		s := lot{&p.header, measured[n]}.sound()
		f, _ := s.level(s.time)
		f.Symbol, f.Basis = p.form.mean, p.form.meanBasis
		h.Figure = &f
		if h.Days > 1 {
			h.Spread = new(deviation(levels[n]))
		}
	}
	if days == 0 {
		return nil, noSamples
	}
	return hours, ""
}

// deviation returns the standard deviation of two or more values.
func deviation(xs []float64) float64 {
	mean, squares := 0.0, 0.0
	for _, x := range xs {
		mean += x / float64(len(xs))
	}
	for _, x := range xs {
		squares += (x - mean) * (x - mean)
	}
	return math.Sqrt(squares / float64(len(xs)-1))
}
