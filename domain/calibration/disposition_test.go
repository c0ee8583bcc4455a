package calibration_test

import (
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"leveltrail/domain/calibration"
	"leveltrail/domain/civil"
	"leveltrail/domain/series"
)

// decided adds a decision on a finding, recorded at an instant.
func (w *world) decided(key, decision, by, at string) {
	w.Dispositions = append(w.Dispositions, calibration.Disposition{
		ID: w.id(), SurveyID: w.SurveyID, FindingKey: key, Decision: decision,
		Reason: "invented", By: by, Version: 1, CreatedAt: instant(at), RecordedAt: instant(at),
	})
}

// The next calibration found the meter out of limits: accepted this is a remark, rejected a fail, each from its instant.
func TestDispositionOfAnUndeterminedFinding(t *testing.T) {
	w := oneDay(t, "environmental")
	w.check(morning, 93_90)
	w.check(evening, 93_90)
	w.calibrated(w.meter, "2024-09-01", func(c *calibration.Certificate) { c.AsFound = calibration.Fail })
	open := expect{outcome: calibration.Undetermined, findings: []string{"next_as_found_failed" + wholeDay}, pending: []string{wholeDay[1:]}}
	key := w.expect(open).Findings[0].Key

	w.decided(key, calibration.Accept, "Q. Lead", "2024-10-01T00:00:00Z")
	w.decided(key, calibration.Reject, "Q. Lead", "2024-11-01T00:00:00Z")
	w.knownAt("2024-09-30T00:00:00Z").expect(open)
	v := w.knownAt("2024-10-01T00:00:00Z").expect(expect{
		outcome: calibration.ValidWithRemarks,
		remarks: []string{"next_as_found_failed"}, usable: []string{wholeDay[1:]},
	})
	if d := v.Findings[0].Disposition; d == nil || d.Decision != calibration.Accept || v.Findings[0].Key != key {
		t.Errorf("the accepted finding shows disposition %v and key %s, want accept and %s", d, v.Findings[0].Key, key)
	}
	w.knownAt("2024-11-01T00:00:00Z").expect(expect{outcome: calibration.NotValid, findings: []string{"next_as_found_failed" + wholeDay}, usable: []string{}})

	// A changed fact asks again.
	w.Certificates[2].Version++
	w.expect(open)
}

// A fail stands, whatever is decided, unless the first calibration came after the use and found the meter to
// conform: evidence from both sides then.
func TestDispositionOfAFail(t *testing.T) {
	tests := []struct {
		name    string
		asFound calibration.Conformity
		want    expect
	}{
		{"found to conform", calibration.Pass, expect{outcome: calibration.ValidWithRemarks, remarks: []string{"calibrated_after_use"}}},
		{"found not to conform", calibration.Fail, expect{outcome: calibration.NotValid, findings: []string{"calibrated_after_use" + wholeDay}}},
		{"not stated", calibration.NotStated, expect{outcome: calibration.NotValid, findings: []string{"calibrated_after_use" + wholeDay}}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			w := inDateAndChecked(t)
			w.calibrated(w.meter, "2024-07-01", func(c *calibration.Certificate) { c.AsFound = tt.asFound })
			f := w.expect(expect{outcome: calibration.NotValid, findings: []string{"calibrated_after_use" + wholeDay}}).Findings[0]
			if got := f.Accepts(calibration.Accept); got != (tt.asFound == calibration.Pass) {
				t.Errorf("Accepts(accept) = %t", got)
			}
			if f.Accepts(calibration.Reject) {
				t.Error("a fail can be rejected")
			}
			// The certificate speaks about the use before it; who accepts it for that relies on it, also when it has fallen.
			certificate := w.Certificates[len(w.Certificates)-1]
			reached := func(want calibration.Relation) {
				t.Helper()
				got := calibration.Affects(w.Facts, calibration.Target{CertificateID: certificate.ID})
				via := []calibration.Via{{InstrumentID: w.meter, CertificateID: certificate.ID, Role: "meter"}}
				if diff := cmp.Diff([]calibration.Affected{{SeriesID: w.Series[0].ID, Relation: want, Via: via}}, got); diff != "" {
					t.Errorf("what the certificate reaches (-want +got):\n%s", diff)
				}
			}
			reached(calibration.Touched)
			w.decided(f.Key, calibration.Accept, "Q. Lead", early)
			w.expect(tt.want)
			relation := calibration.Touched
			if tt.asFound == calibration.Pass {
				relation = calibration.ReliedOn
			}
			reached(relation)
			w.withdrawn(certificate, "2024-07-01", early)
			reached(relation)
		})
	}
	t.Run("drift", func(t *testing.T) {
		w := oneDay(t, "environmental")
		w.check(morning, 93_90)
		w.check(evening, 93_30)
		drift := expect{outcome: calibration.NotValid, findings: []string{"drift_exceeded" + wholeDay}}
		w.decided(w.expect(drift).Findings[0].Key, calibration.Accept, "Q. Lead", early)
		w.expect(drift)
	})
	t.Run("while at the laboratory", func(t *testing.T) {
		w := inDateAndChecked(t)
		w.calibrated(w.meter, "2023-07-01")
		w.calibrated(w.meter, "2024-06-04", func(c *calibration.Certificate) { c.CalibratedFrom = day("2024-06-03") })
		if w.expect(expect{outcome: calibration.NotValid, findings: []string{"calibrated_after_use" + wholeDay}}).Findings[0].Disposable {
			t.Error("use of a meter that was at the laboratory can be accepted")
		}
	})
}

