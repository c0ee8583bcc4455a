package signal_test

import (
	"slices"
	"testing"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/series/signal"
)

var midnight = time.Date(2026, 3, 3, 0, 0, 0, 0, time.UTC)

func TestLevels(t *testing.T) {
	for _, step := range []acoustic.Level{1, 10} {
		day := signal.Levels(1, midnight, time.Second, step, 86_400)
		if !slices.Equal(day, signal.Levels(1, midnight, time.Second, step, 86_400)) {
			t.Error("the same seed gave other levels")
		}
		if slices.Equal(day, signal.Levels(2, midnight, time.Second, step, 86_400)) {
			t.Error("another seed gave the same levels")
		}
		var fine bool
		for _, l := range day {
			if l < 20_00 || l > 120_00 || l%step != 0 {
				t.Fatalf("level %v", l)
			}
			fine = fine || l%10 != 0
		}
		if fine != (step == 1) {
			t.Errorf("step %d: levels finer than 0.1 dB: %v", step, fine)
		}
	}
}

// Pieces filled one after another are the whole, and the night is quieter.
func TestFill(t *testing.T) {
	s := signal.New(1, midnight, time.Second, 10)
	var pieces []acoustic.Level
	for range 24 {
		hour := make([]acoustic.Level, 3600)
		s.Fill(hour)
		pieces = append(pieces, hour...)
	}
	if !slices.Equal(pieces, signal.Levels(1, midnight, time.Second, 10, 86_400)) {
		t.Error("pieces differ from the whole")
	}
	night, day := series.TallyOf(pieces[2*3600:5*3600]), series.TallyOf(pieces[14*3600:17*3600])
	n, _ := night.Energy.Mean(night.Count)
	d, _ := day.Energy.Mean(day.Count)
	if d-n < 6 || day.Max-day.Min < 10_00 {
		t.Errorf("night %.1f, day %.1f dB, day from %v to %v", n, d, day.Min, day.Max)
	}
}
