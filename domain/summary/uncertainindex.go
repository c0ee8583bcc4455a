package summary

import (
	"slices"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/uncertainty"
)

// periods enters the uncertainties of the levels of periods, each from the samples of its
// own hours, and by propagation that of the index over the day. A level of few hours has
// few samples to tell from, and then there is none.
func (d Doubt) periods(s *Summary, a series.Answer) {
	set := d.plan.request.Periods
	if d.plan.slots == nil || len(s.Indices) == 0 {
		return
	}
	figure := func(symbol string) *Figure {
		for i := range s.Indices {
			if s.Indices[i].Symbol == symbol {
				return &s.Indices[i]
			}
		}
		return nil
	}
	integrated := d.plan.form.meanBasis == Integrated
	levels := make([]acoustic.Decibel, len(set.Periods))
	sampling, whole := make([]Estimated, len(set.Periods)), make([]Estimated, len(set.Periods))
	for i, p := range set.Periods {
		sampling[i], whole[i] = d.ofPeriod(a, i)
		f := figure(p.Symbol)
		if f == nil {
			continue
		}
		levels[i] = *f.Level
		if f.Representativity = &whole[i]; !integrated {
			f.Sampling = &sampling[i]
		}
	}
	f := figure(set.Index)
	if f == nil { // then a period is missing, or none is formed
		return
	}
	weights := set.Sensitivities(levels)
	if f.Representativity = combined(set, whole, weights); !integrated {
		f.Sampling = combined(set, sampling, weights)
	}
}

// ofPeriod returns the uncertainties of the level of a period.
func (d Doubt) ofPeriod(a series.Answer, period int) (sampling, whole Estimated) {
	if d.every {
		s := uncertainty.NewStream(d.plan.header.Interval, false)
		for _, r := range d.runs(a, func(cell int) bool { return d.period[cell] == period }) {
			s.Add(r)
		}
		return estimated(s.SamplingOfMean()), estimated(s.OfMean())
	}
	if !slices.Contains(d.period, period) {
		e := Estimated{Reason: "the span is long: its stretches are whole days"}
		return e, e
	}
	tallies := make([]series.Tally, d.stretches)
	for i, t := range a.Tallies {
		if d.period[i] == period {
			tallies[d.stretch[i]] = tallies[d.stretch[i]].Plus(t)
		}
	}
	return Estimated{Reason: "the series is long, and of its periods no distributions are kept"}, estimated(uncertainty.OfMean(tallies))
}

// combined propagates the uncertainties of periods, taken as independent, to the index.
func combined(set acoustic.PeriodSet, of []Estimated, weights []float64) *Estimated {
	var es []uncertainty.Estimate
	var used []float64
	for i, e := range of {
		if weights[i] == 0 {
			continue
		}
		if e.Reason != "" {
			return &Estimated{Reason: set.Periods[i].Symbol + ": " + e.Reason}
		}
		es, used = append(es, e.Estimate), append(used, weights[i])
	}
	return &Estimated{Estimate: uncertainty.Combined(es, used)}
}
