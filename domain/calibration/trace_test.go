package calibration_test

import (
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
)

// chain is a series of a spectrum, its meter with microphone and filter set, checked before, after, and once with a lapsed calibrator.
func chain(t *testing.T) (w *world, microphone, set, lapsed calibration.Instrument) {
	w = oneDay(t, "environmental")
	microphone, set = w.instrument(calibration.Microphone, ""), w.instrument(calibration.FilterSet, "1")
	lapsed = w.instrument(calibration.SoundCalibrator, "1")
	w.fitted(w.meter, microphone.ID, early, "")
	w.fitted(w.meter, set.ID, early, "")
	w.calibrated(microphone.ID, "2024-02-01")
	w.calibrated(set.ID, "2024-02-01")
	w.calibrated(lapsed.ID, "2022-02-01", func(c *calibration.Certificate) { c.LaboratoryID = uuid.UUID{15: 99} })
	w.Series[0].Bands = true
	w.Laboratories = []calibration.Laboratory{{
		ID: w.Certificates[0].LaboratoryID, Name: "Invented", Version: 1, RecordedAt: w.recorded,
		Accreditations: []calibration.Accreditation{{Body: "Body", Number: "old", From: day("2000-01-01"), To: day("2010-01-01")}, {Body: "Body", Number: "7", From: day("2020-01-01")}},
	}}
	for i := range w.Certificates {
		w.Certificates[i].ReferenceStandards = []calibration.ReferenceStandard{{Description: "standard microphone", Certificate: "NMI-" + w.Certificates[i].Number}}
	}
	w.check(morning, 93_90)
	w.check(noon, 93_90, with(lapsed.ID))
	w.check(evening, 93_90)
	return w, microphone, set, lapsed
}

func TestTrace(t *testing.T) {
	w, microphone, set, lapsed := chain(t)
	w.expect(expect{outcome: calibration.ValidWithRemarks, remarks: []string{"calibrator_not_covered"}})
	tr := calibration.TraceOf(w.Facts)
	s := tr.Series[0]
	if tr.SurveyID != w.SurveyID || s.Meter.Instrument.ID != w.meter || len(s.Meter.Certificates) != 1 {
		t.Fatalf("trace of %v to meter %v with %d certificates", tr.SurveyID, s.Meter.Instrument, len(s.Meter.Certificates))
	}
	c := s.Meter.Certificates[0]
	if c.Certificate.ID != w.Certificates[0].ID || c.Scope != calibration.ScopeSoundLevelMeter || c.First != day("2024-06-03") || c.Last != c.First ||
		c.Laboratory.Name != "Invented" || c.Accreditation == nil || c.Accreditation.Number != "7" || c.Certificate.ReferenceStandards[0].Certificate != "NMI-C-2023-12-03" {
		t.Errorf("the meter stands on %+v", c)
	}
	var parts []uuid.UUID
	for _, p := range s.Parts {
		parts = append(parts, p.Instrument.ID)
		if len(p.Certificates) != 1 {
			t.Errorf("%v stands on %d certificates", p.Instrument, len(p.Certificates))
		}
	}
	if !slices.Equal(parts, []uuid.UUID{microphone.ID, set.ID}) {
		t.Errorf("parts = %v", parts)
	}
	var roles []string
	for _, c := range s.Checks {
		roles = append(roles, c.Role)
		if covered := len(c.Calibrator.Certificates) == 1; covered == (c.Calibrator.Instrument.ID == lapsed.ID) {
			t.Errorf("the calibrator of %v stands on %d certificates", c.Check.At, len(c.Calibrator.Certificates))
		}
	}
	if !slices.Equal(roles, []string{"before", "not_used", "after"}) {
		t.Errorf("roles = %q", roles)
	}
}

