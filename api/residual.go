package api

import (
	"slices"
	"strings"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/summary"
	"leveltrail/domain/uncertainty"
)

// Corrected is an equivalent level corrected for residual sound.
type Corrected struct {
	Symbol       string       `json:"symbol"`                                                       // Of the level
	Outcome      string       `json:"outcome" enums:"not_needed,corrected,not_allowed,unavailable"` // What was done; not_allowed: the total is an upper bound
	Total        *PlainFigure `json:"total"`                                                        // As measured
	Residual     Figure       `json:"residual"`                                                     // With the sound in question off
	Corrected    *PlainFigure `json:"corrected"`                                                    // Of the sound in question; null where unavailable
	DifferenceDB *float64     `json:"difference_db"`                                                // Total less residual
	LeastDB      *float64     `json:"least_db"`                                                     // At or below this difference no level is given
	EnoughDB     *float64     `json:"enough_db"`                                                    // From this difference on none is taken off
	Uncertainty  *Budget      `json:"uncertainty"`                                                  // Of the corrected level, by propagation
	Source       string       `json:"source"`                                                       // Of the two differences
	Reason       string       `json:"reason,omitempty"`                                             // Why it is unavailable
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
	out := Corrected{
		Symbol: c.residual.Symbol, Outcome: "unavailable", Total: &total, Residual: figureOf(c.residual),
		Source: c.source, Reason: c.reason,
	}
	if c.reason != "" {
		return out
	}
	f, b := plainOf(c.Figure), budgetOf(c.budget.Budget)
	out.Outcome, out.Corrected, out.Uncertainty = string(c.Correction.Outcome), &f, &b
	out.DifferenceDB = new(float64(c.Correction.Difference) / 100)
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
