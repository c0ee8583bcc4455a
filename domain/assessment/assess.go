package assessment

import (
	"fmt"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
	"leveltrail/domain/caution"
	"leveltrail/domain/summary"
)

// Outcome is what a comparison shows.
type Outcome string

// The outcomes.
const (
	Below               Outcome = "below"
	Exceeded            Outcome = "exceeded"
	NotDecided          Outcome = "not_decided"
	NotValid            Outcome = "not_valid"            // the result is not usable
	IndicatesExceedance Outcome = "indicates_exceedance" // the result is not usable, and at or above the limit
	outcomeNotValid             = "not_valid"            // of a verdict
	outcomeUndetermined         = "undetermined"         // of a verdict
)

// Uncertainty is that of a measured level.
type Uncertainty struct {
	Standard acoustic.Decibel
	Expanded acoustic.Decibel // for 95 % on both sides
}

// Facade is what turns a level at one setting into one at another.
type Facade struct {
	Correction  acoustic.Decibel // added to the measured level
	Uncertainty acoustic.Decibel // standard
	Source      string
}

// Result is a figure with what is known of it.
type Result struct {
	Figure      summary.Figure
	Missing     string          // why there is no figure; empty if there is one
	Reference   *summary.Figure // the figure that a relative limit rests on; nil if not to be had
	Uncertainty *Uncertainty    // nil: not known
	Setting     Setting
	Facade      *Facade             // nil: none stated
	Verdict     calibration.Outcome // empty: not known
	Unusable    *summary.Figure     // from all samples where the verdict lets nothing stand; nil if there is none
	Days        summary.Reference
	YearlyWhy   string // why the result represents a year; empty: nobody said so
}

// Assessment is the comparison of one result with one limit.
type Assessment struct {
	Limit       Limit
	Outcome     Outcome
	Level       *acoustic.Decibel // as compared, corrected and rounded; nil if there is none
	Unrounded   *acoustic.Decibel
	Against     *acoustic.Decibel // the limit in decibels, of a relative one too
	Bound       summary.Bound
	Facade      *Facade  // applied; nil if none was needed
	Probability *float64 // of exceedance, from level and uncertainty; nil without
	Reason      string   // why nothing is decided, or what limits the answer; may be empty
	Cautions    []caution.Caution
}

// Assess compares r with l. Bounds decide one way only: a lower bound can show that a
// limit is exceeded, an upper one that it is kept. A result whose verdict does not stand
// is never below a limit, and if it lies at or above it that is said.
func Assess(l Limit, r Result) Assessment {
	l = l.Defaults()
	a := Assessment{Limit: l, Outcome: NotDecided, Cautions: caution.Environmental()}
	if r.Days != (summary.Reference{}) {
		a.Cautions = append(a.Cautions, caution.Days(r.Days.Days, r.Days.Nights))
	}
	f := r.Figure
	stands := r.Verdict != calibration.NotValid && r.Verdict != calibration.Undetermined
	if !stands && r.Unusable != nil {
		f, r.Missing = *r.Unusable, ""
	}
	limit, reason := l.against(r.Reference)
	if reason != "" {
		return a.not(r.Verdict, reason)
	}
	a.Against = &limit
	if r.Missing != "" {
		return a.not(r.Verdict, r.Missing)
	}
	level, bound := levelOf(f)
	facade, reason := facadeFor(l.At, r.Setting, r.Facade)
	if reason != "" {
		return a.not(r.Verdict, reason)
	}
	u, known := Uncertainty{}, r.Uncertainty != nil
	if known {
		u = *r.Uncertainty
	}
	if facade != nil {
		level += facade.Correction
		if known && u.Standard > 0 {
			// The expanded uncertainty grows as the standard one does.
			with := root(u.Standard, facade.Uncertainty)
			u = Uncertainty{with, u.Expanded * with / u.Standard}
		}
	}
	rounded := l.Rounding.Apply(level)
	a.Level, a.Unrounded, a.Bound, a.Facade = &rounded, &level, bound, facade
	if bound != "" || f.Basis != summary.Integrated && f.Basis != summary.Instrument {
		a.Cautions = append(a.Cautions, caution.NotForCompliance)
	}

	s, p, reason := l.decide(rounded, limit, known, u.Expanded, u.Standard)
	a.Probability = p
	if bound != "" {
		a.Probability = nil // it is of a level and not of a bound
	}
	if !stands {
		// At the limit too: who is to be protected is not to wait for the comparison.
		if bound != summary.Upper && GreaterOrEqual.Exceeds(rounded, limit) {
			a.Outcome, a.Reason = IndicatesExceedance, "the measurement is not usable, yet lies at or above the limit: measure again"
			a.Cautions = append(a.Cautions, caution.ProtectNow)
			return a
		}
		return a.not(r.Verdict, "")
	}
	if s == past && f.Lowest != nil {
		// The lower end of what the true level can be is a lower bound of its own.
		low := *f.Lowest
		if facade != nil {
			low += facade.Correction
		}
		if t, _, _ := l.decide(l.Rounding.Apply(low), limit, known, u.Expanded, u.Standard); t == past {
			bound = ""
		}
	}
	switch {
	case s == past && bound == summary.Upper:
		return a.not(r.Verdict, "an upper bound cannot show that the limit is exceeded")
	case s == under && bound == summary.Lower:
		return a.not(r.Verdict, "a lower bound cannot show that the limit is kept")
	case s == undecided:
		return a.not(r.Verdict, reason)
	case l.Yearly && r.YearlyWhy == "":
		return a.not(r.Verdict, "the limit is of a yearly average and nobody has stated that the result represents the year")
	case s == past:
		a.Outcome = Exceeded
	default:
		a.Outcome = Below
	}
	if l.Yearly {
		a.Reason = "taken as representing the year: " + r.YearlyWhy
	}
	return a
}

