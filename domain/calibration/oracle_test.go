package calibration_test

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
	"leveltrail/domain/civil"
	"leveltrail/domain/series"
)

// oracle judges every hour of a series by itself and every day by itself, from
// the definitions: no covers, windows or segments, and nothing shared with what it checks.
type oracle struct {
	f            calibration.Facts
	certificates []calibration.Certificate
	events       []calibration.Event
	statuses     map[uuid.UUID]calibration.CertificateStatus
	checks       []calibration.FieldCheck
	remembered   map[itemDay]bool // what covered answered
}

type itemDay struct {
	instrument uuid.UUID
	day        civil.Date
}

func newOracle(f calibration.Facts) oracle {
	o := oracle{f: f, statuses: map[uuid.UUID]calibration.CertificateStatus{}, remembered: map[itemDay]bool{}}
	for _, c := range f.Certificates {
		if latest(f.Certificates, c.ID, f.AsKnownAt, func(c calibration.Certificate) (uuid.UUID, int, time.Time) { return c.ID, c.Version, c.RecordedAt }) == c.Version {
			o.certificates = append(o.certificates, c)
		}
	}
	for _, e := range f.Events {
		if latest(f.Events, e.ID, f.AsKnownAt, func(e calibration.Event) (uuid.UUID, int, time.Time) { return e.ID, e.Version, e.RecordedAt }) == e.Version {
			o.events = append(o.events, e)
		}
	}
	for _, c := range f.Checks {
		if latest(f.Checks, c.ID, f.AsKnownAt, func(c calibration.FieldCheck) (uuid.UUID, int, time.Time) { return c.ID, c.Version, c.RecordedAt }) == c.Version {
			o.checks = append(o.checks, c)
		}
	}
	slices.SortFunc(o.checks, func(a, b calibration.FieldCheck) int { return a.At.Compare(b.At) })
	for _, s := range f.Statuses {
		if old, ok := o.statuses[s.CertificateID]; !s.RecordedAt.After(f.AsKnownAt) && (!ok || s.RecordedAt.After(old.RecordedAt)) {
			o.statuses[s.CertificateID] = s
		}
	}
	return o
}

// latest returns the highest version of a record known at an instant, 0 if there is none.
func latest[T any](all []T, id uuid.UUID, at time.Time, of func(T) (uuid.UUID, int, time.Time)) (version int) {
	for _, x := range all {
		if i, v, recorded := of(x); i == id && !recorded.After(at) {
			version = max(version, v)
		}
	}
	return version
}

func (o oracle) isVoid(c calibration.Certificate) bool {
	s, ok := o.statuses[c.ID]
	return ok && s.Status != calibration.Active && !s.EffectiveFrom.After(c.CalibratedOn)
}

// live returns the certificates of an instrument that say something, by day of calibration.
func (o oracle) live(instrument uuid.UUID) []calibration.Certificate {
	var live []calibration.Certificate
	for _, c := range o.certificates {
		replaced := slices.ContainsFunc(o.certificates, func(d calibration.Certificate) bool { return d.ReplacesID == c.ID && !o.isVoid(d) })
		if c.InstrumentID == instrument && !o.isVoid(c) && !replaced {
			live = append(live, c)
		}
	}
	slices.SortFunc(live, func(a, b calibration.Certificate) int { return a.CalibratedOn.Compare(b.CalibratedOn) })
	return live
}

// covered reports whether an instrument was covered on a day.
func (o oracle) covered(instrument uuid.UUID, day civil.Date) bool {
	covered, ok := o.remembered[itemDay{instrument, day}]
	if !ok {
		covered = o.coveredAnew(instrument, day)
		o.remembered[itemDay{instrument, day}] = covered
	}
	return covered
}

func (o oracle) coveredAnew(instrument uuid.UUID, day civil.Date) bool {
	kind := calibration.SoundLevelMeter
	for _, i := range o.f.Instruments {
		if i.ID == instrument {
			kind = i.Kind
		}
	}
	months, _, _ := o.f.Profile.Months(kind)
	live := o.live(instrument)
	for n, c := range live {
		s, ok := o.statuses[c.ID]
		switch {
		case day.Before(c.CalibratedOn), c.AsLeft == calibration.Fail, day.After(c.CalibratedOn.AddMonths(months)),
			!c.DueOverrideOn.IsZero() && day.After(c.DueOverrideOn),
			ok && s.Status != calibration.Active && !day.Before(s.EffectiveFrom),
			n+1 < len(live) && !day.Before(live[n+1].CalibratedFrom),
			slices.ContainsFunc(o.events, func(e calibration.Event) bool {
				return e.InstrumentID == instrument && e.EndsCover && !e.On.After(day) &&
					(e.On.After(c.CalibratedOn) || e.On == c.CalibratedOn && !e.BeforeCalibration)
			}):
			continue
		}
		return true
	}
	return false
}

