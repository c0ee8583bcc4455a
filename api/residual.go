package api

import (
	"math"
	"slices"
	"strings"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/summary"
	"leveltrail/domain/uncertainty"
)

// Corrected is an equivalent level, of a period too, or an index corrected for residual sound.
type Corrected struct {
	Symbol       string       `json:"symbol"`                                                                    // Of the level
	Outcome      string       `json:"outcome" enums:"not_needed,corrected,not_allowed,not_measured,unavailable"` // What was done; not_allowed, and not_measured in the hours of a period: the total is an upper bound. Of an index what limits it most
	Total        *PlainFigure `json:"total"`                                                                     // As measured
	Residual     *Figure      `json:"residual"`                                                                  // With the sound in question off, for a period in its hours; null for an index and where none was measured
	Corrected    *PlainFigure `json:"corrected"`                                                                 // Of the sound in question; null where unavailable
	DifferenceDB *float64     `json:"difference_db"`                                                             // Total less residual; null where there is no residual level
	LeastDB      *float64     `json:"least_db"`                                                                  // At or below this difference no level is given
	EnoughDB     *float64     `json:"enough_db"`                                                                 // From this difference on none is taken off
	Uncertainty  *Budget      `json:"uncertainty"`                                                               // Of the corrected level, by propagation
	Source       string       `json:"source"`                                                                    // Of the two differences
	Reason       string       `json:"reason,omitempty"`                                                          // Why it is unavailable
}

// ResidualLimits say what is done about residual sound, by how far a level lies above it.
type ResidualLimits struct {
	LeastDB  Level  `json:"least_db"`                      // At or below this difference no corrected level is given
	EnoughDB Level  `json:"enough_db"`                     // From this difference on nothing is taken off
	Source   string `json:"source" example:"local by-law"` // Where they are laid down
}

func (in *ResidualLimits) limits() *acoustic.ResidualLimits {
	if in == nil {
		return nil
	}
	return &acoustic.ResidualLimits{Least: acoustic.Level(in.LeastDB), Enough: acoustic.Level(in.EnoughDB), Source: in.Source}
}

func residualLimitsOf(l *acoustic.ResidualLimits) *ResidualLimits {
	if l == nil {
		return nil
	}
	return &ResidualLimits{Level(l.Least), Level(l.Enough), l.Source}
}

// corrected is a level corrected for residual sound, with its budget.
type corrected struct {
	total, residual summary.Figure
	summary.Corrected
	budget known
	source string // of the residual limits
	reason string // why there is none
}

// known is a budget and whether something of it was found.
type known struct {
	uncertainty.Budget
	err error
}

// correctAll corrects the levels of the place of which a residual level is known, the
// levels of its periods and their index.
func (p *place) correctAll(entered []uncertainty.Contribution) (all []corrected) {
	for _, r := range p.residual {
		if total, why := p.figure(r.Symbol); why == "" {
			all = append(all, p.correct(total, r, entered))
		}
	}
	return append(all, p.correctPeriods(entered)...)
}

// shown returns the levels of the place and whatever was corrected for residual sound.
func (p *place) shown(entered []uncertainty.Contribution) []summary.Figure {
	all := slices.Clone(p.figures.Levels)
	for _, c := range p.correctAll(entered) {
		if c.reason == "" {
			all = append(all, c.Figure)
		}
	}
	return all
}

// correctPeriods corrects the levels of periods, each by the residual level of its own
// hours of the day, and their index. There are none where no residual LAeq is known.
func (p *place) correctPeriods(entered []uncertainty.Contribution) (all []corrected) {
	if _, ok := residualFor("LAeq", p.residual); !ok {
		return nil
	}
	var lines [][]uncertainty.Contribution
	for _, period := range p.periods.Periods {
		if total, why := p.figure(period.Symbol); why == "" {
			lines = append(lines, p.lines(total, entered))
			all = append(all, p.correctIn(total, "LAeq", p.residualOf[period.Symbol], entered))
		}
	}
	index, why := p.figure(p.periods.Index)
	if p.periods.Index == "" || why != "" || len(all) < len(p.periods.Periods) {
		return all
	}
	return append(all, p.correctIndex(index, all, lines))
}

// correctIn corrects a total by the residual level of that symbol in its own hours of the
// day. Where there is none, while there is one of other hours, the total is an upper bound.
func (p *place) correctIn(total summary.Figure, symbol string, own []summary.Figure, entered []uncertainty.Contribution) corrected {
	residual, ok := residualFor(symbol, own)
	if !ok {
		c := corrected{total: total, source: p.limits.Source}
		if c.Corrected, c.reason = summary.WithoutResidual(total, p.limits); c.reason == "" {
			c.budget.Budget, c.budget.err = uncertainty.BudgetOf(p.lines(total, entered))
		}
		return c
	}
	plain := total
	plain.Symbol = symbol
	c := p.correct(plain, residual, entered)
	c.total.Symbol, c.Figure.Symbol = total.Symbol, total.Symbol
	return c
}

// residualFor returns the residual level of a symbol.
func residualFor(symbol string, levels []summary.Figure) (f summary.Figure, ok bool) {
	for _, f := range levels {
		if f.Symbol == symbol {
			return f, true
		}
	}
	return f, false
}

// correctIndex makes the index of corrected periods. lines are those of the budgets of
// their totals.
func (p *place) correctIndex(index summary.Figure, periods []corrected, lines [][]uncertainty.Contribution) corrected {
	c := corrected{total: index, source: p.limits.Source}
	of := make([]summary.Corrected, len(periods))
	levels := make([]acoustic.Decibel, len(periods))
	for i, period := range periods {
		if period.reason != "" {
			c.reason = period.total.Symbol + ": " + period.reason
			return c
		}
		of[i], levels[i] = period.Corrected, *period.Figure.Level
	}
	if c.Corrected, c.reason = summary.CorrectIndex(p.periods, index, of); c.reason != "" {
		return c
	}
	c.budget.Budget, c.budget.err = uncertainty.BudgetOf(ofPeriods(p.periods.Sensitivities(levels), periods, lines))
	return c
}

