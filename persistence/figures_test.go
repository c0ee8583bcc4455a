package persistence

import (
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
)

// TestStoredFigures compares the figures of stored samples, with gaps, flags and stored
// exclusions, with sums in floating point over one sample after another: levels of energy
// to 1e-9 dB, all else exactly. The first answer is of blocks, the second of the aggregates
// that it left. Clocks change within the time.
func TestStoredFigures(t *testing.T) {
	t.Parallel()
	b := newSamplesBedIn(t, "Europe/Vienna")
	zone := ok(time.LoadLocation("Europe/Vienna"))(t)
	spring := time.Date(2016, 3, 26, 5, 0, 0, 0, time.UTC) // the clock is set forward on the 27th
	rapid.Check(t, func(t *rapid.T) {
		interval := rapid.SampledFrom([]time.Duration{10 * time.Second, 30 * time.Second, time.Minute, 15 * time.Minute}).Draw(t, "interval")
		at := spring.Add(time.Duration(rapid.IntRange(0, 3000).Draw(t, "start")) * time.Second)
		start := at
		var runs []series.Run
		for range rapid.IntRange(1, 5).Draw(t, "runs") {
			n := rapid.IntRange(1, int(20*time.Hour/interval)).Draw(t, "length")
			runs = append(runs, series.Run{Start: at, Levels: noise(rapid.Uint64().Draw(t, "seed"), n, 1, rapid.SampledFrom([]int{0, 5, 200}).Draw(t, "flags"))})
			at = at.Add(time.Duration(n)*interval + time.Duration(rapid.IntRange(1, 9000).Draw(t, "gap"))*time.Second)
		}
		h := b.series(t, interval, runs...)
		for range rapid.IntRange(0, 5).Draw(t, "exclusions") {
			from := start.Add(time.Duration(rapid.IntRange(0, 100*3600).Draw(t, "from")) * time.Second)
			x := series.Exclusion{SeriesID: h.ID, StartsAt: from, EndsAt: from.Add(time.Duration(rapid.IntRange(1, 4*3600).Draw(t, "lasting")) * time.Second), Reason: "invented"}
			ok(b.store.CreateExclusion(b.ctx, x))(t)
		}
		r := summary.Request{
			From: new(start.Add(time.Duration(rapid.IntRange(-3600, 3600).Draw(t, "asked from")) * time.Second)),
			To:   new(start.Add(time.Duration(rapid.IntRange(3601, 90*3600).Draw(t, "asked to")) * time.Second)),
			Zone: zone, Step: rapid.SampledFrom([]time.Duration{time.Hour, 24 * time.Hour}).Draw(t, "step"),
			Percentiles: []series.Percent{10_000, 50_000, 90_000}, StepPercentiles: []series.Percent{50_000}, Periods: acoustic.DefaultPeriods,
		}
		for range 2 {
			var want tried
			var plan summary.Plan
			answer := ok(b.store.CollectSeries(b.ctx, h.ID, series.Span{From: *r.From, To: *r.To}, func(f series.Facts) (series.Ask, error) {
				q, _ := series.ParseQuantity(f.Series.Quantity)
				header := summary.Header{SeriesID: h.ID, Quantity: q, Interval: interval, Extent: f.Content.Extent}
				if f.Content.Numbers > 0 {
					header.Lowest, header.Highest = &f.Content.Lowest, &f.Content.Highest
				}
				for _, x := range f.Exclusions {
					header.Exclusions = append(header.Exclusions, series.Span{From: x.StartsAt, To: x.EndsAt})
				}
				want = try(r, header, runs)
				var err error
				plan, err = summary.PlanFor(r, header)
				return plan.Ask, err
			}))(t)
			s := summary.Of(plan, answer)
			want.total.compare(t, "whole", s.Levels, r.Percentiles)
			if n := s.Samples + s.UnderRange + s.OverRange; n != int64(len(want.total.levels)) {
				t.Fatalf("%d samples; want %d", n, len(want.total.levels))
			}
			if s.Excluded != want.excluded {
				t.Fatalf("excluded %v; want %v", s.Excluded, want.excluded)
			}
			for i, p := range s.Periods {
				if of := want.periods[i]; p.Measured != time.Duration(len(of.levels))*interval {
					t.Fatalf("%s measured for %v; want %v", p.Symbol, p.Measured, time.Duration(len(of.levels))*interval)
				} else if f, found := levelOf(s.Indices, p.Symbol); found {
					of.mean(t, p.Symbol, f)
				}
			}
			for i := range s.Steps.Len() {
				st := s.Steps.At(i, summary.Step{})
				of := want.steps[st.From.UnixMicro()]
				if of == nil {
					of = &heap{}
				}
				if st.Samples != int64(len(of.levels)) {
					t.Fatalf("step from %v: %d samples; want %d", st.From, st.Samples, len(of.levels))
				}
				of.compare(t, st.From.Format(time.RFC3339), st.Levels, r.StepPercentiles)
			}
		}
	})
}

// tried is what samples come to, one after another.
type tried struct {
	total    heap
	periods  [3]heap
	steps    map[int64]*heap // by the microsecond of Unix time in which they begin
	excluded time.Duration
}

// heap is samples that count together.
type heap struct {
	header *summary.Header
	levels []acoustic.Level
}

