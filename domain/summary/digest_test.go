package summary_test

import (
	"encoding/hex"
	"testing"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
)

// Each thing that a figure rests on changes the digest; how samples were cut into runs does not.
func TestDigest(t *testing.T) {
	t.Parallel()
	start := time.Date(2026, 3, 3, 6, 0, 0, 0, time.UTC)
	const interval = time.Second
	facts := func() series.Facts {
		f := series.Facts{Series: series.Series{ID: uuid.MustParse("00000000-0000-7000-8000-000000000001"), Quantity: "LAF", IntervalUS: interval.Microseconds()}}
		f.Content.Extent = series.Span{From: start, To: start.Add(600 * interval)}
		return f
	}
	levels := func() []acoustic.Level {
		ls := make([]acoustic.Level, 600)
		for i := range ls {
			ls[i] = acoustic.Level(50_00 + i%7*100)
		}
		return ls
	}
	request := func() summary.Request {
		return summary.Request{
			Zone: time.UTC, Step: time.Minute, Percentiles: []series.Percent{90_000}, Periods: acoustic.DefaultPeriods, MinCoverage: 0.75,
		}
	}
	digest := func(engine string, r summary.Request, f series.Facts, runs []series.Run) string {
		t.Helper()
		q, _ := series.ParseQuantity(f.Series.Quantity)
		p, err := summary.PlanFor(r, summary.Header{SeriesID: f.Series.ID, Quantity: q, Interval: interval, Extent: f.Content.Extent})
		if err != nil {
			t.Fatal(err)
		}
		more := series.Ask{Cells: []series.Cell{{Span: series.Span{From: start, To: start.Add(300 * interval)}, Group: -1}}}
		asks := []series.Ask{p.Ask, more}
		d := summary.NewDigest(engine, r)
		d.Series(f, asks, []series.Answer{series.Collect(runs, interval, p.Ask), series.Collect(runs, interval, more)})
		return hex.EncodeToString(d.Sum())
	}
	whole := []series.Run{{Start: start, Levels: levels()}}
	first := digest("e", request(), facts(), whole)
	cut := []series.Run{{Start: start, Levels: levels()[:77]}, {Start: start.Add(77 * interval), Levels: levels()[77:]}}
	if again := digest("e", request(), facts(), cut); again != first {
		t.Errorf("cut elsewhere: %s; want %s", again, first)
	}

	seen := map[string]string{first: "as it was"}
	differs := func(what, d string) {
		t.Helper()
		if was, ok := seen[d]; ok {
			t.Errorf("%s: the digest is that of %q", what, was)
		}
		seen[d] = what
	}
	differs("another engine", digest("f", request(), facts(), whole))
	for what, change := range map[string]func(*summary.Request){
		"step":              func(r *summary.Request) { r.Step = 2 * time.Minute },
		"step percentiles":  func(r *summary.Request) { r.StepPercentiles = []series.Percent{10_000} },
		"percentiles":       func(r *summary.Request) { r.Percentiles = []series.Percent{95_000} },
		"zone":              func(r *summary.Request) { r.Zone = time.FixedZone("away", 3600) },
		"penalty":           func(r *summary.Request) { r.Periods, _ = acoustic.PeriodSetNamed("cnel_times_3") },
		"coverage":          func(r *summary.Request) { r.MinCoverage = 0.5 },
		"from":              func(r *summary.Request) { r.From = new(start.Add(time.Second)) },
		"ignore exclusions": func(r *summary.Request) { r.IgnoreExclusions = true },
	} {
		r := request()
		change(&r)
		differs(what, digest("e", r, facts(), whole))
	}
	for what, change := range map[string]func(*series.Facts){
		"id":       func(f *series.Facts) { f.Series.ID = uuid.MustParse("00000000-0000-7000-8000-000000000002") },
		"quantity": func(f *series.Facts) { f.Series.Quantity = "LAS" },
		"floor":    func(f *series.Facts) { f.Series.RangeFromDB = new(acoustic.Level(24_00)) },
		"ceiling":  func(f *series.Facts) { f.Series.RangeToDB = new(acoustic.Level(24_00)) },
		"residual": func(f *series.Facts) { f.Series.Residual = true },
		"lowest":   func(f *series.Facts) { f.Content.Lowest = 1 },
		"exclusion": func(f *series.Facts) {
			f.Exclusions = []series.Exclusion{{StartsAt: start, EndsAt: start.Add(time.Hour)}}
		},
		"residual span": func(f *series.Facts) {
			f.Exclusions = []series.Exclusion{{StartsAt: start, EndsAt: start.Add(time.Hour), Residual: true}}
		},
		"band": func(f *series.Facts) { f.Series.BandFraction, f.Series.BandNominalHz = new(3), new(125.) },
	} {
		f := facts()
		change(&f)
		differs(what, digest("e", request(), f, whole))
	}
	louder := levels()
	louder[400]++ // beyond what is asked a second time
	differs("one sample by 0.01 dB", digest("e", request(), facts(), []series.Run{{Start: start, Levels: louder}}))
	swapped := levels()
	swapped[0], swapped[1] = swapped[1], swapped[0]
	if digest("e", request(), facts(), []series.Run{{Start: start, Levels: swapped}}) != first {
		t.Error("samples of one step in another order: nothing that is computed here depends on it")
	}
}
