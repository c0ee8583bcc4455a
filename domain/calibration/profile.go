package calibration

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/fault"
)

// RuleProfile is one edition of what a method asks of calibration. Editions never change.
type RuleProfile struct {
	Code    string    // environmental, workplace, monitoring or the house's own
	Edition string    // its name, unique within the code
	AddedAt time.Time `json:"-"` // when it was recorded; zero for one that comes with the service

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
	standard := standardOf(i.Specification)
	return slices.ContainsFunc(list, func(a Acceptance) bool {
		want, ok := classRank(a.Class)
		return a.Specification == standard &&
			(a.Class == "" || a.Class == i.Class || ok && ranked && got == want)
	})
}

// Validate reports every field that makes p, a new edition, unfit to store, as one
// [fault.Error]. Every member says where it comes from.
func (p RuleProfile) Validate() error {
	var bad fault.Fields
	required(&bad, "code", p.Code)
	bad.Check(!strings.ContainsFunc(p.Code, func(r rune) bool { return (r < 'a' || r > 'z') && (r < '0' || r > '9') && r != '_' && r != '-' }),
		"code", "invalid", "must hold only a to z, 0 to 9, _ and -")
	required(&bad, "edition", p.Edition)
	for path, s := range map[string]string{"code": p.Code, "edition": p.Edition} {
		bad.Check(len(s) <= 100, path, "too_long", "must have at most 100 bytes")
	}

	for i, v := range p.Intervals {
		at := fmt.Sprintf("intervals/%d/", i)
		_, known := kinds[v.Kind]
		bad.Check(known, at+"kind", "not_allowed", "must be a kind of instrument")
		bad.Check(!slices.ContainsFunc(p.Intervals[:i], func(o Interval) bool { return o.Kind == v.Kind }), at+"kind", "duplicate", "must not repeat")
		bad.Check(v.Months >= 1 && v.Months <= 120, at+"months", "out_of_range", "must lie between 1 and 120")
		required(&bad, at+"source", v.Source)
	}
	for _, k := range []Kind{SoundLevelMeter, SoundCalibrator} {
		_, _, ok := p.Months(k)
		bad.Check(ok, "intervals", "required", "must set the interval of a "+k.words())
	}
	p.AcceptedMeters.validate(&bad, "accepted_meters", len(p.AcceptedMeters.Value) > 0, "must name at least one")
	p.AcceptedCalibrators.validate(&bad, "accepted_calibrators", len(p.AcceptedCalibrators.Value) > 0, "must name at least one")
	for path, list := range map[string][]Acceptance{"accepted_meters": p.AcceptedMeters.Value, "accepted_calibrators": p.AcceptedCalibrators.Value} {
		for i, a := range list {
			allowed, known := classes[standardOf(a.Specification)]
			at := fmt.Sprintf("%s/value/%d/", path, i)
			bad.Check(known, at+"specification", "not_allowed", "must be a standard whose classes are known")
			bad.Check(!known || a.Class == "" || slices.Contains(allowed, a.Class), at+"class", "not_allowed", "must be a class of it: "+listed(allowed))
		}
	}

	level := func(path string, l Sourced[acoustic.Level]) {
		l.validate(&bad, path, l.Value >= 0 && l.Value <= 10_00, "must lie between 0 and 10 dB")
	}
	level("drift_limit_db", p.DriftLimit)
	p.DriftBasis.validate(&bad, "drift_basis", slices.Contains([]DriftBasis{Consecutive, StartEnd, Both}, p.DriftBasis.Value),
		"must be consecutive, start_end or both")
	level("start_remark_db", p.StartRemark)
	level("start_limit_db", p.StartLimit)
	bad.Check(p.StartRemark.Value <= p.StartLimit.Value, "start_limit_db", "out_of_order", "must not lie below start_remark_db")
	level("suspicious_deviation_db", p.SuspiciousDeviation)
	p.ClosingCheckRequired.validate(&bad, "closing_check_required", true, "")
	p.CheckReach.validate(&bad, "check_reach_h", p.CheckReach.Value > 0 && p.CheckReach.Value <= 8784*time.Hour, "must lie above 0 and not above 8784 h")

	d := p.Data
	for path, s := range map[string]Sourced[float64]{
		"min_coverage": d.MinCoverage, "flagged_share": d.FlaggedShare,
		"at_limit_share": d.AtLimitShare, "near_floor_share": d.NearFloorShare,
	} {
		s.validate(&bad, "data/"+path, s.Value >= 0 && s.Value <= 1, "must lie between 0 and 1")
	}
	d.ConstantSamples.validate(&bad, "data/constant_samples", d.ConstantSamples.Value >= 2, "must be at least 2")
	level("data/floor_margin_db", d.FloorMargin)
	for path, s := range map[string]Sourced[float64]{"max_wind_speed_m_s": d.MaxWindSpeed, "max_precipitation_mm_h": d.MaxPrecipitation} {
		bad.Check(s.Value >= 0 && s.Value <= 1000, "data/"+path+"/value", "out_of_range", "must not be negative")
		bad.Check(s.Value == 0 || s.Source != "", "data/"+path+"/source", "required", "must say where it comes from")
	}
	slices.SortStableFunc(bad, func(a, b fault.Field) int { return strings.Compare(a.Path, b.Path) })
	return bad.Err("rule profile")
}

func (s Sourced[T]) validate(bad *fault.Fields, path string, ok bool, reason string) {
	bad.Check(ok, path+"/value", "out_of_range", reason)
	bad.Check(strings.TrimSpace(s.Source) != "", path+"/source", "required", "must say where it comes from: a clause, or \"house value\"")
}
