package summary

import (
	"math"
	"strings"

	"leveltrail/domain/acoustic"
)

// Corrected is an equivalent level corrected for residual sound.
type Corrected struct {
	Figure     Figure // its bound says in which direction the true level can lie
	Correction acoustic.Correction
}

// CorrectResidual takes the residual equivalent level off the total of the same symbol.
// Where the limits do not allow it the total is an upper bound. Bounds carry over: less a
// lower bound of the residual level stands an upper bound. reason is empty, or says why
// there is none: only equivalent levels are residual levels, never an exceedance level, a
// maximum or a peak.
func CorrectResidual(total, residual Figure, limits acoustic.ResidualLimits) (c Corrected, reason string) {
	switch {
	case !ResidualSymbol(residual.Symbol):
		return c, residual.Symbol + " is no residual level, which is an equivalent level with the source off"
	case residual.Symbol != total.Symbol:
		return c, "the residual level is " + residual.Symbol + ", the total " + total.Symbol
	case total.Level == nil || residual.Level == nil:
		return c, "a level beyond the measuring range cannot be corrected"
	}
	c = Corrected{total, acoustic.CorrectResidual(*total.Level, *residual.Level, limits)}
	c.Figure.Level, c.Figure.Lowest = &c.Correction.Level, nil
	c.Figure.Sampling, c.Figure.Representativity = nil, nil // they are of the total
	switch c.Correction.Outcome {
	case acoustic.ResidualNotAllowed:
		if total.Bound == Lower {
			return Corrected{}, "the total is a lower bound and too near the residual level"
		}
		c.Figure.Bound = Upper
	case acoustic.ResidualCorrected:
		up, down := total.Bound == Lower || residual.Bound == Upper, total.Bound == Upper || residual.Bound == Lower
		if up && down {
			return Corrected{}, "total and residual level are bounds, and of their difference nothing is known"
		}
		switch {
		case up:
			c.Figure.Bound = Lower
		case down:
			c.Figure.Bound = Upper
		}
	case acoustic.ResidualNotNeeded:
		if residual.Bound != Lower {
			break
		}
		if total.Bound == Lower {
			return Corrected{}, "total and residual level are bounds, and of their difference nothing is known"
		}
		c.Figure.Bound = Upper // the residual sound may be louder, and then something is to be taken off
	case acoustic.ResidualNotMeasured: // never of a residual level
	}
	return c, ""
}

// WithoutResidual returns the level of a period of which no residual level is known, while
// one is of another time: the sound in question is at most the total.
func WithoutResidual(total Figure, limits acoustic.ResidualLimits) (c Corrected, reason string) {
	switch {
	case total.Level == nil:
		return c, "a level beyond the measuring range cannot be corrected"
	case total.Bound == Lower:
		return c, "the total is a lower bound and no residual sound was measured in the same hours of the day"
	}
	c.Figure = total
	c.Figure.Bound, c.Figure.Lowest, c.Figure.Sampling, c.Figure.Representativity = Upper, nil, nil, nil
	c.Correction = acoustic.Correction{
		Outcome: acoustic.ResidualNotMeasured, Level: *total.Level, Total: *total.Level, TotalWeight: 1, Least: limits.Least, Enough: limits.Enough,
	}
	return c, ""
}

// CorrectIndex returns the index of the levels of periods that were corrected for residual
// sound, one for each period of the set. total is the index without correction. A period
// that is a bound makes the index one: an upper end is made of the upper ends of the
// periods, a lower end of the lower ones, below an upper bound that of no sound at all.
// reason is empty, or says why there is none.
func CorrectIndex(set acoustic.PeriodSet, total Figure, periods []Corrected) (c Corrected, reason string) {
	low, high := make([]acoustic.Decibel, len(periods)), make([]acoustic.Decibel, len(periods))
	c = Corrected{total, acoustic.Correction{Outcome: acoustic.ResidualNotNeeded, TotalWeight: 1}}
	c.Figure.Bound, c.Figure.Range = "", ""
	for i, p := range periods {
		low[i], high[i] = *p.Figure.Level, *p.Figure.Level
		switch p.Figure.Bound {
		case Upper:
			low[i] = acoustic.Decibel(math.Inf(-1))
		case Lower:
			high[i] = acoustic.Decibel(math.Inf(1))
		}
		c.Figure.Range = c.Figure.Range.and(p.Figure.Range)
		if severity[p.Correction.Outcome] > severity[c.Correction.Outcome] {
			c.Correction.Outcome = p.Correction.Outcome
		}
		c.Correction.Least, c.Correction.Enough = p.Correction.Least, p.Correction.Enough
	}
	least, most := set.Rate(low), set.Rate(high)
	c.Correction.Level = most
	c.Figure.Lowest, c.Figure.Sampling, c.Figure.Representativity = nil, nil, nil
	switch {
	case least == most:
	case !math.IsInf(float64(most), 1):
		c.Figure.Bound = Upper
		if !math.IsInf(float64(least), -1) {
			c.Figure.Lowest = &least
		}
	case !math.IsInf(float64(least), -1):
		c.Figure.Bound, c.Correction.Level = Lower, least
	default:
		return Corrected{}, "the levels of all periods are bounds, and of the index nothing is known"
	}
	c.Figure.Level = &c.Correction.Level
	return c, ""
}

// severity orders what was done to periods: that of the index is the last.
var severity = map[acoustic.ResidualOutcome]int{
	acoustic.ResidualNotNeeded: 0, acoustic.ResidualCorrected: 1, acoustic.ResidualNotAllowed: 2, acoustic.ResidualNotMeasured: 3,
}

// ResidualSymbol reports whether a symbol is of a residual level: an equivalent level
// without time weighting.
func ResidualSymbol(s string) bool { return EquivalentSymbol(s) && len(s) == len("LAeq") }

// EquivalentSymbol reports whether a symbol is of an equivalent level.
func EquivalentSymbol(s string) bool { return strings.HasPrefix(s, "L") && strings.HasSuffix(s, "eq") }
