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

	event  Event             // with EndedByEvent
	status CertificateStatus // with EndedByWithdrawal
	void   bool              // withdrawn from the start, so that it says nothing
}

// What ends a cover.
const (
	EndedByInterval        = "interval"
	EndedByOverride        = "override"
	EndedByAsLeft          = "as_left"          // the certificate itself says that the instrument did not conform
	EndedByNextCalibration = "next_calibration" // condition is determined anew from its first day on
	EndedByEvent           = "event"            // a repair, damage or other change
	EndedByWithdrawal      = "withdrawal"       // the certificate was withdrawn, or superseded without a replacement
)

// includes reports whether day is covered.
func (c *Cover) includes(day civil.Date) bool { return !day.Before(c.From) && !day.After(c.Last) }

// Past is what one instrument went through: all that its cover is reckoned from.
type Past struct {
	Certificates []Certificate
	Events       []Event
	Statuses     []CertificateStatus // of those certificates, as far as they are known
}

// Covers returns [Past.Covers] of an instrument to which nothing else happened.
func Covers(certificates []Certificate, scope Scope, p RuleProfile) []Cover {
	return Past{Certificates: certificates}.Covers(scope, p)
}

// Covers returns what each of the instrument's certificates covers within a
// scope under rule profile p, by ascending day of calibration. Cover begins on
// the last day of calibration, ends with the due day (that day included), and
// earlier where the next calibration begins: a longer old certificate cannot
// outlive a new one, and days at the laboratory are not covered. It also ends
// with the day before an event that ends cover, or from which the certificate
// is withdrawn or superseded. Left out are drafts, certificates that another
// replaces, and of two of one day the lower revision. Where p sets no interval
// only the day of calibration is covered.
func (h Past) Covers(scope Scope, p RuleProfile) []Cover {
	months, _, _ := p.Months(scope.kind())
	return h.covers(scope, months)
}

func (h Past) covers(scope Scope, months int) []Cover {
	governing := h.standing(scope)
	covers := make([]Cover, len(governing))
	for i, c := range governing {
		k := Cover{Certificate: *c, From: c.CalibratedOn, Due: c.CalibratedOn.AddMonths(months), EndedBy: EndedByInterval}
		if !c.DueOverrideOn.IsZero() && c.DueOverrideOn.Before(k.Due) {
			k.Due, k.EndedBy = c.DueOverrideOn, EndedByOverride
		}
		k.Last = k.Due
		for _, next := range governing[i+1:] {
			if !h.void(next) {
				k.endBefore(next.begins(), EndedByNextCalibration)
				break
			}
		}
		for _, e := range h.Events {
			if e.ends(k.From) && k.endBefore(e.On, EndedByEvent) {
				k.event = e
			}
		}
		if s, ok := h.status(c); ok && s.Status != Active && k.endBefore(s.EffectiveFrom, EndedByWithdrawal) {
			k.status = s
		}
		if c.AsLeft == Fail {
			k.Last, k.EndedBy = k.From.AddDays(-1), EndedByAsLeft
		}
		k.void = h.void(c)
		covers[i] = k
	}
	return covers
}

// endBefore ends the cover with the day before day, if it lasts longer than that.
func (c *Cover) endBefore(day civil.Date, by string) bool {
	last := day.AddDays(-1)
	if !last.Before(c.Last) {
		return false
	}
	c.Last, c.EndedBy = last, by
	return true
}

// Covering returns the certificate that governs on a day, never more than one.
// It takes what [Covers] takes.
func Covering(certificates []Certificate, scope Scope, day civil.Date, p RuleProfile) (Certificate, bool) {
	if c, ok := coverOn(Covers(certificates, scope, p), day); ok {
		return c.Certificate, true
	}
	return Certificate{}, false
}

// EffectiveEnd returns [Past.EffectiveEnd] of an instrument to which nothing else happened.
func EffectiveEnd(certificates []Certificate, scope Scope, p RuleProfile) (Cover, bool) {
	return Past{Certificates: certificates}.EffectiveEnd(scope, p)
}

// EffectiveEnd returns the cover of the instrument's latest calibration that is not
// void (of the latest, if all are): until when it may be used, and what ends that.
// ok is false if it has no certificate.
func (h Past) EffectiveEnd(scope Scope, p RuleProfile) (Cover, bool) {
	covers := h.Covers(scope, p)
	for _, c := range slices.Backward(covers) {
		if !c.void {
			return c, true
		}
	}
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

func coverOn(covers []Cover, day civil.Date) (*Cover, bool) {
	for i := range covers {
		if covers[i].includes(day) {
			return &covers[i], true
		}
	}
	return nil, false
}

// standing returns the certificates that count within scope, by ascending day of
// calibration. Void ones are among them, to be named as the reason of a gap.
func (h Past) standing(scope Scope) []*Certificate {
	s := make([]*Certificate, 0, len(h.Certificates))
	for i := range h.Certificates {
		if c := &h.Certificates[i]; c.State != Draft && slices.Contains(c.Scope, scope) && h.supersededBy(c) == uuid.Nil {
			s = append(s, c)
		}
	}
	slices.SortFunc(s, func(a, b *Certificate) int {
		return cmp.Or(a.CalibratedOn.Compare(b.CalibratedOn), falseLast(h.void(a), h.void(b)), cmp.Compare(a.Revision, b.Revision),
			a.CreatedAt.Compare(b.CreatedAt), slices.Compare(a.ID[:], b.ID[:]))
	})
	// Of two calibrations that ended on one day the last in order governs.
	last := s[:0]
	for i, c := range s {
		if i+1 == len(s) || s[i+1].CalibratedOn != c.CalibratedOn {
			last = append(last, c)
		}
	}
	return last
}

func falseLast(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return -1
	}
	return 1
}

