package calibration_test

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
	"leveltrail/domain/series"
)

// history draws an arbitrary survey of a week with three series on two meters.
// Facts were recorded at whole days of June.
func history(t *rapid.T) *world {
	w := newWorld(nil, rapid.SampledFrom([]string{"environmental", "workplace", "monitoring"}).Draw(t, "profile"))
	meters := [][16]byte{w.meter, w.instrument(calibration.SoundLevelMeter, "1").ID}
	calibrators := [][16]byte{w.calibrator, w.instrument(calibration.SoundCalibrator, rapid.SampledFrom([]string{"1", "2"}).Draw(t, "class")).ID}
	recorded := func() time.Time {
		return instant("2024-06-01T00:00:00Z").AddDate(0, 0, rapid.IntRange(0, 29).Draw(t, "recorded"))
	}
	hour := func(label string) time.Time {
		return instant("2024-06-01T00:00:00Z").Add(time.Duration(rapid.IntRange(0, 7*24).Draw(t, label)) * time.Hour)
	}
	for range rapid.IntRange(0, 8).Draw(t, "certificates") {
		on := day("2024-06-04").AddDays(rapid.SampledFrom([]int{-800, -731, -400, -366, -100, -2, 0, 2, 60}).Draw(t, "on"))
		item := rapid.SampledFrom(slices.Concat(meters, calibrators)).Draw(t, "item")
		w.calibrated(item, on.String(), func(c *calibration.Certificate) {
			c.RecordedAt = recorded()
			c.CreatedAt = c.RecordedAt
			c.AsFound = rapid.SampledFrom([]calibration.Conformity{calibration.Pass, calibration.Pass, calibration.Fail, calibration.NotStated}).Draw(t, "as found")
			c.AsLeft = rapid.SampledFrom([]calibration.Conformity{calibration.Pass, calibration.Pass, calibration.Fail}).Draw(t, "as left")
			c.CalibratedFrom = on.AddDays(-rapid.IntRange(0, 2).Draw(t, "days"))
			c.Adjusted = rapid.Bool().Draw(t, "adjusted")
		})
	}
	for range rapid.IntRange(0, 10).Draw(t, "checks") {
		level := rapid.Map(rapid.IntRange(-9, 9), func(i int) acoustic.Level { return acoustic.Level(93_90 + 20*i) })
		w.check(hour("at").Format(time.RFC3339), level.Draw(t, "found"), func(c *calibration.FieldCheck) {
			c.InstrumentID = rapid.SampledFrom(meters).Draw(t, "meter")
			c.CalibratorID = rapid.SampledFrom(calibrators).Draw(t, "calibrator")
			c.RecordedAt = recorded()
			if rapid.Bool().Draw(t, "adjust") {
				left(93_90)(c)
			}
		})
	}
	for range 3 {
		from := hour("from")
		s := calibration.SeriesUse{ID: w.id(), Version: 1, InstrumentID: rapid.SampledFrom(meters).Draw(t, "of"), Channel: 1}
		for range rapid.IntRange(1, 3).Draw(t, "stretches") {
			to := from.Add(time.Duration(rapid.IntRange(1, 40).Draw(t, "hours")) * time.Hour)
			s.Stretches = append(s.Stretches, series.Span{From: from, To: to})
			from = to.Add(time.Duration(rapid.IntRange(1, 5).Draw(t, "pause")) * time.Hour)
		}
		w.Series = append(w.Series, s)
	}
	return w
}

func TestOrderOfRowsDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := history(t)
		want := calibration.Decide(w.Facts)
		r := rand.New(rand.NewPCG(1, rapid.Uint64().Draw(t, "shuffle")))
		f := w.Facts
		f.Series, f.Instruments, f.Certificates, f.Checks = slices.Clone(f.Series), slices.Clone(f.Instruments), slices.Clone(f.Certificates), slices.Clone(f.Checks)
		shuffle(r, f.Series)
		shuffle(r, f.Instruments)
		shuffle(r, f.Certificates)
		shuffle(r, f.Checks)
		if diff := cmp.Diff(want, calibration.Decide(f)); diff != "" {
			t.Fatalf("another order, another verdict (-want +got):\n%s", diff)
		}
	})
}

