package summary

import (
	"slices"
	"time"

	"leveltrail/domain/series"
	"leveltrail/domain/uncertainty"
)

// PositionDoubt says what is wanted of the samples of the series of a position for the
// uncertainties of figures that several of them make together. Those of a figure that one
// series makes alone are the series' own, see [Doubt].
type PositionDoubt struct {
	Asks []PositionAsk

	means         []meanDoubt
	distributions []distributionDoubt
}

// PositionAsk asks samples of one of the series.
type PositionAsk struct {
	Of int // index of its plan
	series.Ask
}

// meanDoubt is what the uncertainties of an equivalent level take.
type meanDoubt struct {
	symbol string
	of     []int   // indices of plans
	plans  []Plan  // of those, without what is outranked
	gaps   []Doubt // by plan; unwanted where the meter integrated
	grid   grid
	asked  int // index of the first Ask: those of the grid, then those of gaps
}

// distributionDoubt is what the uncertainties of exceedance levels take.
type distributionDoubt struct {
	percentiles []series.Percent
	names       []string
	grid        grid
	asked       int // index of the first Ask
}

// PositionDoubtOf returns what the uncertainties of the figures of a position take that
// are not those of one series. The plans come from [PlanPosition].
func PositionDoubtOf(plans []Plan) (d PositionDoubt) {
	parts := make([]Part, len(plans))
	for i, p := range plans {
		parts[i].Plan = p
	}
	for _, symbol := range symbols(parts, func(f *form) string { return f.mean }) {
		d.planMean(plans, symbol)
	}
	for _, prefix := range symbols(parts, func(f *form) string { return f.exceed }) {
		d.planDistribution(plans, prefix)
	}
	return d
}

func (d *PositionDoubt) planMean(plans []Plan, symbol string) {
	m := meanDoubt{symbol: symbol, asked: len(d.Asks)}
	var hs []Header
	outranked := false
	for i := range plans {
		p := &plans[i]
		if p.form.mean != symbol || p.header.Interval == 0 {
			continue
		}
		hs = append(hs, p.header)
		counted := p.counted()
		if len(counted.Ask.Cells) == 0 {
			continue
		}
		outranked = outranked || len(counted.Ask.Cells) < len(p.Ask.Cells)
		m.of, m.plans = append(m.of, i), append(m.plans, counted)
	}
	if len(m.of) == 0 || len(m.of) == 1 && !outranked || contest(hs, ranked) {
		return
	}
	m.grid = gridOf(m.plans, false)
	for k, ask := range m.grid.asks {
		d.Asks = append(d.Asks, PositionAsk{m.of[k], ask})
	}
	m.gaps = make([]Doubt, len(m.of))
	for k := range m.plans {
		m.gaps[k].unwanted = true
		if m.plans[k].form.meanBasis != Integrated {
			m.gaps[k] = DoubtOf(&m.plans[k])
		}
		d.Asks = append(d.Asks, PositionAsk{m.of[k], m.gaps[k].Ask})
	}
	d.means = append(d.means, m)
}

func (d *PositionDoubt) planDistribution(plans []Plan, prefix string) {
	of, reason := distributed(plans, prefix)
	percentiles := plans[of[0]].request.Percentiles
	if len(of) < 2 || reason != "" || len(percentiles) == 0 || plans[of[0]].header.Interval == 0 {
		return
	}
	x := distributionDoubt{percentiles: percentiles, names: plans[of[0]].form.names(percentiles), asked: len(d.Asks)}
	chosen := make([]Plan, len(of))
	for k, i := range of {
		chosen[k] = plans[i]
	}
	x.grid = gridOf(chosen, true)
	for k, ask := range x.grid.asks {
		d.Asks = append(d.Asks, PositionAsk{of[k], ask})
	}
	d.distributions = append(d.distributions, x)
}

// counted returns the plan without what is outranked, and without distributions.
func (p *Plan) counted() Plan {
	c := *p
	c.Ask, c.places = series.Ask{}, nil
	c.request.Percentiles = nil
	for i, pl := range p.places {
		if !pl.outranked {
			cell := p.Ask.Cells[i]
			cell.Group = -1
			c.Ask.Cells, c.places = append(c.Ask.Cells, cell), append(c.places, pl)
		}
	}
	return c
}

// countedOf returns of the answer to p what counts.
func (p *Plan) countedOf(a series.Answer) (c series.Answer) {
	for i, pl := range p.places {
		if !pl.outranked {
			c.Tallies = append(c.Tallies, a.Tallies[i])
		}
	}
	return c
}

// grid cuts the samples of several series into the same stretches.
type grid struct {
	asks   []series.Ask // of the plans
	cells  [][]gridCell // of the cells of asks
	length int          // stretches, empty ones included
}

type gridCell struct{ stretch, period int }

// longestGap is the most empty stretches that are kept of the time between surveys: what
// lies further apart is unrelated anyhow.
const longestGap = 64

