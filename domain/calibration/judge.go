package calibration

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/civil"
	"leveltrail/domain/series"
)

// judge collects the findings on one series. Its facts are as [asKnown] leaves them.
type judge struct {
	facts    *Facts
	use      SeriesUse
	days     []civil.Date // local days of use, in order
	findings []Finding
	seen     *seen
}

// seen keeps what was reckoned for one series and is the same for the next.
type seen struct {
	pasts  map[uuid.UUID]Past
	covers map[coverKey][]Cover
}

type coverKey struct {
	instrument uuid.UUID
	scope      Scope
	months     int
}

func (s *seen) past(f *Facts, instrument uuid.UUID) Past {
	h, ok := s.pasts[instrument]
	if !ok {
		h = PastOf(f, instrument)
		s.pasts[instrument] = h
	}
	return h
}

func (s *seen) coversOf(f *Facts, instrument uuid.UUID, scope Scope, months int) []Cover {
	k := coverKey{instrument, scope, months}
	c, ok := s.covers[k]
	if !ok {
		c = s.past(f, instrument).covers(scope, months)
		s.covers[k] = c
	}
	return c
}

// decide returns what stands of the series.
func (j *judge) decide() SeriesVerdict {
	if len(j.use.Stretches) > 0 {
		j.meter()
		j.checks()
		j.data()
		j.people()
		j.dispose()
		inReadingOrder(j.findings)
	}
	var fails, opens []series.Span
	remarked := false
	for _, f := range j.findings {
		switch f.Severity {
		case SeverityFail:
			fails = append(fails, series.Span{From: *f.From, To: *f.To})
		case SeverityUndetermined:
			opens = append(opens, series.Span{From: *f.From, To: *f.To})
		case SeverityRemark:
			remarked = true
		}
	}
	standing := without(j.use.Stretches, fails)
	v := SeriesVerdict{SeriesID: j.use.ID, Usable: without(standing, opens), Pending: common(standing, opens)}
	switch {
	case len(v.Usable)+len(v.Pending) == 0:
		v.Outcome = NotValid
	case len(v.Pending) > 0:
		v.Outcome = Undetermined
	case len(fails) > 0:
		v.Outcome = ValidInPart
	case remarked:
		v.Outcome = ValidWithRemarks
	default:
		v.Outcome = Valid
	}
	return v
}

// add notes a finding. Every fail and undetermined one gets a window: the whole
// series if none is given. One whose window holds no samples is a remark. A
// second finding of one key, as two scopes of a certificate give, joins the first.
func (j *judge) add(r Rule, s Severity, about Subject, window *series.Span, format string, args ...any) {
	j.addDisposable(false, r, s, about, window, format, args...)
}

// addDisposable is add of a finding that a person may accept although it is a fail.
func (j *judge) addDisposable(disposable bool, r Rule, s Severity, about Subject, window *series.Span, format string, args ...any) {
	grave := s == SeverityFail || s == SeverityUndetermined
	if window == nil && grave {
		whole := j.use.extent()
		window = &whole
	}
	if window != nil {
		if grave && !touches(*window, j.use.Stretches) {
			s = SeverityRemark
		}
		clipped, ok := within(*window, j.use.extent())
		if window = &clipped; !ok {
			window = nil
		}
	}
	f := Finding{
		Key: keyOf(r, j.use.ID, about), Rule: r, Severity: s, Subject: about, SeriesID: j.use.ID,
		Detail: fmt.Sprintf(format, args...), Reference: j.facts.Profile.reference(r), Disposable: disposable,
	}
	if window != nil {
		from, to := window.From.UTC(), window.To.UTC()
		f.From, f.To = &from, &to
	}
	if i := slices.IndexFunc(j.findings, func(g Finding) bool { return g.Key == f.Key }); i >= 0 {
		j.findings[i] = join(j.findings[i], f)
		return
	}
	j.findings = append(j.findings, f)
}

// join makes one finding of two with the same key.
func join(f, g Finding) Finding {
	if g.Severity.rank() < f.Severity.rank() {
		f.Severity = g.Severity
	}
	if f.From == nil {
		f.From, f.To = g.From, g.To
	} else if g.From != nil {
		w := hull(series.Span{From: *f.From, To: *f.To}, series.Span{From: *g.From, To: *g.To})
		f.From, f.To = &w.From, &w.To
	}
	f.Disposable = f.Disposable && g.Disposable
	if !strings.Contains(f.Detail, g.Detail) {
		f.Detail += " " + g.Detail
	}
	return f
}

func (j *judge) instrument(id uuid.UUID) Instrument {
	for _, i := range j.facts.Instruments {
		if i.ID == id {
			return i
		}
	}
	return Instrument{ID: id}
}

func (j *judge) past(instrument uuid.UUID) Past { return j.seen.past(j.facts, instrument) }

// PastOf returns what an instrument went through. What befell a microphone or
// preamplifier while it was fitted on a meter befell the meter too.
func PastOf(f *Facts, instrument uuid.UUID) (h Past) {
	for i := range f.Certificates {
		if f.Certificates[i].InstrumentID == instrument {
			h.Certificates = append(h.Certificates, f.Certificates[i])
		}
	}
	for _, e := range f.Events {
		if e.InstrumentID == instrument || slices.ContainsFunc(f.Components, func(c Component) bool {
			return c.InstrumentID == instrument && c.PartID == e.InstrumentID && c.fittedOn(e.On, f.Zone) &&
				kindOf(f, c.PartID) != FilterSet
		}) {
			h.Events = append(h.Events, e)
		}
	}
	for _, s := range f.Statuses {
		if slices.ContainsFunc(h.Certificates, func(c Certificate) bool { return c.ID == s.CertificateID }) {
			h.Statuses = append(h.Statuses, s)
		}
	}
	return h
}

func kindOf(f *Facts, id uuid.UUID) Kind {
	if i := slices.IndexFunc(f.Instruments, func(i Instrument) bool { return i.ID == id }); i >= 0 {
		return f.Instruments[i].Kind
	}
	return ""
}

// daySpan returns the span of the days from first to last, both included.
func (j *judge) daySpan(first, last civil.Date) *series.Span {
	return &series.Span{From: first.Start(j.facts.Zone), To: last.AddDays(1).Start(j.facts.Zone)}
}

// clock returns t as the clock at the site showed it.
func (j *judge) clock(t time.Time) string { return t.In(j.facts.Zone).Format("2006-01-02 15:04:05") }

func dayRange(first, last civil.Date) string {
	if first == last {
		return first.String()
	}
	return first.String() + " to " + last.String()
}