// supersededBy returns the confirmed certificate that names c as the one it
// replaces, or is a higher revision of it; zero if there is none. One that is
// void replaces nothing.
func (h Past) supersededBy(c *Certificate) uuid.UUID {
	for i := range h.Certificates {
		if d := &h.Certificates[i]; d.State != Draft && !h.void(d) && (d.ReplacesID == c.ID ||
			d.LaboratoryID == c.LaboratoryID && d.Number == c.Number && d.Revision > c.Revision) {
			return d.ID
		}
	}
	return uuid.Nil
}

// status returns the latest entry of c's history. ok is false if it has none.
func (h Past) status(c *Certificate) (latest CertificateStatus, ok bool) {
	for _, s := range h.Statuses {
		if s.CertificateID == c.ID && (!ok || cmp.Or(s.RecordedAt.Compare(latest.RecordedAt), slices.Compare(s.ID[:], latest.ID[:])) > 0) {
			latest, ok = s, true
		}
	}
	return latest, ok
}

// void reports whether c was withdrawn, or superseded, from its day of calibration on.
func (h Past) void(c *Certificate) bool {
	s, ok := h.status(c)
	return ok && s.Status != Active && !s.EffectiveFrom.After(c.CalibratedOn)
}

// begins returns the first day of c's calibration.
func (c *Certificate) begins() civil.Date {
	if c.CalibratedFrom.IsZero() {
		return c.CalibratedOn
	}
	return c.CalibratedFrom
}

// lapse says why a day is not covered.
type lapse struct {
	rule        Rule
	certificate Certificate // the one concerned; zero for NoCertificate
	event       Event       // the one concerned, for AlteredSinceCalibration
	reason      string      // completes "is not covered: …"
	disposable  bool        // a person may accept it nevertheless
}

func (l lapse) sameCause(m lapse) bool {
	return l.rule == m.rule && l.certificate.ID == m.certificate.ID && l.event.ID == m.event.ID
}

// lapseOn returns why no certificate covers an instrument on day.
func lapseOn(covers []Cover, scope Scope, day civil.Date) lapse {
	before := -1 // the last calibration up to day
	for i, c := range covers {
		if !c.From.After(day) {
			before = i
		}
	}
	switch {
	case len(covers) == 0:
		return lapse{rule: NoCertificate, reason: "it has no certificate of scope " + scope.words()}
	case before < 0:
		first := covers[max(0, slices.IndexFunc(covers, func(c Cover) bool { return !c.void }))]
		c := first.Certificate
		l := lapse{rule: CalibratedAfterUse, certificate: c, reason: fmt.Sprintf("it was first calibrated on %v (%v)", c.CalibratedOn, c)}
		if c.AsFound == Pass && !first.void {
			l.reason += ", and found to conform then"
			l.disposable = true
		}
		return l
	}
	switch c := covers[before]; {
	case c.EndedBy == EndedByAsLeft:
		return lapse{
			rule: AsLeftNotConforming, certificate: c.Certificate,
			reason: fmt.Sprintf("%v left it not conforming on %v", c.Certificate, c.From),
		}
	case c.EndedBy == EndedByEvent:
		return lapse{
			rule: AlteredSinceCalibration, certificate: c.Certificate, event: c.event,
			reason: fmt.Sprintf("a %s of %v came after its calibration of %v (%v)", c.event.words(), c.event.On, c.From, c.Certificate),
		}
	case c.EndedBy == EndedByWithdrawal:
		rule := CertificateWithdrawn
		if c.status.Status == Superseded {
			rule = CertificateSuperseded
		}
		return lapse{
			rule: rule, certificate: c.Certificate,
			reason: fmt.Sprintf("%v is %s from %v on", c.Certificate, c.status.Status, c.status.EffectiveFrom),
		}
	case day.After(c.Due):
		return lapse{
			rule: CalibrationLapsedDuring, certificate: c.Certificate,
			reason: fmt.Sprintf("its calibration of %v (%v) was due on %v", c.From, c.Certificate, c.Due),
		}
	default:
		later := covers[before+1:]
		next := later[slices.IndexFunc(later, func(c Cover) bool { return !c.void })].Certificate
		return lapse{
			rule: CalibratedAfterUse, certificate: next,
			reason: fmt.Sprintf("it was under calibration from %v to %v (%v)", next.begins(), next.CalibratedOn, next),
		}
	}
}
