package persistence

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"leveltrail/domain/series"
	"leveltrail/persistence/levels"
)

// madeDay is a day's aggregate made from blocks of the series at a revision.
type madeDay struct {
	series      series.Series
	revision    int64
	day         series.Span
	data, hours []byte // in quarter hours, and in hours
}

// makeDays makes the aggregates of days from their blocks and adds them.
func (c *reader) makeDays(ctx context.Context, missing []plannedDay) error {
	spans := make([]series.Span, len(missing))
	for i, d := range missing {
		spans[i] = d.Span
	}
	at := -1 // the day that is collected
	var collector *series.Collector
	settle := func() {
		if at < 0 {
			return
		}
		made, d := series.DayFrom(collector.Answer()), missing[at]
		if counts := c.counts(d); counts != nil {
			counts.AddHistogram(made.Histogram)
		}
		c.addParts(d, made.Quarters[:])
		if !c.now.Before(d.To) {
			c.made = append(c.made, madeDay{c.facts.Series, c.facts.Content.Revision, d.Span, levels.AppendDay(nil, &made), levels.AppendHours(nil, &made)})
		}
	}
	b := &pgx.Batch{}
	c.queueBlocks(b, spans, func(i int, runs []series.Run) bool {
		if i != at {
			settle()
			at, collector = i, series.NewCollector(c.facts.Series.Interval(), series.DayAsk(spans[i]))
		}
		for _, r := range runs {
			collector.Add(r)
		}
		return true
	})
	if err := c.send(ctx, b); err != nil {
		return err
	}
	settle()
	return nil
}

// keepDays stores aggregates, unless the samples have changed since they were made. What
// overlaps them is of another zone that the project had.
func (s *Store) keepDays(ctx context.Context, made []madeDay) error {
	if len(made) == 0 {
		return nil
	}
	return s.write(ctx, func(tx pgx.Tx) error {
		b := &pgx.Batch{}
		for len(made) > 0 {
			of := made[0]
			var from, to []time.Time
			var data, hours [][]byte
			for ; len(made) > 0 && made[0].series.ID == of.series.ID; made = made[1:] {
				from, to = append(from, made[0].day.From), append(to, made[0].day.To)
				data, hours = append(data, made[0].data), append(hours, made[0].hours)
			}
			b.Queue(`
				delete from sample_day d using unnest($3::timestamptz[], $4::timestamptz[]) n (starts_at, ends_at)
				where d.client_id = $1 and d.series_id = $2 and d.starts_at < n.ends_at and d.ends_at > n.starts_at
					and (d.starts_at, d.ends_at) <> (n.starts_at, n.ends_at)`, of.series.ClientID, of.series.ID, from, to)
			b.Queue(`
				insert into sample_day (client_id, series_id, starts_at, ends_at, data, hours)
				select c.client_id, c.series_id, n.starts_at, n.ends_at, n.data, n.hours
				from series_content c cross join unnest($3::timestamptz[], $4::timestamptz[], $5::bytea[], $6::bytea[]) n (starts_at, ends_at, data, hours)
				where c.client_id = $1 and c.series_id = $2 and c.revision = $7 for share of c
				on conflict do nothing`, of.series.ClientID, of.series.ID, from, to, data, hours, of.revision)
		}
		return tx.SendBatch(ctx, b).Close()
	})
}
