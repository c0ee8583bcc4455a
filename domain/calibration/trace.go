package calibration

import (
	"slices"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/civil"
)

// Trace is the chain from a survey down to the reference standards of the
// laboratories, as known at an instant.
type Trace struct {
	SurveyID  uuid.UUID
	Profile   string
	Edition   string
	AsKnownAt time.Time
	Series    []SeriesTrace // by ascending ID
}

// SeriesTrace is what one series stands on.
type SeriesTrace struct {
	Use    SeriesUse
	Meter  InstrumentTrace
	Parts  []InstrumentTrace // microphones, preamplifiers, filter sets fitted on days of use
	Checks []CheckTrace      // in time order: all within reach of the series
}

// InstrumentTrace is an instrument with the certificates that were in force on days of use.
type InstrumentTrace struct {
	Instrument   Instrument
	Certificates []CertificateTrace // by scope and day of calibration; empty: nothing covered it
}

// CertificateTrace is a certificate that was in force, with its laboratory. The
// reference standards are on the certificate.
type CertificateTrace struct {
	Certificate Certificate
	Scope       Scope
	First, Last civil.Date // of the days on which it was relied on
	Laboratory  Laboratory
	// Accreditation that the laboratory is recorded to have held on the day of calibration; nil if none is.
	Accreditation *Accreditation
}

// CheckTrace is a field check with its calibrator.
type CheckTrace struct {
	Check      FieldCheck
	Role       string // before, during, after, or not_used
	Calibrator InstrumentTrace
}

// The roles of checks.
const (
	RoleBefore  = "before"
	RoleDuring  = "during"
	RoleAfter   = "after"
	RoleNotUsed = "not_used" // it does not count, or another is nearer
)

// TraceOf returns the trace of a survey.
func TraceOf(f Facts) Trace {
	f = asKnown(f)
	t := Trace{SurveyID: f.SurveyID, Profile: f.Profile.Code, Edition: f.Profile.Edition, AsKnownAt: f.AsKnownAt}
	for _, j := range judges(&f) {
		t.Series = append(t.Series, j.trace())
	}
	return t
}

func (j *judge) trace() SeriesTrace {
	meter := j.instrument(j.use.InstrumentID)
	t := SeriesTrace{Use: j.use}
	scopes := []Scope{kinds[meter.Kind].scope}
	ownFilters := j.days
	for _, k := range partKinds {
		for _, part := range j.parts(meter.ID, k, j.use.extent()) {
			days := j.daysFitted(meter, part)
			if len(days) == 0 {
				continue // it sat there while nothing was measured
			}
			if k == FilterSet {
				ownFilters = slices.DeleteFunc(slices.Clone(ownFilters), func(d civil.Date) bool { return slices.Contains(days, d) })
			}
			t.Parts = append(t.Parts, j.instrumentTrace(part, []Scope{kinds[k].scope}, days))
		}
	}
	t.Meter = j.instrumentTrace(meter, scopes, j.days)
	if j.use.Bands {
		t.Meter.Certificates = append(t.Meter.Certificates, j.instrumentTrace(meter, []Scope{ScopeFilters}, ownFilters).Certificates...)
	}
	used := j.used()
	extent := j.use.extent()
	for _, c := range j.facts.Checks {
		if !j.use.reachedBy(c, j.facts.Profile.CheckReach.Value) {
			continue
		}
		role := RoleDuring
		switch {
		case !slices.ContainsFunc(used, func(u FieldCheck) bool { return u.ID == c.ID }):
			role = RoleNotUsed
		case !c.At.After(extent.From):
			role = RoleBefore
		case !c.At.Before(extent.To):
			role = RoleAfter
		}
		calibrator := j.instrumentTrace(j.instrument(c.CalibratorID), []Scope{ScopeCalibrator}, []civil.Date{civil.DayOf(c.At, j.facts.Zone)})
		t.Checks = append(t.Checks, CheckTrace{Check: c, Role: role, Calibrator: calibrator})
	}
	return t
}

func (j *judge) instrumentTrace(i Instrument, scopes []Scope, days []civil.Date) InstrumentTrace {
	t := InstrumentTrace{Instrument: i}
	for _, scope := range scopes {
		for _, c := range governingOn(j.covers(i, scope), days) {
			first, _ := firstOf(days, c.includes)
			last, _ := lastOf(days, c.includes)
			ct := CertificateTrace{Certificate: c.Certificate, Scope: scope, First: first, Last: last}
			for _, l := range j.facts.Laboratories {
				if l.ID == c.Certificate.LaboratoryID {
					ct.Laboratory = l
					ct.Accreditation = l.accreditation(c.Certificate.CalibratedOn)
				}
			}
			t.Certificates = append(t.Certificates, ct)
		}
	}
	return t
}