func try(r summary.Request, h summary.Header, runs []series.Run) tried {
	w := tried{steps: map[int64]*heap{}}
	w.total.header = &h
	excluded := func(at time.Time) bool {
		return slices.ContainsFunc(h.Exclusions, func(s series.Span) bool { return !at.Before(s.From) && at.Before(s.To) })
	}
	for at := *r.From; at.Before(*r.To); at = at.Add(time.Second) {
		if excluded(at) {
			w.excluded += time.Second
		}
	}
	for _, run := range runs {
		for i, l := range run.Levels {
			at := run.Start.Add(time.Duration(i) * h.Interval)
			if at.Before(*r.From) || !at.Before(*r.To) || excluded(at) {
				continue
			}
			local := at.In(r.Zone)
			period, begins := 2, time.Date(local.Year(), local.Month(), local.Day(), 7, 0, 0, 0, r.Zone)
			switch {
			case local.Hour() >= 7 && local.Hour() < 19:
				period = 0
			case local.Hour() >= 19 && local.Hour() < 23:
				period = 1
			}
			if local.Hour() < 7 { // the night of the day before
				begins = time.Date(local.Year(), local.Month(), local.Day()-1, 7, 0, 0, 0, r.Zone)
			}
			if r.Step == time.Hour { // the zone lies whole hours from UTC
				begins = at.Truncate(time.Hour)
			}
			if begins.Before(*r.From) {
				begins = *r.From
			}
			step := w.steps[begins.UnixMicro()]
			if step == nil {
				step = &heap{header: &h}
				w.steps[begins.UnixMicro()] = step
			}
			w.periods[period].header = &h
			for _, of := range []*heap{&w.total, &w.periods[period], step} {
				of.levels = append(of.levels, l)
			}
		}
	}
	return w
}

func levelOf(fs []summary.Figure, symbol string) (summary.Figure, bool) {
	i := slices.IndexFunc(fs, func(f summary.Figure) bool { return f.Symbol == symbol })
	if i < 0 {
		return summary.Figure{}, false
	}
	return fs[i], true
}

// compare reports figures that are not those of the samples.
func (h *heap) compare(t fataler, name string, got []summary.Figure, percentiles []series.Percent) {
	t.Helper()
	if len(h.levels) == 0 {
		if len(got) > 0 {
			t.Fatal(name, "has figures without samples")
		}
		return
	}
	if f, found := levelOf(got, "LAeq"); found {
		h.mean(t, name, f)
	} else if h.header.Lowest != nil {
		t.Fatal(name, "has no LAeq")
	}
	sorted := slices.Sorted(slices.Values(h.levels)) // flags sort below and above all numbers
	slices.Reverse(sorted)
	n := len(sorted)
	for _, p := range percentiles {
		f, found := levelOf(got, "LAF"+map[series.Percent]string{10_000: "10", 50_000: "50", 90_000: "90"}[p])
		if enough := float64(n)*float64(min(p, 100_000-p))/100_000 >= 5; found != (enough && h.header.Lowest != nil) {
			t.Fatal(name, p, "is given or not:", found, "of", n)
		}
		if found {
			h.exactly(t, name, f, sorted[min(n*int(p)/100_000, n-1)])
		}
	}
	if f, found := levelOf(got, "LAFmax"); found {
		h.exactly(t, name, f, sorted[0])
	}
	if f, found := levelOf(got, "LAFmin"); found {
		h.exactly(t, name, f, sorted[n-1])
	}
}

// exactly reports a figure that is not the level of a sample, flagged ones beyond the range.
func (h *heap) exactly(t fataler, name string, f summary.Figure, l acoustic.Level) {
	t.Helper()
	same := func(d *acoustic.Decibel, l acoustic.Level) bool { return d != nil && *d == l.Decibel() }
	right := same(f.Level, l) && f.Below == nil && f.Above == nil
	switch l {
	case series.UnderRange:
		right = same(f.Below, *h.header.Lowest) && f.Level == nil
	case series.OverRange:
		right = same(f.Above, *h.header.Highest) && f.Level == nil
	}
	if !right {
		t.Fatal(name, f.Symbol, f.Level, f.Below, f.Above, "of", l)
	}
}

// mean reports an equivalent level that is not that of the samples, or not the bound that it is.
func (h *heap) mean(t fataler, name string, f summary.Figure) {
	t.Helper()
	power := func(l acoustic.Level) float64 { return math.Pow(10, float64(l)/1000) }
	low, high, over := 0.0, 0.0, slices.Contains(h.levels, series.OverRange)
	for _, l := range h.levels {
		switch {
		case l == series.OverRange:
			low += power(*h.header.Highest)
		case l != series.UnderRange:
			low, high = low+power(l), high+power(l)
		case !over:
			high += power(*h.header.Lowest)
		}
	}
	level := func(sum float64) float64 { return 10 * math.Log10(sum/float64(len(h.levels))) }
	want, bound := level(high), summary.Bound("")
	switch {
	case over:
		want, bound = level(low), summary.Lower
	case level(high)-level(low) >= 0.05:
		bound = summary.Upper
	}
	if f.Level == nil || !(math.Abs(float64(*f.Level)-want) <= 1e-9) || f.Bound != bound {
		t.Fatal(name, f.Symbol, f.Level, f.Bound, "want", want, bound)
	}
	if bound == summary.Upper && low > 0 && !(math.Abs(float64(*f.Lowest)-level(low)) <= 1e-9) {
		t.Fatal(name, "is at least", *f.Lowest, "want", level(low))
	}
}
