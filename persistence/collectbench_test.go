package persistence

import (
	"testing"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/series/signal"
	"leveltrail/domain/summary"
)

// BenchmarkFigures asks the figures of spans of a year of seconds with a profile of hours, as
// they are planned, read and made; alone, with the uncertainties of the span, and with those of its hours.
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
		{"month", series.Span{From: local, To: local.AddDate(0, 1, 0)}},
		{"day", series.Span{From: local, To: local.AddDate(0, 0, 1)}},
	} {
		r := summary.Request{
			From: &s.From, To: &s.To, Zone: zone, Step: time.Hour, Percentiles: []series.Percent{10_000, 50_000, 90_000},
			Periods: acoustic.DefaultPeriods, MinCoverage: summary.DefaultMinCoverage,
		}
		for _, with := range []string{"", ", uncertainties", ", uncertainties of the hours"} {
			figures := func() {
				var plan summary.Plan
				var doubt summary.Doubt
				var steps summary.StepDoubt
				answers := ok(bed.store.CollectAll(bed.ctx, h.ID, s.Span, func(f series.Facts) (asks []series.Ask, err error) {
					q, _ := series.ParseQuantity(f.Series.Quantity)
					plan, err = summary.PlanFor(r, summary.Header{SeriesID: h.ID, Quantity: q, Interval: time.Second, Extent: f.Content.Extent})
					asks = append(asks, plan.Ask)
					switch with {
					case ", uncertainties":
						doubt = summary.DoubtOf(&plan)
						asks = append(asks, doubt.Ask)
					case ", uncertainties of the hours":
						steps = summary.StepDoubtOf(&plan)
						asks = append(asks, steps.Ask)
					}
					return asks, err
				}))(b)
				of := summary.Of(plan, answers[0])
				switch with {
				case ", uncertainties":
					doubt.Doubted(&of, answers[0], answers[1])
				case ", uncertainties of the hours":
					steps.Doubted(&of, answers[1])
					var step summary.Step
					for i := range of.Steps.Len() {
						step = of.Steps.At(i, step)
					}
				}
			}
			figures()
			b.Run(s.name+with, func(b *testing.B) {
				for b.Loop() {
					figures()
				}
			})
		}
	}
}
