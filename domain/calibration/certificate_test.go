package calibration_test

import (
	"errors"
	"slices"
	"testing"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
	"leveltrail/domain/fault"
)

// What the certificates and classes relied on say, in a survey otherwise valid.
func TestCertificateFindings(t *testing.T) {
	day := " 2024-06-03T08:00/2024-06-03T18:00"
	fail, u := calibration.Fail, acoustic.Decibel(0.1)
	nominal, hz := acoustic.Level(94_00), 1000.0
	result := func(c *calibration.Certificate) *calibration.CertificateResult {
		c.Results = []calibration.CertificateResult{{
			Phase: calibration.AsLeft, NominalDB: &nominal, FrequencyHz: &hz,
			DeviationDB: new(acoustic.Level), ExpandedUncertaintyDB: &u,
		}}
		return &c.Results[0]
	}
	corrected := func(w *world) { // so that 93.90 dB is what the certificate and the correction give
		for i := range w.Checks {
			w.Checks[i].MicrophoneCorrectionDB = -10
		}
	}
	tests := []struct {
		name   string
		change func(w *world, meter, calibrator *calibration.Certificate)
		want   expect
	}{
		{
			"all in order", func(w *world, m, c *calibration.Certificate) { result(m); result(c); corrected(w) },
			expect{outcome: calibration.Valid},
		},
		{
			"left not conforming", func(_ *world, m, _ *calibration.Certificate) { m.AsLeft = fail },
			expect{outcome: calibration.NotValid, findings: []string{"as_left_not_conforming" + day}},
		},
		{
			"a draft proves nothing", func(_ *world, m, _ *calibration.Certificate) { m.State = calibration.Draft },
			expect{outcome: calibration.NotValid, findings: []string{"no_certificate" + day}},
		},
		{
			"not accredited", func(_ *world, m, _ *calibration.Certificate) { m.Accredited = false },
			expect{outcome: calibration.ValidWithRemarks, remarks: []string{"laboratory_not_accredited"}},
		},
		{"accreditation suspended before", func(w *world, m, _ *calibration.Certificate) {
			w.laboratory(m.LaboratoryID, "2020-01-01", "2023-12-02")
		}, expect{outcome: calibration.ValidWithRemarks, remarks: []string{"laboratory_not_accredited", "laboratory_not_accredited"}}},
		{"accreditation suspended after", func(w *world, m, _ *calibration.Certificate) {
			w.laboratory(m.LaboratoryID, "2020-01-01", "2023-12-03") // the day of calibration is 3 December
		}, expect{outcome: calibration.Valid}},
		{
			"of another item", func(_ *world, m, _ *calibration.Certificate) { m.ItemSerialNumber = "another" },
			expect{
				outcome: calibration.Undetermined, findings: []string{"serial_number_mismatch" + day},
				pending: []string{"2024-06-03T08:00/2024-06-03T18:00"},
			},
		},
		{
			"pattern approval not shown", func(_ *world, m, _ *calibration.Certificate) { m.PatternEvidence = "none" },
			expect{outcome: calibration.ValidWithRemarks, remarks: []string{"pattern_evidence_missing"}},
		},
		{
			"meter's results without uncertainty", func(_ *world, m, _ *calibration.Certificate) { result(m).ExpandedUncertaintyDB = nil },
			expect{
				outcome: calibration.Undetermined, findings: []string{"uncertainty_missing" + day},
				pending: []string{"2024-06-03T08:00/2024-06-03T18:00"},
			},
		},
		{"calibrator's level without uncertainty", func(w *world, _, c *calibration.Certificate) {
			result(c).ExpandedUncertaintyDB = nil
			corrected(w)
		}, expect{
			outcome: calibration.Undetermined, findings: []string{"uncertainty_missing" + day},
			pending: []string{"2024-06-03T08:00/2024-06-03T18:00"},
		}},
		// Of a two-level calibrator a laboratory calibrates only one level unless ordered: practice of an accredited laboratory.
		{
			"other level used", func(_ *world, _, c *calibration.Certificate) {
				other := acoustic.Level(114_00)
				result(c).NominalDB = &other
			},
			expect{outcome: calibration.ValidWithRemarks, remarks: []string{"check_level_not_certified", "check_level_not_certified"}},
		},
		{
			"expected level is not the certificate's", func(_ *world, _, c *calibration.Certificate) { result(c) },
			expect{outcome: calibration.ValidWithRemarks, remarks: []string{"expected_level_differs", "expected_level_differs"}},
		},
		{"0.05 dB is near enough", func(w *world, _, c *calibration.Certificate) {
			five := acoustic.Level(5)
			result(c).DeviationDB = &five
			corrected(w)
		}, expect{outcome: calibration.Valid}},
		{
			"meter of class 2", func(w *world, _, _ *calibration.Certificate) { w.Instruments[0].Class = "2" },
			expect{outcome: calibration.NotValid, findings: []string{"meter_class_too_low" + day}},
		},
		{
			"calibrator of class 2", func(w *world, _, _ *calibration.Certificate) { w.Instruments[1].Class = "2" },
			expect{outcome: calibration.NotValid, findings: []string{"calibrator_class_too_low" + day}},
		},
		{
			"laboratory calibrator", func(w *world, _, _ *calibration.Certificate) { w.Instruments[1].Class = "LS" },
			expect{outcome: calibration.Valid},
		},
		// IEC 60942:2003 marks calibrators that need a correction for static pressure "/C".
		{"calibrator of class 1/C", func(w *world, _, _ *calibration.Certificate) {
			w.Instruments[1].Class, w.Instruments[1].Specification = "1/C", "IEC 60942:2003"
		}, expect{outcome: calibration.Valid}},
		// DGUV Information 209-023: calibrator of the same or a better class than the meter.
		{"calibrator below the meter", func(w *world, _, _ *calibration.Certificate) {
			w.Profile.AcceptedCalibrators.Value = append(slices.Clone(w.Profile.AcceptedCalibrators.Value), calibration.Acceptance{Specification: "IEC 60942", Class: "2"})
			w.Instruments[1].Class = "2"
		}, expect{outcome: calibration.NotValid, findings: []string{"calibrator_class_too_low" + day}}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			w := oneDay(t, "environmental")
			w.check(morning, 93_90)
			w.check(evening, 93_90)
			tt.change(w, &w.Certificates[0], &w.Certificates[1])
			w.expect(tt.want)
		})
	}
}

