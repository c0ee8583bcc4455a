package summary

import (
	"time"

	"leveltrail/domain/series"
	"leveltrail/domain/uncertainty"
)

// mostRead is the longest series, in samples, whose uncertainties are made from every
// sample: a day of seconds and some more. Those of longer ones come from aggregates.
const mostRead = 100_000

// longestQuarters is the longest span whose stretches are multiples of quarter hours.
// Longer ones are cut into whole days, whose distributions are kept.
const longestQuarters = 60 * 24 * time.Hour

// mostStretches bounds the stretches that a span is cut into.
const mostStretches = 512

// Doubt says what is wanted of the samples of one series for the uncertainties of its
// figures, beside what [Plan] asks.
type Doubt struct {
	Ask series.Ask

	plan       *Plan
	every      bool  // the samples themselves, of cells that each lie in one period
	byDays     bool  // stretches are whole days, in which periods cannot be told apart
	stretch    []int // of the cells of Ask, unless it is of every sample
	period     []int // of the cells of Ask: index in the period set, -1 for none
	stretches  int
	unwanted   bool
	percentile bool // distributions are needed
}

// DoubtOf returns what the uncertainties of the plan's figures take. A series of up to
// 100,000 samples is read sample by sample, a longer one in up to 512 stretches: of five
// minutes up to 42 hours, quarter hours or multiples, from 60 days on local days or multiples, so that aggregates
// serve. Its Ask is empty if no figure of the series has an uncertainty of its own: spot
// readings, extremes and peaks have none.
func DoubtOf(p *Plan) Doubt {
	d := Doubt{plan: p, percentile: p.form.exceed != "" && len(p.request.Percentiles) > 0}
	interval := p.header.Interval
	if interval == 0 || p.form.mean == "" || len(p.Ask.Cells) == 0 {
		d.unwanted = true
		return d
	}
	var spans []series.Span
	var periods []int // of spans
	var asked time.Duration
	cells := p.Ask.Cells
	d.byDays = cells[len(cells)-1].To.Sub(cells[0].From) >= longestQuarters // which hold all periods
	for j, c := range cells {
		asked += c.To.Sub(c.From)
		period := -1
		if slot := p.places[j].slot; slot >= 0 && !d.byDays {
			period = p.slots[slot].period
		}
		if n := len(spans); n > 0 && spans[n-1].To.Equal(c.From) && periods[n-1] == period {
			spans[n-1].To = c.To
		} else {
			spans, periods = append(spans, c.Span), append(periods, period)
		}
	}
	if d.every = asked/interval <= mostRead; d.every {
		d.Ask.Keep, d.period = true, periods
		for _, s := range spans {
			d.Ask.Cells = append(d.Ask.Cells, series.Cell{Span: s, Group: -1})
		}
		return d
	}
	ends := stretchEnds(series.Span{From: spans[0].From, To: spans[len(spans)-1].To}, p.request.Zone)
	i := 0
	for j, c := range spans {
		for at := c.From; at.Before(c.To); {
			for !ends(i).After(at) {
				i++
			}
			end := ends(i)
			if end.After(c.To) {
				end = c.To
			}
			group := -1
			if d.percentile {
				group = i
			}
			d.Ask.Cells = append(d.Ask.Cells, series.Cell{Span: series.Span{From: at, To: end}, Group: group})
			d.stretch, d.period = append(d.stretch, i), append(d.period, periods[j])
			d.stretches = i + 1
			at = end
		}
	}
	if d.percentile {
		d.Ask.Groups = d.stretches
	}
	return d
}

// stretchEnds returns where the i-th stretch of a span ends. Days of the zone begin at
// whole quarter hours, as their aggregates do.
func stretchEnds(span series.Span, zone *time.Location) func(i int) time.Time {
	const third, quarter, day = 5 * time.Minute, 15 * time.Minute, 24 * time.Hour
	length := span.To.Sub(span.From)
	times := func(unit time.Duration) int { return int((length + mostStretches*unit - 1) / (mostStretches * unit)) }
	if length < longestQuarters {
		step := third // of a quarter hour: fewer than a hundred or two stretches tell too little
		if length > mostStretches*third {
			step = quarter * time.Duration(max(1, times(quarter)))
		}
		from := span.From.Truncate(step)
		return func(i int) time.Time { return from.Add(time.Duration(i+1) * step) }
	}
	n := times(day)
	y, m, first := span.From.In(zone).Date()
	return func(i int) time.Time { return time.Date(y, m, first+(i+1)*n, 0, 0, 0, 0, zone).UTC().Truncate(quarter) }
}

