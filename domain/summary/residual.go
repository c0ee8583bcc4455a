package summary

import (
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
	case !EquivalentSymbol(residual.Symbol):
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
	}
	return c, ""
}

// EquivalentSymbol reports whether a symbol is of an equivalent level.
func EquivalentSymbol(s string) bool { return strings.HasPrefix(s, "L") && strings.HasSuffix(s, "eq") }