func (w *world) laboratory(id [16]byte, from, to string) {
	w.Laboratories = append(w.Laboratories, calibration.Laboratory{
		ID: id, Name: "Invented", Version: 1, CreatedAt: w.recorded, RecordedAt: w.recorded,
		Accreditations: []calibration.Accreditation{{Body: "Invented", Number: "1", From: day(from), To: day(to)}},
	})
}

// At the workplace: IEC 61672-1 class 1 or 2, IEC 651/804 type 1 or 2, IEC 61252 (ISO 9612; German practice IFA-LSA).
func TestMetersAcceptedAtTheWorkplace(t *testing.T) {
	tests := []struct {
		specification, class string
		want                 calibration.Outcome
	}{
		{"IEC 61672-1:2013", "2", calibration.Valid},
		{"IEC 61672-1:2002", "1", calibration.Valid},
		{"IEC 651:1979", "2", calibration.Valid},
		{"IEC 60804:2000", "1", calibration.Valid},
		{"IEC 60651", "3", calibration.NotValid},
		{"IEC 61252:1993", "", calibration.Valid},
		{"ANSI S1.4", "1", calibration.NotValid},
	}
	for _, tt := range tests {
		w := oneDay(t, "workplace")
		w.Instruments[0].Specification, w.Instruments[0].Class = tt.specification, tt.class
		w.check(morning, 93_90)
		w.check(evening, 93_90)
		if v := calibration.Decide(w.Facts); v.Outcome != tt.want {
			t.Errorf("%s class %q: %s, want %s: %s", tt.specification, tt.class, v.Outcome, tt.want, v.Why())
		}
	}
}

// Certified 94.03 dB with −0.15 dB for a half-inch free-field microphone gives 93.88 dB
// (memory of common practice); A at 250 Hz is −8.6 dB (IEC 61672-1:2013 Table 3).
func TestExpectedLevel(t *testing.T) {
	hundredths := func(l acoustic.Level) *acoustic.Level { return &l }
	kilohertz, low := 1000.0, 251.19
	cert := calibration.Certificate{Results: []calibration.CertificateResult{
		{Phase: calibration.AsFound, NominalDB: hundredths(94_00), FrequencyHz: &kilohertz, DeviationDB: hundredths(31)},
		{Phase: calibration.AsLeft, NominalDB: hundredths(94_00), FrequencyHz: &kilohertz, DeviationDB: hundredths(3)},
		{Phase: calibration.AsFound, NominalDB: hundredths(114_00), FrequencyHz: &low, DeviationDB: hundredths(-2)},
	}}
	adjusted := cert
	adjusted.Adjusted = true
	tests := []struct {
		name  string
		cert  calibration.Certificate
		check calibration.FieldCheck
		want  acoustic.Level
		ok    bool
	}{
		{"microphone correction", cert, calibration.FieldCheck{NominalDB: 94_00, FrequencyHz: 1000, MicrophoneCorrectionDB: -15}, 93_88, true},
		{"all corrections", adjusted, calibration.FieldCheck{NominalDB: 94_00, FrequencyHz: 1000, PressureCorrectionDB: -7, VolumeCorrectionDB: 2, MicrophoneCorrectionDB: -15}, 93_83, true},
		{"A at 250 Hz", cert, calibration.FieldCheck{NominalDB: 114_00, FrequencyHz: 250}, 105_38, true},
		{"C at 250 Hz", cert, calibration.FieldCheck{NominalDB: 114_00, FrequencyHz: 250, Weighting: "C"}, 113_98, true},
		{"what was found before an adjustment is not certified", adjusted, calibration.FieldCheck{NominalDB: 114_00, FrequencyHz: 250}, 0, false},
		{"another level", cert, calibration.FieldCheck{NominalDB: 104_00, FrequencyHz: 1000}, 0, false},
		{"another frequency", cert, calibration.FieldCheck{NominalDB: 94_00, FrequencyHz: 500}, 0, false},
		{"no certificate", calibration.Certificate{}, calibration.FieldCheck{NominalDB: 94_00, FrequencyHz: 1000}, 0, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, ok := calibration.ExpectedLevel(tt.check.WithDefaults(), tt.cert)
			if got != tt.want || ok != tt.ok {
				t.Errorf("ExpectedLevel = %v, %t; want %v, %t", got, ok, tt.want, tt.ok)
			}
		})
	}
}