// not returns a without a decision, or as not valid if the verdict says so.
func (a Assessment) not(verdict calibration.Outcome, reason string) Assessment {
	why := ""
	a.Outcome = NotDecided
	switch verdict {
	case calibration.NotValid:
		a.Outcome, why = NotValid, "the calibration verdict does not let the measurement stand"
	case calibration.Undetermined:
		why = "the calibration verdict is undetermined and a decision on its findings is owed"
	}
	if why != "" && reason != "" {
		why += "; "
	}
	a.Reason = why + reason
	return a
}

// against returns the level to compare with. reason says why there is none.
func (l Limit) against(reference *summary.Figure) (limit acoustic.Decibel, reason string) {
	if l.Relative == "" {
		return l.LevelDB.Decibel(), ""
	}
	switch {
	case reference == nil:
		return 0, l.Relative + ", which the limit rests on, is unavailable"
	case reference.Level == nil:
		return 0, l.Relative + ", which the limit rests on, lies beyond the measuring range"
	case reference.Bound != "":
		return 0, fmt.Sprintf("%s, which the limit rests on, is only a %s bound", l.Relative, reference.Bound)
	}
	return *reference.Level + l.LevelDB.Decibel(), ""
}

// levelOf returns the level of a figure with its bound. What lies beyond the measuring
// range is a bound at its end.
func levelOf(f summary.Figure) (acoustic.Decibel, summary.Bound) {
	switch {
	case f.Level != nil:
		return *f.Level, f.Bound
	case f.Below != nil:
		return *f.Below, summary.Upper
	}
	return *f.Above, summary.Lower
}

// facadeFor returns the correction from where a level was measured to where the limit
// holds, nil if the settings are the same. reason says that one is needed and not stated.
func facadeFor(at, measured Setting, stated *Facade) (f *Facade, reason string) {
	switch {
	case measured == at:
		return nil, ""
	case measured == "":
		return nil, "the setting of the position is not stated, the limit holds " + words[at]
	case stated == nil:
		return nil, "the limit holds " + words[at] + ", the level was measured " + words[measured] + ": a façade correction with its source is needed"
	case stated.Source == "":
		return nil, "the façade correction has no source"
	}
	return stated, ""
}

// words say where a setting is.
var words = map[Setting]string{
	FreeField: "in the free field", NearFacade: "near a façade", FacadeFlush: "flush with a façade", Indoors: "indoors",
}

// TypicalFacade returns what is commonly taken off a level to make it one of incident
// sound: about 3 dB from 0.5 m to 2 m before a façade and 5.7 dB flush with it (memory
// of ISO 1996-2 annex B). It is a proposal for a person to state, and never applied by
// itself. ok is false for other settings.
func TypicalFacade(measured Setting) (f Facade, ok bool) {
	const source = "typical value, memory of ISO 1996-2 annex B"
	switch measured {
	case NearFacade:
		return Facade{-3, 1, source}, true
	case FacadeFlush:
		return Facade{-5.7, 1, source}, true
	case FreeField, Indoors:
	}
	return Facade{}, false
}
