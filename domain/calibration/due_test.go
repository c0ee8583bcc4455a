package calibration_test

import (
	"slices"
	"testing"

	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
)

func profile(code string) calibration.RuleProfile {
	p, _ := calibration.NewestProfile(code)
	return p
}

// The rules of dates are a house convention; the strictest interval of a calibrator is the year of Nordtest NT ACOU 068.
func TestDueList(t *testing.T) {
	w := newWorld(t, "environmental")
	kept := func(k calibration.Kind, on string, change ...func(*calibration.Certificate)) calibration.Kept {
		i := w.instrument(k, "1")
		return calibration.Kept{Instrument: i, Past: calibration.Past{Certificates: []calibration.Certificate{w.calibrated(i.ID, on, change...)}}}
	}
	repaired := kept(calibration.SoundLevelMeter, "2023-06-01")
	repaired.Past.Events = []calibration.Event{{InstrumentID: repaired.Instrument.ID, Kind: calibration.Repair, On: day("2023-09-15"), EndsCover: true}}
	withdrawn := kept(calibration.SoundLevelMeter, "2024-01-10")
	withdrawn.Past.Statuses = []calibration.CertificateStatus{{CertificateID: withdrawn.Past.Certificates[0].ID, Status: calibration.Withdrawn, EffectiveFrom: day("2025-04-01")}}
	survey := w.id()
	planned := kept(calibration.SoundCalibrator, "2024-09-01")
	planned.Planned = []calibration.Planned{{SurveyID: survey, First: day("2025-08-30"), Last: day("2025-09-02"), Profile: profile("environmental")}}
	workplace := kept(calibration.SoundCalibrator, "2024-09-01")
	workplace.Planned = []calibration.Planned{{SurveyID: survey, First: day("2025-08-30"), Last: day("2025-09-02"), Profile: profile("workplace")}}
	again := kept(calibration.SoundLevelMeter, "2023-05-01")
	void := w.calibrated(again.Instrument.ID, "2024-05-01")
	again.Past.Certificates = append(again.Past.Certificates, void)
	again.Past.Statuses = []calibration.CertificateStatus{{CertificateID: void.ID, Status: calibration.Withdrawn, EffectiveFrom: day("2024-05-01")}}
	both := kept(calibration.SoundLevelMeter, "2023-05-20", func(c *calibration.Certificate) {
		c.Scope = []calibration.Scope{calibration.ScopeSoundLevelMeter, calibration.ScopeFilters}
	})
	tests := []struct {
		name string
		kept calibration.Kept
		want []string // scope, due, effective end, ended by, state, surveys
	}{
		{"due on the last day asked for", kept(calibration.SoundLevelMeter, "2023-06-30"), []string{"sound_level_meter 2025-06-30 2025-06-30 interval due 0"}},
		{"due a day later", kept(calibration.SoundLevelMeter, "2023-07-01"), nil},
		{"due today", kept(calibration.SoundLevelMeter, "2023-05-01"), []string{"sound_level_meter 2025-05-01 2025-05-01 interval due 0"}},
		{"due yesterday", kept(calibration.SoundCalibrator, "2024-04-30"), []string{"calibrator 2025-04-30 2025-04-30 interval overdue 0"}},
		{
			"shortened by the house", kept(calibration.SoundLevelMeter, "2024-01-01", func(c *calibration.Certificate) { c.DueOverrideOn = day("2025-05-10") }),
			[]string{"sound_level_meter 2025-05-10 2025-05-10 override due 0"},
		},
		{
			"not conforming as left", kept(calibration.SoundLevelMeter, "2025-04-20", func(c *calibration.Certificate) { c.AsLeft = calibration.Fail }),
			[]string{"sound_level_meter 2027-04-20 2025-04-19 as_left overdue 0"},
		},
		{"repaired: due in June 2025, and yet over since September 2023", repaired, []string{"sound_level_meter 2025-06-01 2023-09-14 event overdue 0"}},
		{"withdrawn", withdrawn, []string{"sound_level_meter 2026-01-10 2025-03-31 withdrawal overdue 0"}},
		{"planned beyond", planned, []string{"calibrator 2025-09-01 2025-09-01 interval planned_beyond 1"}},
		{"planned within its own rules", workplace, nil},
		{"the latest is void", again, []string{"sound_level_meter 2025-05-01 2025-05-01 interval due 0"}},
		{"two scopes", both, []string{"filters 2025-05-20 2025-05-20 interval due 0", "sound_level_meter 2025-05-20 2025-05-20 interval due 0"}},
		{"a draft", kept(calibration.SoundLevelMeter, "2023-05-01", func(c *calibration.Certificate) { c.State = calibration.Draft }), nil},
		{"no interval", kept(calibration.Anemometer, "2010-05-01"), nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var got []string
			for _, r := range calibration.DueList([]calibration.Kept{tt.kept}, calibration.BuiltIn(), day("2025-05-01"), 60) {
				got = append(got, string(r.Scope)+" "+r.DueOn.String()+" "+r.EffectiveEndOn.String()+" "+r.EndedBy+" "+r.State+" "+string(rune('0'+len(r.Surveys))))
			}
			if !slices.Equal(got, tt.want) {
				t.Errorf("rows = %q, want %q", got, tt.want)
			}
		})
	}
	lax := calibration.DueList([]calibration.Kept{kept(calibration.SoundCalibrator, "2024-04-30")}, []calibration.RuleProfile{profile("workplace")}, day("2025-05-01"), 60)
	if lax != nil {
		t.Errorf("a calibrator of a year is due by the workplace profile: %v", lax)
	}
	rows := calibration.DueList([]calibration.Kept{kept(calibration.SoundLevelMeter, "2023-06-30"), repaired, kept(calibration.SoundLevelMeter, "2023-05-02")},
		calibration.BuiltIn(), day("2025-05-01"), 60)
	if !slices.IsSortedFunc(rows, func(a, b calibration.DueRow) int { return a.EffectiveEndOn.Compare(b.EffectiveEndOn) }) || len(rows) != 3 {
		t.Errorf("rows are not by effective end: %v", rows)
	}
}

