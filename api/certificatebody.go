package api

import (
	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
	"leveltrail/domain/civil"
)

// CertificateLaboratory names the laboratory of a certificate.
type CertificateLaboratory struct {
	Name          string  `json:"name"`                                            // Found by its name, made if there is none
	Accreditation *string `json:"accreditation,omitempty" extensions:"x-nullable"` // Number of its accreditation, as printed
}

// ReferenceStandard is equipment that a laboratory measured against.
type ReferenceStandard struct {
	Description string  `json:"description"`                                   // What it is
	Certificate *string `json:"certificate,omitempty" extensions:"x-nullable"` // Its own certificate, as printed
}

// CertificateResult is one line of the results of a certificate. What is not printed is left out.
type CertificateResult struct {
	Phase                 string            `json:"phase" enums:"as_found,as_left"`         // Before or after adjustment
	Test                  *string           `json:"test,omitempty" extensions:"x-nullable"` // What was tested, as printed
	NominalDB             *Level            `json:"nominal_db,omitempty" extensions:"x-nullable"`
	FrequencyHz           *float64          `json:"frequency_hz,omitempty" extensions:"x-nullable"`
	DeviationDB           *Level            `json:"deviation_db,omitempty" extensions:"x-nullable"`  // Measured less nominal
	LimitLowDB            *Level            `json:"limit_low_db,omitempty" extensions:"x-nullable"`  // Acceptance limits of the deviation
	LimitHighDB           *Level            `json:"limit_high_db,omitempty" extensions:"x-nullable"` // Acceptance limits of the deviation
	ExpandedUncertaintyDB *acoustic.Decibel `json:"expanded_uncertainty_db,omitempty" extensions:"x-nullable"`
	CoverageFactor        *float64          `json:"coverage_factor,omitempty" extensions:"x-nullable"` // Of the expanded uncertainty
	InScope               *bool             `json:"in_scope,omitempty"`                                // Within the laboratory's accredited scope; absent: no
	MaximumUncertaintyDB  *acoustic.Decibel `json:"maximum_uncertainty_db,omitempty" extensions:"x-nullable"`
}

// CertifiedPart is a part that a certificate names as calibrated with the meter.
type CertifiedPart struct {
	Kind         string `json:"kind" enums:"microphone,preamplifier,filter_set"`
	SerialNumber string `json:"serial_number"` // As printed
}

// CertificateProblem is something about a certificate that a person should look at.
type CertificateProblem struct {
	Code   string `json:"code"`   // Word for programs; further codes may appear
	Detail string `json:"detail"` // What it is
}

func (r CertificateResult) result() calibration.CertificateResult {
	return calibration.CertificateResult{
		Phase: r.Phase, Test: orZero(r.Test), NominalDB: (*acoustic.Level)(r.NominalDB), FrequencyHz: r.FrequencyHz,
		DeviationDB: (*acoustic.Level)(r.DeviationDB), LimitLowDB: (*acoustic.Level)(r.LimitLowDB),
		LimitHighDB: (*acoustic.Level)(r.LimitHighDB), ExpandedUncertaintyDB: r.ExpandedUncertaintyDB,
		CoverageFactor: r.CoverageFactor, InScope: orZero(r.InScope), MaximumUncertaintyDB: r.MaximumUncertaintyDB,
	}
}

func resultOf(r calibration.CertificateResult) CertificateResult {
	return CertificateResult{
		Phase: r.Phase, Test: orNil(r.Test), NominalDB: (*Level)(r.NominalDB), FrequencyHz: r.FrequencyHz,
		DeviationDB: (*Level)(r.DeviationDB), LimitLowDB: (*Level)(r.LimitLowDB), LimitHighDB: (*Level)(r.LimitHighDB),
		ExpandedUncertaintyDB: r.ExpandedUncertaintyDB, CoverageFactor: r.CoverageFactor, InScope: &r.InScope,
		MaximumUncertaintyDB: r.MaximumUncertaintyDB,
	}
}

