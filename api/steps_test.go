package api

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
)

// TestStepsAreJSON: the JSON of steps written at once is that of their values, byte for byte.
func TestStepsAreJSON(t *testing.T) {
	start := time.Date(2026, 6, 10, 5, 0, 0, 250_000_000, time.UTC)
	rapid.Check(t, func(t *rapid.T) {
		q, _ := series.ParseQuantity(rapid.SampledFrom([]string{"LAF", "LAeq", "LAFmax", "LCpeak", "wind_speed"}).Draw(t, "quantity"))
		interval := rapid.SampledFrom([]time.Duration{0, time.Second, time.Minute}).Draw(t, "interval")
		var runs []series.Run
		at := start
		for range rapid.IntRange(0, 6).Draw(t, "runs") {
			at = at.Add(time.Duration(rapid.IntRange(1, 7_000_000).Draw(t, "pause")) * time.Millisecond)
			n := 1
			if interval > 0 {
				n = rapid.IntRange(1, 3000).Draw(t, "samples")
			}
			from := rapid.IntRange(-5000, 12_000).Draw(t, "from")
			spread := rapid.IntRange(1, 400).Draw(t, "spread")
			r := series.Run{Start: at}
			for i := range n {
				r.Levels = append(r.Levels, acoustic.Level(from+i%spread))
			}
			flag := rapid.SampledFrom([]acoustic.Level{series.UnderRange, series.OverRange}).Draw(t, "flag")
			for i := range rapid.IntRange(0, n).Draw(t, "flagged") {
				r.Levels[i] = flag
			}
			runs = append(runs, r)
			at = at.Add(time.Duration(n) * interval)
		}
		h := summary.Header{Quantity: q, Interval: interval}
		if len(runs) > 0 {
			h.Extent = series.Span{From: runs[0].Start, To: at}
		}
		if rapid.Bool().Draw(t, "declared") {
			h.Floor, h.Ceiling = new(acoustic.Level(60_00)), new(acoustic.Level(130_05))
		}
		to := start.Add(72 * time.Hour)
		percents := []series.Percent{10_000, 99_900}
		plan, err := summary.PlanFor(summary.Request{
			From: &start, To: &to, Zone: time.UTC, Percentiles: percents, StepPercentiles: percents, Periods: acoustic.DefaultPeriods,
			Step: rapid.SampledFrom([]time.Duration{0, 20 * time.Minute, time.Hour, 24 * time.Hour}).Draw(t, "step"),
		}, h)
		if err != nil {
			t.Fatal(err)
		}
		made := summary.Of(plan, series.Collect(runs, interval, plan.Ask))
		if rapid.Bool().Draw(t, "doubted") {
			d := summary.StepDoubtOf(&plan)
			d.Doubted(&made, series.Collect(runs, interval, d.Ask))
		}
		profile := made.Steps
		values := make([]Step, profile.Len())
		for i := range values {
			values[i] = stepOf(profile.At(i, summary.Step{}))
		}
		want, err := json.Marshal([]Summary{{Steps: []Step{}}, {Steps: values}})
		if err != nil {
			t.Fatal(err)
		}
		got, err := withSteps([]Summary{{Steps: []Step{}}, {Steps: []Step{}}}, []summary.Profile{{}, profile})
		if diff := cmp.Diff(string(want), string(got)); err != nil || diff != "" {
			t.Errorf("%v (-values +at once):\n%s", err, diff)
		}
	})
}

func stepOf(st summary.Step) Step {
	s := Step{From: st.From, To: st.To, Samples: st.Samples, Coverage: share(st.Coverage), Levels: bySymbol(st.Levels, figureOf)}
	if len(st.Indices) > 0 {
		s.Indices = bySymbol(st.Indices, figureOf)
	}
	if len(st.Unavailable) > 0 {
		s.Unavailable = unavailableOf(st.Unavailable)
	}
	return s
}