// ofPeriods returns the lines of the budget of an index, which moves with its periods by
// weights. What was entered and the meter are the same in all periods, and their
// sensitivities add up; what samples tell of each period is independent of the others.
func ofPeriods(weights []float64, periods []corrected, lines [][]uncertainty.Contribution) (all []uncertainty.Contribution) {
	residual, known := 0.0, true // the residual levels' share, squared
	for i, period := range periods {
		byTotal, byResidual := weights[i]*float64(period.Correction.TotalWeight), weights[i]*float64(period.Correction.ResidualWeight)
		entered := false
		for _, line := range lines[i] {
			switch line.Name {
			case "sampling", "representativity":
				line.Name += " of " + period.total.Symbol
				line.Sensitivity = byTotal
			case "residual":
				entered = true
				line.Sensitivity = byResidual
			default:
				line.Sensitivity *= byTotal
			}
			if n := slices.IndexFunc(all, named(line.Name)); n >= 0 {
				all[n].Sensitivity += line.Sensitivity
			} else {
				all = append(all, line)
			}
		}
		if r := period.residual.Representativity; !entered && byResidual != 0 {
			if known = known && r != nil && r.Reason == ""; known {
				residual += math.Pow(byResidual*float64(r.Standard), 2)
			}
		} else if entered {
			known = false // it stands in a line of its own
		}
	}
	if known && residual > 0 {
		all = append(all, uncertainty.Contribution{
			Name: "residual", Value: acoustic.Decibel(math.Sqrt(residual)), Distribution: uncertainty.Normal, Sensitivity: 1, Defaulted: true,
			Source: "representativity of the residual levels of the periods, estimated from their samples and propagated",
		})
	}
	return all
}

// correct takes a residual level of the place off a total of the same symbol.
func (p *place) correct(total, residual summary.Figure, entered []uncertainty.Contribution) corrected {
	c := corrected{total: total, residual: residual, source: p.limits.Source}
	c.Corrected, c.reason = summary.CorrectResidual(total, residual, p.limits)
	if c.reason != "" {
		return c
	}
	lines := p.lines(total, entered)
	i := slices.IndexFunc(lines, named("residual"))
	var u acoustic.Decibel
	source := ""
	switch {
	case i >= 0:
		u, source = lines[i].Standard(), lines[i].Source
		lines = slices.Delete(lines, i, i+1)
	case residual.Representativity != nil && residual.Representativity.Reason == "":
		u, source = residual.Representativity.Standard, "representativity of the residual level, estimated from its samples"
	}
	if source != "" {
		lines = uncertainty.OfResidual(lines, c.Correction, u, source)
	} else {
		for i := range lines {
			lines[i].Sensitivity *= float64(c.Correction.TotalWeight)
		}
	}
	c.budget.Budget, c.budget.err = uncertainty.BudgetOf(lines)
	return c
}

func (c corrected) body() Corrected {
	total := plainOf(c.total)
	out := Corrected{Symbol: c.total.Symbol, Outcome: "unavailable", Total: &total, Source: c.source, Reason: c.reason}
	if c.residual.Symbol != "" {
		residual := figureOf(c.residual)
		out.Residual = &residual
	}
	if c.reason != "" {
		return out
	}
	f, b := plainOf(c.Figure), budgetOf(c.budget.Budget)
	out.Outcome, out.Corrected, out.Uncertainty = string(c.Correction.Outcome), &f, &b
	if out.Residual != nil {
		out.DifferenceDB = new(float64(c.Correction.Difference) / 100)
	}
	out.LeastDB, out.EnoughDB = new(float64(c.Correction.Least)/100), new(float64(c.Correction.Enough)/100)
	return out
}

func named(name string) func(uncertainty.Contribution) bool {
	return func(c uncertainty.Contribution) bool { return c.Name == name }
}

// lines returns the lines of the budget of a figure: what was entered, the meter by its
// class unless it was entered, and what the samples tell.
func (p *place) lines(f summary.Figure, entered []uncertainty.Contribution) []uncertainty.Contribution {
	lines := slices.Clone(entered)
	add := func(c uncertainty.Contribution) {
		if !slices.ContainsFunc(lines, named(c.Name)) {
			lines = append(lines, c)
		}
	}
	var meter uncertainty.Contribution
	for _, m := range p.meters { // the coarsest of them
		class := ""
		if strings.HasPrefix(m.Specification, "IEC 61672") {
			class = m.Class
		}
		c, ok := uncertainty.Instrument(class)
		if !ok {
			meter = uncertainty.Contribution{}
			break
		}
		if c.Value > meter.Value {
			meter = c
		}
	}
	if meter.Name != "" {
		add(meter)
	}
	for _, e := range []struct {
		name string
		*summary.Estimated
	}{{"sampling", f.Sampling}, {"representativity", f.Representativity}} {
		if e.Estimated != nil && e.Reason == "" {
			add(uncertainty.Contribution{
				Name: e.name, Value: e.Standard, Distribution: uncertainty.Normal, Sensitivity: 1,
				Source: "estimated from the samples", Defaulted: true,
			})
		}
	}
	return lines
}

// budget returns the measurement uncertainty of a figure of the place.
func (p *place) budget(f summary.Figure, entered []uncertainty.Contribution) (b known) {
	b.Budget, b.err = uncertainty.BudgetOf(p.lines(f, entered))
	return b
}
