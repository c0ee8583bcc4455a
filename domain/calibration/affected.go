package calibration

import (
	"slices"
	"strings"

	"github.com/google/uuid"

	"leveltrail/domain/civil"
)

// Target is what a reverse trace starts from: exactly one of its members is set.
type Target struct {
	CertificateID     uuid.UUID
	InstrumentID      uuid.UUID
	LaboratoryID      uuid.UUID
	ReferenceStandard string // its description or its certificate, as certificates name it
}

// Relation says how a series stands to the target of a reverse trace.
type Relation string

// The relations.
const (
	// It was, or was certified by, what governed on a day of use or of a check used, or what a person
	// accepted as evidence that an instrument conformed when it was not calibrated yet.
	ReliedOn Relation = "relied_on"
	Touched  Relation = "touched" // the instrument was used, but the series does not stand on it
)

// Affected is a series that a target touches.
type Affected struct {
	SeriesID uuid.UUID
	Relation Relation
	Via      []Via // in what parts, each once
}

// Via is the part in which a target touches a series.
type Via struct {
	InstrumentID  uuid.UUID
	CertificateID uuid.UUID // zero where the target is the instrument
	Role          string    // meter, part, or one of the roles of checks
}

// Affects returns the series of a survey that a target touches, by ascending ID.
// A certificate of the target counts as it did before it was withdrawn: what relied on
// it then is what a withdrawal is about. A certificate that governed no day touches a
// series if it speaks about a day of its use: it lies within the certificate's interval, or
// the calibration is the next, whose as found is about all use since the last good one.
func Affects(f Facts, t Target) []Affected {
	f.Statuses = slices.DeleteFunc(slices.Clone(f.Statuses), func(s CertificateStatus) bool {
		i := slices.IndexFunc(f.Certificates, func(c Certificate) bool { return c.ID == s.CertificateID })
		return i >= 0 && t.certified(f.Certificates[i])
	})
	f = asKnown(f)
	var all []Affected
	for _, j := range judges(&f) {
		if len(j.days) == 0 {
			continue // nothing was measured yet
		}
		trace := j.trace()
		a := Affected{SeriesID: j.use.ID}
		note := func(r Relation, v Via) {
			if a.Relation != ReliedOn {
				if r == ReliedOn {
					a.Via = nil
				}
				a.Relation = r
			}
			if a.Relation == r && !slices.Contains(a.Via, v) {
				a.Via = append(a.Via, v)
			}
		}
		look := func(i InstrumentTrace, role string, days []civil.Date) {
			relied := ReliedOn
			if role == RoleNotUsed || i.Instrument.Kind == FilterSet && !j.use.Bands {
				relied = Touched
			}
			if t.InstrumentID != uuid.Nil && t.InstrumentID == i.Instrument.ID {
				note(relied, Via{i.Instrument.ID, uuid.Nil, role})
			}
			for _, c := range i.Certificates {
				if t.certified(c.Certificate) {
					note(relied, Via{i.Instrument.ID, c.Certificate.ID, role})
				}
			}
			for _, c := range j.past(i.Instrument.ID).Certificates {
				if t.certified(c) && j.speaksAbout(i.Instrument, c, days) {
					note(Touched, Via{i.Instrument.ID, c.ID, role})
				}
			}
		}
		look(trace.Meter, "meter", j.days)
		for _, p := range trace.Parts {
			look(p, "part", j.daysFitted(trace.Meter.Instrument, p.Instrument))
		}
		for _, c := range trace.Checks {
			look(c.Calibrator, c.Role, []civil.Date{civil.DayOf(c.Check.At, f.Zone)})
		}
		for _, v := range j.evidence(t) {
			note(ReliedOn, v)
		}
		if a.Relation != "" {
			all = append(all, a)
		}
	}
	return all
}

// certified reports whether c is the target, or was made by it.
func (t Target) certified(c Certificate) bool {
	switch {
	case c.State == Draft:
		return false
	case t.CertificateID != uuid.Nil:
		return c.ID == t.CertificateID
	case t.LaboratoryID != uuid.Nil:
		return c.LaboratoryID == t.LaboratoryID
	}
	wanted := strings.TrimSpace(t.ReferenceStandard)
	return wanted != "" && slices.ContainsFunc(c.ReferenceStandards, func(r ReferenceStandard) bool {
		return strings.TrimSpace(r.Certificate) == wanted || strings.TrimSpace(r.Description) == wanted
	})
}

// evidence returns where certificates of t are what a person accepted for use before the first calibration.
func (j *judge) evidence(t Target) (all []Via) {
	if len(j.facts.Dispositions) == 0 {
		return nil
	}
	judged := *j
	judged.decide()
	for _, f := range judged.findings {
		if !f.Disposable || f.Disposition == nil {
			continue
		}
		for _, c := range j.facts.Certificates {
			if c.ID != f.Subject.ID || !t.certified(c) {
				continue
			}
			role := "part"
			if c.InstrumentID == j.use.InstrumentID {
				role = "meter"
			}
			all = append(all, Via{c.InstrumentID, c.ID, role})
		}
	}
	return all
}

// speaksAbout reports whether c is about the use of i on any of the days: within its
// interval, or before its first day with no good calibration in between.
func (j *judge) speaksAbout(i Instrument, c Certificate, days []civil.Date) bool {
	for _, scope := range c.Scope {
		own := Past{Certificates: []Certificate{c}}.covers(scope, j.months(i, scope))[0]
		var since civil.Date // the last good calibration before it
		for _, k := range j.covers(i, scope) {
			if k.From.Before(c.CalibratedOn) && !k.void && k.EndedBy != EndedByAsLeft {
				since = k.From
			}
		}
		for _, d := range days {
			if !d.Before(own.From) && !d.After(own.Due) || !d.Before(since) && !d.After(c.begins()) {
				return true
			}
		}
	}
	return false
}
