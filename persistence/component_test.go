package persistence

import (
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
	"leveltrail/domain/series"
)

// Of a fitted part, or a calibrator put on a meter, that was corrected to another, the first is said no more, but is in what was known before.
func TestCorrectedToAnotherInstrument(t *testing.T) {
	t.Parallel()
	b := newSamplesBed(t)
	clock := t0.AddDate(0, 0, -10)
	b.store.now = func() time.Time { return clock }
	instrument := func(k calibration.Kind, serial string) calibration.Instrument {
		return ok(b.store.CreateInstrument(b.ctx, calibration.Instrument{
			Kind: k, Manufacturer: "Invented Works", Model: "Nu", SerialNumber: serial, Class: "1",
		}.WithDefaults()))(t)
	}
	one, two := instrument(calibration.Microphone, "P-1"), instrument(calibration.Microphone, "P-2")
	meter := instrument(calibration.SoundLevelMeter, "M-2")
	first, second := instrument(calibration.SoundCalibrator, "C-1"), instrument(calibration.SoundCalibrator, "C-2")
	off := t0.AddDate(0, 0, -4)
	elsewhere := ok(b.store.CreateComponent(b.ctx, calibration.Component{InstrumentID: meter.ID, PartID: one.ID, From: t0.AddDate(0, 0, -9), To: &off}))(t)
	ok(b.store.CreateComponent(b.ctx, calibration.Component{InstrumentID: b.meter.ID, PartID: one.ID, From: off}))(t)
	check := ok(b.store.CreateFieldCheck(b.ctx, calibration.FieldCheck{
		InstrumentID: meter.ID, CalibratorID: first.ID, At: off, NominalDB: 94_00, FrequencyHz: 1000, ExpectedDB: 93_90, AsFoundDB: 93_90,
	}.WithDefaults()))(t)
	b.series(t, time.Second, series.Run{Start: t0, Levels: []acoustic.Level{50_00, 51_00}})

	before := clock
	clock = t0.AddDate(0, 0, 1)
	elsewhere.PartID, check.CalibratorID = two.ID, second.ID
	ok(b.store.UpdateComponent(b.ctx, elsewhere))(t)
	ok(b.store.UpdateFieldCheck(b.ctx, check))(t)

	told := func(id uuid.UUID, at time.Time) (fits, checks int) {
		t.Helper()
		_, f, k, err := b.store.InstrumentLife(b.ctx, id, &at)
		ok(0, err)(t)
		return len(f), len(k)
	}
	for _, tt := range []struct {
		instrument   calibration.Instrument
		at           time.Time
		fits, checks int
	}{
		{one, before, 2, 0},
		{one, clock, 1, 0},
		{two, before, 0, 0},
		{two, clock, 1, 0},
		{first, before, 0, 1},
		{first, clock, 0, 0},
		{second, before, 0, 0},
		{second, clock, 0, 1},
		{meter, clock, 1, 1},
	} {
		if fits, checks := told(tt.instrument.ID, tt.at); fits != tt.fits || checks != tt.checks {
			t.Errorf("of %v as known at %v %d fits and %d checks are told; want %d and %d", tt.instrument, tt.at, fits, checks, tt.fits, tt.checks)
		}
	}
	for at, sits := range map[time.Time]bool{before: true, clock: false} {
		f := ok(b.store.VerdictFacts(b.ctx, b.survey.ID, &at))(t)
		there := slices.ContainsFunc(f.Components, func(c calibration.Component) bool { return c.InstrumentID == meter.ID && c.PartID == one.ID })
		if there != sits && len(f.Series) > 0 {
			t.Errorf("as known at %v the verdict has the microphone on the other meter: %t", at, there)
		}
	}
}
