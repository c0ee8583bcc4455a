package acoustic

import (
	"math"
	"strings"

	"leveltrail/domain/fault"
)

// ResidualLimits say what is done about residual sound, by how far the total lies
// above it. Differences are in hundredths of a decibel, taken before any rounding to
// whole or half decibels.
type ResidualLimits struct {
	Least  Level // at or below this difference no corrected level is given
	Enough Level // from this difference on none is needed
	Source string
}

// Validate reports every member that makes l unfit for use.
func (l ResidualLimits) Validate() error {
	var bad fault.Fields
	bad.Check(l.Least > 0 && l.Least <= 20_00, "least_db", "out_of_range", "must lie above 0 and not above 20")
	bad.Check(l.Enough > l.Least && l.Enough <= 30_00, "enough_db", "out_of_range", "must lie above least_db and not above 30")
	bad.Check(strings.TrimSpace(l.Source) != "", "source", "required", "must say where they are laid down")
	return bad.Err("residual limits")
}

// DefaultResidualLimits are those of common rules: 3 and 10 dB.
var DefaultResidualLimits = ResidualLimits{3_00, 10_00, "3 dB: memory of ISO 1996-2; 3 and 10 dB: commentary on RD 1367/2007 (Spain)"}

// ResidualOutcome says whether a level was corrected for residual sound.
type ResidualOutcome string

// The outcomes.
const (
	ResidualNotNeeded  ResidualOutcome = "not_needed"  // the total stands as it is
	ResidualCorrected  ResidualOutcome = "corrected"   // the residual sound was taken off
	ResidualNotAllowed ResidualOutcome = "not_allowed" // the total is an upper bound

	// ResidualNotMeasured: there is a residual level, but none of the same hours of the day; the total is an upper bound.
	ResidualNotMeasured ResidualOutcome = "not_measured"
)

// Correction is a level corrected for residual sound, the sound that remains when the
// source in question is off.
type Correction struct {
	Outcome         ResidualOutcome
	Level           Decibel // of the source; the total unless corrected
	Difference      Level   // total less residual, rounded to hundredths, held within ±200 dB
	TotalWeight     Decibel // ∂Level/∂total
	ResidualWeight  Decibel // ∂Level/∂residual, at most zero
	Least, Enough   Level   // the limits applied
	Total, Residual Decibel // as given
}

// CorrectResidual takes the residual equivalent level off the total, both over like
// conditions at one place, where the limits allow it.
func CorrectResidual(total, residual Decibel, limits ResidualLimits) Correction {
	c := Correction{
		Outcome: ResidualNotNeeded, Level: total, TotalWeight: 1,
		Least: limits.Least, Enough: limits.Enough, Total: total, Residual: residual,
	}
	c.Difference = Level(max(-200_00, min(math.Round(float64(total-residual)*100), 200_00)))
	switch {
	case c.Difference >= limits.Enough:
	case c.Difference <= limits.Least:
		c.Outcome = ResidualNotAllowed
	default:
		c.Outcome = ResidualCorrected
		c.Level, c.TotalWeight, c.ResidualWeight, _ = Difference(total, residual)
	}
	return c
}

// Uncertainty returns the standard uncertainty of the level from those of total and
// residual, taken as independent: sqrt((c·u)² + (c′·u′)²) with the weights of c
// (law of propagation, GUM 5.1.2).
func (c Correction) Uncertainty(total, residual Decibel) Decibel {
	return Decibel(math.Hypot(float64(c.TotalWeight*total), float64(c.ResidualWeight*residual)))
}

// Difference returns 10 lg(10^(total/10) − 10^(part/10)), what is left of total
// without part, and its derivatives by the two: 1/(1−q) and −q/(1−q) with
// q = 10^(−(total−part)/10). ok is false unless total lies above part.
func Difference(total, part Decibel) (left, byTotal, byPart Decibel, ok bool) {
	q := (part - total).Ratio()
	if !(q < 1) {
		return 0, 0, 0, false
	}
	return total + FromRatio(1-q), Decibel(1 / (1 - q)), Decibel(-q / (1 - q)), true
}
