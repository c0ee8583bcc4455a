package calibration_test

import (
	"slices"
	"testing"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
)

func found(nominal, deviation acoustic.Level, hz float64) calibration.CertificateResult {
	return calibration.CertificateResult{Phase: calibration.AsFound, NominalDB: &nominal, DeviationDB: &deviation, FrequencyHz: &hz}
}

// 94.31 dB found where 94.00 dB was used turns 84.8 into 85.1 dB: plain arithmetic of the calibrator's level.
func TestCalibratorMovement(t *testing.T) {
	next := calibration.Certificate{Number: "N", Results: []calibration.CertificateResult{found(114_00, 5, 1000), found(94_00, 31, 1000)}}
	check := calibration.FieldCheck{NominalDB: 94_00, FrequencyHz: 1000, ExpectedDB: 94_00}.WithDefaults()
	m, ok := calibration.CalibratorMovement(check, next)
	if low, high := m.Of(84_80); !ok || low != 85_11 || high != 85_11 {
		t.Errorf("84.80 dB could be %v to %v dB (%t), want 85.11", low, high, ok)
	}
	// Corrections and weighting are no part of the calibrator's level: A at 250 Hz is −8.6 dB (IEC 61672-1).
	pistonphone := calibration.FieldCheck{NominalDB: 114_00, FrequencyHz: 250, ExpectedDB: 105_20, PressureCorrectionDB: -10, VolumeCorrectionDB: 5, MicrophoneCorrectionDB: -15}.WithDefaults()
	next.Results = append(next.Results, found(114_00, -20, 251.19))
	if m, ok := calibration.CalibratorMovement(pistonphone, next); !ok || m.Low != -20 || m.High != -20 {
		t.Errorf("movement = %+v, %t; want −0.20 dB", m, ok)
	}
	check.NominalDB = 104_00
	if _, ok := calibration.CalibratorMovement(check, next); ok {
		t.Error("a setting that was not tested moves")
	}
}

// Deviations +0.4 at 1 kHz, where it is checked, −0.6 at 4 kHz and +1.9 at 8 kHz: after the check the meter reads
// −1.0 and +1.5 dB off there, so a level could move by −1.5 to +1.0 dB.
func TestMeterMovement(t *testing.T) {
	next := calibration.Certificate{Results: []calibration.CertificateResult{found(94_00, 40, 1000), found(94_00, -60, 4000), found(94_00, 1_90, 8000)}}
	m, ok := calibration.MeterMovement(next, 1000)
	if !ok || m.Low != -1_50 || m.High != 1_00 {
		t.Errorf("movement = %+v, %t; want −1.50 to +1.00", m, ok)
	}
	if _, ok := calibration.MeterMovement(next, 250); ok {
		t.Error("moves without a test at the check's frequency")
	}
	next.Results[0].Phase = calibration.AsLeft
	if _, ok := calibration.MeterMovement(next, 1000); ok {
		t.Error("moves by what was left")
	}
}

func TestMovementDecides(t *testing.T) {
	m := calibration.Movement{Low: -10, High: 31}
	tests := []struct {
		reported, limit acoustic.Level
		reached, want   bool
	}{
		{84_80, 85_00, false, true},  // could be 85.11
		{84_69, 85_00, false, false}, // at most 85.00
		{84_69, 85_00, true, true},
		{85_10, 85_00, false, true}, // could be 85.00
		{85_10, 85_00, true, false},
		{85_11, 85_00, false, false},
		{80_00, 85_00, false, false},
	}
	for _, tt := range tests {
		if got := m.Decides(tt.reported, tt.limit, tt.reached); got != tt.want {
			t.Errorf("%v against %v (reached %t): decides = %t, want %t", tt.reported, tt.limit, tt.reached, got, tt.want)
		}
	}
}

// From the finding to the number: every check used with the calibrator counts.
func TestCouldMove(t *testing.T) {
	w := oneDay(t, "environmental")
	other := w.instrument(calibration.SoundCalibrator, "1").ID
	w.calibrated(other, "2024-01-10")
	w.check(morning, 93_90, func(c *calibration.FieldCheck) { c.ExpectedDB = 94_00 })
	w.check(noon, 93_90, with(other))
	w.check(evening, 93_90, func(c *calibration.FieldCheck) { c.ExpectedDB = 93_95 })
	w.calibrated(w.calibrator, "2024-09-01", func(c *calibration.Certificate) {
		c.AsFound, c.Results = calibration.Fail, []calibration.CertificateResult{found(94_00, 31, 1000)}
	})
	failed := func() calibration.Finding {
		all := calibration.Decide(w.Facts).Findings
		return all[slices.IndexFunc(all, func(f calibration.Finding) bool { return f.Rule == calibration.NextAsFoundFailed })]
	}
	w.check(ten, 93_90, func(c *calibration.FieldCheck) { c.ExpectedDB = 94_01 })
	m, ok := calibration.CouldMove(w.Facts, failed())
	if !ok || m.Low != 30 || m.High != 36 {
		t.Errorf("CouldMove = %+v, %t; want 0.30 to 0.36 dB", m, ok)
	}
	w.Certificates[len(w.Certificates)-1].Results = nil
	if _, ok := calibration.CouldMove(w.Facts, failed()); ok {
		t.Error("a number without results")
	}
	w.Certificates[len(w.Certificates)-1].AsFound = calibration.Pass
	w.calibrated(w.meter, "2024-09-01", func(c *calibration.Certificate) {
		c.AsFound, c.Results = calibration.Fail, []calibration.CertificateResult{found(94_00, 10, 1000), found(94_00, 90, 8000)}
	})
	f := failed()
	if m, ok := calibration.CouldMove(w.Facts, f); !ok || m.Low != -80 || m.High != 0 {
		t.Errorf("CouldMove of %s = %+v, %t; want −0.80 to 0 dB", f.Rule, m, ok)
	}
}