// gridOf returns the grid of up to about 512 stretches with samples, none shorter than the
// longest interval.
func gridOf(plans []Plan, groups bool) (g grid) {
	var asked, unit time.Duration
	for i := range plans {
		unit = max(unit, plans[i].header.Interval)
		for _, c := range plans[i].Ask.Cells {
			asked += c.To.Sub(c.From)
		}
	}
	const quarter = 15 * time.Minute
	unit *= max(1, (asked+mostStretches*unit-1)/(mostStretches*unit))
	if unit > quarter/3 { // from there on aggregates are to serve
		unit = quarter * ((unit + quarter - 1) / quarter)
	}
	g.asks, g.cells = make([]series.Ask, len(plans)), make([][]gridCell, len(plans))
	var marks []int // stretches since 1970 that hold samples
	for k := range plans {
		p := &plans[k]
		for j, c := range p.Ask.Cells {
			for at := c.From; at.Before(c.To); {
				n := floorDiv(at.UnixMicro(), unit.Microseconds())
				end := time.UnixMicro((n + 1) * unit.Microseconds()).UTC()
				if end.After(c.To) {
					end = c.To
				}
				g.asks[k].Cells = append(g.asks[k].Cells, series.Cell{Span: series.Span{From: at, To: end}, Group: -1})
				g.cells[k] = append(g.cells[k], gridCell{int(n), p.periodOf(j)})
				marks = append(marks, int(n))
				at = end
			}
		}
	}
	slices.Sort(marks)
	marks = slices.Compact(marks)
	index := make(map[int]int, len(marks))
	for i, n := range marks {
		if i > 0 {
			g.length += min(n-marks[i-1], longestGap)
		}
		index[n] = g.length
	}
	g.length++
	for k := range g.cells {
		for i := range g.cells[k] {
			c := &g.cells[k][i]
			if c.stretch = index[c.stretch]; groups {
				g.asks[k].Cells[i].Group, g.asks[k].Groups = c.stretch, g.length
			}
		}
	}
	return g
}

// Doubted enters into the figures of a position, made by [Position] of parts, the
// uncertainties that the answers to the Asks make, or the reasons why there are none.
func (d PositionDoubt) Doubted(f *PositionFigures, parts []Part, answers []series.Answer) {
	figure := func(symbol string) *Figure {
		for i := range f.Levels {
			if f.Levels[i].Symbol == symbol {
				return &f.Levels[i]
			}
		}
		return nil
	}
	for i := range d.means {
		m := &d.means[i]
		if level := figure(m.symbol); level != nil {
			level.doubt(m.uncertainties(parts, answers[m.asked:], nil))
		}
		if p := &parts[m.of[0]].Plan; p.form.indices && len(f.Indices) > 0 {
			p.doubtIndices(f.Indices, func(period int) (sampling, whole Estimated) {
				return m.uncertainties(parts, answers[m.asked:], &period)
			})
		}
	}
	for _, x := range d.distributions {
		stretches := make([]series.Histogram, x.grid.length)
		var all series.Counts
		for k := range x.grid.asks {
			for i, h := range answers[x.asked+k].Histograms {
				stretches[i] = stretches[i].Plus(h)
				all.AddHistogram(h)
			}
		}
		h := all.Histogram()
		for i, name := range x.names {
			if level := figure(name); level != nil {
				level.doubt(estimated(uncertainty.GapsAtMostOf(h, x.percentiles[i])), estimated(uncertainty.OfExceedance(stretches, x.percentiles[i])))
			}
		}
	}
}

// uncertainties returns the uncertainties of the level, or of that of a period. What the gaps between
// the readings of each series leave open is independent, and weighs as its share of the energy.
func (m *meanDoubt) uncertainties(parts []Part, answers []series.Answer, period *int) (sampling, whole Estimated) {
	energies, times := make([]float64, m.grid.length), make([]float64, m.grid.length)
	total := 0.0
	shares := make([]float64, len(m.of))
	for k := range m.of {
		h := &m.plans[k].header
		for i := range answers[k].Tallies {
			t, c := &answers[k].Tallies[i], m.grid.cells[k][i]
			if period != nil && c.period != *period {
				continue
			}
			if t.Over > 0 {
				e := Estimated{Reason: "samples over range have no upper end"}
				return e, e
			}
			energy := t.Energy.Ratio() * h.Interval.Seconds()
			energies[c.stretch], times[c.stretch] = energies[c.stretch]+energy, times[c.stretch]+h.duration(t.Samples()).Seconds()
			shares[k], total = shares[k]+energy, total+energy
		}
	}
	whole = estimated(uncertainty.OfEnergies(energies, times))
	var es []uncertainty.Estimate
	var weights []float64
	for k := range m.of {
		if m.gaps[k].unwanted || shares[k] == 0 {
			continue
		}
		e, _ := m.gaps[k].ofMean(parts[m.of[k]].Plan.countedOf(parts[m.of[k]].Answer), answers[len(m.of)+k], period)
		if e.Reason != "" {
			return e, whole
		}
		es, weights = append(es, e.Estimate), append(weights, shares[k]/total)
	}
	if len(es) == 0 {
		return Estimated{Reason: "no samples"}, whole
	}
	return estimated(uncertainty.Combined(es, weights), ""), whole
}

// ofMean returns the uncertainties of the equivalent level, or of that of a period.
func (d Doubt) ofMean(main, a series.Answer, period *int) (sampling, whole Estimated) {
	switch {
	case period != nil:
		return d.ofPeriod(main, a, *period)
	case d.every:
		return d.ofRuns(d.runs(a, 0, len(a.Runs), anyCell))
	}
	tallies := d.tallies(a)
	return estimated(uncertainty.GapsAtMostOfTallies(tallies)), estimated(uncertainty.OfMean(tallies))
}

// tallies returns those of the stretches.
func (d Doubt) tallies(a series.Answer) []series.Tally {
	tallies := make([]series.Tally, d.stretches)
	for i := range a.Tallies {
		tallies[d.stretch[i]].Include(&a.Tallies[i])
	}
	return tallies
}
