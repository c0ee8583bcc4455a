// Package uncertainty says how far a level can be off: because it was estimated from
// samples of part of the time, and by the budget of a measurement.
//
// What samples leave open has two parts, which are never merged unnamed. The sampling
// uncertainty is of the figure of the very time measured: what went on between the
// instants of reading ([Gaps]). The representativity uncertainty is of the figure of
// the longer time that the measured time stands for, of sounds such as were measured
// ([OfMean], [OfExceedance]). A sound so rare that it did not come in the measured
// time is in neither: no method can tell of it. Neither includes the instrument.
// COVERAGE.md beside this file shows how often intervals of 95 % hold their target.
package uncertainty

import (
	"fmt"
	"math"

	"leveltrail/domain/acoustic"
)

// Estimate is the uncertainty of a figure, estimated from its samples.
type Estimate struct {
	Standard  acoustic.Decibel // standard uncertainty
	Freedom   float64          // degrees of freedom of Standard, at least [leastEffective] less one
	Effective float64          // effective sample size; of sampling uncertainty, the effective number of changes
	AtMost    bool             // Standard is an upper bound
}

// Expanded returns the half width of the interval of 95 % around the figure and its
// coverage factor: Student's t for the degrees of freedom (GUM Annex G).
func (e Estimate) Expanded() (u acoustic.Decibel, k float64) {
	k = student975(e.Freedom)
	return acoustic.Decibel(k) * e.Standard, k
}

// Combined returns the uncertainty of a figure that moves with others by the
// sensitivities given, taken as independent (law of propagation, GUM 5.1.2), with
// effective degrees of freedom by the formula of Welch and Satterthwaite (GUM G.4.1).
func Combined(of []Estimate, sensitivities []float64) Estimate {
	c := Estimate{Effective: math.Inf(1)}
	squares, quarts := 0.0, 0.0
	for i, e := range of {
		u := sensitivities[i] * float64(e.Standard)
		squares, quarts = squares+u*u, quarts+u*u*u*u/e.Freedom
		c.Effective = min(c.Effective, e.Effective)
		c.AtMost = c.AtMost || e.AtMost
		c.Freedom += e.Freedom // where nothing scatters
	}
	c.Standard = acoustic.Decibel(math.Sqrt(squares))
	if quarts > 0 {
		c.Freedom = squares * squares / quarts
	}
	return c
}

// leastEffective is the effective sample size below which no figure is given. Fewer
// readings say too little about their own scatter (house value).
const leastEffective = 10

// leastEstimated is what the size must reach as estimated from autocovariances. The
// estimate scatters around the true size, most where that is small: at this it is
// seldom below 10 (by simulation, see COVERAGE.md).
const leastEstimated = 30

// tooFew says why there is no figure.
func tooFew(effective float64, least int) string {
	return fmt.Sprintf("the effective sample size is %.1f, at least %d are needed", effective, least)
}

// perRatio turns a small relative uncertainty of power into decibels: 10/ln 10
// (JASA 138, EL264, 2015).
const perRatio = 10 / math.Ln10

// student975 returns the 97.5 % quantile of Student's t by its expansion in 1/ν
// (Abramowitz and Stegun 26.7.5), within 0.001 from nine degrees of freedom on.
func student975(freedom float64) float64 {
	z := math.Sqrt2 * math.Erfinv(0.95)
	z2 := z * z
	g1 := z * (z2 + 1) / 4
	g2 := z * ((5*z2+16)*z2 + 3) / 96
	g3 := z * (((3*z2+19)*z2+17)*z2 - 15) / 384
	return z + (g1+(g2+g3/freedom)/freedom)/freedom
}
