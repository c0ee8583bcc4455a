package calibration

import (
	"fmt"
	"slices"
	"strings"

	"github.com/google/uuid"

	"leveltrail/domain/civil"
	"leveltrail/domain/series"
)

// Owed is something to be seen to so that the measurements of a survey will stand.
type Owed struct {
	Code    string // a rule of a verdict, or a word of its own
	Subject Subject
	Detail  string // what is wrong, for people
	Do      string // what to do now, in one sentence
}

// PlannedUse is what a survey is about to go out with. The facts are those of the
// instruments and of whatever is fitted on them; their series, checks, data and dispositions are not looked at.
type PlannedUse struct {
	Facts
	Time   series.Span
	Bands  bool // spectra are planned: filters must be covered
	Taking []uuid.UUID
}

// Readied says of one instrument within one scope on which planned days a certificate covers it.
type Readied struct {
	Instrument Instrument
	FittedOn   uuid.UUID // the planned meter that it is fitted on; zero: it is planned itself
	Scope      Scope
	Days       []CoveredDays // in order, all planned days together
}

// CoveredDays is a run of planned days with one certificate, or without any.
type CoveredDays struct {
	From, To      civil.Date
	CertificateID uuid.UUID // zero: not covered
}

// Readiness holds each planned instrument, and the parts fitted on it, against the rule
// profile on every planned local day. Nothing owed means that the verdict will not
// fall for a certificate or a class.
func Readiness(p PlannedUse) (all []Readied, owed []Owed) {
	f := p.Facts
	r := readier{plan: p, judge: judge{
		facts: &f, days: LocalDays(p.Time, f.Zone), use: SeriesUse{Channel: 1, Stretches: []series.Span{p.Time}},
		seen: &seen{map[uuid.UUID]Past{}, map[coverKey][]Cover{}},
	}}
	var meters, calibrators []Instrument
	for _, id := range p.Taking {
		switch i := r.judge.instrument(id); {
		case i.Kind.Measures():
			meters = append(meters, i)
		case i.Kind == SoundCalibrator:
			calibrators = append(calibrators, i)
		}
	}
	about := Subject{"survey", f.SurveyID, f.SurveyVersion}
	if len(meters) == 0 {
		r.owe("meter_missing", about, "Name the meters in the plan of the survey.", "No meter is planned.")
	}
	if len(calibrators) == 0 {
		r.owe("calibrator_missing", about, "Take a sound calibrator and name it in the plan of the survey.", "No sound calibrator is planned, and the field checks need one.")
	}
	for _, m := range meters {
		r.meter(m)
	}
	for _, c := range calibrators {
		r.calibrator(c, meters)
	}
	r.parts(meters)
	r.operator(about)
	return r.all, r.owed
}

type readier struct {
	plan  PlannedUse
	judge judge
	all   []Readied
	owed  []Owed
}

func (r *readier) owe(code string, about Subject, do, format string, args ...any) {
	r.owed = append(r.owed, Owed{code, about, fmt.Sprintf(format, args...), do})
}

func (r *readier) meter(m Instrument) {
	j := &r.judge
	j.use.InstrumentID = m.ID
	if p := j.facts.Profile; !accepts(p.AcceptedMeters.Value, m) {
		r.owe(string(MeterClassTooLow), aboutInstrument(m), "Take a meter of a class that the rule profile accepts.",
			"The %v is of class %q of %s, which rule profile %s does not accept.", m, m.Class, m.Specification, p.Code)
	}
	covers := r.cover(m, uuid.Nil, kinds[m.Kind].scope, j.days)
	for _, c := range governingOn(covers, j.days) {
		for _, k := range []Kind{Microphone, Preamplifier} {
			for _, part := range j.parts(m.ID, k, r.plan.Time) {
				named := c.Certificate.partsNamed(k)
				if j.swapped(m, part, c.Certificate.CalibratedOn) || len(named) > 0 && !slices.Contains(named, strings.TrimSpace(part.SerialNumber)) {
					r.owe(string(AlteredSinceCalibration), aboutInstrument(part), "Fit the one that the meter was calibrated with, or take another meter.",
						"The %v is fitted on the %v, which was calibrated with another (%v).", part, m, c.Certificate)
				}
			}
		}
	}
	for _, k := range []Kind{Microphone, Preamplifier} {
		for _, part := range j.parts(m.ID, k, r.plan.Time) {
			if len(j.past(part.ID).standing(kinds[k].scope)) > 0 { // calibrated by itself, so that must hold too
				r.cover(part, m.ID, kinds[k].scope, j.daysFitted(m, part))
			}
		}
	}
	if !r.plan.Bands {
		return
	}
	own := slices.Clone(j.days)
	for _, set := range j.parts(m.ID, FilterSet, r.plan.Time) {
		days := j.daysFitted(m, set)
		own = slices.DeleteFunc(own, func(d civil.Date) bool { return slices.Contains(days, d) })
		r.cover(set, m.ID, ScopeFilters, days)
	}
	planned := slices.ContainsFunc(r.plan.Taking, func(id uuid.UUID) bool { return j.instrument(id).Kind == FilterSet })
	if len(own) > 0 && !planned {
		r.cover(m, uuid.Nil, ScopeFilters, own)
	}
}

