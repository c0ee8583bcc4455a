package calibration

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/civil"
	"leveltrail/domain/series"
)

// Cover is the unbroken run of days on which one certificate governs. Days are
// local days of the site, because certificates carry plain dates.
type Cover struct {
	Certificate Certificate
	From        civil.Date // the last day of calibration
	Last        civil.Date // the last day covered; before From if no day is
	Due         civil.Date // the last day that the interval, or the house's override, allows
	EndedBy     string     // what sets Last: one of the EndedBy constants
}

// What ends a cover.
const (
	EndedByInterval        = "interval"
	EndedByOverride        = "override"
	EndedByAsLeft          = "as_left"          // the certificate itself says that the instrument did not conform
	EndedByNextCalibration = "next_calibration" // condition is determined anew from its first day on
)

// includes reports whether day is covered.
func (c Cover) includes(day civil.Date) bool { return !day.Before(c.From) && !day.After(c.Last) }

// Covers returns what each of one instrument's certificates covers within a
// scope under rule profile p, by ascending day of calibration. Cover begins on
// the last day of calibration, ends with the due day (that day included), and
// earlier where the next calibration begins: a longer old certificate cannot
// outlive a new one, and days at the laboratory are not covered. Left out are
// drafts, certificates that another replaces, and of two of one day the lower
// revision. Where p sets no interval only the day of calibration is covered.
func Covers(certificates []Certificate, scope Scope, p RuleProfile) []Cover {
	months, _, _ := p.Months(scope.kind())
	governing := standing(certificates, scope)
	covers := make([]Cover, len(governing))
	for i, c := range governing {
		k := Cover{Certificate: c, From: c.CalibratedOn, Due: c.CalibratedOn.AddMonths(months), EndedBy: EndedByInterval}
		if !c.DueOverrideOn.IsZero() && c.DueOverrideOn.Before(k.Due) {
			k.Due, k.EndedBy = c.DueOverrideOn, EndedByOverride
		}
		k.Last = k.Due
		if i+1 < len(governing) {
			if last := governing[i+1].begins().AddDays(-1); last.Before(k.Last) {
				k.Last, k.EndedBy = last, EndedByNextCalibration
			}
		}
		if c.AsLeft == Fail {
			k.Last, k.EndedBy = k.From.AddDays(-1), EndedByAsLeft
		}
		covers[i] = k
	}
	return covers
}

// Covering returns the certificate that governs on a day, never more than one.
// It takes what [Covers] takes.
func Covering(certificates []Certificate, scope Scope, day civil.Date, p RuleProfile) (Certificate, bool) {
	c, ok := coverOn(Covers(certificates, scope, p), day)
	return c.Certificate, ok
}

// EffectiveEnd returns the cover of an instrument's latest calibration: until
// when it may be used, and what ends that. ok is false if it has no certificate.
func EffectiveEnd(certificates []Certificate, scope Scope, p RuleProfile) (Cover, bool) {
	covers := Covers(certificates, scope, p)
	if len(covers) == 0 {
		return Cover{}, false
	}
	return covers[len(covers)-1], true
}

// LocalDays returns the days of zone that s touches, in order.
func LocalDays(s series.Span, zone *time.Location) []civil.Date {
	var days []civil.Date
	if s.From.Before(s.To) {
		last := civil.DayOf(s.To.Add(-1), zone)
		for d := civil.DayOf(s.From, zone); !d.After(last); d = d.AddDays(1) {
			days = append(days, d)
		}
	}
	return days
}

func coverOn(covers []Cover, day civil.Date) (Cover, bool) {
	if i := slices.IndexFunc(covers, func(c Cover) bool { return c.includes(day) }); i >= 0 {
		return covers[i], true
	}
	return Cover{}, false
}

// standing returns the certificates that count within scope, by ascending day of calibration.
func standing(certificates []Certificate, scope Scope) []Certificate {
	var s []Certificate
	for _, c := range certificates {
		if c.State != Draft && slices.Contains(c.Scope, scope) && supersededBy(certificates, c) == uuid.Nil {
			s = append(s, c)
		}
	}
	slices.SortFunc(s, func(a, b Certificate) int {
		return cmp.Or(a.CalibratedOn.Compare(b.CalibratedOn), cmp.Compare(a.Revision, b.Revision),
			a.CreatedAt.Compare(b.CreatedAt), slices.Compare(a.ID[:], b.ID[:]))
	})
	// Of two calibrations that ended on one day the last in order governs.
	var last []Certificate
	for i, c := range s {
		if i+1 == len(s) || s[i+1].CalibratedOn != c.CalibratedOn {
			last = append(last, c)
		}
	}
	return last
}

// supersededBy returns the confirmed certificate that names c as the one it
// replaces, or is a higher revision of it; zero if there is none.
func supersededBy(certificates []Certificate, c Certificate) uuid.UUID {
	for _, d := range certificates {
		if d.State != Draft && (d.ReplacesID == c.ID ||
			d.LaboratoryID == c.LaboratoryID && d.Number == c.Number && d.Revision > c.Revision) {
			return d.ID
		}
	}
	return uuid.Nil
}

// begins returns the first day of c's calibration.
func (c Certificate) begins() civil.Date {
	if c.CalibratedFrom.IsZero() {
		return c.CalibratedOn
	}
	return c.CalibratedFrom
}

// gap says why a day is not covered.
type gap struct {
	rule        Rule
	certificate Certificate // the one concerned; zero for NoCertificate
	reason      string      // completes "is not covered: …"
}

// gapOn returns why no certificate covers an instrument on day.
func gapOn(covers []Cover, scope Scope, day civil.Date) gap {
	before := -1 // the last calibration up to day
	for i, c := range covers {
		if !c.From.After(day) {
			before = i
		}
	}
	switch {
	case len(covers) == 0:
		return gap{NoCertificate, Certificate{}, "it has no certificate of scope " + scope.words()}
	case before < 0:
		c := covers[0].Certificate
		reason := fmt.Sprintf("it was first calibrated on %v (%v)", c.CalibratedOn, c)
		if c.AsFound == Pass {
			reason += ", and found to conform then"
		}
		return gap{CalibratedAfterUse, c, reason}
	}
	switch c := covers[before]; {
	case c.EndedBy == EndedByAsLeft:
		return gap{AsLeftNotConforming, c.Certificate, fmt.Sprintf("%v left it not conforming on %v", c.Certificate, c.From)}
	case day.After(c.Due):
		return gap{CalibrationLapsedDuring, c.Certificate,
			fmt.Sprintf("its calibration of %v (%v) was due on %v", c.From, c.Certificate, c.Due)}
	default:
		next := covers[before+1].Certificate
		return gap{CalibratedAfterUse, next,
			fmt.Sprintf("it was under calibration from %v to %v (%v)", next.begins(), next.CalibratedOn, next)}
	}
}
