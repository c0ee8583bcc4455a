package summary_test

import (
	"testing"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
)

// What of a span is not asked is missed by no coverage, and its samples count towards nothing.
func TestWithin(t *testing.T) {
	t.Parallel()
	start := time.Date(2026, 3, 3, 6, 0, 0, 0, time.UTC)
	hours := func(from, to int) series.Span {
		return series.Span{From: start.Add(time.Duration(from) * time.Hour), To: start.Add(time.Duration(to) * time.Hour)}
	}
	run := series.Run{Start: start, Levels: make([]acoustic.Level, 10*60)}
	for i := range run.Levels {
		run.Levels[i] = 50_00
		if i >= 3*60 {
			run.Levels[i] = 80_00
		}
	}
	q, _ := series.ParseQuantity("LAeq")
	for _, tt := range []struct {
		name     string
		within   []series.Span
		coverage float64
		level    acoustic.Decibel
	}{
		{"measured in full", []series.Span{hours(0, 3)}, 1, 50},
		{"half of it measured", []series.Span{hours(1, 2), hours(12, 13)}, 0.5, 50},
		{"in two parts, the later first", []series.Span{hours(5, 6), hours(4, 5)}, 1, 80},
		{"overlapping", []series.Span{hours(4, 6), hours(5, 7)}, 1, 80},
	} {
		r := summary.Request{Zone: time.UTC, Within: tt.within}
		r.Asked = &series.Span{From: start, To: start.Add(13 * time.Hour)}
		p, err := summary.PlanFor(r, summary.Header{Quantity: q, Interval: time.Minute, Extent: hours(0, 10)})
		if err != nil {
			t.Fatal(err)
		}
		s := summary.Of(p, series.Collect([]series.Run{run}, time.Minute, p.Ask))
		if f := s.Levels[0]; *s.Coverage != tt.coverage || float64(*f.Level-tt.level) > 1e-9 || float64(tt.level-*f.Level) > 1e-9 {
			t.Errorf("%s: %v of %v measured; want %v of %v", tt.name, *f.Level, *s.Coverage, tt.level, tt.coverage)
		}
	}
}