func (r *readier) calibrator(c Instrument, meters []Instrument) {
	j := &r.judge
	if p := j.facts.Profile; !accepts(p.AcceptedCalibrators.Value, c) {
		r.owe(string(CalibratorClassTooLow), aboutInstrument(c), "Take a calibrator of a class that the rule profile accepts.",
			"The %v is of class %q of %s, which rule profile %s does not accept.", c, c.Class, c.Specification, p.Code)
	}
	for _, m := range meters {
		if lesser(c, m) {
			r.owe(string(CalibratorClassTooLow), aboutInstrument(c), "Take a calibrator of the meter's class or better.",
				"The %v is of class %s, lower than class %s of the %v.", c, c.Class, m.Class, m)
		}
	}
	r.cover(c, uuid.Nil, ScopeCalibrator, j.days)
}

// parts looks at microphones, preamplifiers and filter sets that are planned and not yet fitted on a planned meter.
func (r *readier) parts(meters []Instrument) {
	j := &r.judge
	if len(meters) > 0 {
		j.use.InstrumentID = meters[0].ID // of its kind is the interval where a part has none of its own
	}
	for _, id := range r.plan.Taking {
		i := j.instrument(id)
		fitted := slices.ContainsFunc(meters, func(m Instrument) bool { return slices.Contains(j.parts(m.ID, i.Kind, r.plan.Time), i) })
		if i.Kind.isPart() && !fitted {
			r.cover(i, uuid.Nil, kinds[i.Kind].scope, j.days)
		}
	}
}

func (r *readier) operator(about Subject) {
	f := r.judge.facts
	if len(f.People) == 0 {
		return
	}
	method := f.Method
	if method == "" {
		method = f.Profile.Code
	}
	i := slices.IndexFunc(f.People, func(p Person) bool { return SamePerson(p.Name, f.Operator) })
	if i < 0 {
		r.owe(string(OperatorNotAuthorised), about, "Name as operator someone who is recorded and authorised.", "The operator has no record, so no authorisation is shown.")
		return
	}
	p := f.People[i]
	if day, ok := firstOf(r.judge.days, func(d civil.Date) bool { return !p.authorised(method, d) }); ok {
		r.owe(string(OperatorNotAuthorised), Subject{"person", p.ID, p.Version}, "Send someone who is authorised, or have the authorisation recorded.",
			"%s is not authorised for %s on %v.", p.Name, method, day)
	}
}

// cover holds an instrument against the profile within a scope on the days.
func (r *readier) cover(i Instrument, fittedOn uuid.UUID, scope Scope, days []civil.Date) []Cover {
	j := &r.judge
	covers := j.covers(i, scope)
	out := Readied{Instrument: i, FittedOn: fittedOn, Scope: scope}
	var reason *lapse
	named := map[uuid.UUID]bool{}
	for _, d := range days {
		run := CoveredDays{From: d, To: d}
		c, ok := coverOn(covers, d)
		if ok {
			run.CertificateID = c.Certificate.ID
			if printed := strings.TrimSpace(c.Certificate.ItemSerialNumber); !named[run.CertificateID] && printed != "" && printed != strings.TrimSpace(i.SerialNumber) {
				r.owe(string(SerialNumberMismatch), aboutCertificate(&c.Certificate), "Have the quality lead settle which instrument the certificate is of, or take another.",
					"The %v is covered by %v, which names serial number %s.", i, c.Certificate, printed)
			}
			named[run.CertificateID] = true
			reason = nil
		} else if l := lapseOn(covers, scope, d); reason == nil || !reason.sameCause(l) {
			reason = &l
			about := aboutCertificate(&l.certificate)
			switch l.rule {
			case NoCertificate:
				about = aboutInstrument(i)
			case AlteredSinceCalibration:
				about = aboutEvent(l.event)
			}
			r.owe(string(l.rule), about, notCoveredDo(i, l.rule), "The %v is not covered from %v on: %s.", i, d, l.reason)
		}
		if n := len(out.Days); n > 0 && out.Days[n-1].CertificateID == run.CertificateID && out.Days[n-1].To.AddDays(1) == d {
			out.Days[n-1].To = d
			continue
		}
		out.Days = append(out.Days, run)
	}
	r.all = append(r.all, out)
	return covers
}

// notCoveredDo says what to do about an instrument that no certificate covers.
func notCoveredDo(i Instrument, rule Rule) string {
	switch rule {
	case NoCertificate:
		return "Take another " + i.Kind.words() + ", or record the certificate of this one before you leave."
	case AlteredSinceCalibration:
		return "Take another " + i.Kind.words() + ", or have this one calibrated as it is now."
	case CertificateWithdrawn, CertificateSuperseded, AsLeftNotConforming:
		return "Take another " + i.Kind.words() + ": the certificate of this one does not hold."
	}
	return "Take another " + i.Kind.words() + " that is in date, or have this one calibrated before you leave."
}
