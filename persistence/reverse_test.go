package persistence

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"leveltrail/domain/access"
	"leveltrail/domain/calibration"
	"leveltrail/domain/civil"
	"leveltrail/domain/request"
	"leveltrail/domain/survey"
)

// walker answers a reverse trace of one history from its bare records: it walks each stretch of use in
// quarter hours and asks of each day by itself what governed. Nothing of it is shared with what it checks.
type walker struct {
	history // as known at the instant
	target  calibration.Target
	zones   map[uuid.UUID]*time.Location // of projects
}

// newWalker takes of each record the version known at an instant.
func newWalker(h *history, zones map[uuid.UUID]*time.Location, t calibration.Target, at time.Time) walker {
	w := walker{history: history{own: h.own}, target: t, zones: zones}
	w.instruments = newestKnown(h.instruments, at)
	w.certificates = newestKnown(h.certificates, at)
	w.statuses = newestKnown(h.statuses, at)
	w.events = newestKnown(h.events, at)
	w.fits = newestKnown(h.fits, at)
	w.checks = newestKnown(h.checks, at)
	w.surveys = newestKnown(h.surveys, at)
	w.series = newestKnown(h.series, at)
	for _, u := range h.uses {
		if !u.RecordedAt.After(at) && (u.WithdrawnAt == nil || u.WithdrawnAt.After(at)) {
			w.uses = append(w.uses, u)
		}
	}
	return w
}

// reached returns what is told of each series reached, by "client survey series".
func (w walker) reached() map[string][]string {
	told := map[string][]string{}
	for _, s := range w.series {
		i := slices.IndexFunc(w.surveys, func(v survey.Survey) bool { return v.ID == s.SurveyID })
		if i < 0 || w.surveys[i].VoidReason != nil || s.Withdrawn {
			continue
		}
		one := walked{walker: w, meter: s.InstrumentID, zone: w.zones[w.surveys[i].ProjectID], profile: w.surveys[i].RuleProfile}
		for _, u := range w.uses {
			if u.Series.ID == s.ID {
				one.uses = append(one.uses, u)
			}
		}
		if len(one.uses) == 0 {
			continue
		}
		if lines := one.walk(s.Channel, s.BandFraction != nil); lines != nil {
			told[fmt.Sprint(s.ClientID, " ", s.SurveyID, " ", s.ID)] = lines
		}
	}
	return told
}

// walked is one series on its way.
type walked struct {
	walker
	meter   uuid.UUID
	zone    *time.Location
	profile string
	uses    []storedUse // its own
}

// walk returns "relation role instrument certificate" of each part in which the target reaches the series,
// of the stronger relation only.
func (w walked) walk(channel int, bands bool) []string {
	on := map[uuid.UUID]map[civil.Date]bool{} // the days on which the meter and each part were in use
	filters := map[civil.Date]bool{}          // those on which a filter set was
	note := func(i uuid.UUID, d civil.Date) {
		if on[i] == nil {
			on[i] = map[civil.Date]bool{}
		}
		on[i][d] = true
	}
	start, end := w.uses[0].From, w.uses[0].To
	for _, u := range w.uses {
		if u.From.Before(start) {
			start = u.From
		}
		if u.To.After(end) {
			end = u.To
		}
		for at := u.From; at.Before(u.To); at = at.Add(15 * time.Minute) {
			d := civil.DateOf(at.In(w.zone))
			note(w.meter, d)
			for _, c := range w.fits {
				if c.InstrumentID == w.meter && !c.From.After(at) && (c.To == nil || c.To.After(at)) {
					note(c.PartID, d)
					if w.kind(c.PartID) == calibration.FilterSet {
						filters[d] = true
					}
				}
			}
		}
	}
	strong, weak := map[string]bool{}, map[string]bool{}
	for i, days := range on {
		role, to := "part", strong
		if i == w.meter {
			role = "meter"
		} else if w.kind(i) == calibration.FilterSet && !bands {
			to = weak // a level of no band does not pass through it
		}
		if w.target.InstrumentID == i {
			to[fmt.Sprint(role, " ", i, " ", uuid.Nil)] = true
		}
		for d := range days {
			scopes := []calibration.Scope{scopeOf[w.kind(i)]}
			if i == w.meter && bands && !filters[d] {
				scopes = append(scopes, calibration.ScopeFilters)
			}
			for _, c := range w.certificates {
				line := fmt.Sprint(role, " ", i, " ", c.ID)
				if c.InstrumentID == i && w.targeted(c) && slices.ContainsFunc(scopes, func(s calibration.Scope) bool { return w.governs(c, s, d) }) {
					to[line] = true
				} else if c.InstrumentID == i && w.targeted(c) && w.speaks(c, d) {
					weak[line] = true
				}
			}
		}
	}
	for _, k := range w.checks {
		if !w.within(k, channel, start, end) {
			continue
		}
		role, to := "during", strong
		switch used := w.used(k, channel, start, end); {
		case !used:
			role, to = "not_used", weak
		case !k.At.After(start):
			role = "before"
		case !k.At.Before(end):
			role = "after"
		}
		if w.target.InstrumentID == k.CalibratorID {
			to[fmt.Sprint(role, " ", k.CalibratorID, " ", uuid.Nil)] = true
		}
		for _, c := range w.certificates {
			line, d := fmt.Sprint(role, " ", k.CalibratorID, " ", c.ID), civil.DateOf(k.At.In(w.zone))
			if c.InstrumentID != k.CalibratorID || !w.targeted(c) {
				continue
			}
			if w.governs(c, calibration.ScopeCalibrator, d) {
				to[line] = true
			} else if w.speaks(c, d) {
				weak[line] = true
			}
		}
	}
	relation, lines := "relied_on ", slices.Sorted(maps.Keys(strong))
	if lines == nil {
		relation, lines = "touched ", slices.Sorted(maps.Keys(weak))
	}
	for n := range lines {
		lines[n] = relation + lines[n]
	}
	return lines
}

