package summary

import (
	"fmt"
	"time"

	"leveltrail/domain/series"
	"leveltrail/domain/uncertainty"
)

const (
	// stepStretches is how many stretches a step of a long series is cut into, as an hour
	// into quarter minutes. With half as many too few intervals hold, see COVERAGE.md of
	// the package uncertainty.
	stepStretches = 240

	// mostStepStretches bounds the stretches of all steps.
	mostStepStretches = 200_000
)

// StepDoubt says what is wanted of the samples of one series for the uncertainties of the
// steps of its profile, beside what [Plan] asks.
type StepDoubt struct {
	Ask series.Ask

	doubt  Doubt
	first  []int // of the cells of Ask: that with which a step begins, and one past the last
	reason string
}

// StepDoubtOf returns what the uncertainties of the plan's steps take. Steps of up to
// 100,000 samples together are read sample by sample, others in stretches. Its Ask is
// empty if no figure of a step has an uncertainty of its own.
func StepDoubtOf(p *Plan) StepDoubt {
	interval := p.header.Interval
	d := StepDoubt{doubt: Doubt{plan: p, percentile: p.form.exceed != "" && len(p.request.StepPercentiles) > 0}, first: make([]int, p.steps()+1)}
	if interval == 0 || p.form.mean == "" || p.steps() == 0 {
		d.doubt.unwanted = true
		return d
	}
	var asked time.Duration
	for _, c := range p.Ask.Cells {
		asked += c.To.Sub(c.From)
	}
	unit := stretchOf(p.request.Step, interval)
	if d.doubt.every = asked/interval <= mostRead; d.doubt.every {
		d.doubt.Ask.Keep = true
	} else if n := asked / unit; n > mostStepStretches {
		d.reason = fmt.Sprintf("the steps would be cut into %d stretches, at most %d are: ask for a shorter span or longer steps", n, mostStepStretches)
		return d
	}
	begun := 0 // steps
	for j := 0; j < len(p.Ask.Cells); {
		step, period, span := int(p.places[j].step), p.periodOf(j), p.Ask.Cells[j].Span
		for j++; j < len(p.Ask.Cells) && p.Ask.Cells[j].From.Equal(span.To) && int(p.places[j].step) == step && p.periodOf(j) == period; j++ {
			span.To = p.Ask.Cells[j].To
		}
		for ; begun <= step; begun++ {
			d.first[begun] = len(d.doubt.Ask.Cells)
		}
		begin := time.UnixMicro(p.bounds[step]).UTC()
		for at := span.From; at.Before(span.To); {
			end, n := span.To, 0
			if !d.doubt.every {
				n = int(at.Sub(begin) / unit)
				end = begin.Add(time.Duration(n+1) * unit)
			}
			if end.After(span.To) {
				end = span.To
			}
			d.doubt.Ask.Cells = append(d.doubt.Ask.Cells, series.Cell{Span: series.Span{From: at, To: end}, Group: -1})
			d.doubt.stretch, d.doubt.period = append(d.doubt.stretch, n), append(d.doubt.period, period)
			at = end
		}
	}
	for ; begun < len(d.first); begun++ {
		d.first[begun] = len(d.doubt.Ask.Cells)
	}
	d.Ask = d.doubt.Ask
	return d
}

// stretchOf returns the length of the stretches that steps of a long series are cut into.
func stretchOf(step, interval time.Duration) time.Duration {
	const quarter = 15 * time.Minute
	unit := interval * max(1, (step+stepStretches*interval-1)/(stepStretches*interval))
	if unit > quarter { // from there on aggregates are to serve
		unit = quarter * ((unit + quarter - 1) / quarter)
	}
	return unit
}

// periodOf returns the index in the period set of what a cell lies in, -1 for none.
func (p *Plan) periodOf(cell int) int {
	if slot := p.places[cell].slot; slot >= 0 {
		return p.slots[slot].period
	}
	return -1
}

// Doubted lets the steps of s, made by [Of] from the plan of d, have the uncertainties that
// the answer to d's Ask makes, or the reason why there is none.
func (d StepDoubt) Doubted(s *Summary, a series.Answer) {
	if !d.doubt.unwanted {
		s.Steps.doubt, s.Steps.doubted = &d, a
	}
}

// enter enters the uncertainties of the step of index i, made of sum.
func (d *StepDoubt) enter(i int, st *Step, sum *scopeSum, a series.Answer) {
	p := d.doubt.plan
	give := func(symbol string, sampling, representativity Estimated) {
		for n := range st.Levels {
			if f := &st.Levels[n]; f.Symbol == symbol {
				f.doubt(sampling, representativity)
			}
		}
	}
	names := p.form.names(p.request.StepPercentiles)
	switch {
	case d.reason != "":
		e := Estimated{Reason: d.reason}
		give(p.form.mean, e, e)
		for _, name := range names {
			give(name, e, e)
		}
	case d.doubt.every:
		d.doubt.ofSamples(d.doubt.runs(a, d.first[i], d.first[i+1], anyCell), p.request.StepPercentiles, names, give)
	default:
		tallies := d.tallies(a, i, anyCell)
		sampling := estimated(uncertainty.GapsAtMostOfTallies(tallies))
		if d.doubt.percentile {
			sampling = estimated(uncertainty.GapsAtMost(sum.histogram))
		}
		give(p.form.mean, sampling, estimated(uncertainty.OfMean(tallies)))
		for n, name := range names {
			give(name, estimated(uncertainty.GapsAtMostOf(sum.histogram, p.request.StepPercentiles[n])),
				Estimated{Reason: "the series is long: of parts of its steps no distributions are kept"})
		}
	}
	if len(st.Indices) == 0 {
		return
	}
	p.doubtIndices(st.Indices, func(period int) (sampling, whole Estimated) {
		of := func(cell int) bool { return d.doubt.period[cell] == period }
		switch {
		case d.reason != "":
			return Estimated{Reason: d.reason}, Estimated{Reason: d.reason}
		case d.doubt.every:
			return d.doubt.ofRuns(d.doubt.runs(a, d.first[i], d.first[i+1], of))
		}
		tallies := d.tallies(a, i, of)
		return estimated(uncertainty.GapsAtMostOfTallies(tallies)), estimated(uncertainty.OfMean(tallies))
	})
}

// tallies returns those of the stretches of a step, in which only some cells count.
func (d *StepDoubt) tallies(a series.Answer, step int, counts func(cell int) bool) (tallies []series.Tally) {
	for c := d.first[step]; c < d.first[step+1]; c++ {
		if !counts(c) {
			continue
		}
		for len(tallies) <= d.doubt.stretch[c] {
			tallies = append(tallies, series.Tally{})
		}
		tallies[d.doubt.stretch[c]].Include(&a.Tallies[c])
	}
	return tallies
}

func anyCell(int) bool { return true }