// doubted reports whether a later calibration found the instrument out of limits on a day since
// the last good one, or adjusted it without saying how it was found.
func (o oracle) doubted(instrument uuid.UUID, day civil.Date) bool {
	live := o.live(instrument)
	for n, next := range live {
		if next.AsFound == calibration.Pass || next.AsFound == calibration.NotStated && !next.Adjusted || day.After(next.CalibratedFrom) {
			continue
		}
		for _, good := range slices.Backward(live[:n]) {
			if good.AsLeft == calibration.Fail {
				continue
			}
			if !day.Before(good.CalibratedOn) {
				return true
			}
			break
		}
	}
	return false
}

func (o oracle) day(t time.Time) civil.Date { return civil.DayOf(t, o.f.Zone) }

// hour reports whether the hour from at of a series is lost, or open.
func (o oracle) hour(s calibration.SeriesUse, at time.Time) (lost, open bool) {
	p := o.f.Profile
	start, end := s.Stretches[0].From, s.Stretches[len(s.Stretches)-1].To
	from, to := start.Add(-p.CheckReach.Value), end.Add(p.CheckReach.Value)

	// The checks between the adjustments around this hour that were made in checks that do not count.
	var chain []calibration.FieldCheck
	cutBefore, cutAfter := from, to
	for _, c := range o.checks {
		if c.InstrumentID != s.InstrumentID || c.At.Before(from) || c.At.After(to) || o.covered(c.CalibratorID, o.day(c.At)) || c.AsLeftDB == nil {
			continue
		}
		if !c.At.After(at) {
			cutBefore = c.At
		} else if c.At.Before(cutAfter) {
			cutAfter = c.At
		}
	}
	for _, c := range o.checks {
		if c.InstrumentID != s.InstrumentID || c.At.Before(from) || c.At.After(to) || !o.covered(c.CalibratorID, o.day(c.At)) {
			continue
		}
		// Of several before the start the last, of several after the end the first is used: by the series as a whole ...
		used := true
		for _, d := range o.checks {
			if d.InstrumentID != s.InstrumentID || d.ID == c.ID || !o.covered(d.CalibratorID, o.day(d.At)) {
				continue
			}
			if !d.At.After(start) && c.At.Before(d.At) || !d.At.Before(end) && d.At.Before(c.At) {
				used = false
			}
		}
		if c.At.After(start) && c.At.Before(end) {
			used = true
		}
		// ... unless such an adjustment lies between it and the series.
		for _, b := range o.checks {
			if b.InstrumentID == s.InstrumentID && b.AsLeftDB != nil && !o.covered(b.CalibratorID, o.day(b.At)) &&
				(!b.At.Before(c.At) && !b.At.After(start) || !b.At.After(c.At) && !b.At.Before(end)) {
				used = false
			}
		}
		if !used {
			continue
		}
		open = open || o.doubted(c.CalibratorID, o.day(c.At))
		if !c.At.Before(cutBefore) && !c.At.After(cutAfter) {
			chain = append(chain, c)
		}
	}
	if !o.covered(s.InstrumentID, o.day(at)) {
		lost = true
	}
	open = open || o.doubted(s.InstrumentID, o.day(at))

	prev, next := -1, -1
	for k, c := range chain {
		if !c.At.After(at) {
			prev = k
		} else if next < 0 {
			next = k
		}
	}
	if prev < 0 || next < 0 {
		return true, open
	}
	found := func(c calibration.FieldCheck) int { return int(c.AsFoundDB) - int(c.ExpectedDB) }
	leftBy := func(c calibration.FieldCheck) int {
		if c.AsLeftDB != nil {
			return int(*c.AsLeftDB) - int(c.ExpectedDB)
		}
		return found(c)
	}
	beyond := func(d int, limit acoustic.Level) bool { return d > int(limit) || -d > int(limit) }
	if beyond(leftBy(chain[prev]), p.StartLimit.Value) || beyond(found(chain[next])-leftBy(chain[prev]), p.DriftLimit.Value) {
		lost = true
	}
	open = open || beyond(found(chain[prev]), p.SuspiciousDeviation.Value) || beyond(found(chain[next]), p.SuspiciousDeviation.Value)
	if p.DriftBasis.Value == calibration.Both {
		for c := next; c < len(chain); c++ {
			base := c - 1
			for base > 0 && chain[base].AsLeftDB == nil {
				base--
			}
			total := func(k int) bool { return beyond(found(chain[k])-leftBy(chain[base]), p.DriftLimit.Value) }
			if !total(c) || beyond(found(chain[c])-leftBy(chain[c-1]), p.DriftLimit.Value) {
				continue
			}
			good := c - 1
			for good > base && total(good) {
				good--
			}
			if good <= prev {
				lost = true
			}
		}
	}
	return lost, open
}