// NewCertificate is a calibration certificate as sent to its instrument. What
// it does not say may be left out.
type NewCertificate struct {
	Laboratory         *CertificateLaboratory `json:"laboratory,omitempty"` // Who calibrated; or laboratory_id
	LaboratoryID       *uuid.UUID             `json:"laboratory_id,omitempty"`
	Accredited         *bool                  `json:"accredited,omitempty"`                                                                                           // It carries an accreditation mark; absent: no
	Scope              []string               `json:"scope,omitempty" enums:"sound_level_meter,filters,calibrator,microphone,exposure_meter,preamplifier,anemometer"` // What was calibrated; absent: what the instrument's kind implies
	ItemSerialNumber   *string                `json:"item_serial_number,omitempty" extensions:"x-nullable"`                                                           // Serial number as printed
	Number             string                 `json:"number"`                                                                                                         // Number of the certificate
	Revision           *int                   `json:"revision,omitempty"`                                                                                             // Counts from 0
	ReplacesID         *uuid.UUID             `json:"replaces_id,omitempty" extensions:"x-nullable"`                                                                  // The certificate that this one amends or replaces
	CalibratedFrom     *civil.Date            `json:"calibrated_from,omitempty" extensions:"x-nullable"`                                                              // First day of calibration; absent: calibrated_on
	CalibratedOn       civil.Date             `json:"calibrated_on"`                                                                                                  // Last day of calibration: cover begins
	IssuedOn           *civil.Date            `json:"issued_on,omitempty" extensions:"x-nullable"`
	Standard           *string                `json:"standard,omitempty" extensions:"x-nullable" example:"IEC 61672-3:2013"`          // Standard of the method
	AsFound            *string                `json:"as_found,omitempty" enums:"pass,fail,not_stated" default:"not_stated"`           // Conformity before any adjustment
	AsLeft             *string                `json:"as_left,omitempty" enums:"pass,fail,not_stated" default:"not_stated"`            // Conformity when it left the laboratory
	Adjusted           *bool                  `json:"adjusted,omitempty"`                                                             // The laboratory adjusted the instrument; absent: no
	PatternEvidence    *string                `json:"pattern_evidence,omitempty" enums:"public,none,not_stated" default:"not_stated"` // Evidence of pattern approval (IEC 61672-3)
	LaboratoryDueOn    *civil.Date            `json:"laboratory_due_on,omitempty" extensions:"x-nullable"`                            // Printed by the laboratory; shown, never decides
	DueOverrideOn      *civil.Date            `json:"due_override_on,omitempty" extensions:"x-nullable"`                              // Set by the house; can only shorten
	PersonAuthorising  *string                `json:"person_authorising,omitempty" extensions:"x-nullable"`                           // Who authorised it
	ReferenceStandards []ReferenceStandard    `json:"reference_standards,omitempty"`                                                  // What the laboratory measured against
	Results            []CertificateResult    `json:"results,omitempty"`                                                              // Lines of results
	Parts              []CertifiedPart        `json:"parts,omitempty"`                                                                // Parts that it names as calibrated with the meter
}

// CertificatePatch is what of a certificate can be changed.
type CertificatePatch struct {
	NewCertificate
	InstrumentID *uuid.UUID `json:"instrument_id,omitempty" extensions:"x-nullable"` // Of a draft only
}

// Certificate is a calibration certificate of one instrument.
type Certificate struct {
	Stamp
	InstrumentID       *uuid.UUID            `json:"instrument_id"` // Instrument calibrated; null of a draft whose instrument is not known
	State              string                `json:"state" enums:"confirmed,draft"`
	Laboratory         CertificateLaboratory `json:"laboratory"` // Who calibrated
	LaboratoryID       uuid.UUID             `json:"laboratory_id"`
	Accredited         bool                  `json:"accredited"`         // It carries an accreditation mark
	Scope              []string              `json:"scope"`              // What was calibrated
	ItemSerialNumber   *string               `json:"item_serial_number"` // Serial number as printed
	Number             string                `json:"number"`             // Number of the certificate
	Revision           int                   `json:"revision"`           // Counts from 0
	ReplacesID         *uuid.UUID            `json:"replaces_id"`        // The certificate that this one amends or replaces
	CalibratedFrom     civil.Date            `json:"calibrated_from"`    // First day of calibration
	CalibratedOn       civil.Date            `json:"calibrated_on"`      // Last day of calibration: cover begins
	IssuedOn           *civil.Date           `json:"issued_on"`
	Standard           *string               `json:"standard"`                                        // Standard of the method
	AsFound            string                `json:"as_found" enums:"pass,fail,not_stated"`           // Conformity before any adjustment
	AsLeft             string                `json:"as_left" enums:"pass,fail,not_stated"`            // Conformity when it left the laboratory
	Adjusted           bool                  `json:"adjusted"`                                        // The laboratory adjusted the instrument
	PatternEvidence    string                `json:"pattern_evidence" enums:"public,none,not_stated"` // Evidence of pattern approval (IEC 61672-3)
	LaboratoryDueOn    *civil.Date           `json:"laboratory_due_on"`                               // Printed by the laboratory; shown, never decides
	DueOverrideOn      *civil.Date           `json:"due_override_on"`                                 // Set by the house; can only shorten
	PersonAuthorising  *string               `json:"person_authorising"`                              // Who authorised it
	ReferenceStandards []ReferenceStandard   `json:"reference_standards"`                             // What the laboratory measured against
	Results            []CertificateResult   `json:"results"`                                         // Lines of results
	Parts              []CertifiedPart       `json:"parts"`                                           // Parts that it names as calibrated with the meter
	Problems           []CertificateProblem  `json:"problems"`                                        // What a person should look at

	beside   string    // names what of other records the body shows
	Expanded *Expanded `json:"expanded,omitempty"` // Records that it refers to, as asked for
}

