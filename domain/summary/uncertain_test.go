package summary_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
	"leveltrail/domain/uncertainty"
)

// wander makes levels that go like AR(1) with a correlation time in samples.
func wander(seed uint64, n int, correlation, spread float64) []acoustic.Level {
	rng := rand.New(rand.NewPCG(seed, seed))
	phi := math.Exp(-1 / correlation)
	x := spread * rng.NormFloat64()
	levels := make([]acoustic.Level, n)
	for i := range levels {
		levels[i] = acoustic.Level(math.Round(100 * (50 + x)))
		x = phi*x + spread*math.Sqrt(1-phi*phi)*rng.NormFloat64()
	}
	return levels
}

// doubted makes a summary with uncertainties.
func (l *log) doubted(t *testing.T, r summary.Request) (summary.Summary, summary.Doubt) {
	t.Helper()
	p, err := summary.PlanFor(r, l.header)
	if err != nil {
		t.Fatal(err)
	}
	a := series.Collect(l.runs, l.header.Interval, p.Ask)
	s := summary.Of(p, a)
	d := summary.DoubtOf(&p)
	d.Doubted(&s, a, series.Collect(l.runs, l.header.Interval, d.Ask))
	return s, d
}

// A short series gives what its samples give directly, whatever its cells.
func TestDoubtOfSamples(t *testing.T) {
	t.Parallel()
	levels := wander(1, 7200, 10, 3)
	l := newLog(t, "LAF", time.Second).addRun(noon, levels[:3000])
	l.addRun(noon.Add(4000*time.Second), levels[4000:])
	s, d := l.doubted(t, request(time.UTC))
	if !d.Ask.Keep || d.Ask.Groups != 0 {
		t.Errorf("asked are %d groups, the samples themselves: %v; want those alone", d.Ask.Groups, d.Ask.Keep)
	}
	direct := uncertainty.NewStream(time.Second, true)
	for _, r := range l.runs {
		direct.Add(r)
	}
	same := func(name string, got *summary.Estimated, want uncertainty.Estimate, why string) {
		t.Helper()
		if got == nil || got.Estimate != want || got.Reason != why || why != "" || want.Standard <= 0 {
			t.Errorf("%s: %+v; want %+v %s", name, got, want, why)
		}
	}
	f, _ := level(s.Levels, "LAeq")
	e, why := direct.SamplingOfMean()
	same("sampling", f.Sampling, e, why)
	e, why = direct.OfMean()
	same("representativity", f.Representativity, e, why)
	f, _ = level(s.Levels, "LAF90")
	e, why = direct.OfExceedance(90_000)
	same("representativity of LAF90", f.Representativity, e, why)
	e, why = uncertainty.SamplingOfExceedance(l.runs, time.Second, 90_000)
	same("sampling of LAF90", f.Sampling, e, why)
	if f, _ := level(s.Levels, "LAFmax"); f.Sampling != nil || f.Representativity != nil {
		t.Error("a maximum has an uncertainty from samples")
	}
}

