package calibration

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/civil"
	"leveltrail/domain/fault"
)

// Scope says which part of an instrument's work a certificate is about. Cover
// is reckoned for each scope by itself.
type Scope string

// The scopes, with the standard of their periodic test.
const (
	ScopeSoundLevelMeter Scope = "sound_level_meter" // IEC 61672-3
	ScopeFilters         Scope = "filters"           // IEC 61260-3
	ScopeCalibrator      Scope = "calibrator"        // IEC 60942 Annex B
	ScopeMicrophone      Scope = "microphone"        // IEC 61094
	ScopeExposureMeter   Scope = "exposure_meter"    // IEC 61252
	ScopePreamplifier    Scope = "preamplifier"
	ScopeAnemometer      Scope = "anemometer"
)

// kind returns the kind of instrument whose interval counts for s.
func (s Scope) kind() Kind {
	for k, v := range kinds {
		if v.scope == s {
			return k
		}
	}
	return ""
}

func (s Scope) words() string { return strings.ReplaceAll(string(s), "_", " ") }

// Conformity is a laboratory's statement on one set of results.
type Conformity string

// The conformity statements.
const (
	Pass      Conformity = "pass"
	Fail      Conformity = "fail"
	NotStated Conformity = "not_stated"
)

// Words returns c for people.
func (c Conformity) Words() string { return strings.ReplaceAll(string(c), "_", " ") }

// States of a certificate. A draft was read from a file and proves nothing until a person confirms it.
const (
	Confirmed = "confirmed"
	Draft     = "draft"
)

// Certificate is one version of the record of a calibration certificate (ISO/IEC
// 17025:2017 7.8.2.1 and 7.8.4). It states results on its days of calibration;
// until when one may rely on them is the user's decision: see [Covers].
type Certificate struct {
	ID               uuid.UUID
	InstrumentID     uuid.UUID // zero of a draft whose instrument is not known
	LaboratoryID     uuid.UUID
	Accreditation    string  // number of the laboratory's accreditation, as printed on it; empty if not recorded
	Accredited       bool    // it carries an accreditation mark
	Scope            []Scope // never empty once confirmed
	ItemSerialNumber string  // as printed on it; empty if not recorded
	Number           string
	Revision         int       // counts from 0
	ReplacesID       uuid.UUID // the certificate that this one amends or substitutes

	CalibratedFrom civil.Date // first day at the laboratory's bench
	CalibratedOn   civil.Date // last day of calibration: cover begins
	IssuedOn       civil.Date // none if not printed

	Standard          string // of the method: "IEC 61672-3:2013"
	AsFound           Conformity
	AsLeft            Conformity
	Adjusted          bool   // the laboratory adjusted the instrument between as found and as left
	PatternEvidence   string // public, none, not_stated: whether pattern approval is shown (IEC 61672-3)
	PersonAuthorising string

	LaboratoryDueOn civil.Date // printed by the laboratory: shown, never decides
	DueOverrideOn   civil.Date // set by the house: can only shorten

	ReferenceStandards []ReferenceStandard
	Results            []CertificateResult
	State              string // Confirmed or Draft

	// Parts that it names as calibrated with the meter; empty if it names none.
	Parts []CertifiedPart

	Version    int
	CreatedAt  time.Time
	RecordedAt time.Time
}

// CertificateFilter selects certificates; a zero member selects all.
type CertificateFilter struct {
	InstrumentID, LaboratoryID uuid.UUID
	Number, State              string
}

// NamesAnother returns a sentence where c prints another serial number than i has, "" where it does not.
func (c Certificate) NamesAnother(i Instrument) string {
	printed := strings.TrimSpace(c.ItemSerialNumber)
	if printed == "" || printed == strings.TrimSpace(i.SerialNumber) {
		return ""
	}
	return fmt.Sprintf("The %v is relied on with %v, which names serial number %s.", i, c, printed)
}

// ReferenceStandard is equipment that a laboratory measured against: the next link of the chain.
type ReferenceStandard struct {
	Description string
	Certificate string // its certificate, as printed; empty if not printed
}

// CertificateResult is one line of results. What the certificate does not print is nil.
type CertificateResult struct {
	Phase                 string // as_found or as_left
	Test                  string // what was tested, as printed
	NominalDB             *acoustic.Level
	FrequencyHz           *float64
	DeviationDB           *acoustic.Level // measured less nominal
	LimitLowDB            *acoustic.Level // acceptance limits of the deviation; nil: none
	LimitHighDB           *acoustic.Level
	ExpandedUncertaintyDB *acoustic.Decibel // U
	CoverageFactor        *float64          // k
	InScope               bool              // within the laboratory's accredited scope

	MaximumUncertaintyDB *acoustic.Decibel `json:",omitempty"` // the largest U that the standard permits, as printed
}

// The phases of results.
const (
	AsFound = "as_found"
	AsLeft  = "as_left"
)

