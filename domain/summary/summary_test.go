package summary_test

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
)

// zone returns a time zone, which must exist.
func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// quantity returns the quantity of a symbol.
func quantity(t testing.TB, symbol string) series.Quantity {
	t.Helper()
	q, ok := series.ParseQuantity(symbol)
	if !ok {
		t.Fatalf("no quantity %q", symbol)
	}
	return q
}

// log is a series as a test makes it up.
type log struct {
	header summary.Header
	runs   []series.Run
}

// newLog returns an empty series.
func newLog(t testing.TB, symbol string, interval time.Duration) *log {
	return &log{header: summary.Header{Quantity: quantity(t, symbol), Interval: interval}}
}

// add appends n samples of one level or flag from a time on.
func (l *log) add(from time.Time, n int, level acoustic.Level) *log {
	levels := make([]acoustic.Level, n)
	for i := range levels {
		levels[i] = level
	}
	return l.addRun(from, levels)
}

// hold appends samples of one level from one time to another.
func (l *log) hold(from, to time.Time, level acoustic.Level) *log {
	return l.add(from, int(to.Sub(from)/l.header.Interval), level)
}

// addRun appends a run and keeps the header true to it.
func (l *log) addRun(from time.Time, levels []acoustic.Level) *log {
	h := &l.header
	from = from.UTC()
	if h.Interval == 0 {
		for i, v := range levels {
			l.runs = append(l.runs, series.Run{Start: from.Add(time.Duration(i) * time.Minute), Levels: []acoustic.Level{v}})
		}
	} else {
		l.runs = append(l.runs, series.Run{Start: from, Levels: levels})
	}
	if h.Extent.From.IsZero() {
		h.Extent.From = from
	}
	last := l.runs[len(l.runs)-1]
	h.Extent.To = last.Start.Add(time.Duration(len(last.Levels)) * h.Interval)
	for _, v := range levels {
		if v == series.UnderRange || v == series.OverRange {
			continue
		}
		if h.Lowest == nil || v < *h.Lowest {
			h.Lowest = new(v)
		}
		if h.Highest == nil || v > *h.Highest {
			h.Highest = new(v)
		}
	}
	return l
}

// summarize plans, collects and makes the figures.
func (l *log) summarize(t testing.TB, r summary.Request) summary.Summary {
	t.Helper()
	p, err := summary.PlanFor(r, l.header)
	if err != nil {
		t.Fatal(err)
	}
	return summary.Of(p, series.Collect(l.runs, l.header.Interval, p.Ask))
}

// request returns what a plain GET asks, in a zone.
func request(z *time.Location) summary.Request {
	return summary.Request{
		Zone:        z,
		Percentiles: []series.Percent{10_000, 50_000, 90_000},
		Periods:     acoustic.DefaultPeriods,
		MinCoverage: summary.DefaultMinCoverage,
	}
}

// level returns a figure by its symbol.
func level(fs []summary.Figure, symbol string) (summary.Figure, bool) {
	for _, f := range fs {
		if f.Symbol == symbol {
			return f, true
		}
	}
	return summary.Figure{}, false
}

// wantLevel fails unless a figure is within tolerance of a level.
func wantLevel(t testing.TB, fs []summary.Figure, symbol string, want, tolerance float64) summary.Figure {
	t.Helper()
	f, ok := level(fs, symbol)
	switch {
	case !ok:
		t.Errorf("no %s; want %v", symbol, want)
	case f.Level == nil:
		t.Errorf("%s has no level; want %v", symbol, want)
	case !(math.Abs(float64(*f.Level)-want) <= tolerance): // also fails on NaN
		t.Errorf("%s = %v; want %v within %v", symbol, *f.Level, want, tolerance)
	}
	return f
}

// wantUnavailable fails unless a figure is missing for a reason.
func wantUnavailable(t testing.TB, s summary.Summary, symbol, reason string) {
	t.Helper()
	for _, fs := range [][]summary.Figure{s.Levels, s.Indices} {
		if f, ok := level(fs, symbol); ok {
			t.Errorf("%s = %v; want it unavailable: %s", symbol, f, reason)
		}
	}
	for _, u := range s.Unavailable {
		if u.Symbol == symbol {
			if u.Reason != reason {
				t.Errorf("%s is unavailable: %q; want %q", symbol, u.Reason, reason)
			}
			return
		}
	}
	t.Errorf("%s is not listed as unavailable; want %q", symbol, reason)
}

// coverage returns the coverage of a period.
func coverage(s summary.Summary, symbol string) float64 {
	for _, p := range s.Periods {
		if p.Symbol == symbol {
			return p.Coverage
		}
	}
	return math.NaN()
}

// stepsOf returns all steps, each in memory of its own.
func stepsOf(p summary.Profile) []summary.Step {
	steps := make([]summary.Step, p.Len())
	for i := range steps {
		steps[i] = p.At(i, summary.Step{})
	}
	return steps
}

// A step made in the memory of the one before is as one made alone, with fewer figures or more.
func TestStepsTakeMemory(t *testing.T) {
	t.Parallel()
	vienna := zone(t, "Europe/Vienna")
	begin := time.Date(2026, 6, 10, 7, 0, 0, 0, vienna)
	l := newLog(t, "LAF", time.Second).add(begin, 3600, 50_00).add(begin.Add(time.Hour), 3, 51_00).
		add(begin.Add(2*time.Hour), 1800, series.UnderRange).add(begin.Add(150*time.Minute), 2, series.OverRange).add(begin.Add(4*time.Hour), 3600, 52_00)
	r := request(vienna)
	r.Step, r.StepPercentiles = time.Hour, r.Percentiles
	s := l.summarize(t, r)
	means := s.Steps.Means()
	var st summary.Step
	for i, want := range stepsOf(s.Steps) {
		st = s.Steps.At(i, st)
		if diff := cmp.Diff(want, st, cmpopts.EquateEmpty()); diff != "" {
			t.Errorf("step %d (-alone +in turn):\n%s", i, diff)
		}
		if f, ok := level(want.Levels, "LAeq"); ok != !math.IsNaN(float64(means[i])) || ok && *f.Level != means[i] {
			t.Errorf("step %d has a mean of %v; want %v, %v", i, means[i], f.Level, ok)
		}
	}
}
