package persistence

import (
	"testing"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/series/signal"
	"leveltrail/domain/summary"
)

// BenchmarkFigures asks the figures of a year of seconds and of one of its local days, with a profile of hours, as they are planned, read and made.
func BenchmarkFigures(b *testing.B) {
	bed := newSamplesBedIn(b, "Europe/Vienna")
	start := time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)
	h := bed.series(b, time.Second, series.Run{Start: start, Levels: signal.Levels(1, start, time.Second, 10, 365*86_400)})
	zone := ok(time.LoadLocation("Europe/Vienna"))(b)
	local := time.Date(2025, 7, 1, 0, 0, 0, 0, zone)
	for _, s := range []struct {
		name string
		series.Span
	}{
		{"year", series.Span{From: start, To: start.AddDate(0, 0, 365)}},
		{"day", series.Span{From: local, To: local.AddDate(0, 0, 1)}},
	} {
		r := summary.Request{
			From: &s.From, To: &s.To, Zone: zone, Step: time.Hour, Percentiles: []series.Percent{10_000, 50_000, 90_000},
			Periods: acoustic.DefaultPeriods, MinCoverage: summary.DefaultMinCoverage,
		}
		figures := func() summary.Summary {
			var plan summary.Plan
			a, err := bed.store.CollectSeries(bed.ctx, h.ID, s.Span, func(f series.Facts) (_ series.Ask, err error) {
				q, _ := series.ParseQuantity(f.Series.Quantity)
				plan, err = summary.PlanFor(r, summary.Header{SeriesID: h.ID, Quantity: q, Interval: time.Second, Extent: f.Content.Extent})
				return plan.Ask, err
			})
			ok(a, err)(b)
			return summary.Of(plan, a)
		}
		figures()
		b.Run(s.name, func(b *testing.B) {
			for b.Loop() {
				figures()
			}
		})
	}
}