func (c Certificate) etag() string { return etagWith(c.Version, c.beside) }

func (c Certificate) path() string { return "/v1/certificates/" + c.ID.String() }

func (c *Certificate) refers() (map[string]uuid.UUID, **Expanded) {
	return map[string]uuid.UUID{"instrument": orZero(c.InstrumentID), "laboratory": c.LaboratoryID}, &c.Expanded
}

func certificateOf(c issued) Certificate {
	out := Certificate{
		Stamp: Stamp{c.ID, c.Version, c.CreatedAt, c.RecordedAt}, InstrumentID: orNil(c.InstrumentID), State: c.State,
		Laboratory: CertificateLaboratory{c.laboratory, orNil(c.Accreditation)}, LaboratoryID: c.LaboratoryID,
		Accredited: c.Accredited, Scope: []string{}, ItemSerialNumber: orNil(c.ItemSerialNumber),
		Number: c.Number, Revision: c.Revision, ReplacesID: orNil(c.ReplacesID),
		CalibratedFrom: c.CalibratedFrom, CalibratedOn: c.CalibratedOn, IssuedOn: orNil(c.IssuedOn), Standard: orNil(c.Standard),
		AsFound: string(c.AsFound), AsLeft: string(c.AsLeft), Adjusted: c.Adjusted, PatternEvidence: c.PatternEvidence,
		LaboratoryDueOn: orNil(c.LaboratoryDueOn), DueOverrideOn: orNil(c.DueOverrideOn), PersonAuthorising: orNil(c.PersonAuthorising),
		ReferenceStandards: []ReferenceStandard{}, Results: []CertificateResult{}, Parts: []CertifiedPart{},
		Problems: []CertificateProblem{}, beside: c.beside,
	}
	if c.mismatch != "" {
		out.Problems = append(out.Problems, CertificateProblem{string(calibration.SerialNumberMismatch), c.mismatch})
	}
	for _, p := range c.Parts {
		out.Parts = append(out.Parts, CertifiedPart{string(p.Kind), p.SerialNumber})
	}
	for _, s := range c.Scope {
		out.Scope = append(out.Scope, string(s))
	}
	for _, s := range c.ReferenceStandards {
		out.ReferenceStandards = append(out.ReferenceStandards, ReferenceStandard{s.Description, orNil(s.Certificate)})
	}
	for _, r := range c.Results {
		out.Results = append(out.Results, resultOf(r))
	}
	return out
}

// newCertificateOf returns the body that would make c.
func newCertificateOf(c issued) CertificatePatch {
	o := certificateOf(c)
	in := NewCertificate{
		Laboratory: &o.Laboratory, Accredited: &o.Accredited, Scope: o.Scope, ItemSerialNumber: o.ItemSerialNumber,
		Number: o.Number, Revision: &o.Revision, ReplacesID: o.ReplacesID,
		CalibratedOn: o.CalibratedOn, IssuedOn: o.IssuedOn, Standard: o.Standard,
		AsFound: &o.AsFound, AsLeft: &o.AsLeft, Adjusted: &o.Adjusted, PatternEvidence: &o.PatternEvidence,
		LaboratoryDueOn: o.LaboratoryDueOn, DueOverrideOn: o.DueOverrideOn, PersonAuthorising: o.PersonAuthorising,
		ReferenceStandards: o.ReferenceStandards, Results: o.Results, Parts: o.Parts,
	}
	if o.CalibratedFrom != o.CalibratedOn {
		in.CalibratedFrom = &o.CalibratedFrom
	}
	return CertificatePatch{in, o.InstrumentID}
}