// Who accepts that a later calibration found the meter out of limits does not rely on that calibration.
func TestAcceptedDoubtIsNotReliedOn(t *testing.T) {
	w := oneDay(t, "environmental")
	w.check(morning, 93_90)
	w.check(evening, 93_90)
	next := w.calibrated(w.meter, "2024-09-01", func(c *calibration.Certificate) { c.AsFound = calibration.Fail })
	w.decided(calibration.Decide(w.Facts).Findings[0].Key, calibration.Accept, "Q. Lead", early)
	w.expect(expect{outcome: calibration.ValidWithRemarks, remarks: []string{"next_as_found_failed"}})
	got := calibration.Affects(w.Facts, calibration.Target{CertificateID: next.ID})
	if len(got) != 1 || got[0].Relation != calibration.Touched {
		t.Errorf("Affects = %v; want the series touched", got)
	}
}

func TestNotIndependent(t *testing.T) {
	w := oneDay(t, "environmental")
	w.check(morning, 93_90)
	w.check(evening, 93_90)
	w.Operator = "O. Perator"
	w.Signatory = "Q. Lead"
	w.expect(expect{outcome: calibration.Valid})
	w.Signatory = " o.  perator"
	w.expect(expect{outcome: calibration.ValidWithRemarks, remarks: []string{"not_independent"}})
	w.Signatory = ""
	w.calibrated(w.meter, "2024-09-01", func(c *calibration.Certificate) { c.AsFound = calibration.Fail })
	w.decided(calibration.Decide(w.Facts).Findings[0].Key, calibration.Accept, "O. Perator", early)
	w.expect(expect{outcome: calibration.ValidWithRemarks, remarks: []string{"next_as_found_failed", "not_independent"}})
}

func TestOperatorNotAuthorised(t *testing.T) {
	person := func(name, method, from, until string) calibration.Person {
		a := calibration.Authorisation{Method: method, From: day(from)}
		if until != "" {
			a.Until = day(until)
		}
		return calibration.Person{Name: name, Authorisations: []calibration.Authorisation{a}, Version: 1, RecordedAt: instant(early)}
	}
	tests := []struct {
		name     string
		people   []calibration.Person
		operator string
		ok       bool
	}{
		{"nobody is recorded", nil, "O. Perator", true},
		{"authorised", []calibration.Person{person("O. Perator", "environmental", "2024-06-03", "2024-06-03")}, "O. Perator", true},
		{"without end", []calibration.Person{person("O. Perator", "Environmental", "2020-01-01", "")}, "o. perator", true},
		{"ended the day before", []calibration.Person{person("O. Perator", "environmental", "2020-01-01", "2024-06-02")}, "O. Perator", false},
		{"another method", []calibration.Person{person("O. Perator", "workplace", "2020-01-01", "")}, "O. Perator", false},
		{"another person", []calibration.Person{person("Some One", "environmental", "2020-01-01", "")}, "O. Perator", false},
		{"no operator named", []calibration.Person{person("Some One", "environmental", "2020-01-01", "")}, "", false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			w := oneDay(t, "environmental")
			w.check(morning, 93_90)
			w.check(evening, 93_90)
			w.Operator = tt.operator
			for i, p := range tt.people {
				p.ID = w.id()
				tt.people[i] = p
			}
			w.People = tt.people
			want := expect{outcome: calibration.Valid}
			if !tt.ok {
				want = expect{outcome: calibration.ValidWithRemarks, remarks: []string{"operator_not_authorised"}}
			}
			w.expect(want)
		})
	}
	wantFields(t, calibration.Person{Authorisations: []calibration.Authorisation{{From: day("2024-01-02"), Until: day("2024-01-01")}}}.Validate(),
		[]string{"name", "authorisations/0/method", "authorisations/0/until"})
	wantFields(t, calibration.Person{Name: "O. Perator", Authorisations: []calibration.Authorisation{{Method: "m", From: civil.Date{Year: 2024, Month: 1, Day: 1}}}}.Validate(), nil)
}