func shuffle[T any](r *rand.Rand, s []T) {
	r.Shuffle(len(s), func(i, j int) { s[i], s[j] = s[j], s[i] })
}

// A record does not exist before it was recorded, and its older version counts until the next.
func TestAsKnownAtIsTheVerdictWithoutLaterRows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := history(t)
		w.AsKnownAt = instant("2024-06-01T00:00:00Z").AddDate(0, 0, rapid.IntRange(0, 29).Draw(t, "known")).Add(time.Hour)
		for _, c := range w.Checks { // corrections made later
			if rapid.Bool().Draw(t, "corrected") {
				c.Version, c.AsFoundDB, c.RecordedAt = 2, c.AsFoundDB+7, c.RecordedAt.AddDate(0, 0, 5)
				w.Checks = append(w.Checks, c)
			}
		}
		without := w.Facts
		without.Certificates = slices.DeleteFunc(slices.Clone(w.Certificates), func(c calibration.Certificate) bool { return c.RecordedAt.After(w.AsKnownAt) })
		without.Checks = slices.DeleteFunc(slices.Clone(w.Checks), func(c calibration.FieldCheck) bool { return c.RecordedAt.After(w.AsKnownAt) })
		if diff := cmp.Diff(calibration.Decide(without), calibration.Decide(w.Facts)); diff != "" {
			t.Fatalf("later rows change what was known (-without +with):\n%s", diff)
		}
	})
}

// A closing check of 93.30 dB corrected to 93.90 dB on 10 June: each view has its own version, in whatever order they come.
func TestLatestKnownVersionCounts(t *testing.T) {
	for _, newestFirst := range []bool{false, true} {
		w := oneDay(t, "environmental")
		w.check(morning, 93_90)
		c := w.check(evening, 93_30)
		c.Version, c.AsFoundDB, c.RecordedAt = 2, 93_90, instant("2024-06-10T00:00:00Z")
		w.Checks = append(w.Checks, c)
		if newestFirst {
			slices.Reverse(w.Checks)
		}
		w.knownAt("2024-06-09T00:00:00Z").expect(expect{
			outcome:  calibration.NotValid,
			findings: []string{"drift_exceeded 2024-06-03T08:00/2024-06-03T18:00"},
		})
		w.knownAt("2024-06-10T00:00:00Z").expect(expect{outcome: calibration.Valid})
	}
}

func TestWindowsOfAnyVerdict(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := history(t)
		v := calibration.Decide(w.Facts)
		keys := map[string]bool{}
		for _, f := range v.Findings {
			if keys[f.Key] || len(f.Key) != 16 {
				t.Errorf("key %q of %s is not its own", f.Key, f.Rule)
			}
			keys[f.Key] = true
			if grave := f.Severity == calibration.SeverityFail || f.Severity == calibration.SeverityUndetermined; grave && (f.From == nil || !f.From.Before(*f.To)) {
				t.Errorf("%s has no window", f.Rule)
			}
		}
		// Every hour (all times here are whole hours, midnights of London included) by itself:
		// usable outside every grave window, pending in an undetermined one only.
		for _, s := range w.Series {
			i := slices.IndexFunc(v.Series, func(x calibration.SeriesVerdict) bool { return x.SeriesID == s.ID })
			in := func(spans []series.Span, at time.Time) bool {
				return slices.ContainsFunc(spans, func(x series.Span) bool { return !at.Before(x.From) && at.Before(x.To) })
			}
			for at := instant("2024-05-31T00:00:00Z"); at.Before(instant("2024-06-20T00:00:00Z")); at = at.Add(time.Hour) {
				var failed, open bool
				for _, f := range v.Findings {
					if f.SeriesID == s.ID && f.From != nil && !at.Before(*f.From) && at.Before(*f.To) {
						failed = failed || f.Severity == calibration.SeverityFail
						open = open || f.Severity == calibration.SeverityUndetermined
					}
				}
				measured := in(s.Stretches, at)
				if got, want := in(v.Series[i].Usable, at), measured && !failed && !open; got != want {
					t.Fatalf("usable at %v = %t, want %t", at, got, want)
				}
				if got, want := in(v.Series[i].Pending, at), measured && !failed && open; got != want {
					t.Fatalf("pending at %v = %t, want %t", at, got, want)
				}
			}
		}
	})
}