// life makes up a survey of ten days with two series on two meters, checked with two
// calibrators, and what befell them, each fact learned at some day of the year and some corrected later.
func life(r *rand.Rand) *world {
	profiles := []string{"environmental", "workplace", "monitoring"}
	w := newWorld(nil, profiles[r.IntN(3)])
	w.Profile.DriftBasis.Value = []calibration.DriftBasis{calibration.Both, calibration.Consecutive}[r.IntN(2)]
	meters := []uuid.UUID{w.meter, w.instrument(calibration.SoundLevelMeter, "1").ID}
	calibrators := []uuid.UUID{w.calibrator, w.instrument(calibration.SoundCalibrator, "1").ID}
	items := slices.Concat(meters, calibrators)
	learned := func() time.Time { return instant("2024-01-01T12:00:00Z").AddDate(0, 0, r.IntN(2)*r.IntN(400)) }
	around := func() civil.Date { return day("2024-06-05").AddDays(r.IntN(15) - 7) }
	someday := func() civil.Date {
		if r.IntN(6) == 0 {
			return around()
		}
		return day("2024-06-05").AddDays(-r.IntN([]int{330, 900}[r.IntN(2)]) + r.IntN(2)*60)
	}
	taken := map[[2]any]bool{} // at most one certificate of an instrument and day
	for n, item := range append(items, items[r.IntN(4)], items[r.IntN(4)], items[r.IntN(4)], items[r.IntN(4)]) {
		on := someday()
		if n < 4 && r.IntN(4) > 0 {
			on = day("2024-05-20").AddDays(-r.IntN(300))
		}
		if taken[[2]any{item, on}] {
			continue
		}
		taken[[2]any{item, on}] = true
		c := w.calibrated(item, on.String(), func(c *calibration.Certificate) {
			c.Number += item.String()
			c.RecordedAt = learned()
			c.AsFound = []calibration.Conformity{calibration.Pass, calibration.Pass, calibration.Pass, calibration.Fail, calibration.NotStated}[r.IntN(5)]
			if r.IntN(12) == 0 {
				c.AsLeft = calibration.Fail
			}
			c.CalibratedFrom = on.AddDays(-r.IntN(3))
			c.Adjusted = r.IntN(2) == 0
			if r.IntN(5) == 0 {
				c.DueOverrideOn = on.AddDays(r.IntN(900))
			}
		})
		if r.IntN(4) == 0 { // corrected later
			c.Version, c.AsFound, c.RecordedAt = 2, calibration.Pass, c.RecordedAt.AddDate(0, 0, r.IntN(60))
			w.Certificates = append(w.Certificates, c)
		}
		for range r.IntN(7) / 5 {
			w.withdrawn(c, c.CalibratedOn.AddDays(r.IntN(2)*r.IntN(700)).String(), "2024-01-01T00:00:00Z", func(s *calibration.CertificateStatus) {
				s.RecordedAt = learned().Add(time.Duration(len(w.Statuses)) * time.Second)
				s.Status = []string{calibration.Withdrawn, calibration.Superseded, calibration.Active}[r.IntN(3)]
			})
		}
	}
	for range r.IntN(3) { // another of the same calibration, a day later in the records, replaces it
		old := w.Certificates[r.IntN(len(w.Certificates))]
		on := old.CalibratedOn.AddDays(1)
		if !taken[[2]any{old.InstrumentID, on}] {
			taken[[2]any{old.InstrumentID, on}] = true
			w.calibrated(old.InstrumentID, on.String(), func(c *calibration.Certificate) {
				c.Number, c.ReplacesID, c.RecordedAt = "R"+w.id().String(), old.ID, learned()
			})
		}
	}
	for range r.IntN(6) / 3 {
		e := w.happened(items[r.IntN(4)], calibration.Repair, someday().String(), func(e *calibration.Event) {
			e.RecordedAt, e.EndsCover, e.BeforeCalibration = learned(), r.IntN(4) > 0, r.IntN(2) == 0
			if r.IntN(3) == 0 {
				e.On = w.Certificates[r.IntN(len(w.Certificates))].CalibratedOn
			}
		})
		if r.IntN(4) == 0 {
			e.Version, e.EndsCover, e.RecordedAt = 2, !e.EndsCover, e.RecordedAt.AddDate(0, 0, r.IntN(60))
			w.Events = append(w.Events, e)
		}
	}
	at := map[time.Time]bool{} // checks of one instant have no order
	for range 6 + r.IntN(24) {
		t := around().Start(time.UTC).Add(time.Duration(r.IntN(24)) * time.Hour)
		if at[t] {
			continue
		}
		at[t] = true
		c := w.check(t.Format(time.RFC3339), acoustic.Level(93_90+10*(r.IntN(9)-4)), func(c *calibration.FieldCheck) {
			c.InstrumentID, c.CalibratorID, c.RecordedAt = meters[r.IntN(2)], calibrators[r.IntN(2)], learned()
			if r.IntN(8) == 0 {
				c.AsFoundDB += 1_00
			}
			if r.IntN(3) == 0 {
				left(93_90 + acoustic.Level(r.IntN(3)*30))(c)
			}
		})
		if r.IntN(4) == 0 {
			c.Version, c.AsFoundDB, c.RecordedAt = 2, 93_90, c.RecordedAt.AddDate(0, 0, r.IntN(60))
			w.Checks = append(w.Checks, c)
		}
	}
	for i := range 2 {
		from := day("2024-06-01").AddDays(r.IntN(4)).Start(time.UTC).Add(time.Duration(r.IntN(24)) * time.Hour)
		s := calibration.SeriesUse{ID: w.id(), Version: 1, InstrumentID: meters[i], Channel: 1}
		for range 1 + r.IntN(3) {
			to := from.Add(time.Duration(1+r.IntN(60)) * time.Hour)
			s.Stretches = append(s.Stretches, series.Span{From: from, To: to})
			from = to.Add(time.Duration(1+r.IntN(6)) * time.Hour)
		}
		w.Series = append(w.Series, s)
	}
	return w
}

