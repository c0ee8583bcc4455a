package uncertainty

import (
	"fmt"
	"math"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/fault"
)

// Distribution says how the value of a contribution is to be read.
type Distribution string

// The distributions (GUM 4.3).
const (
	Normal      Distribution = "normal"      // the value is a standard uncertainty
	Expanded95  Distribution = "expanded_95" // the value is an expanded uncertainty with k = 2
	Rectangular Distribution = "rectangular" // the value is half the width of equally likely values
	Triangular  Distribution = "triangular"  // the value is half the width, the middle likeliest
)

// divisors turn values into standard uncertainties.
var divisors = map[Distribution]float64{Normal: 1, Expanded95: 2, Rectangular: math.Sqrt(3), Triangular: math.Sqrt(6)}

// Contribution is one line of a budget.
type Contribution struct {
	Name         string // "instrument", "operating_conditions", "weather", "residual", "location", or any other
	Value        acoustic.Decibel
	Distribution Distribution
	Sensitivity  float64 // ∂result/∂input
	Source       string
	Defaulted    bool // not entered by anyone
}

// Standard returns the standard uncertainty of the input, before its sensitivity.
func (c Contribution) Standard() acoustic.Decibel {
	return c.Value / acoustic.Decibel(divisors[c.Distribution])
}

// Budget is the measurement uncertainty of a result, in the manner of ISO 1996-2.
type Budget struct {
	Contributions []Contribution
	Standard      acoustic.Decibel // combined: root of the sum of (sensitivity·standard)²
	K             float64          // coverage factor
	Expanded      acoustic.Decibel // K times Standard, for 95 % on both sides
	Missing       []string         // contributions that a budget should name and this one does not
}

// expected are the contributions that ISO 1996-2 asks for (memory).
var expected = []string{"instrument", "operating_conditions", "weather", "residual", "location"}

// BudgetOf combines contributions, taken as independent, with k = 2. What was not
// entered is listed as missing and not taken as zero silently. It is an Invalid error
// if a contribution makes no sense.
func BudgetOf(contributions []Contribution) (Budget, error) {
	b := Budget{Contributions: contributions, K: 2}
	var bad fault.Fields
	sum := 0.0
	named := map[string]bool{}
	for i, c := range contributions {
		path := fmt.Sprintf("contributions/%d", i)
		bad.Check(c.Name != "", path+"/name", "required", "must not be blank")
		bad.Check(!named[c.Name], path+"/name", "duplicate", "must come once")
		bad.Check(c.Value >= 0 && c.Value <= 30, path+"/value_db", "out_of_range", "must lie between 0 and 30")
		bad.Check(math.Abs(c.Sensitivity) <= 1000, path+"/sensitivity", "out_of_range", "must lie between -1000 and 1000")
		bad.Check(c.Source != "", path+"/source", "required", "must say where the value is from")
		if divisors[c.Distribution] == 0 {
			bad.Add(path+"/distribution", "not_allowed", "must be normal, expanded_95, rectangular or triangular")
			continue
		}
		named[c.Name] = true
		u := c.Sensitivity * float64(c.Standard())
		sum += u * u
	}
	for _, name := range expected {
		if !named[name] {
			b.Missing = append(b.Missing, name)
		}
	}
	b.Standard = acoustic.Decibel(math.Sqrt(sum))
	b.Expanded = acoustic.Decibel(b.K) * b.Standard
	return b, bad.Err("uncertainty budget")
}

// Instrument returns the contribution of a sound level meter by its class. ok is false
// for a class of which no value is known.
func Instrument(class string) (c Contribution, ok bool) {
	c = Contribution{Name: "instrument", Distribution: Normal, Sensitivity: 1, Defaulted: true}
	switch class {
	case "1":
		c.Value, c.Source = 0.5, "class 1 meter, memory of ISO 1996-2:2017"
	case "2":
		c.Value, c.Source = 1.5, "class 2 meter, house value"
	default:
		return Contribution{}, false
	}
	return c, true
}

// OfResidual returns the contributions of a level corrected for residual sound: those of
// the total carry its weight as sensitivity, and the residual level's own is added. u is
// its standard uncertainty.
func OfResidual(total []Contribution, c acoustic.Correction, u acoustic.Decibel, source string) []Contribution {
	all := make([]Contribution, len(total), len(total)+1)
	for i, t := range total {
		t.Sensitivity *= float64(c.TotalWeight)
		all[i] = t
	}
	return append(all, Contribution{Name: "residual", Value: u, Distribution: Normal, Sensitivity: float64(c.ResidualWeight), Source: source})
}

// OfRepeats returns the standard uncertainty of the energy mean of repeated independent
// measurements: 10/ln 10 times that of the mean power as a share of it (JASA 138, EL264,
// 2015). ok is false for fewer than two.
func OfRepeats(levels []acoustic.Decibel) (u acoustic.Decibel, ok bool) {
	n := float64(len(levels))
	if n < 2 {
		return 0, false
	}
	mean, squares := 0.0, 0.0
	for _, l := range levels {
		mean += l.Ratio() / n
	}
	for _, l := range levels {
		d := l.Ratio()/mean - 1
		squares += d * d
	}
	return acoustic.Decibel(perRatio * math.Sqrt(squares/(n-1)/n)), true
}