// Everything wrong with a record is said at once, by the names of the members.
func TestValidate(t *testing.T) {
	high, low, none := acoustic.Level(10), acoustic.Level(-10), acoustic.Decibel(0)
	good := newWorld(t, "environmental")
	good.inDate("2024-06-03")
	tests := []struct {
		name string
		err  error
		want []string
	}{
		{"good instrument", good.Instruments[0].Validate(), nil},
		{"good certificate", good.Certificates[0].Validate(), nil},
		{"good check", good.check(morning, 93_90).Validate(), nil},
		{"good meter and calibrator", good.Checks[0].ValidateWith(good.Instruments[0], good.Instruments[1]), nil},
		{"swapped", good.Checks[0].ValidateWith(good.Instruments[1], good.Instruments[0]), []string{"instrument_id", "calibrator_id"}},
		{"empty instrument", calibration.Instrument{}.WithDefaults().Validate(), []string{"kind", "manufacturer", "model", "serial_number"}},
		{"class of another standard", calibration.Instrument{Kind: calibration.SoundLevelMeter, Manufacturer: "I", Model: "M", SerialNumber: "1", Class: "LS"}.WithDefaults().Validate(), []string{"class"}},
		{
			"empty laboratory", calibration.Laboratory{Accreditations: []calibration.Accreditation{{Body: "B", From: day("2024-01-02"), To: day("2024-01-01")}}}.Validate(),
			[]string{"name", "accreditations/0/number", "accreditations/0/to"},
		},
		{"empty certificate", calibration.Certificate{}.WithDefaults("").Validate(), []string{"instrument_id", "laboratory", "number", "scope", "calibrated_on"}},
		{"dates out of order", changed(good.Certificates[0], func(c *calibration.Certificate) {
			c.CalibratedFrom, c.IssuedOn = c.CalibratedOn.AddDays(1), c.CalibratedOn.AddDays(-1)
			c.LaboratoryDueOn, c.DueOverrideOn = c.IssuedOn, c.IssuedOn
		}).Validate(), []string{"calibrated_on", "issued_on", "laboratory_due_on", "due_override_on"}},
		{"words", changed(good.Certificates[0], func(c *calibration.Certificate) {
			c.AsFound, c.AsLeft, c.PatternEvidence, c.State, c.Revision = "good", "bad", "some", "lost", -1
			c.Scope = []calibration.Scope{"meter", calibration.ScopeFilters, calibration.ScopeFilters}
		}).Validate(), []string{"revision", "scope/0", "scope/2", "as_found", "as_left", "pattern_evidence", "state"}},
		{"results", changed(good.Certificates[0], func(c *calibration.Certificate) {
			c.ReferenceStandards = []calibration.ReferenceStandard{{Certificate: "X"}}
			c.Results = []calibration.CertificateResult{{Phase: "later", LimitLowDB: &high, LimitHighDB: &low, ExpandedUncertaintyDB: &none}}
		}).Validate(), []string{"reference_standards/0/description", "results/0/phase", "results/0/limit_high_db", "results/0/expanded_uncertainty_db"}},
		{
			"empty check", calibration.FieldCheck{Channel: -1, Signal: "light", Weighting: "B", PressureCorrectionDB: 11_00}.Validate(),
			[]string{"instrument_id", "calibrator_id", "at", "channel", "signal", "weighting", "frequency_hz", "nominal_db", "expected_db", "as_found_db", "corrections/pressure_correction_db"},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var got []string
			if e, ok := errors.AsType[*fault.Error](tt.err); ok {
				for _, f := range e.Fields {
					got = append(got, f.Path)
				}
			}
			if !slices.Equal(got, tt.want) {
				t.Errorf("wrong members = %q, want %q (%v)", got, tt.want, tt.err)
			}
		})
	}
}

func changed(c calibration.Certificate, f func(*calibration.Certificate)) calibration.Certificate {
	f(&c)
	return c
}
