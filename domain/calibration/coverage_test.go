package calibration_test

import (
	"strings"
	"testing"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
	"leveltrail/domain/series"
)

// The rules of dates are a house convention: no standard sets them. The end of
// months is PostgreSQL's: date '2024-02-29' + interval '24 months' = 2026-02-28.

// Calibrated 2 March 2022, used 28 February to 5 March 2024, checked morning and evening.
func acrossExpiry(t *testing.T) *world {
	w := newWorld(t, "monitoring")
	w.calibrated(w.meter, "2022-03-02")
	w.calibrated(w.calibrator, "2023-10-01")
	w.check("2024-02-28T08:55:00Z", 93_90)
	w.measured("2024-02-28T09:00:00Z", "2024-03-05T17:00:00Z")
	w.check("2024-03-05T17:05:00Z", 93_90)
	return w
}

func TestDueDayIsStillCovered(t *testing.T) {
	acrossExpiry(t).expect(expect{
		outcome:  calibration.ValidInPart,
		findings: []string{"calibration_lapsed_during 2024-03-03T00:00/2024-03-05T17:00"},
		usable:   []string{"2024-02-28T09:00/2024-03-03T00:00"},
	})
}

func TestEarlyRecalibrationCovers(t *testing.T) {
	w := acrossExpiry(t)
	w.calibrated(w.meter, "2024-02-21", func(c *calibration.Certificate) { c.CalibratedFrom = day("2024-02-20") })
	w.expect(expect{outcome: calibration.Valid, usable: []string{"2024-02-28T09:00/2024-03-05T17:00"}})

	covers := calibration.Covers(w.Certificates[:1:1], calibration.ScopeSoundLevelMeter, w.Profile)
	if got := covers[0].Last; got != day("2024-03-02") {
		t.Errorf("alone, the older certificate covers to %v, want 2024-03-02", got)
	}
	meters := []calibration.Certificate{w.Certificates[0], w.Certificates[2]}
	old := calibration.Covers(meters, calibration.ScopeSoundLevelMeter, w.Profile)[0]
	if old.Last != day("2024-02-19") || old.EndedBy != calibration.EndedByNextCalibration {
		t.Errorf("the older certificate ends %v by %s, want 2024-02-19 by next_calibration", old.Last, old.EndedBy)
	}
	if end, ok := calibration.EffectiveEnd(meters, calibration.ScopeSoundLevelMeter, w.Profile); !ok || end.Last != day("2026-02-21") {
		t.Errorf("effective end = %v, want 2026-02-21", end.Last)
	}
}

func TestDaysAtTheLaboratoryAreNotCovered(t *testing.T) {
	w := newWorld(t, "environmental")
	w.calibrated(w.meter, "2022-03-02")
	w.calibrated(w.meter, "2024-02-21", func(c *calibration.Certificate) { c.CalibratedFrom = day("2024-02-20") })
	w.calibrated(w.calibrator, "2023-10-01")
	w.check("2024-02-20T08:55:00Z", 93_90)
	w.measured("2024-02-20T09:00:00Z", "2024-02-20T10:00:00Z")
	w.check("2024-02-20T10:05:00Z", 93_90)
	w.expect(expect{outcome: calibration.NotValid, findings: []string{"calibrated_after_use 2024-02-20T09:00/2024-02-20T10:00"}})
}

func TestNewerCertificateGovernsAlthoughShorter(t *testing.T) {
	w := acrossExpiry(t)
	w.Certificates = w.Certificates[1:] // without the meter's first
	w.calibrated(w.meter, "2023-09-01")
	w.calibrated(w.meter, "2024-01-10", func(c *calibration.Certificate) { c.DueOverrideOn = day("2024-02-29") })
	w.expect(expect{
		outcome:  calibration.ValidInPart,
		findings: []string{"calibration_lapsed_during 2024-03-01T00:00/2024-03-05T17:00"},
	})
}

// Of two certificates of one day the highest revision known governs.
func TestHighestRevisionGoverns(t *testing.T) {
	w := acrossExpiry(t)
	first := w.Certificates[0]
	w.calibrated(w.meter, "2022-03-02", func(c *calibration.Certificate) {
		c.Number, c.Revision, c.ReplacesID = first.Number, 1, first.ID
		c.DueOverrideOn = day("2024-02-28")
		c.RecordedAt, c.CreatedAt = instant("2024-06-01T00:00:00Z"), instant("2024-06-01T00:00:00Z")
	})
	w.expect(expect{
		outcome: calibration.ValidInPart, infos: []string{"certificate_superseded"},
		findings: []string{"calibration_lapsed_during 2024-02-29T00:00/2024-03-05T17:00"},
	})
	w.knownAt("2024-05-31T00:00:00Z").expect(expect{
		outcome:  calibration.ValidInPart,
		findings: []string{"calibration_lapsed_during 2024-03-03T00:00/2024-03-05T17:00"},
	})
}