// within reports whether a check on the meter's channel lies within reach of the series.
func (w walked) within(k calibration.FieldCheck, channel int, start, end time.Time) bool {
	reach := reaches[w.profile]
	return k.InstrumentID == w.meter && k.Channel == channel && start.Sub(k.At) <= reach && k.At.Sub(end) <= reach
}

// used reports whether the series rests on a check: one that counts, inside the series, or the nearest before or
// after with no adjustment in between.
func (w walked) used(k calibration.FieldCheck, channel int, start, end time.Time) bool {
	if !w.counts(k) {
		return false
	}
	for _, o := range w.checks {
		if o.ID == k.ID || !w.within(o, channel, start, end) || !w.counts(o) && o.AsLeftDB == nil {
			continue
		}
		if o.At.After(k.At) && !o.At.After(start) || o.At.Before(k.At) && !o.At.Before(end) {
			return false
		}
	}
	return true
}

// counts reports whether a check is acoustic and its calibrator covered on its day.
func (w walked) counts(k calibration.FieldCheck) bool {
	return k.Signal == calibration.Acoustic && slices.ContainsFunc(w.certificates, func(c calibration.Certificate) bool {
		return c.InstrumentID == k.CalibratorID && w.governs(c, calibration.ScopeCalibrator, civil.DateOf(k.At.In(w.zone)))
	})
}

// governs reports whether an instrument is covered by c within a scope on a day.
func (w walked) governs(c calibration.Certificate, scope calibration.Scope, d civil.Date) bool {
	if !w.stands(c, scope) || c.AsLeft == calibration.Fail || !w.interval(c, scope, d) {
		return false
	}
	if s, ok := w.status(c); ok && s.Status != calibration.Active && !d.Before(s.EffectiveFrom) {
		return false
	}
	for _, e := range w.events {
		if e.EndsCover && !e.On.After(d) && (e.On.After(c.CalibratedOn) || e.On == c.CalibratedOn && !e.BeforeCalibration) && w.befell(e, c.InstrumentID) {
			return false
		}
	}
	next, found := calibration.Certificate{}, false
	for _, n := range w.certificates {
		if n.InstrumentID == c.InstrumentID && w.stands(n, scope) && !w.void(n) && n.CalibratedOn.After(c.CalibratedOn) &&
			(!found || n.CalibratedOn.Before(next.CalibratedOn)) {
			next, found = n, true
		}
	}
	return !found || d.Before(next.CalibratedFrom)
}

// interval reports whether d lies between the last day of c's calibration and the day on which it falls due.
func (w walked) interval(c calibration.Certificate, scope calibration.Scope, d civil.Date) bool {
	months := intervals[w.profile][scope]
	if months == 0 {
		months = intervals[w.profile][calibration.ScopeSoundLevelMeter]
	}
	last := time.Date(c.CalibratedOn.Year, c.CalibratedOn.Month+time.Month(months), 1, 0, 0, 0, 0, time.UTC)
	for last.AddDate(0, 0, 1).Month() == last.Month() && last.Day() < c.CalibratedOn.Day {
		last = last.AddDate(0, 0, 1)
	}
	return !d.Before(c.CalibratedOn) && !d.After(civil.DateOf(last)) && (c.DueOverrideOn.IsZero() || !d.After(c.DueOverrideOn))
}