func TestAffects(t *testing.T) {
	w, microphone, set, lapsed := chain(t)
	cert := func(i int) calibration.Target { return calibration.Target{CertificateID: w.Certificates[i].ID} }
	old := w.calibrated(w.meter, "2023-01-10") // in date by its interval, but a later one governs
	next := w.calibrated(w.meter, "2024-09-01")
	later := w.calibrated(w.meter, "2025-09-01")
	ancient := w.calibrated(w.meter, "2015-01-10")
	tests := []struct {
		name   string
		target calibration.Target
		want   calibration.Relation
		role   string
	}{
		{"the meter's certificate", cert(0), calibration.ReliedOn, "meter"},
		{"the calibrator's", cert(1), calibration.ReliedOn, "before"},
		{"the microphone's", cert(2), calibration.ReliedOn, "part"},
		{"the filter set's", cert(3), calibration.ReliedOn, "part"},
		{"the lapsed calibrator's", cert(4), "", ""},
		{"one that another had succeeded", calibration.Target{CertificateID: old.ID}, calibration.Touched, "meter"},
		{"the next, whose as found is about this use", calibration.Target{CertificateID: next.ID}, calibration.Touched, "meter"},
		{"one whose as found is about use before another calibration", calibration.Target{CertificateID: later.ID}, "", ""},
		{"one long over", calibration.Target{CertificateID: ancient.ID}, "", ""},
		{"the meter", calibration.Target{InstrumentID: w.meter}, calibration.ReliedOn, "meter"},
		{"the microphone", calibration.Target{InstrumentID: microphone.ID}, calibration.ReliedOn, "part"},
		{"the filter set", calibration.Target{InstrumentID: set.ID}, calibration.ReliedOn, "part"},
		{"the calibrator of a check that does not count", calibration.Target{InstrumentID: lapsed.ID}, calibration.Touched, "not_used"},
		{"the laboratory", calibration.Target{LaboratoryID: w.Certificates[0].LaboratoryID}, calibration.ReliedOn, "meter"},
		{"the laboratory of the lapsed one", calibration.Target{LaboratoryID: w.Certificates[4].LaboratoryID}, "", ""},
		{"a reference standard", calibration.Target{ReferenceStandard: "NMI-C-2023-12-03"}, calibration.ReliedOn, "meter"},
		{"another reference standard", calibration.Target{ReferenceStandard: "NMI-1"}, "", ""},
		{"nothing", calibration.Target{}, "", ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := calibration.Affects(w.Facts, tt.target)
			if tt.want == "" {
				if len(got) > 0 {
					t.Errorf("touches %+v", got)
				}
				return
			}
			if len(got) != 1 || got[0].Relation != tt.want || got[0].SeriesID != w.Series[0].ID || got[0].Via[0].Role != tt.role {
				t.Errorf("Affects = %+v, want %s by %s", got, tt.want, tt.role)
			}
		})
	}
	// What relied on a certificate is still found after it was withdrawn, and before it was known nothing is.
	w.withdrawn(w.Certificates[0], w.Certificates[0].CalibratedOn.String(), early)
	if got := calibration.Affects(w.Facts, cert(0)); len(got) != 1 || got[0].Relation != calibration.ReliedOn {
		t.Errorf("after its withdrawal = %+v", got)
	}
	if got := calibration.Affects(w.knownAt("2019-01-01T00:00:00Z").Facts, cert(0)); len(got) != 0 {
		t.Errorf("before anything was known = %+v", got)
	}
}

// A calibrator found out of limits is in every series checked with it, and in a later one whose last check before was made with it.
func TestCalibratorOutOfLimitsReachesTheLaterSeries(t *testing.T) {
	w := oneDay(t, "environmental")
	other := w.instrument(calibration.SoundCalibrator, "1").ID
	w.calibrated(other, "2024-01-10")
	next := w.calibrated(w.calibrator, "2024-09-01", func(c *calibration.Certificate) { c.AsFound = calibration.Fail })
	w.check(morning, 93_90)
	w.check(evening, 93_90)                                    // closes the first series and opens the next
	w.measured("2024-06-03T19:00:00Z", "2024-06-03T20:00:00Z") // no check with this calibrator in or after it
	w.check("2024-06-03T20:05:00Z", 93_90, with(other))
	w.measured("2024-06-03T21:00:00Z", "2024-06-03T22:00:00Z")
	w.check("2024-06-03T22:05:00Z", 93_90, with(other))
	v := calibration.Decide(w.Facts)
	for i, want := range []calibration.Outcome{calibration.Undetermined, calibration.Undetermined, calibration.Valid} {
		if v.Series[i].Outcome != want {
			t.Errorf("series %d is %s, want %s", i, v.Series[i].Outcome, want)
		}
	}
	if got := calibration.Affects(w.Facts, calibration.Target{CertificateID: next.ID}); len(got) != 3 || got[0].Relation != calibration.Touched {
		t.Errorf("Affects = %+v, want all three touched", got)
	}
}

