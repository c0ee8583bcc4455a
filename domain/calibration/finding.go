package calibration

import (
	"crypto/sha256"
	"encoding/hex"
	"strconv"
	"time"

	"github.com/google/uuid"
)

// Rule names what a finding is about.
type Rule string

// The rules that are judged here, each with what its finding says.
const (
	NoCertificate             Rule = "no_certificate"               // the instrument was never calibrated
	CalibrationLapsedBefore   Rule = "calibration_lapsed_before"    // due before the series began
	CalibrationLapsedDuring   Rule = "calibration_lapsed_during"    // due while the series ran; days after that fall
	CalibratedAfterUse        Rule = "calibrated_after_use"         // the first calibration, or the next, is later than the use
	CertificateIssuedAfterUse Rule = "certificate_issued_after_use" // calibrated before, but shown only later
	CertificateWithdrawn      Rule = "certificate_withdrawn"        // may not be relied on for that day
	AlteredSinceCalibration   Rule = "altered_since_calibration"    // repaired, damaged or otherwise changed since
	CertificateSuperseded     Rule = "certificate_superseded"       // relied on is the certificate that replaces it
	AsLeftNotConforming       Rule = "as_left_not_conforming"       // left the laboratory out of limits
	NextAsFoundFailed         Rule = "next_as_found_failed"         // the next calibration found it out of limits
	NextAsFoundMissing        Rule = "next_as_found_missing"        // the next calibration does not say how it was found
	LaboratoryNotAccredited   Rule = "laboratory_not_accredited"    // on the day of calibration
	CheckLevelNotCertified    Rule = "check_level_not_certified"    // the calibrator's setting used is not on its certificate
	MeterClassTooLow          Rule = "meter_class_too_low"
	CalibratorClassTooLow     Rule = "calibrator_class_too_low" // for the method, or for the meter
	UncertaintyMissing        Rule = "uncertainty_missing"      // results without measurement uncertainty
	SerialNumberMismatch      Rule = "serial_number_mismatch"   // the certificate names another item
	PatternEvidenceMissing    Rule = "pattern_evidence_missing" // no public evidence of pattern approval
	NoCheckBefore             Rule = "no_check_before"
	NoCheckAfter              Rule = "no_check_after"
	NotAdjusted               Rule = "not_adjusted"           // the meter was left reading wrong
	DriftExceeded             Rule = "drift_exceeded"         // between consecutive checks (from start to end with that basis)
	DriftSinceAdjustment      Rule = "drift_since_adjustment" // creeping, over several checks
	DeviationSuspicious       Rule = "deviation_suspicious"   // so far off that something may be broken
	CalibratorsDiffer         Rule = "calibrators_differ"     // between consecutive checks
	ChecksTooFarApart         Rule = "checks_too_far_apart"   // beyond half the reach
	CalibratorNotCovered      Rule = "calibrator_not_covered" // so its check does not count
	ExpectedLevelDiffers      Rule = "expected_level_differs" // entered and computed

	InstrumentUseOverlaps Rule = "instrument_use_overlaps" // used elsewhere at the same instant
	SamplesOverRange      Rule = "samples_over_range"
	SamplesUnderRange     Rule = "samples_under_range"
	CoverageLow           Rule = "coverage_low"            // much of the time asked for was not measured
	SamplesAtLimit        Rule = "samples_at_limit"        // numbers that equal an end of the measuring range
	SamplesConstant       Rule = "samples_constant"        // the same number for long
	SamplesNearFloor      Rule = "samples_near_floor"      // little above the lower end of the measuring range
	ClockSuspicious       Rule = "clock_suspicious"        // the meter's clock may have been wrong
	WeatherOutsideLimits  Rule = "weather_outside_limits"  // of the rule profile
	OperatorNotAuthorised Rule = "operator_not_authorised" // for the method, on the days of use
	NotIndependent        Rule = "not_independent"         // who decides or signs off has measured
)

// Severity says what a finding does to measurements.
type Severity string

// The severities.
const (
	SeverityFail         Severity = "fail"         // its window is not usable
	SeverityUndetermined Severity = "undetermined" // its window awaits a decision
	SeverityRemark       Severity = "remark"
	SeverityInfo         Severity = "info"
)

// rank orders severities, 0 the gravest.
func (s Severity) rank() int {
	switch s {
	case SeverityFail:
		return 0
	case SeverityUndetermined:
		return 1
	case SeverityRemark:
		return 2
	}
	return 3
}

