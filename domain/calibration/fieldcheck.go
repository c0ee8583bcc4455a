package calibration

import (
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/fault"
)

// Signals of a field check.
const (
	Acoustic   = "acoustic"   // a sound calibrator on the microphone
	Electrical = "electrical" // does not test the microphone and so never counts
)

// FieldCheck is one version of the record of a sound calibrator put on a meter.
// It belongs to the meter's channel, not to a survey.
type FieldCheck struct {
	ID           uuid.UUID
	InstrumentID uuid.UUID // the meter
	CalibratorID uuid.UUID
	Channel      int // counts from 1
	At           time.Time
	MeterAt      *time.Time // what the meter's own clock showed then; nil: it was not compared
	Signal       string     // Acoustic or Electrical
	Weighting    string     // frequency weighting of the reading: A, C or Z

	NominalDB   acoustic.Level  // the calibrator's setting
	FrequencyHz float64         // likewise
	ExpectedDB  acoustic.Level  // what the meter should show: see [ExpectedLevel]
	AsFoundDB   acoustic.Level  // shown before anything was touched
	AsLeftDB    *acoustic.Level // shown after an adjustment; nil: not adjusted

	PressureCorrectionDB   acoustic.Level // of the calibrator's level, for static pressure
	VolumeCorrectionDB     acoustic.Level // of the calibrator's level, for the microphone's load volume
	MicrophoneCorrectionDB acoustic.Level // for free field or random incidence (IEC 62585, or the meter's manual)
	StaticPressureKPa      *float64
	TemperatureC           *float64
	CertificateID          uuid.UUID // the certificate ExpectedDB was computed from; zero if it was entered

	Version    int
	CreatedAt  time.Time
	RecordedAt time.Time
}

// WithDefaults returns c with channel 1, an acoustic signal and an A-weighted reading where it says nothing.
func (c FieldCheck) WithDefaults() FieldCheck {
	if c.Channel == 0 {
		c.Channel = 1
	}
	if c.Signal == "" {
		c.Signal = Acoustic
	}
	if c.Weighting == "" {
		c.Weighting = "A"
	}
	return c
}

// Validate reports every field that makes c unfit to store, as one [fault.Error].
func (c FieldCheck) Validate() error {
	var bad fault.Fields
	bad.Check(c.InstrumentID != uuid.Nil, "instrument_id", "required", "must name a meter")
	bad.Check(c.CalibratorID != uuid.Nil, "calibrator_id", "required", "must name a sound calibrator")
	bad.Check(!c.At.IsZero(), "at", "required", "must be an instant")
	bad.Check(c.MeterAt == nil || c.MeterAt.Year() >= 1970 && c.MeterAt.Year() < 2200, "meter_at", "out_of_range", "must lie between 1970 and 2200")
	bad.Check(c.Channel >= 1 && c.Channel <= 1000, "channel", "out_of_range", "must lie between 1 and 1000")
	oneOf(&bad, "signal", c.Signal, Acoustic, Electrical)
	oneOf(&bad, "weighting", c.Weighting, "A", "C", "Z")
	bad.Check(c.FrequencyHz > 0 && c.FrequencyHz <= 100_000, "frequency_hz", "out_of_range", "must lie above 0 and not above 100 kHz")

	level := func(path string, l acoustic.Level) {
		bad.Check(l > 0 && l <= acoustic.MaxLevel, path, "out_of_range", "must lie above 0 and not above 200 dB")
	}
	level("nominal_db", c.NominalDB)
	level("expected_db", c.ExpectedDB)
	level("as_found_db", c.AsFoundDB)
	if c.AsLeftDB != nil {
		level("as_left_db", *c.AsLeftDB)
	}
	correction := func(path string, l acoustic.Level) {
		bad.Check(l >= -10_00 && l <= 10_00, path, "out_of_range", "must lie between -10 and 10 dB")
	}
	correction("corrections/pressure_correction_db", c.PressureCorrectionDB)
	correction("corrections/volume_correction_db", c.VolumeCorrectionDB)
	correction("corrections/microphone_correction_db", c.MicrophoneCorrectionDB)
	bad.Check(c.StaticPressureKPa == nil || *c.StaticPressureKPa >= 30 && *c.StaticPressureKPa <= 120, "static_pressure_kpa",
		"out_of_range", "must lie between 30 and 120 kPa")
	bad.Check(c.TemperatureC == nil || *c.TemperatureC >= -60 && *c.TemperatureC <= 80, "temperature_c",
		"out_of_range", "must lie between -60 and 80 °C")
	return bad.Err("field check")
}

// ValidateWith reports whether the instruments that c names are of kinds that can play their part.
func (c FieldCheck) ValidateWith(meter, calibrator Instrument) error {
	var bad fault.Fields
	bad.Check(meter.Kind.Measures(), "instrument_id", "wrong_kind", "must name a meter, not a "+meter.Kind.words())
	bad.Check(calibrator.Kind == SoundCalibrator, "calibrator_id", "wrong_kind", "must name a sound calibrator, not a "+calibrator.Kind.words())
	return bad.Err("field check")
}

// found and left are the deviations from the expected level before and after
// any adjustment: what the meter read too much. They are free of the
// calibrator, so checks with different calibrators compare.
func (c FieldCheck) found() difference { return difference(c.AsFoundDB) - difference(c.ExpectedDB) }

func (c FieldCheck) left() difference {
	if c.AsLeftDB == nil {
		return c.found()
	}
	return difference(*c.AsLeftDB) - difference(c.ExpectedDB)
}
