package main

import (
	"context"
	"fmt"
	"net/http"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
)

// load fills both sides with the long series. Their key is made after the rows, which is quicker and takes less room.
func (b *bench) load(ctx context.Context) (err error) {
	run := made(b.sizes.days, 10)
	empty, err := b.ours.onDisk(ctx)
	if err != nil {
		return err
	}
	if b.long, err = b.newSeries(ctx, b.ours); err != nil {
		return err
	}
	if _, _, err := b.ours.AppendSamples(everyone(ctx), b.long.ID, []series.Run{run}); err != nil {
		return err
	}
	if _, err := b.rows.Exec(ctx, `
		drop table written;
		drop table if exists reading;
		create table reading (series integer not null, at timestamptz not null, level real not null)`); err != nil {
		return err
	}
	if err := b.copyRows(ctx, "reading", run); err != nil {
		return err
	}
	for _, sql := range []string{`alter table reading add primary key (series, at)`, `vacuum (analyze) reading`, `checkpoint`} {
		if _, err := b.rows.Exec(ctx, sql); err != nil {
			return err
		}
	}
	began := time.Now()
	if _, err := b.ourFigures(ctx, b.whole()); err != nil {
		return err
	}
	first := time.Since(began)
	if _, err := b.rows.Exec(ctx, `vacuum (analyze) sample_day, sample_block`); err != nil {
		return err
	}
	if b.longBytes, err = b.ours.onDisk(ctx); err != nil {
		return err
	}
	b.longBytes -= empty
	b.table.note("the first summary of the long series, which also makes its days", duration(first.Seconds()), "")
	return b.checkpoint(ctx)
}

// whole is the span of the long series.
func (b *bench) whole() series.Span {
	return series.Span{From: start, To: start.Add(time.Duration(b.sizes.days) * 24 * time.Hour)}
}

// totals asks the figures of a span as a whole.
func totals(s series.Span) summary.Request {
	return summary.Request{
		From: &s.From, To: &s.To, Zone: zone, Percentiles: []series.Percent{10_000, 50_000, 90_000},
		Periods: acoustic.DefaultPeriods, MinCoverage: summary.DefaultMinCoverage,
	}
}

// collect asks the Store, with the planning and without the figures.
func collect(ctx context.Context, from records, h series.Series, r summary.Request) (plan summary.Plan, a series.Answer, err error) {
	a, err = from.CollectSeries(everyone(ctx), h.ID, series.Span{From: *r.From, To: *r.To}, func(f series.Facts) (series.Ask, error) {
		q, _ := series.ParseQuantity(f.Series.Quantity)
		h := summary.Header{SeriesID: f.Series.ID, Quantity: q, Interval: f.Series.Interval(), Extent: f.Content.Extent}
		plan, err = summary.PlanFor(r, h)
		return plan.Ask, err
	})
	return plan, a, err
}

// ourFigures asks the Store and makes the figures, each of them.
func (b *bench) ourFigures(ctx context.Context, s series.Span) (figures, error) {
	plan, a, err := collect(ctx, b.ours, b.long, asked(s))
	if err != nil {
		return figures{}, err
	}
	return figuresOf(summary.Of(plan, a))
}

// against measures the figures of a span on both sides, after a look whether they agree.
func (b *bench) against(ctx context.Context, what string, s series.Span, times int, g goal) error {
	ours, err := b.ourFigures(ctx, s)
	if err != nil {
		return err
	}
	theirs, err := b.theirs(ctx, s)
	if err != nil {
		return err
	}
	if err := differ(ours, theirs); err != nil {
		return err
	}
	few := 1
	if s.To.Sub(s.From) <= 25*time.Hour {
		few = 5
	}
	o, t, err := race(ctx, b.sizes.rounds,
		mean(times, func(ctx context.Context) error { _, err := b.ourFigures(ctx, s); return err }),
		mean(few, func(ctx context.Context) error { _, err := b.theirs(ctx, s); return err }))
	if err != nil {
		return err
	}
	b.table.faster(what, o, t, g)
	return nil
}

// year measures the figures of the long series.
func (b *bench) year(ctx context.Context) error {
	return b.against(ctx, fmt.Sprintf("%d days: LAeq, extremes, 3 exceedance levels, %d-hour profile, Lden", b.sizes.days, 24*b.sizes.days),
		b.whole(), 500, atLeast(2500))
}

// localDay measures the same figures of one day of the zone.
func (b *bench) localDay(ctx context.Context) error {
	from := start.AddDate(0, 0, b.sizes.days/2)
	from = time.Date(from.Year(), from.Month(), from.Day()+1, 0, 0, 0, 0, zone)
	return b.against(ctx, "one local day, the same figures", series.Span{From: from, To: from.AddDate(0, 0, 1)}, 500, atLeast(400))
}

// overHTTP measures what the service adds to the Store.
func (b *bench) overHTTP(ctx context.Context) error {
	path := b.url + "/v1/series/" + b.long.ID.String() + "/summary?percentiles=10,50,90&step_percentiles=none"
	for _, m := range []struct {
		what, query string
		request     summary.Request
		g           goal
	}{
		{"totals of the long series over HTTP, against the Store's own time", "", totals(b.whole()), atMost(3)},
		{"with the hourly profile, against the Store's own time for the totals", "&step=1h", totals(b.whole()), atMost(12)},
		{"with the hourly profile, against the Store's own time for the same", "&step=1h", asked(b.whole()), atMost(12)},
	} {
		o, t, err := race(ctx, b.sizes.rounds,
			mean(50, func(ctx context.Context) error {
				r, err := http.NewRequestWithContext(ctx, http.MethodGet, path+m.query, nil)
				if err == nil {
					_, err = b.ask(r, http.StatusOK)
				}
				return err
			}),
			mean(50, func(ctx context.Context) error { _, _, err := collect(ctx, b.ours, b.long, m.request); return err }))
		if err != nil {
			return err
		}
		b.table.within(m.what, o, t, m.g)
	}
	return nil
}

// spans measures what the place and the length of a span cost.
func (b *bench) spans(ctx context.Context) error {
	figures := func(s series.Span) side {
		return mean(20, func(ctx context.Context) error { _, err := b.ourFigures(ctx, s); return err })
	}
	aligned := series.Span{From: start.Add(48 * time.Hour), To: b.whole().To.Add(-48 * time.Hour)}
	shift := 7*time.Hour + 13*time.Minute + 17*time.Second
	ragged := series.Span{From: aligned.From.Add(shift), To: aligned.To.Add(shift)}
	o, t, err := race(ctx, b.sizes.rounds, figures(ragged), figures(aligned))
	if err != nil {
		return err
	}
	b.table.within("ragged span, against an aligned one of the same length", o, t, atMost(2))

	short := series.Span{From: start, To: start.Add(time.Duration(b.sizes.days) * 24 * time.Hour / 10)}
	if o, t, err = race(ctx, b.sizes.rounds, figures(b.whole()), figures(short)); err != nil {
		return err
	}
	b.table.within("10 times the span, the same figures", o, t, atMost(12))
	return nil
}