func TestHighestRevisionGovernsBetweenLaboratories(t *testing.T) {
	w := newWorld(t, "environmental")
	revised := w.calibrated(w.meter, "2022-03-02", func(c *calibration.Certificate) { c.Number, c.Revision = "A", 1 })
	w.calibrated(w.meter, "2022-03-02", func(c *calibration.Certificate) { c.Number, c.LaboratoryID = "B", w.id() })
	got, ok := calibration.Covering(w.Certificates, calibration.ScopeSoundLevelMeter, day("2022-03-02"), w.Profile)
	if !ok || got.ID != revised.ID {
		t.Errorf("%v governs, want the revised one", got)
	}
}

// A substituted certificate with the same data leaves the verdict as it is.
func TestSupersededCertificate(t *testing.T) {
	w := acrossExpiry(t)
	w.calibrated(w.meter, "2022-03-02", func(c *calibration.Certificate) { c.Number, c.ReplacesID = "C-B", w.Certificates[0].ID })
	w.expect(expect{
		outcome: calibration.ValidInPart, infos: []string{"certificate_superseded"},
		findings: []string{"calibration_lapsed_during 2024-03-03T00:00/2024-03-05T17:00"},
	})
}

// Nordtest NT ACOU 068 footnote 1 has calibrators tested yearly; German practice
// with ISO 9612 (IFA-LSA 01-400 5.6) every two years.
func TestIntervalDependsOnTheMethod(t *testing.T) {
	for profile, want := range map[string]expect{
		"environmental": {outcome: calibration.NotValid, findings: []string{
			"calibrator_not_covered 2024-06-01T09:00/2024-06-01T10:00", "calibrator_not_covered 2024-06-01T09:00/2024-06-01T10:00",
			"no_check_after 2024-06-01T09:00/2024-06-01T10:00", "no_check_before 2024-06-01T09:00/2024-06-01T10:00",
		}},
		"workplace": {outcome: calibration.Valid},
	} {
		t.Run(profile, func(t *testing.T) {
			w := newWorld(t, profile)
			w.calibrated(w.meter, "2023-01-10")
			w.calibrated(w.calibrator, "2023-01-10")
			w.check("2024-06-01T07:55:00Z", 93_90)
			w.measured("2024-06-01T09:00:00Z", "2024-06-01T10:00:00Z")
			w.check("2024-06-01T10:05:00Z", 93_90)
			w.expect(want)
		})
	}
}

// Calibrated 10 May, issued and recorded 20 May, used 12 May.
func TestCertificateIssuedAfterUse(t *testing.T) {
	w := newWorld(t, "environmental")
	w.calibrated(w.meter, "2024-05-10", func(c *calibration.Certificate) {
		c.IssuedOn = day("2024-05-20")
		c.CreatedAt = instant("2024-05-20T12:00:00Z")
		c.RecordedAt = c.CreatedAt
	})
	w.calibrated(w.calibrator, "2024-01-10")
	w.check("2024-05-12T08:55:00Z", 93_90)
	w.measured("2024-05-12T09:00:00Z", "2024-05-12T10:00:00Z")
	w.check("2024-05-12T10:05:00Z", 93_90)
	w.expect(expect{outcome: calibration.ValidWithRemarks, remarks: []string{"certificate_issued_after_use"}})
	w.knownAt("2024-05-15T12:00:00Z").expect(expect{
		outcome:  calibration.NotValid,
		findings: []string{"no_certificate 2024-05-12T09:00/2024-05-12T10:00"},
	})

	// Without a printed day of issue the day of recording counts.
	w.Certificates[0].IssuedOn = day("2024-05-10")
	w.expect(expect{outcome: calibration.Valid})
	w.Certificates[0].IssuedOn.Day, w.Certificates[0].IssuedOn.Month, w.Certificates[0].IssuedOn.Year = 0, 0, 0
	w.expect(expect{outcome: calibration.ValidWithRemarks, remarks: []string{"certificate_issued_after_use"}})
}

// Used 9 to 11 May, calibrated 10 May.
func TestCalibratedDuringUse(t *testing.T) {
	w := newWorld(t, "monitoring")
	w.calibrated(w.meter, "2024-05-10")
	w.calibrated(w.calibrator, "2024-01-10")
	w.check("2024-05-09T08:55:00Z", 93_90)
	w.measured("2024-05-09T09:00:00Z", "2024-05-11T10:00:00Z")
	w.check("2024-05-11T10:05:00Z", 93_90)
	w.expect(expect{
		outcome:  calibration.ValidInPart,
		findings: []string{"calibrated_after_use 2024-05-09T09:00/2024-05-09T23:00"}, // midnight of summer time
		usable:   []string{"2024-05-09T23:00/2024-05-11T10:00"},
	})
}

