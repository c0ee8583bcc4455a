package summary_test

import (
	"testing"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
)

// yearOfHours is a request for a year in steps of an hour, with indices.
func yearOfHours(b *testing.B) (summary.Request, summary.Header) {
	vienna := zone(b, "Europe/Vienna")
	r := request(vienna)
	from, to := time.Date(2026, 1, 1, 0, 0, 0, 0, vienna), time.Date(2027, 1, 1, 0, 0, 0, 0, vienna)
	r.From, r.To, r.Step = &from, &to, time.Hour
	h := summary.Header{Quantity: quantity(b, "LAF"), Interval: time.Second, Extent: series.Span{From: from, To: to}}
	return r, h
}

func BenchmarkPlanYear(b *testing.B) {
	r, h := yearOfHours(b)
	for b.Loop() {
		p, err := summary.PlanFor(r, h)
		if err != nil || len(p.Ask.Cells) != 8760 {
			b.Fatal(err, len(p.Ask.Cells))
		}
	}
}

func BenchmarkOfYear(b *testing.B) {
	r, h := yearOfHours(b)
	p, err := summary.PlanFor(r, h)
	if err != nil {
		b.Fatal(err)
	}
	a := series.Answer{Tallies: make([]series.Tally, len(p.Ask.Cells)), Histograms: make([]series.Histogram, p.Ask.Groups)}
	for i := range a.Tallies {
		l := acoustic.Level(50_00 + i%24*100)
		a.Tallies[i] = series.Tally{Count: 3600, Energy: acoustic.EnergyOf(l).Times(3600), Min: l, Max: l}
	}
	a.Histograms[0].Bins = []series.Bin{{Level: 60_00, Count: 8760 * 3600}}
	for b.Loop() {
		if s := summary.Of(p, a); s.Steps.Len() != 8760 || len(s.Indices) != 4 {
			b.Fatal(s.Steps.Len(), s.Unavailable)
		}
	}
}
