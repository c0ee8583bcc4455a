package summary_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/uncertainty"
)

// The level of each period has the uncertainty of its own samples, the index what that
// makes by propagation.
func TestDoubtOfPeriods(t *testing.T) {
	t.Parallel()
	const interval = 2 * time.Second
	start := time.Date(2026, 3, 3, 7, 0, 0, 0, time.UTC)
	levels := wander(4, 43200, 20, 3)
	l := newLog(t, "LAF", interval).addRun(start, levels)
	s, _ := l.doubted(t, request(time.UTC))
	hours := func(from, to int) (ls []acoustic.Level) { return levels[from*1800 : to*1800] }
	var squares float64
	index, ok := level(s.Indices, "Lden")
	if !ok {
		t.Fatalf("no Lden: %v", s.Unavailable)
	}
	for symbol, p := range map[string]struct {
		from, to int
		penalty  float64
	}{"Lday": {0, 12, 0}, "Levening": {12, 16, 5}, "Lnight": {16, 24, 10}} {
		direct := uncertainty.NewStream(interval, false)
		direct.Add(series.Run{Start: start.Add(time.Duration(p.from) * time.Hour), Levels: hours(p.from, p.to)})
		want, why := direct.OfMean()
		f, _ := level(s.Indices, symbol)
		if why != "" || f.Representativity == nil || f.Representativity.Estimate != want {
			t.Errorf("%s: %+v; want %+v %s", symbol, f.Representativity, want, why)
			continue
		}
		if gaps, why := direct.SamplingOfMean(); why != "" || f.Sampling == nil || f.Sampling.Estimate != gaps {
			t.Errorf("sampling of %s: %+v; want %+v %s", symbol, f.Sampling, gaps, why)
		}
		share := float64(p.to-p.from) / 24 * math.Pow(10, (float64(*f.Level)+p.penalty-float64(*index.Level))/10)
		squares += math.Pow(share*float64(want.Standard), 2)
	}
	if got := index.Representativity; got == nil || got.Reason != "" || math.Abs(float64(got.Standard)-math.Sqrt(squares)) > 1e-9 || got.Standard <= 0 {
		t.Errorf("Lden: %+v; want %v", got, math.Sqrt(squares))
	}

	// An evening that says too little of itself leaves the index without.
	few := newLog(t, "LAF", interval).addRun(start, append(append(append([]acoustic.Level{}, hours(0, 12)...), wander(5, 7200, 5000, 3)...), hours(16, 24)...))
	s, _ = few.doubted(t, request(time.UTC))
	index, _ = level(s.Indices, "Lden")
	if e := index.Representativity; e == nil || !strings.HasPrefix(e.Reason, "Levening: the effective sample size") {
		t.Errorf("with a slow evening: %+v; want a reason", e)
	}

	// Integrated levels have no gaps, and long series are done by stretches.
	long := newLog(t, "LAeq", interval)
	for day := range 3 {
		long.addRun(start.AddDate(0, 0, day), wander(uint64(day), 43200, 20, 3))
	}
	s, d := long.doubted(t, request(time.UTC))
	night, _ := level(s.Indices, "Lnight")
	if len(d.Ask.Cells) > 600 || night.Sampling != nil || night.Representativity == nil || night.Representativity.Reason != "" || night.Representativity.Standard <= 0 {
		t.Errorf("three days: %d cells, %+v", len(d.Ask.Cells), night.Representativity)
	}
}