// The digest changes with every row that counts and with none that does not.
func TestInputsDigest(t *testing.T) {
	w := oneDay(t, "environmental")
	w.check(morning, 93_90)
	w.check(evening, 93_90)
	first := calibration.Decide(w.Facts)
	digest := func() string { return calibration.Decide(w.Facts).InputsSHA256 }
	if len(first.InputsSHA256) != 64 {
		t.Fatalf("digest %q is no SHA-256 in hex", first.InputsSHA256)
	}
	w.AsKnownAt = w.AsKnownAt.AddDate(1, 0, 0)
	w.check("2024-08-01T08:00:00Z", 90_00)
	w.calibrated(w.instrument(calibration.SoundLevelMeter, "1").ID, "2024-01-01")
	if digest() != first.InputsSHA256 {
		t.Error("a year more and rows of other times and meters change the digest")
	}
	seen := map[string]bool{first.InputsSHA256: true}
	for name, change := range map[string]func(){
		"check":       func() { w.Checks[0].Version++ },
		"certificate": func() { w.Certificates[0].Version++ },
		"instrument":  func() { w.Instruments[0].Version++ },
		"series":      func() { w.Series[0].Version++ },
		"samples":     func() { w.Series[0].Stretches[0].To = instant(four) },
		"survey":      func() { w.SurveyVersion++ },
		"edition":     func() { w.Profile.Edition = "another" },
		"zone":        func() { w.Zone = time.UTC },
	} {
		change()
		if d := digest(); seen[d] {
			t.Errorf("a changed %s leaves the digest as it was", name)
		} else {
			seen[d] = true
		}
	}
}

// A changed fact asks again: the key of a finding changes with its subject's version.
func TestFindingKeyFollowsTheVersion(t *testing.T) {
	w := oneDay(t, "environmental")
	w.check(morning, 93_90)
	w.check(evening, 93_30)
	first := calibration.Decide(w.Facts).Findings[0]
	if again := calibration.Decide(w.Facts).Findings[0]; again.Key != first.Key {
		t.Errorf("key changes from %s to %s with nothing new", first.Key, again.Key)
	}
	w.Checks[1].Version++
	if again := calibration.Decide(w.Facts).Findings[0]; again.Key == first.Key {
		t.Error("key stays although the check was changed")
	}
	const detail = "Drift −0.60 dB between the checks at 2024-06-03 08:50:00 and 2024-06-03 19:05:00, limit 0.50 dB."
	if first.Detail != detail {
		t.Errorf("detail = %q, want %q", first.Detail, detail)
	}
}

// Every member of the built-in profiles says where it comes from; the values are those of the methods.
func TestBuiltInProfiles(t *testing.T) {
	months := map[string][2]int{"environmental": {24, 12}, "workplace": {24, 24}, "monitoring": {24, 12}}
	reach := map[string]time.Duration{"environmental": 24 * time.Hour, "workplace": 12 * time.Hour, "monitoring": 744 * time.Hour}
	for _, p := range calibration.BuiltIn() {
		meter, _, _ := p.Months(calibration.SoundLevelMeter)
		calibrator, _, _ := p.Months(calibration.SoundCalibrator)
		if [2]int{meter, calibrator} != months[p.Code] || p.CheckReach.Value != reach[p.Code] || p.DriftLimit.Value != 50 || !p.ClosingCheckRequired.Value {
			t.Errorf("%s: %d and %d months, reach %v, drift %v", p.Code, meter, calibrator, p.CheckReach.Value, p.DriftLimit.Value)
		}
		sources := []string{
			p.AcceptedMeters.Source, p.AcceptedCalibrators.Source, p.DriftLimit.Source, p.DriftBasis.Source, p.StartRemark.Source,
			p.StartLimit.Source, p.SuspiciousDeviation.Source, p.ClosingCheckRequired.Source, p.CheckReach.Source,
		}
		for _, i := range p.Intervals {
			sources = append(sources, i.Source)
		}
		if slices.Contains(sources, "") {
			t.Errorf("%s has a member without source: %q", p.Code, sources)
		}
	}
}
