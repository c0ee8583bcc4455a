package api

import (
	"leveltrail/domain/acoustic"
	"leveltrail/domain/uncertainty"
)

// Contribution is one line of a measurement uncertainty budget.
type Contribution struct {
	Name         string   `json:"name" example:"operating_conditions"`                                                       // instrument, operating_conditions, weather, residual, location, or any other
	ValueDB      float64  `json:"value_db" minimum:"0" maximum:"30"`                                                         // How far the input can be off
	Distribution *string  `json:"distribution,omitempty" enums:"normal,expanded_95,rectangular,triangular" example:"normal"` // How the value reads: standard uncertainty (normal, unless given), expanded with k = 2, or half a width
	Sensitivity  *float64 `json:"sensitivity,omitempty"`                                                                     // By which the result moves with the input, 1 unless given
	Source       string   `json:"source" example:"three repeated visits"`                                                    // Where the value is from
}

// Budget is the measurement uncertainty of a result.
type Budget struct {
	Contributions []BudgetLine `json:"contributions"` // Its lines
	StandardDB    float64      `json:"standard_db"`   // Combined: root of the sum of the squares
	K             float64      `json:"k"`             // Coverage factor
	ExpandedDB    float64      `json:"expanded_db"`   // k times the standard one, for 95 % on both sides
	Missing       []string     `json:"missing"`       // What a budget should name and this one does not
}

// BudgetLine is a contribution with what it comes to.
type BudgetLine struct {
	Contribution
	Defaulted  bool    `json:"defaulted"`   // Not entered by anyone
	StandardDB float64 `json:"standard_db"` // Standard uncertainty of the input times its sensitivity
}

// contributions returns what was sent, with what was left out.
func contributions(in []Contribution) []uncertainty.Contribution {
	var cs []uncertainty.Contribution
	for _, c := range in {
		d := uncertainty.Contribution{Name: c.Name, Value: acoustic.Decibel(c.ValueDB), Distribution: uncertainty.Normal, Sensitivity: 1, Source: c.Source}
		if c.Distribution != nil {
			d.Distribution = uncertainty.Distribution(*c.Distribution)
		}
		if c.Sensitivity != nil {
			d.Sensitivity = *c.Sensitivity
		}
		cs = append(cs, d)
	}
	return cs
}

func contributionOf(c uncertainty.Contribution) Contribution {
	distribution := string(c.Distribution)
	return Contribution{c.Name, float64(c.Value), &distribution, &c.Sensitivity, c.Source}
}

func contributionsOf(cs []uncertainty.Contribution) []Contribution {
	out := make([]Contribution, len(cs))
	for i, c := range cs {
		out[i] = contributionOf(c)
	}
	return out
}

func budgetOf(b uncertainty.Budget) Budget {
	out := Budget{
		Contributions: make([]BudgetLine, len(b.Contributions)), StandardDB: round(float64(b.Standard), 2), K: b.K,
		ExpandedDB: round(float64(b.Expanded), 2), Missing: append([]string{}, b.Missing...),
	}
	for i, c := range b.Contributions {
		line := BudgetLine{contributionOf(c), c.Defaulted, round(c.Sensitivity*float64(c.Standard()), 4)}
		line.ValueDB, *line.Sensitivity = round(line.ValueDB, 4), round(*line.Sensitivity, 4)
		out.Contributions[i] = line
	}
	return out
}