// A long series is cut into few stretches and decodes nothing of whole days.
func TestDoubtOfStretches(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		days  int
		whole time.Duration // every stretch but the first and last is of this
	}{{3, 15 * time.Minute}, {10, 30 * time.Minute}, {70, 24 * time.Hour}} {
		interval := 2 * time.Second
		n := tt.days * 24 * 1800
		start := noon.Add(17 * time.Minute)
		l := newLog(t, "LAS", interval).addRun(start, wander(2, n, 30, 3))
		s, d := l.doubted(t, request(time.UTC))
		if len(d.Ask.Cells) > 520 || d.Ask.Groups == 0 || d.Ask.Groups > 513 {
			t.Fatalf("%d days: %d cells, %d groups", tt.days, len(d.Ask.Cells), d.Ask.Groups)
		}
		for _, c := range d.Ask.Cells[1 : len(d.Ask.Cells)-1] {
			if c.To.Sub(c.From) != tt.whole || !c.From.Equal(c.From.Truncate(tt.whole)) {
				t.Fatalf("%d days: a stretch of %v from %v; want %v", tt.days, c.To.Sub(c.From), c.From, tt.whole)
			}
		}
		f, _ := level(s.Levels, "LAeq")
		// Of AR(1) levels: V = Σ v²ᵐ/m!·2τ/m over the time, as a share of the squared mean.
		v := 3 * math.Ln10 / 10
		relative := 0.0
		for m, term := 1.0, 1.0; m < 20; m++ {
			term *= v * v / m
			relative += term * 2 * 30 / m / float64(n)
		}
		want := 10 / math.Ln10 * math.Sqrt(relative)
		if f.Representativity.Reason != "" || math.Abs(float64(f.Representativity.Standard)/want-1) > 0.35 {
			t.Errorf("%d days: %+v; want %.4f", tt.days, f.Representativity, want)
		}
		if f.Sampling.Reason != "" || !f.Sampling.AtMost || f.Sampling.Standard > 0.05 || f.Sampling.Standard <= 0 {
			t.Errorf("%d days: sampling %+v", tt.days, f.Sampling)
		}
		f, _ = level(s.Levels, "LAS90")
		if f.Representativity.Reason != "" || f.Sampling.Reason != "" || f.Sampling.Standard > f.Representativity.Standard {
			t.Errorf("%d days: LAS90 %+v, %+v", tt.days, f.Sampling, f.Representativity)
		}
	}
}

// The stretches of a long series are days of the zone, which aggregates are kept of, also
// where the clock is set forward among them.
func TestDoubtOfLocalDays(t *testing.T) {
	t.Parallel()
	vienna, err := time.LoadLocation("Europe/Vienna")
	if err != nil {
		t.Fatal(err)
	}
	start := time.Date(2026, 2, 20, 7, 0, 0, 0, vienna)
	l := newLog(t, "LAS", 15*time.Second).addRun(start.UTC(), wander(5, 70*24*240, 30, 3))
	_, d := l.doubted(t, request(vienna))
	if len(d.Ask.Cells) != 71 {
		t.Fatalf("%d cells; want 71, the first and the last in part", len(d.Ask.Cells))
	}
	for i, c := range d.Ask.Cells[1:] {
		if want := time.Date(2026, 2, 21+i, 0, 0, 0, 0, vienna); !c.From.Equal(want) {
			t.Fatalf("a stretch begins at %v; want %v", c.From, want)
		}
	}
}

// What the meter integrates has no gaps; spot readings and peaks have no such uncertainty.
func TestDoubtByKind(t *testing.T) {
	t.Parallel()
	s, _ := newLog(t, "LAeq", time.Second).addRun(noon, wander(3, 7200, 5, 3)).doubted(t, request(time.UTC))
	if f, _ := level(s.Levels, "LAeq"); f.Sampling != nil || f.Representativity == nil || f.Representativity.Standard <= 0 {
		t.Errorf("integrated: %+v", f)
	}
	for _, l := range []*log{newLog(t, "LAF", 0).add(noon, 60, 50_00), newLog(t, "LCpeak", time.Second).add(noon, 600, 90_00)} {
		s, d := l.doubted(t, request(time.UTC))
		if len(d.Ask.Cells) != 0 {
			t.Errorf("%s: %d cells are asked", l.header.Quantity.Symbol, len(d.Ask.Cells))
		}
		for _, f := range s.Levels {
			if f.Sampling != nil || f.Representativity != nil {
				t.Errorf("%s has an uncertainty", f.Symbol)
			}
		}
	}
	s, _ = newLog(t, "LAF", time.Second).addRun(noon, wander(4, 900, 300, 5)).doubted(t, request(time.UTC))
	if f, _ := level(s.Levels, "LAeq"); f.Representativity == nil || f.Representativity.Reason == "" {
		t.Errorf("three samples' worth: %+v", f.Representativity)
	}
}