func TestGapsOfRecords(t *testing.T) {
	w := newWorld(t, "environmental")
	good := w.calibrated(w.meter, "2024-01-01")
	good.Results = []calibration.CertificateResult{found(94_00, 10, 1000)}
	bad := w.calibrated(w.meter, "2025-01-01", func(c *calibration.Certificate) { c.ItemSerialNumber = "another" })
	over := found(94_00, 60, 1000)
	over.Phase = calibration.AsLeft
	low, high := acoustic.Level(-50), acoustic.Level(50)
	over.LimitLowDB, over.LimitHighDB = &low, &high
	bad.Results = []calibration.CertificateResult{over}
	got := calibration.GapsOfRecords(w.Instruments, []calibration.Certificate{good, bad}, map[uuid.UUID]bool{good.ID: true}, []calibration.RuleProfile{profile("environmental")})
	var kinds []string
	for _, g := range got {
		kinds = append(kinds, string(g.Kind))
		if want := map[bool]uuid.UUID{true: w.calibrator, false: bad.ID}[g.Kind == calibration.GapInstrumentWithoutCertificate]; g.Subject.ID != want {
			t.Errorf("%s is about %v, want %v", g.Kind, g.Subject, want)
		}
	}
	want := []string{"certificate_without_document", "certificate_without_uncertainty", "conformity_contradicted", "instrument_without_certificate", "serial_number_mismatch"}
	if !slices.Equal(kinds, want) {
		t.Errorf("gaps = %q, want %q", kinds, want)
	}
}

func TestGapsOfVerdict(t *testing.T) {
	w := newWorld(t, "environmental")
	w.calibrated(w.calibrator, "2024-01-10", func(c *calibration.Certificate) { c.Results = []calibration.CertificateResult{found(114_00, 0, 1000)} })
	w.measured("2024-06-03T08:00:00Z", "2024-06-03T18:00:00Z")
	w.check(morning, 93_90)
	var got []string
	for _, g := range calibration.GapsOfVerdict(calibration.Decide(w.Facts)) {
		got = append(got, string(g.Kind))
		if g.SurveyID != w.SurveyID || g.SeriesID != w.Series[0].ID || g.Detail == "" {
			t.Errorf("gap %+v does not say of what", g)
		}
	}
	if want := []string{"calibrator_level_not_certified", "series_without_certificate", "series_without_checks"}; !slices.Equal(got, want) {
		t.Errorf("gaps = %q, want %q", got, want)
	}
}

func TestValidateRuleProfile(t *testing.T) {
	for _, p := range calibration.BuiltIn() {
		wantFields(t, p.Validate(), nil)
	}
	p := profile("environmental")
	p.Code, p.Edition = "Own House", " "
	p.Intervals = []calibration.Interval{{Kind: calibration.SoundLevelMeter, Months: 0, Source: "house value"}, {Kind: calibration.SoundLevelMeter, Months: 12}}
	p.AcceptedMeters.Value = []calibration.Acceptance{{Specification: "IEC 61672-1", Class: "7"}}
	p.AcceptedCalibrators.Value = nil
	p.DriftBasis.Value = "sometimes"
	p.StartLimit.Value = 10
	p.CheckReach.Source = ""
	p.Data.MinCoverage.Value = 1.5
	p.Data.MaxWindSpeed = calibration.Sourced[float64]{Value: 5}
	wantFields(t, p.Validate(), []string{
		"accepted_calibrators/value", "accepted_meters/value/0/class", "check_reach_h/source", "code",
		"data/max_wind_speed_m_s/source", "data/min_coverage/value", "drift_basis/value", "edition", "intervals", "intervals/0/months",
		"intervals/1/kind", "intervals/1/source", "start_limit_db",
	})
}
