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
	return typicalOf([]course{courseOf(&p, a)}, p.request.Zone)
}

// part is the samples of one series.
type part struct {
	of   int
	plan *Plan
	series.Tally
}

// typicalOf returns the hours of the day over courses in steps of an hour.
func typicalOf(courses []course, zone *time.Location) (hours []HourOfDay, reason string) {
	hours = make([]HourOfDay, 24)
	days := 0
	var levels [24][]float64
	var counted [24][]part // what counts, by series
	for _, c := range courses {
		for i := range len(c.bounds) - 1 {
			var sum sound
			took := time.Duration(0)
			for k, p := range c.plans {
				t := &c.steps[k][i]
				sum, took = sum.plus(soundOf(&p.header, t)), took+p.header.duration(t.Samples())
			}
			if took == 0 {
				continue
			}
			n := time.UnixMicro(c.bounds[i]).In(zone).Hour()
			f, why := sum.level(sum.time)
			if took < time.Duration(hourShare*float64(time.Hour)) || why != "" {
				hours[n].LeftOut++
				continue
			}
			levels[n] = append(levels[n], float64(*f.Level))
			for k, p := range c.plans {
				j := slices.IndexFunc(counted[n], func(q part) bool { return q.of == c.of[k] })
				if j < 0 {
					j = len(counted[n])
					counted[n] = append(counted[n], part{of: c.of[k], plan: p})
				}
				counted[n][j].Include(&c.steps[k][i])
			}
			days++
		}
	}
	for n := range hours {
		h := &hours[n]
		h.Hour, h.Days = n, len(levels[n])
		if h.Days == 0 {
			continue
		}
		h.Lowest, h.Highest = acoustic.Decibel(slices.Min(levels[n])), acoustic.Decibel(slices.Max(levels[n]))
		var m mixture
		for _, p := range counted[n] {
			m.add(p.plan.form.meanBasis, soundOf(&p.plan.header, &p.Tally))
		}
		f, _ := m.total.level(m.total.time)
		f.Symbol = counted[n][0].plan.form.mean
		f.Basis, f.Shares = m.basis()
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