func TestMonthEndIsClamped(t *testing.T) {
	w := newWorld(t, "environmental")
	w.calibrated(w.meter, "2024-02-29")
	c := calibration.Covers(w.Certificates, calibration.ScopeSoundLevelMeter, w.Profile)[0]
	if c.Due != day("2026-02-28") || c.Last != c.Due || c.EndedBy != calibration.EndedByInterval {
		t.Errorf("29 February 2024 and 24 months: due %v, last %v by %s; want 2026-02-28", c.Due, c.Last, c.EndedBy)
	}
	for on, want := range map[string]bool{"2024-02-28": false, "2024-02-29": true, "2026-02-28": true, "2026-03-01": false} {
		if _, ok := calibration.Covering(w.Certificates, calibration.ScopeSoundLevelMeter, day(on), w.Profile); ok != want {
			t.Errorf("covered on %s = %t, want %t", on, ok, want)
		}
	}
}

// A printed due date or an override later than the interval extends nothing.
func TestLaterDueDatesExtendNothing(t *testing.T) {
	w := acrossExpiry(t)
	w.Certificates[0].LaboratoryDueOn, w.Certificates[0].DueOverrideOn = day("2030-01-01"), day("2030-01-01")
	w.expect(expect{
		outcome:  calibration.ValidInPart,
		findings: []string{"calibration_lapsed_during 2024-03-03T00:00/2024-03-05T17:00"},
	})
}

// 22:30 to 23:30 UTC on 1 July is the night from 1 to 2 July in London (IANA: UTC+1).
func TestNightAcrossMidnightOfTheDueDay(t *testing.T) {
	w := newWorld(t, "environmental")
	w.calibrated(w.meter, "2022-07-01")
	w.calibrated(w.calibrator, "2024-01-10")
	w.check("2024-07-01T22:00:00Z", 93_90)
	s := w.measured("2024-07-01T22:30:00Z", "2024-07-01T23:30:00Z")
	w.check("2024-07-01T23:40:00Z", 93_90)
	w.expect(expect{
		outcome:  calibration.ValidInPart,
		findings: []string{"calibration_lapsed_during 2024-07-01T23:00/2024-07-01T23:30"},
		usable:   []string{"2024-07-01T22:30/2024-07-01T23:00"},
	})
	days := calibration.LocalDays(s.Stretches[0], london)
	if len(days) != 2 || days[0] != day("2024-07-01") || days[1] != day("2024-07-02") {
		t.Errorf("local days = %v, want 1 and 2 July", days)
	}
}

// The night of 26 October 2024 has 25 h in London: one day begins 23:00 UTC, ends 00:00 UTC.
func TestClockChangeNight(t *testing.T) {
	got := calibration.LocalDays(series.Span{From: instant("2024-10-26T23:00:00Z"), To: instant("2024-10-28T00:00:00Z")}, london)
	if len(got) != 1 || got[0] != day("2024-10-27") {
		t.Errorf("local days of the 25 h day = %v, want 2024-10-27 only", got)
	}
	if got := calibration.LocalDays(series.Span{From: instant("2024-10-26T23:00:00Z"), To: instant("2024-10-26T23:00:00Z")}, london); got != nil {
		t.Errorf("local days of nothing = %v", got)
	}
}

// Periodic test 10 January 2024, filters only 5 June 2025: the meter is covered to 10 January 2026.
func TestScopesAreReckonedApart(t *testing.T) {
	w := newWorld(t, "environmental")
	w.calibrated(w.meter, "2024-01-10", func(c *calibration.Certificate) {
		c.Scope = []calibration.Scope{calibration.ScopeSoundLevelMeter, calibration.ScopeFilters}
	})
	w.calibrated(w.meter, "2025-06-05", func(c *calibration.Certificate) { c.Scope = []calibration.Scope{calibration.ScopeFilters} })
	for scope, want := range map[calibration.Scope]string{calibration.ScopeSoundLevelMeter: "2026-01-10", calibration.ScopeFilters: "2027-06-05"} {
		if end, _ := calibration.EffectiveEnd(w.Certificates, scope, w.Profile); end.Last != day(want) {
			t.Errorf("%s is covered to %v, want %s", scope, end.Last, want)
		}
	}
	w.calibrated(w.calibrator, "2025-12-01")
	w.check("2026-02-01T08:55:00Z", 93_90)
	w.measured("2026-02-01T09:00:00Z", "2026-02-01T10:00:00Z")
	w.check("2026-02-01T10:05:00Z", 93_90)
	w.expect(expect{outcome: calibration.NotValid, findings: []string{"calibration_lapsed_before 2026-02-01T09:00/2026-02-01T10:00"}})
}