// The thresholds are house values.
func TestFindingsOfSamples(t *testing.T) {
	share := func(f float64) *float64 { return &f }
	at := series.Span{From: instant(ten), To: instant(noon)}
	tests := []struct {
		name    string
		data    calibration.SeriesData
		remarks []string
	}{
		{"nothing", calibration.SeriesData{Samples: 1000, Coverage: share(0.75)}, nil},
		{"flagged", calibration.SeriesData{Samples: 1000, OverRange: 1, UnderRange: 1}, []string{"samples_over_range", "samples_under_range"}},
		{"1 of 1000 at the limit", calibration.SeriesData{Samples: 1000, AtLimit: 1}, nil},
		{"2 of 1000 at the limit", calibration.SeriesData{Samples: 1000, AtLimit: 2}, []string{"samples_at_limit"}},
		{"59 equal ones", calibration.SeriesData{Samples: 1000, LongestConstant: 59}, nil},
		{"60 equal ones", calibration.SeriesData{Samples: 1000, LongestConstant: 60}, []string{"samples_constant"}},
		{"a tenth near the floor", calibration.SeriesData{Samples: 1000, NearFloor: 100}, nil},
		{"more near the floor", calibration.SeriesData{Samples: 1000, NearFloor: 101}, []string{"samples_near_floor"}},
		{"less than three quarters", calibration.SeriesData{Samples: 1000, Coverage: share(0.7499)}, []string{"coverage_low"}},
		{"wind", calibration.SeriesData{Samples: 1000, Weather: []calibration.BadWeather{{Span: at}}}, []string{"weather_outside_limits"}},
		{"wind on another day", calibration.SeriesData{Samples: 1000, Weather: []calibration.BadWeather{{Span: series.Span{From: at.From.AddDate(0, 0, 1), To: at.To.AddDate(0, 0, 1)}}}}, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			w := oneDay(t, "environmental")
			w.check(morning, 93_90)
			w.check(evening, 93_90)
			tt.data.SeriesID = w.Series[0].ID
			w.Data = []calibration.SeriesData{tt.data, {SeriesID: w.id(), OverRange: 5, Samples: 5}}
			want := expect{outcome: calibration.Valid}
			if tt.remarks != nil {
				want = expect{outcome: calibration.ValidWithRemarks, remarks: tt.remarks, usable: []string{wholeDay[1:]}}
			}
			w.expect(want)
		})
	}
}

func TestClockAndOverlapsAwaitADecision(t *testing.T) {
	w := oneDay(t, "environmental")
	w.check(morning, 93_90)
	w.check(evening, 93_90)
	w.Data = []calibration.SeriesData{{
		SeriesID: w.Series[0].ID,
		Clock:    []calibration.Doubt{{Span: series.Span{From: instant("2024-06-03T07:00:00Z"), To: instant(ten)}, Reason: "The clock ran backwards."}},
		Overlaps: []calibration.Overlap{{SeriesID: w.id(), Version: 1, Span: series.Span{From: instant(four), To: instant(evening)}}, {SeriesID: w.id(), Version: 1, Span: series.Span{From: instant(noon), To: instant("2024-06-03T13:00:00Z")}}},
	}}
	v := w.expect(expect{
		outcome: calibration.Undetermined, findings: []string{
			"clock_suspicious 2024-06-03T08:00/2024-06-03T10:00",
			"instrument_use_overlaps 2024-06-03T12:00/2024-06-03T13:00",
			"instrument_use_overlaps 2024-06-03T16:00/2024-06-03T18:00",
		},
		usable:  []string{"2024-06-03T10:00/2024-06-03T12:00", "2024-06-03T13:00/2024-06-03T16:00"},
		pending: []string{"2024-06-03T08:00/2024-06-03T10:00", "2024-06-03T12:00/2024-06-03T13:00", "2024-06-03T16:00/2024-06-03T18:00"},
	})
	for _, f := range v.Findings {
		w.decided(f.Key, calibration.Accept, "Q. Lead", early)
	}
	w.expect(expect{
		outcome: calibration.ValidWithRemarks, usable: []string{wholeDay[1:]},
		remarks: []string{"clock_suspicious", "instrument_use_overlaps", "instrument_use_overlaps"},
	})
}

// Every further fact that counts is in the digest.
func TestInputsDigestOfFurtherFacts(t *testing.T) {
	w := oneDay(t, "environmental")
	w.check(morning, 93_90)
	w.check(evening, 93_90)
	seen := []string{calibration.Decide(w.Facts).InputsSHA256}
	for name, change := range map[string]func(){
		"event":       func() { w.happened(w.meter, calibration.Repair, "2020-01-01") },
		"status":      func() { w.withdrawn(w.Certificates[0], "2024-09-01", early) },
		"component":   func() { w.fitted(w.meter, w.instrument(calibration.Microphone, "").ID, early, "") },
		"data":        func() { w.Data = append(w.Data, calibration.SeriesData{SeriesID: w.Series[0].ID, Samples: 1}) },
		"disposition": func() { w.decided("0123456789abcdef", calibration.Accept, "Q. Lead", early) },
		"operator":    func() { w.Operator = "O. Perator" },
		"person": func() {
			w.People = []calibration.Person{{ID: w.id(), Name: "O. Perator", Version: 1, RecordedAt: time.Time{}}}
		},
	} {
		change()
		d := calibration.Decide(w.Facts).InputsSHA256
		if slices.Contains(seen, d) {
			t.Errorf("a further %s leaves the digest as it was", name)
		}
		seen = append(seen, d)
	}
}
