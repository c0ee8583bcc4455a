package calibration

import (
	"slices"
	"time"

	"leveltrail/domain/acoustic"
)

// RuleProfile is one edition of what a method asks of calibration. Editions never change.
type RuleProfile struct {
	Code    string // environmental, workplace, monitoring or the house's own
	Edition string

	Intervals           []Interval            // between calibrations, one for each kind of instrument
	AcceptedMeters      Sourced[[]Acceptance] // any of these
	AcceptedCalibrators Sourced[[]Acceptance] // any of these

	DriftLimit           Sourced[acoustic.Level] // between field checks, inclusive
	DriftBasis           Sourced[DriftBasis]
	StartRemark          Sourced[acoustic.Level] // a meter left further off than this is remarked; inclusive
	StartLimit           Sourced[acoustic.Level] // a meter left further off than this fails; inclusive
	SuspiciousDeviation  Sourced[acoustic.Level] // found further off than this, something may be broken; inclusive
	ClosingCheckRequired Sourced[bool]
	CheckReach           Sourced[time.Duration] // furthest a check may lie from the start, the end of what it checks

	Data DataRules // what samples may show about themselves without a remark
}

// Sourced is a member of a rule profile with where it comes from: a clause, or "house value".
type Sourced[T any] struct {
	Value  T
	Source string
}

// Interval is the longest time from one calibration of a kind of instrument to the next.
type Interval struct {
	Kind   Kind
	Months int
	Source string
}

// Acceptance is a class of a standard (without edition) that a method accepts.
// Classes are ordered within one standard only, so each is named. Class "" accepts any.
type Acceptance struct{ Specification, Class string }

// DriftBasis says between which field checks drift is measured.
type DriftBasis string

// The drift bases.
const (
	Consecutive DriftBasis = "consecutive" // each check against the one before
	StartEnd    DriftBasis = "start_end"   // the last check against the first; beyond the limit the whole series falls
	Both        DriftBasis = "both"        // each check against the one before, and against what the last adjustment left
)

// Months returns the interval for a kind of instrument. ok is false if p sets none.
func (p RuleProfile) Months(k Kind) (months int, source string, ok bool) {
	for _, i := range p.Intervals {
		if i.Kind == k {
			return i.Months, i.Source, true
		}
	}
	return 0, "", false
}

// accepts reports whether the list holds the class of i.
func accepts(list []Acceptance, i Instrument) bool {
	got, ranked := classRank(i.Class)
	return slices.ContainsFunc(list, func(a Acceptance) bool {
		want, ok := classRank(a.Class)
		return a.Specification == standardOf(i.Specification) &&
			(a.Class == "" || a.Class == i.Class || ok && ranked && got == want)
	})
}