// A spectrum needs its filters covered, a level does not.
func TestBandsNeedFilters(t *testing.T) {
	w := newWorld(t, "environmental")
	w.inDate("2026-02-01")
	w.check("2026-02-01T08:55:00Z", 93_90)
	w.measured("2026-02-01T09:00:00Z", "2026-02-01T10:00:00Z")
	w.check("2026-02-01T10:05:00Z", 93_90)
	w.expect(expect{outcome: calibration.Valid})
	w.Series[0].Bands = true
	w.expect(expect{outcome: calibration.NotValid, findings: []string{"no_certificate 2026-02-01T09:00/2026-02-01T10:00"}})
}

// Found out of limits on 20 February 2024, last good calibration 2 March 2022: both days are in doubt.
func TestNextAsFoundFailed(t *testing.T) {
	tests := []struct {
		on      string
		outcome calibration.Outcome
	}{
		{"2022-03-01", calibration.NotValid}, // before the first calibration
		{"2022-03-02", calibration.Undetermined},
		{"2023-06-01", calibration.Undetermined},
		{"2024-02-20", calibration.Undetermined},
		{"2024-02-21", calibration.Valid},
	}
	for _, tt := range tests {
		t.Run(tt.on, func(t *testing.T) {
			w := newWorld(t, "environmental")
			w.calibrated(w.meter, "2022-03-02")
			w.calibrated(w.meter, "2024-02-20", func(c *calibration.Certificate) {
				c.AsFound, c.Adjusted = calibration.Fail, true
				c.RecordedAt, c.CreatedAt = instant("2024-03-10T00:00:00Z"), instant("2024-03-10T00:00:00Z")
			})
			w.calibrated(w.calibrator, day(tt.on).AddMonths(-1).String())
			w.check(tt.on+"T08:55:00Z", 93_90)
			w.measured(tt.on+"T09:00:00Z", tt.on+"T10:00:00Z")
			w.check(tt.on+"T10:05:00Z", 93_90)
			if v := calibration.Decide(w.Facts); v.Outcome != tt.outcome {
				t.Errorf("outcome = %s, want %s: %s", v.Outcome, tt.outcome, v.Why())
			}
		})
	}
}

// The calibrator came back out of limits: every series checked with it is open,
// one checked with another calibrator is not.
func TestCalibratorFoundOutOfLimits(t *testing.T) {
	w := newWorld(t, "environmental")
	other := w.instrument(calibration.SoundCalibrator, "1").ID
	w.inDate("2024-06-03")
	w.calibrated(other, "2024-01-10")
	dev := acoustic.Level(31)
	w.calibrated(w.calibrator, "2024-09-01", func(c *calibration.Certificate) {
		c.AsFound, c.Results = calibration.Fail, []calibration.CertificateResult{{Phase: calibration.AsFound, DeviationDB: &dev}}
	})
	w.check("2024-06-03T08:00:00Z", 93_90)
	w.measured("2024-06-03T09:00:00Z", "2024-06-03T10:00:00Z")
	w.check("2024-06-03T11:00:00Z", 93_90)
	w.check("2024-06-03T12:00:00Z", 93_90, with(other))
	w.measured("2024-06-03T13:00:00Z", "2024-06-03T14:00:00Z")
	w.check("2024-06-03T15:00:00Z", 93_90, with(other))
	v := w.expect(expect{
		outcome:  calibration.Undetermined,
		findings: []string{"next_as_found_failed 2024-06-03T09:00/2024-06-03T10:00"},
		pending:  []string{"2024-06-03T09:00/2024-06-03T10:00"},
	})
	if why := v.Why(); !strings.Contains(why, ", off by +0.31 dB") {
		t.Errorf("the finding does not say by how much: %q", why)
	}
	if v.Series[1].Outcome != calibration.Valid {
		t.Errorf("the series checked with the other calibrator is %s", v.Series[1].Outcome)
	}
}

// The next calibration does not say how it found the meter: open if it adjusted, else a remark.
func TestNextAsFoundMissing(t *testing.T) {
	for _, adjusted := range []bool{false, true} {
		w := newWorld(t, "environmental")
		w.inDate("2024-06-03")
		w.calibrated(w.meter, "2024-09-01", func(c *calibration.Certificate) { c.AsFound, c.Adjusted = calibration.NotStated, adjusted })
		w.check("2024-06-03T08:00:00Z", 93_90)
		w.measured("2024-06-03T09:00:00Z", "2024-06-03T10:00:00Z")
		w.check("2024-06-03T11:00:00Z", 93_90)
		want := expect{outcome: calibration.ValidWithRemarks, remarks: []string{"next_as_found_missing"}}
		if adjusted {
			want = expect{
				outcome: calibration.Undetermined, findings: []string{"next_as_found_missing 2024-06-03T09:00/2024-06-03T10:00"},
				pending: []string{"2024-06-03T09:00/2024-06-03T10:00"},
			}
		}
		w.expect(want)
	}
}