// befell reports whether an event was one of an instrument, or of a microphone or preamplifier that sat on it that day.
func (w walked) befell(e calibration.Event, instrument uuid.UUID) bool {
	if e.InstrumentID == instrument {
		return true
	}
	for _, c := range w.fits {
		if c.InstrumentID != instrument || c.PartID != e.InstrumentID || w.kind(c.PartID) == calibration.FilterSet {
			continue
		}
		first, last := civil.DateOf(c.From.In(w.zone)), e.On
		if c.To != nil {
			last = civil.DateOf(c.To.Add(-1).In(w.zone))
		}
		if !e.On.Before(first) && !e.On.After(last) {
			return true
		}
	}
	return false
}

// stands reports whether c says something of a scope: confirmed, not replaced, and the one of its day that counts.
func (w walked) stands(c calibration.Certificate, scope calibration.Scope) bool {
	says := func(c calibration.Certificate) bool {
		return c.State == calibration.Confirmed && slices.Contains(c.Scope, scope) && !slices.ContainsFunc(w.certificates, func(d calibration.Certificate) bool {
			return d.InstrumentID == c.InstrumentID && d.State == calibration.Confirmed && !w.void(d) &&
				(d.ReplacesID == c.ID || d.LaboratoryID == c.LaboratoryID && d.Number == c.Number && d.Revision > c.Revision)
		})
	}
	return says(c) && !slices.ContainsFunc(w.certificates, func(d calibration.Certificate) bool {
		if d.ID == c.ID || d.InstrumentID != c.InstrumentID || d.CalibratedOn != c.CalibratedOn || !says(d) {
			return false
		}
		if w.void(c) != w.void(d) {
			return w.void(c)
		}
		if c.Revision != d.Revision {
			return c.Revision < d.Revision
		}
		if !c.CreatedAt.Equal(d.CreatedAt) {
			return c.CreatedAt.Before(d.CreatedAt)
		}
		return strings.Compare(c.ID.String(), d.ID.String()) < 0
	})
}

// speaks reports whether c is about use on a day that it does not cover: within its interval, or
// before it with no good calibration in between, as what it found then is about that use.
func (w walked) speaks(c calibration.Certificate, d civil.Date) bool {
	return slices.ContainsFunc(c.Scope, func(scope calibration.Scope) bool {
		return w.interval(c, scope, d) || !d.After(c.CalibratedFrom) && !slices.ContainsFunc(w.certificates, func(g calibration.Certificate) bool {
			return g.InstrumentID == c.InstrumentID && w.stands(g, scope) && !w.void(g) && g.AsLeft != calibration.Fail &&
				g.CalibratedOn.After(d) && g.CalibratedOn.Before(c.CalibratedOn)
		})
	})
}

// targeted reports whether c is what is asked about, or was made by it or against it.
func (w walker) targeted(c calibration.Certificate) bool {
	if c.State != calibration.Confirmed {
		return false
	}
	for _, s := range c.ReferenceStandards {
		if w.target.ReferenceStandard != "" && (s.Certificate == w.target.ReferenceStandard || s.Description == w.target.ReferenceStandard) {
			return true
		}
	}
	return w.target.CertificateID == c.ID || w.target.LaboratoryID == c.LaboratoryID
}

// status returns the latest entry of the history of c. What is asked about counts as before it was withdrawn.
func (w walker) status(c calibration.Certificate) (latest calibration.CertificateStatus, ok bool) {
	if w.targeted(c) {
		return latest, false
	}
	for _, s := range w.statuses {
		if s.CertificateID == c.ID && (!ok || s.RecordedAt.After(latest.RecordedAt)) {
			latest, ok = s, true
		}
	}
	return latest, ok
}

func (w walker) void(c calibration.Certificate) bool {
	s, ok := w.status(c)
	return ok && s.Status != calibration.Active && !s.EffectiveFrom.After(c.CalibratedOn)
}

// kind returns that of an instrument, "" where it is not known.
func (w walker) kind(id uuid.UUID) calibration.Kind {
	for _, i := range w.instruments {
		if i.ID == id {
			return i.Kind
		}
	}
	return ""
}

var scopeOf = map[calibration.Kind]calibration.Scope{
	calibration.SoundLevelMeter: calibration.ScopeSoundLevelMeter, calibration.SoundCalibrator: calibration.ScopeCalibrator,
	calibration.Microphone: calibration.ScopeMicrophone, calibration.Preamplifier: calibration.ScopePreamplifier, calibration.FilterSet: calibration.ScopeFilters,
}

// reaches are how far a check may lie from a series, by rule profile: house values. That of house is the furthest.
var reaches = map[string]time.Duration{"environmental": 24 * time.Hour, "workplace": 12 * time.Hour, "monitoring": 744 * time.Hour, "house": 1200 * time.Hour}