func TestThousandHistoriesAgainstDayByDay(t *testing.T) {
	counts := map[calibration.Outcome]int{}
	for seed := range uint64(1000) {
		r := rand.New(rand.NewPCG(seed, 7))
		w := life(r)
		for range 3 {
			w.AsKnownAt = instant("2024-01-01T00:00:00Z").AddDate(0, 0, r.IntN(480))
			o := newOracle(w.Facts)
			v := calibration.Decide(w.Facts)
			for n, s := range v.Series {
				counts[s.Outcome]++
				use := w.Series[n]
				for _, stretch := range use.Stretches {
					for at := stretch.From; at.Before(stretch.To); at = at.Add(time.Hour) {
						lost, open := o.hour(use, at)
						in := func(spans []series.Span) bool {
							return slices.ContainsFunc(spans, func(x series.Span) bool { return !at.Before(x.From) && at.Before(x.To) })
						}
						if in(s.Usable) != (!lost && !open) || in(s.Pending) != (!lost && open) {
							for _, f := range v.Findings {
								if f.SeriesID == s.SeriesID && f.From != nil {
									t.Logf("%s %s %v %v %s", f.Severity, f.Rule, f.From, f.To, f.Detail)
								}
							}
							t.Fatalf("history %d as known at %v, series %d at %v: usable %t, pending %t; day by day lost %t, open %t",
								seed, w.AsKnownAt, n, at, in(s.Usable), in(s.Pending), lost, open)
						}
					}
				}
			}
		}
	}
	for _, o := range []calibration.Outcome{calibration.Valid, calibration.ValidWithRemarks, calibration.ValidInPart, calibration.Undetermined, calibration.NotValid} {
		if counts[o] == 0 {
			t.Errorf("no history is %s: %v", o, counts)
		}
	}
	t.Log(counts)
}
