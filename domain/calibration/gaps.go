package calibration

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"github.com/google/uuid"
)

// GapKind names what is missing in the records.
type GapKind string

// The kinds of gap.
const (
	GapInstrumentWithoutCertificate  GapKind = "instrument_without_certificate"
	GapSeriesWithoutCertificate      GapKind = "series_without_certificate" // on some day of use
	GapSeriesWithoutChecks           GapKind = "series_without_checks"      // before or after
	GapCertificateWithoutDocument    GapKind = "certificate_without_document"
	GapCertificateWithoutUncertainty GapKind = "certificate_without_uncertainty"
	GapSerialNumber                  GapKind = "serial_number_mismatch"
	GapConformity                    GapKind = "conformity_contradicted" // a result beyond its limits, and yet stated to conform
	GapLevelNotCertified             GapKind = "calibrator_level_not_certified"
)

// GapKinds are the kinds of gap, in alphabetical order.
var GapKinds = []GapKind{
	GapLevelNotCertified, GapCertificateWithoutDocument, GapCertificateWithoutUncertainty, GapConformity,
	GapInstrumentWithoutCertificate, GapSerialNumber, GapSeriesWithoutCertificate, GapSeriesWithoutChecks,
}

// OfRecords reports whether [GapsOfRecords] may tell of k.
func (k GapKind) OfRecords() bool {
	return k != GapLevelNotCertified && k != GapSeriesWithoutCertificate && k != GapSeriesWithoutChecks
}

// OfSurveys reports whether [GapsOfVerdict] may tell of k.
func (k GapKind) OfSurveys() bool {
	return k != GapCertificateWithoutDocument && k != GapConformity && k != GapInstrumentWithoutCertificate
}

// Gap is something missing in the records.
type Gap struct {
	Kind     GapKind
	Subject  Subject
	SurveyID uuid.UUID // zero for one of instruments and certificates
	SeriesID uuid.UUID // likewise
	Detail   string
}

// GapsOfRecords returns what is missing of instruments and of their confirmed
// certificates, by kind and subject. documented holds the certificates whose document
// is kept. A certificate is missed of the kinds for which one of the profiles sets an interval.
func GapsOfRecords(instruments []Instrument, certificates []Certificate, documented map[uuid.UUID]bool, profiles []RuleProfile) []Gap {
	var gaps []Gap
	owner := map[uuid.UUID]Instrument{}
	for _, i := range instruments {
		owner[i.ID] = i
		if _, wanted := strictest(profiles, i.Kind); wanted && !slices.ContainsFunc(certificates, func(c Certificate) bool { return c.InstrumentID == i.ID && c.State != Draft }) {
			gaps = append(gaps, Gap{Kind: GapInstrumentWithoutCertificate, Subject: aboutInstrument(i), Detail: fmt.Sprintf("The %v has no certificate.", i)})
		}
	}
	for _, c := range certificates {
		if c.State == Draft {
			continue
		}
		note := func(k GapKind, format string, args ...any) {
			gaps = append(gaps, Gap{Kind: k, Subject: aboutCertificate(&c), Detail: fmt.Sprintf(format, args...)})
		}
		if !documented[c.ID] {
			note(GapCertificateWithoutDocument, "No document of %v is kept.", c)
		}
		if len(c.Results) == 0 {
			note(GapCertificateWithoutUncertainty, "The %v is recorded without results, and so without measurement uncertainty.", c)
		} else if slices.ContainsFunc(c.Results, CertificateResult.lacksUncertainty) {
			note(GapCertificateWithoutUncertainty, "Results in %v carry no measurement uncertainty.", c)
		}
		i, ok := owner[c.InstrumentID]
		if printed := strings.TrimSpace(c.ItemSerialNumber); ok && printed != "" && printed != strings.TrimSpace(i.SerialNumber) {
			note(GapSerialNumber, "The %v of the %v names serial number %s.", c, i, printed)
		}
		for _, r := range c.Results {
			if stated := c.stated(r.Phase); stated == Pass && r.beyondLimits() {
				note(GapConformity, "The %v states conformance, and a deviation of %v beyond its limits (%s).", c, difference(*r.DeviationDB), r.Test)
				break
			}
		}
	}
	sortGaps(gaps)
	return gaps
}

// stated returns the laboratory's statement on a phase.
func (c Certificate) stated(phase string) Conformity {
	if phase == AsFound {
		return c.AsFound
	}
	return c.AsLeft
}

// beyondLimits reports whether r lies beyond its printed limits. The laboratory's statement stands all the same.
func (r CertificateResult) beyondLimits() bool {
	return r.DeviationDB != nil && (r.LimitLowDB != nil && *r.DeviationDB < *r.LimitLowDB || r.LimitHighDB != nil && *r.DeviationDB > *r.LimitHighDB)
}

// gapOfRule gives the gap that a finding is, whatever its severity.
var gapOfRule = map[Rule]GapKind{
	NoCertificate: GapSeriesWithoutCertificate, CalibrationLapsedBefore: GapSeriesWithoutCertificate, CalibrationLapsedDuring: GapSeriesWithoutCertificate,
	CalibratedAfterUse: GapSeriesWithoutCertificate, CertificateWithdrawn: GapSeriesWithoutCertificate,
	NoCheckBefore: GapSeriesWithoutChecks, NoCheckAfter: GapSeriesWithoutChecks,
	SerialNumberMismatch: GapSerialNumber, CheckLevelNotCertified: GapLevelNotCertified, UncertaintyMissing: GapCertificateWithoutUncertainty,
}

// GapsOfVerdict returns what a survey's verdict finds missing, by kind and subject.
func GapsOfVerdict(v Verdict) []Gap {
	var gaps []Gap
	for _, f := range v.Findings {
		if k, ok := gapOfRule[f.Rule]; ok {
			gaps = append(gaps, Gap{Kind: k, Subject: f.Subject, SurveyID: v.SurveyID, SeriesID: f.SeriesID, Detail: f.Detail})
		}
	}
	sortGaps(gaps)
	return gaps
}

func sortGaps(gaps []Gap) {
	slices.SortStableFunc(gaps, func(a, b Gap) int {
		return cmp.Or(cmp.Compare(a.Kind, b.Kind), slices.Compare(a.SeriesID[:], b.SeriesID[:]), slices.Compare(a.Subject.ID[:], b.Subject.ID[:]))
	})
}