// intervals are the months between calibrations by rule profile; none of a part: the meter's. Those of the
// profiles that come with the service: Nordtest NT ACOU 068, IFA-LSA 01-400 5.6. Those of house are invented.
var intervals = map[string]map[calibration.Scope]int{
	"environmental": {calibration.ScopeSoundLevelMeter: 24, calibration.ScopeFilters: 24, calibration.ScopeCalibrator: 12},
	"workplace":     {calibration.ScopeSoundLevelMeter: 24, calibration.ScopeFilters: 24, calibration.ScopeCalibrator: 24},
	"monitoring":    {calibration.ScopeSoundLevelMeter: 24, calibration.ScopeFilters: 24, calibration.ScopeCalibrator: 12},
	"house":         {calibration.ScopeSoundLevelMeter: 14, calibration.ScopeFilters: 5, calibration.ScopeCalibrator: 8, calibration.ScopeMicrophone: 11},
}

// What a reverse trace reaches in a thousand random histories, as known at a random instant of each, and of what they
// share at instants for all of them, is what walking through their records finds.
func TestThousandReverseTraces(t *testing.T) {
	t.Parallel()
	for seed := range uint64(4) {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			t.Parallel()
			reverseTraces(t, seed, 250)
		})
	}
}

func reverseTraces(t *testing.T, seed uint64, n int) {
	b := newSamplesBed(t)
	b.store.now = func() time.Time { return historyBegins }
	r, zones := newHistorian(t, b, seed)
	hs := make([]*history, n)
	for i := range hs {
		hs[i] = r.history()
	}
	archive(t, b.db.Superuser, hs)

	counts := map[string]int{}
	compare := func(limit int, target calibration.Target, at time.Time, of ...*history) {
		t.Helper()
		visible := []uuid.UUID{r.projects[0].ClientID, r.projects[1].ClientID, r.projects[2].ClientID}
		if r.in(4) {
			visible = visible[:1+r.IntN(2)]
		}
		want := map[string][]string{}
		for _, h := range of {
			for key, lines := range newWalker(h, zones, target, at).reached() {
				if slices.ContainsFunc(visible, func(c uuid.UUID) bool { return strings.HasPrefix(key, c.String()) }) {
					want[key] = lines
				}
			}
		}
		for _, lines := range want {
			for _, l := range lines {
				f := strings.Fields(l)
				counts[f[0]+" "+f[1]]++
			}
		}
		if diff := cmp.Diff(want, b.traced(visible, target, at, limit)); diff != "" {
			t.Fatalf("%+v as known at %v (-walked +traced):\n%s", target, at, diff)
		}
	}
	for _, h := range hs {
		at := r.instant()
		compare(200, calibration.Target{InstrumentID: pick(r, h.instruments...).ID}, at, h)
		target := pick(r, calibration.Target{LaboratoryID: h.laboratories[0].ID}, calibration.Target{ReferenceStandard: h.own})
		if len(h.certificates) > 0 && !r.in(3) {
			target = calibration.Target{CertificateID: pick(r, h.certificates...).ID}
		}
		compare(200, target, at, h)
	}
	for _, target := range []calibration.Target{
		{LaboratoryID: r.shared[0]}, {LaboratoryID: r.shared[1]}, {ReferenceStandard: sharedName + "1"}, {ReferenceStandard: sharedName + "2"},
	} {
		compare(50, target, r.instant(), hs...)
	}
	for _, told := range []string{
		"relied_on meter", "relied_on part", "relied_on before", "relied_on during", "relied_on after",
		"touched meter", "touched part", "touched before", "touched during", "touched after", "touched not_used",
	} {
		if counts[told] < n/50 {
			t.Errorf("%s is told %d times: too few to compare", told, counts[told])
		}
	}
}

// traced asks for a reverse trace, page by page, as one who may see some clients, and tells it as [walker.reached] does.
func (b *samplesBed) traced(visible []uuid.UUID, t calibration.Target, at time.Time, limit int) map[string][]string {
	ctx := access.With(b.ctx, access.Caller{Clients: visible})
	told := map[string][]string{}
	for p := (request.Page{Limit: limit}); ; {
		found, err := b.store.TouchedSurveys(ctx, t, nil, nil, &at, p)
		if err != nil {
			return map[string][]string{"refused": {err.Error()}}
		}
		for _, v := range found {
			for _, a := range calibration.Affects(v.Facts, t) {
				var lines []string
				for _, via := range a.Via {
					lines = append(lines, fmt.Sprint(a.Relation, " ", via.Role, " ", via.InstrumentID, " ", via.CertificateID))
				}
				slices.Sort(lines)
				told[fmt.Sprint(v.ClientID, " ", v.ID, " ", a.SeriesID)] = lines
			}
			p.After = v.ID
		}
		if len(found) < limit {
			return told
		}
	}
}