// Doubted enters into the figures of s, made by [Of] from the plan of d, the
// uncertainties that the answer a to d's Ask makes, or why there is none. main is the answer
// to the plan's own Ask.
func (d Doubt) Doubted(s *Summary, main, a series.Answer) {
	if d.unwanted {
		return
	}
	figures := map[string]*Figure{}
	for i := range s.Levels {
		figures[s.Levels[i].Symbol] = &s.Levels[i]
	}
	give := func(symbol string, sampling, representativity Estimated) {
		if f := figures[symbol]; f != nil {
			f.doubt(sampling, representativity)
		}
	}
	if percentiles := d.plan.request.Percentiles; d.every {
		d.ofSamples(d.runs(a, 0, len(a.Runs), anyCell), percentiles, d.plan.form.names(percentiles), give)
	} else {
		d.ofStretches(a, give)
	}
	d.periods(s, main, a)
}

// doubt enters uncertainties. What the meter integrates has no gaps.
func (f *Figure) doubt(sampling, representativity Estimated) {
	if f.Basis != Integrated && f.Basis != ShortLeq {
		f.Sampling = &sampling
	}
	f.Representativity = &representativity
}

// Estimated is an uncertainty, or why there is none.
type Estimated struct {
	uncertainty.Estimate
	Reason string // empty if there is one
}

// estimated joins what the estimators return.
func estimated(e uncertainty.Estimate, reason string) Estimated { return Estimated{e, reason} }

// ofSamples makes uncertainties from every sample. names are the symbols of percentiles.
func (d Doubt) ofSamples(
	runs []series.Run, percentiles []series.Percent, names []string, give func(symbol string, sampling, representativity Estimated),
) {
	interval := d.plan.header.Interval
	s := uncertainty.NewStream(interval, d.percentile)
	for _, r := range runs {
		s.Add(r)
	}
	give(d.plan.form.mean, estimated(s.SamplingOfMean()), estimated(s.OfMean()))
	if !d.percentile {
		return
	}
	for i, name := range names {
		p := percentiles[i]
		give(name, estimated(uncertainty.SamplingOfExceedance(runs, interval, p)), estimated(s.OfExceedance(p)))
	}
}

// runs returns the samples of those of the cells from one to another that count, in time order.
func (d Doubt) runs(a series.Answer, from, to int, counts func(cell int) bool) (runs []series.Run) {
	for i := from; i < to; i++ {
		if counts(i) {
			runs = append(runs, a.Runs[i]...)
		}
	}
	return series.Joined(runs, d.plan.header.Interval)
}

// ofStretches makes uncertainties from aggregates. Of the gaps between samples they tell
// an upper bound, which is small by then.
func (d Doubt) ofStretches(a series.Answer, give func(symbol string, sampling, representativity Estimated)) {
	tallies := d.tallies(a)
	f := &d.plan.form
	var all series.Counts
	for _, h := range a.Histograms {
		all.AddHistogram(h)
	}
	h := all.Histogram()
	sampling := estimated(uncertainty.GapsAtMostOfTallies(tallies))
	if d.percentile {
		sampling = estimated(uncertainty.GapsAtMost(h))
	}
	give(f.mean, sampling, estimated(uncertainty.OfMean(tallies)))
	if !d.percentile {
		return
	}
	for i, name := range f.names(d.plan.request.Percentiles) {
		p := d.plan.request.Percentiles[i]
		give(name, estimated(uncertainty.GapsAtMostOf(h, p)), estimated(uncertainty.OfExceedance(a.Histograms, p)))
	}
}