// WithDefaults returns c, a certificate of an instrument of kind k, with what it leaves unsaid:
// the scope of that kind, nothing stated, calibrated within a day, confirmed.
func (c Certificate) WithDefaults(k Kind) Certificate {
	if len(c.Scope) == 0 {
		if s := kinds[k].scope; s != "" {
			c.Scope = []Scope{s}
		}
	}
	for _, stated := range []*Conformity{&c.AsFound, &c.AsLeft} {
		if *stated == "" {
			*stated = NotStated
		}
	}
	if c.PatternEvidence == "" {
		c.PatternEvidence = string(NotStated)
	}
	if c.CalibratedFrom.IsZero() {
		c.CalibratedFrom = c.CalibratedOn
	}
	if c.State == "" {
		c.State = Confirmed
	}
	return c
}

// Validate reports every field that makes c unfit to store, as one [fault.Error].
func (c Certificate) Validate() error {
	var bad fault.Fields
	bad.Check(c.InstrumentID != uuid.Nil || c.State == Draft, "instrument_id", "required", "must name an instrument")
	bad.Check(c.LaboratoryID != uuid.Nil, "laboratory", "required", "must name a laboratory")
	required(&bad, "number", c.Number)
	bad.Bare("number", c.Number)
	bad.Check(c.Revision >= 0, "revision", "out_of_range", "must not be negative")
	bad.Check(c.ReplacesID == uuid.Nil || c.ReplacesID != c.ID, "replaces_id", "invalid", "must name another certificate")
	bad.Check(len(c.Scope) > 0 || c.State == Draft, "scope", "required", "must name at least one scope")
	for i, s := range c.Scope {
		at := fmt.Sprintf("scope/%d", i)
		bad.Check(s.kind() != "", at, "not_allowed", "must be sound_level_meter, filters, calibrator, microphone, exposure_meter, "+
			"preamplifier or anemometer")
		bad.Check(!slices.Contains(c.Scope[:i], s), at, "duplicate", "must not repeat")
	}

	bad.Check(!c.CalibratedOn.IsZero(), "calibrated_on", "required", "must be a date")
	inOrder(&bad, "calibrated_on", c.CalibratedFrom, c.CalibratedOn, "must not lie before calibrated_from")
	inOrder(&bad, "issued_on", c.CalibratedOn, c.IssuedOn, "must not lie before calibrated_on")
	inOrder(&bad, "laboratory_due_on", c.CalibratedOn, c.LaboratoryDueOn, "must not lie before calibrated_on")
	inOrder(&bad, "due_override_on", c.CalibratedOn, c.DueOverrideOn, "must not lie before calibrated_on")

	oneOf(&bad, "as_found", string(c.AsFound), string(Pass), string(Fail), string(NotStated))
	oneOf(&bad, "as_left", string(c.AsLeft), string(Pass), string(Fail), string(NotStated))
	oneOf(&bad, "pattern_evidence", c.PatternEvidence, "public", "none", string(NotStated))
	oneOf(&bad, "state", c.State, Confirmed, Draft)

	for i, s := range c.ReferenceStandards {
		required(&bad, fmt.Sprintf("reference_standards/%d/description", i), s.Description)
	}
	for i, p := range c.Parts {
		at := fmt.Sprintf("parts/%d/", i)
		bad.Check(p.Kind.isPart(), at+"kind", "not_allowed", "must be microphone, preamplifier or filter_set")
		required(&bad, at+"serial_number", p.SerialNumber)
	}
	for i, r := range c.Results {
		r.validate(&bad, fmt.Sprintf("results/%d/", i))
	}
	return bad.Err("certificate")
}

func (r CertificateResult) validate(bad *fault.Fields, at string) {
	oneOf(bad, at+"phase", r.Phase, AsFound, AsLeft)
	bad.Check(r.FrequencyHz == nil || *r.FrequencyHz > 0 && *r.FrequencyHz <= 1e6, at+"frequency_hz", "out_of_range",
		"must lie above 0 and not above 1 MHz")
	bad.Check(r.LimitLowDB == nil || r.LimitHighDB == nil || *r.LimitLowDB <= *r.LimitHighDB, at+"limit_high_db", "out_of_order",
		"must not lie below limit_low_db")
	bad.Check(r.ExpandedUncertaintyDB == nil || *r.ExpandedUncertaintyDB > 0 && *r.ExpandedUncertaintyDB <= 100,
		at+"expanded_uncertainty_db", "out_of_range", "must lie above 0 and not above 100 dB")
	bad.Check(r.MaximumUncertaintyDB == nil || *r.MaximumUncertaintyDB > 0 && *r.MaximumUncertaintyDB <= 100,
		at+"maximum_uncertainty_db", "out_of_range", "must lie above 0 and not above 100 dB")
	bad.Check(r.CoverageFactor == nil || *r.CoverageFactor > 0 && *r.CoverageFactor <= 100, at+"coverage_factor", "out_of_range",
		"must lie above 0 and not above 100")
}

func (c Certificate) String() string {
	if c.Revision > 0 {
		return fmt.Sprintf("certificate %s (revision %d)", c.Number, c.Revision)
	}
	return "certificate " + c.Number
}

func oneOf(bad *fault.Fields, path, s string, words ...string) {
	bad.Check(slices.Contains(words, s), path, "not_allowed", "must be one of "+strings.Join(words, ", "))
}
