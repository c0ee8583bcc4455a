package summary

import (
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/uncertainty"
)

// periods enters the uncertainties of the levels of periods, each from the samples of its
// own hours, and by propagation that of the index over the day. A level of few hours has
// few samples to tell from, and then there is none.
func (d Doubt) periods(s *Summary, main, a series.Answer) {
	if d.plan.slots == nil || len(s.Indices) == 0 {
		return
	}
	d.plan.doubtIndices(s.Indices, func(period int) (sampling, whole Estimated) { return d.ofPeriod(main, a, period) })
}

// doubtIndices enters the uncertainties of the levels of periods, and by propagation that
// of the index.
func (p *Plan) doubtIndices(indices []Figure, of func(period int) (sampling, whole Estimated)) {
	set := p.request.Periods
	figure := func(symbol string) *Figure {
		for i := range indices {
			if indices[i].Symbol == symbol {
				return &indices[i]
			}
		}
		return nil
	}
	integrated := p.form.meanBasis == Integrated
	levels := make([]acoustic.Decibel, len(set.Periods))
	sampling, whole := make([]Estimated, len(set.Periods)), make([]Estimated, len(set.Periods))
	for i, period := range set.Periods {
		f := figure(period.Symbol)
		if f == nil {
			continue
		}
		sampling[i], whole[i] = of(i)
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
func (d Doubt) ofPeriod(main, a series.Answer, period int) (sampling, whole Estimated) {
	switch {
	case d.every:
		return d.ofRuns(d.runs(a, 0, len(a.Runs), func(cell int) bool { return d.period[cell] == period }))
	case d.byDays:
		return d.ofDays(main, period)
	}
	tallies := make([]series.Tally, d.stretches)
	for i, t := range a.Tallies {
		if d.period[i] == period {
			tallies[d.stretch[i]] = tallies[d.stretch[i]].Plus(t)
		}
	}
	return estimated(uncertainty.GapsAtMostOfTallies(tallies)), estimated(uncertainty.OfMean(tallies))
}

// ofRuns returns the uncertainties of the energy mean of every sample of runs.
func (d Doubt) ofRuns(runs []series.Run) (sampling, whole Estimated) {
	s := uncertainty.NewStream(d.plan.header.Interval, false)
	for _, r := range runs {
		s.Add(r)
	}
	return estimated(s.SamplingOfMean()), estimated(s.OfMean())
}

// ofDays returns the uncertainties of the level of a period over so many days that each of
// them, or so many together, is one stretch. The plan's own cells are of clock hours, which
// aggregates serve. A night is of the day on which it begins.
func (d Doubt) ofDays(main series.Answer, period int) (sampling, whole Estimated) {
	p := d.plan
	origin := time.Duration(p.request.Periods.Periods[0].From) * time.Minute
	dayOf := func(t time.Time) int64 {
		_, offset := t.In(p.request.Zone).Zone()
		return floorDiv(t.UnixMicro()+int64(offset)*1e6-origin.Microseconds(), day)
	}
	cells := p.Ask.Cells
	first, last := dayOf(cells[0].From), dayOf(cells[len(cells)-1].From)
	times := (last-first)/mostStretches + 1
	days := make([]series.Tally, (last-first)/times+1)
	var hours []series.Tally
	for i := range main.Tallies {
		if slot := p.places[i].slot; slot < 0 || p.slots[slot].period != period {
			continue
		}
		days[(dayOf(cells[i].From)-first)/times].Include(&main.Tallies[i])
		hours = append(hours, main.Tallies[i])
	}
	return estimated(uncertainty.GapsAtMostOfTallies(hours)), estimated(uncertainty.OfMean(days))
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
