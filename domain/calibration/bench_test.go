package calibration_test

import (
	"fmt"
	"testing"

	"github.com/google/uuid"

	"leveltrail/domain/calibration"
)

// BenchmarkDecide judges a survey of fifty series by ten meters with five certificates each, checked by two calibrators.
func BenchmarkDecide(b *testing.B) {
	w := newWorld(nil, "environmental")
	meters := []uuid.UUID{w.meter}
	for range 9 {
		meters = append(meters, w.instrument(calibration.SoundLevelMeter, "1").ID)
	}
	calibrators := []uuid.UUID{w.calibrator, w.instrument(calibration.SoundCalibrator, "1").ID}
	for _, i := range append(meters[:10:10], calibrators...) {
		for year := 2019; year < 2025; year++ {
			w.calibrated(i, fmt.Sprintf("%d-03-01", year))
		}
	}
	for n, m := range meters {
		w.meter, w.calibrator = m, calibrators[n%2]
		for d := range 5 {
			on := day("2024-06-03").AddDays(d).String()
			w.check(on+"T07:50:00Z", 93_90)
			w.measured(on+"T08:00:00Z", on+"T18:00:00Z")
			w.check(on+"T18:05:00Z", 93_90)
		}
	}
	if v := calibration.Decide(w.Facts); v.Outcome != calibration.Valid || len(v.Series) != 50 {
		b.Fatalf("%d series are %s: %s", len(v.Series), v.Outcome, v.Why())
	}
	for b.Loop() {
		calibration.Decide(w.Facts)
	}
}