func TestHistory(t *testing.T) {
	monthly := func(deviations []acoustic.Level, adjusted bool) (*world, []calibration.FieldCheck) {
		w := newWorld(t, "environmental")
		for i, d := range deviations {
			at := instant("2024-01-01T08:00:00Z").AddDate(0, 0, 36*i) // a year and a tenth from first to last of twelve
			w.check(at.Format(time.RFC3339), 93_90+d, func(c *calibration.FieldCheck) {
				if adjusted {
					left(93_90)(c)
				}
			})
		}
		return w, w.Checks
	}
	of := func(w *world, p calibration.Past, checks []calibration.FieldCheck) calibration.Trend {
		return calibration.HistoryOf(w.meter, p, nil, checks, time.UTC).Trends[0]
	}
	t.Run("steady", func(t *testing.T) {
		w, checks := monthly([]acoustic.Level{0, 10, -10, 5, 0, 10}, false)
		if tr := of(w, calibration.Past{}, checks); tr.LookAt || !tr.Fitted || tr.LargestStepDB != -20 {
			t.Errorf("trend = %+v", tr)
		}
	})
	// The least-squares line through points on a line is that line: −0.06 dB each 36 days, 365.25 days a year.
	t.Run("a straight line", func(t *testing.T) {
		for _, adjusted := range []bool{false, true} {
			deviations := []acoustic.Level{0, -6, -12, -18, -24, -30}
			if adjusted {
				deviations = []acoustic.Level{0, -6, -6, -6, -6, -6}
			}
			w, checks := monthly(deviations, adjusted)
			tr := of(w, calibration.Past{}, checks)
			want := -0.06 / 36 * 365.25 // −0.609
			if d := float64(tr.SlopeDBPerYear) - want; d > 1e-9 || d < -1e-9 || tr.StandardError > 1e-9 || !tr.LookAt {
				t.Errorf("adjusted %t: trend = %+v, want slope %v", adjusted, tr, want)
			}
		}
	})
	// Slope and standard error of y = 0, 0.1, 0.1, 0.3, 0.2 over x = 0 … 4: 0.06 and 0.0230940… by the textbook
	// formulae (Sxx = 10, residual sum of squares 0.016, s² = 0.016/3).
	t.Run("scattered points", func(t *testing.T) {
		w, checks := monthly([]acoustic.Level{0, 10, 10, 30, 20}, false)
		tr := of(w, calibration.Past{}, checks)
		const perYear = 365.25 / 36
		if d := float64(tr.SlopeDBPerYear)/perYear - 0.06; d > 1e-9 || d < -1e-9 {
			t.Errorf("slope = %v", tr.SlopeDBPerYear)
		}
		if d := float64(tr.StandardError)/perYear - 0.0230940107675850; d > 1e-9 || d < -1e-9 {
			t.Errorf("standard error = %v", tr.StandardError)
		}
	})
	t.Run("a step", func(t *testing.T) {
		w, checks := monthly([]acoustic.Level{0, 0, 51}, false)
		if tr := of(w, calibration.Past{}, checks); !tr.LookAt || tr.Fitted || tr.Why != "It drifted by +0.51 dB between two checks." {
			t.Errorf("trend = %+v", tr)
		}
		// Where the laboratory adjusted the meter in between, that is no drift.
		adjusted := w.calibrated(w.meter, "2024-02-20", func(c *calibration.Certificate) { c.Adjusted = true })
		if tr := of(w, calibration.Past{Certificates: []calibration.Certificate{adjusted}}, checks); tr.LookAt {
			t.Errorf("trend = %+v", tr)
		}
	})
	t.Run("in order of time", func(t *testing.T) {
		w, checks := monthly([]acoustic.Level{10, 0}, true)
		c := w.calibrated(w.meter, "2024-01-15")
		e := w.happened(w.meter, calibration.Damage, "2024-01-10")
		w.withdrawn(c, "2024-01-20", "2024-03-01T00:00:00Z")
		w.fitted(w.meter, w.id(), early, "")
		h := calibration.HistoryOf(w.meter, calibration.Past{Certificates: []calibration.Certificate{c}, Events: []calibration.Event{e}, Statuses: w.Statuses}, w.Components, checks, time.UTC)
		x := h.Entries
		if len(x) != 6 || x[0].Component == nil || x[1].Check == nil || x[1].FoundDB != 10 || x[1].LeftDB != 0 || x[2].Event == nil || x[3].Certificate == nil || x[4].Check == nil || x[5].Status == nil {
			t.Errorf("entries = %+v", x)
		}
	})
}