// Subject is the version of a record that a finding is about.
type Subject struct {
	Type    string // series, instrument, certificate, field_check, event, survey, disposition or person
	ID      uuid.UUID
	Version int
}

// Finding is one reason of a verdict.
type Finding struct {
	Key       string // see [keyOf]; it changes with the subject's version, so that a changed fact asks again
	Rule      Rule
	Severity  Severity
	Subject   Subject
	SeriesID  uuid.UUID
	From, To  *time.Time // the window it touches, UTC; set for every fail and undetermined
	Detail    string     // for people, with the values; times are those of the site
	Reference string     // the clause, or "house value"

	Disposable  bool         // a fail that a person may accept: see [Finding.Accepts]
	Disposition *Disposition // the decision that counts; nil while there is none
}

// keyOf returns the first 16 hex digits of the SHA-256 over rule, series, subject and the
// subject's version, one a line.
func keyOf(r Rule, seriesID uuid.UUID, s Subject) string {
	sum := sha256.Sum256([]byte(string(r) + "\n" + seriesID.String() + "\n" + s.Type + "\n" + s.ID.String() + "\n" + strconv.Itoa(s.Version) + "\n"))
	return hex.EncodeToString(sum[:8])
}

func aboutSeries(s SeriesUse) Subject         { return Subject{"series", s.ID, s.Version} }
func aboutInstrument(i Instrument) Subject    { return Subject{"instrument", i.ID, i.Version} }
func aboutCertificate(c *Certificate) Subject { return Subject{"certificate", c.ID, c.Version} }
func aboutEvent(e Event) Subject              { return Subject{"event", e.ID, e.Version} }
func aboutCheck(c FieldCheck) Subject         { return Subject{"field_check", c.ID, c.Version} }

// reference returns where rule r comes from, under profile p.
func (p RuleProfile) reference(r Rule) string {
	switch r {
	case NoCertificate:
		return "see ISO/IEC 17025:2017 6.4.6 and 6.5"
	case CalibratedAfterUse, CertificateIssuedAfterUse:
		return "see ISO/IEC 17025:2017 6.4.6 and 6.4.8"
	case AsLeftNotConforming:
		return "see ISO/IEC 17025:2017 6.4.4"
	case NextAsFoundFailed, NextAsFoundMissing:
		return "see ISO/IEC 17025:2017 6.4.9 and 7.10"
	case AlteredSinceCalibration:
		return "see ISO/IEC 17025:2017 6.4.9"
	case CertificateWithdrawn, CertificateSuperseded:
		return "see ISO/IEC 17025:2017 7.8.8"
	case LaboratoryNotAccredited:
		return "see ILAC-P10:07/2020"
	case CheckLevelNotCertified:
		return "see ISO/IEC 17025:2017 6.5"
	case UncertaintyMissing:
		return "see ISO/IEC 17025:2017 7.8.4.1 a"
	case SerialNumberMismatch:
		return "see ISO/IEC 17025:2017 7.8.2.1 g"
	case PatternEvidenceMissing:
		return "see IEC 61672-3:2013"
	case MeterClassTooLow:
		return p.AcceptedMeters.Source
	case CalibratorClassTooLow:
		return p.AcceptedCalibrators.Source
	case NoCheckBefore, NoCheckAfter:
		return p.ClosingCheckRequired.Source
	case DriftExceeded, DriftSinceAdjustment:
		return p.DriftLimit.Source
	case NotAdjusted:
		return p.StartLimit.Source
	case DeviationSuspicious:
		return p.SuspiciousDeviation.Source
	case CoverageLow:
		return p.Data.MinCoverage.Source
	case SamplesAtLimit:
		return p.Data.AtLimitShare.Source
	case SamplesConstant:
		return p.Data.ConstantSamples.Source
	case SamplesNearFloor:
		return p.Data.NearFloorShare.Source
	case SamplesOverRange, SamplesUnderRange:
		return p.Data.FlaggedShare.Source
	case WeatherOutsideLimits:
		return p.Data.MaxWindSpeed.Source
	case OperatorNotAuthorised:
		return "see ISO/IEC 17025:2017 6.2"
	case NotIndependent:
		return "see ISO/IEC 17025:2017 4.1; house value"
	case ChecksTooFarApart:
		return p.CheckReach.Source
	}
	return "house value"
}
