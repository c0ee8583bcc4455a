package persistence

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/series"
	"leveltrail/persistence/levels"
)

// SamplesVerified counts what [Store.VerifySamples] found right.
type SamplesVerified struct {
	Series, Blocks, Days int
	Samples              int64 // flagged ones included
}

// SampleDifference is something kept about samples that the samples themselves do not bear out.
type SampleDifference struct {
	SeriesID uuid.UUID
	Day      time.Time // when the aggregate begins, or the UTC day of a block; zero where it is of the series as a whole
	What     string
}

func (d *SampleDifference) Error() string {
	if d.Day.IsZero() {
		return fmt.Sprintf("series %s: %s", d.SeriesID, d.What)
	}
	return fmt.Sprintf("series %s, %s: %s", d.SeriesID, d.Day.Format(time.DateOnly), d.What)
}

// VerifySamples decodes every block of every series that the caller may see and
// compares what is kept beside them: the counts and extremes of blocks, the
// aggregates of days, what a series holds, and when its meter was in use. The
// first difference is a [SampleDifference].
func (s *Store) VerifySamples(ctx context.Context) (v SamplesVerified, err error) {
	var last uuid.UUID
	for {
		var ids []uuid.UUID
		err := s.read(ctx, func(q conn) (err error) {
			rows, _ := q.Query(ctx, `select id from series where id > $1 order by id limit 1000`, last)
			ids, err = pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
			return err
		})
		if err != nil || len(ids) == 0 {
			return v, err
		}
		for _, id := range ids {
			if err := s.verifySeries(ctx, id, &v); err != nil {
				return v, err
			}
		}
		last = ids[len(ids)-1]
	}
}

// verifySeries verifies one series on a snapshot of its own.
func (s *Store) verifySeries(ctx context.Context, id uuid.UUID, v *SamplesVerified) error {
	return s.read(ctx, func(q conn) error {
		f, err := factsOf(ctx, q, id)
		if err != nil {
			return err
		}
		c := verifier{reader: reader{conn: q, facts: f}, counted: v}
		return c.run(ctx)
	})
}

// verifier adds up the blocks of a series.
type verifier struct {
	reader
	counted *SamplesVerified

	content series.Content // what the blocks add up to
	spans   []series.Span  // when there are samples, adjoining ones joined
	kept    []keptDay      // aggregates that no block has reached, in time order
	open    []keptDay      // those that are collected
}

// keptDay is an aggregate and the samples that it should be of.
type keptDay struct {
	series.Span
	data    []byte // in quarter hours
	hours   []byte // the same in hours
	collect *series.Collector
}

func (c *verifier) differs(day time.Time, format string, args ...any) error {
	return &SampleDifference{c.facts.Series.ID, day, fmt.Sprintf(format, args...)}
}

func (c *verifier) run(ctx context.Context) error {
	c.counted.Series++
	if err := c.keptDays(ctx); err != nil {
		return err
	}
	if err := c.blocks(ctx); err != nil {
		return err
	}
	c.reach(maxTime)
	if err := c.settle(maxTime); err != nil {
		return err
	}
	if err := c.compareContent(); err != nil {
		return err
	}
	return c.compareUse(ctx)
}

var maxTime = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)

// keptDays reads the aggregates of the series: some megabytes for many years.
func (c *verifier) keptDays(ctx context.Context) error {
	rows, _ := c.Query(ctx, `
		select starts_at, ends_at, data, hours from sample_day where client_id = $1 and series_id = $2 order by starts_at`,
		c.facts.Series.ClientID, c.facts.Series.ID)
	var d keptDay
	_, err := pgx.ForEachRow(rows, []any{&d.From, &d.To, &d.data, &d.hours}, func() error {
		c.kept = append(c.kept, keptDay{Span: d.Span, data: slices.Clone(d.data), hours: slices.Clone(d.hours)})
		return nil
	})
	return err
}

// blocks verifies the blocks, and the aggregates that end before the last of them.
func (c *verifier) blocks(ctx context.Context) error {
	rows, _ := c.Query(ctx, `
		select hour, numbers, lowest, highest, data || rest as data from sample_block
		where client_id = $1 and series_id = $2 order by hour`,
		c.facts.Series.ClientID, c.facts.Series.ID)
	var hour time.Time
	var numbers int64
	var lowest, highest int16
	var block borrowedBytes
	_, err := pgx.ForEachRow(rows, []any{&hour, &numbers, &lowest, &highest, &block}, func() error {
		runs, err := c.decoder.Decode(block, hour, c.facts.Series.Interval())
		if err != nil {
			return c.differs(hour.Truncate(day), "the block of %s is not what was written: %v", hour.Format(time.TimeOnly), err)
		}
		t := tallyOf(runs)
		if t.Samples() == 0 || t.Count != numbers || int16(t.Min) != lowest || int16(t.Max) != highest {
			return c.differs(hour.Truncate(day), "the block of %s holds %d numbers from %d to %d hundredths of a decibel; noted are %d from %d to %d",
				hour.Format(time.TimeOnly), t.Count, t.Min, t.Max, numbers, lowest, highest)
		}
		return c.add(hour, runs, t)
	})
	return err
}

// add takes the samples of a block.
func (c *verifier) add(hour time.Time, runs []series.Run, t series.Tally) error {
	interval := c.facts.Series.Interval()
	c.reach(hour.Add(time.Hour))
	if err := c.settle(hour); err != nil {
		return err
	}
	c.counted.Blocks++
	c.counted.Samples += t.Samples()
	a := appender{header: c.facts.Series, content: c.content}
	a.extend(runs, t, series.Tally{})
	c.content = a.content
	for i, s := range spansOf(runs, interval) {
		for _, d := range c.open {
			d.collect.Add(runs[i])
		}
		if n := len(c.spans); n > 0 && s.From.Before(c.spans[n-1].To) {
			return c.differs(hour.Truncate(day), "samples at %s overlap those before", s.From.Format(time.RFC3339Nano))
		}
		if interval > 0 {
			c.spans = withSpan(c.spans, s)
		} else {
			c.spans = append(c.spans, s)
		}
	}
	return nil
}

// reach begins to collect the aggregates that begin before t.
func (c *verifier) reach(t time.Time) {
	for len(c.kept) > 0 && c.kept[0].From.Before(t) {
		d := c.kept[0]
		d.collect = series.NewCollector(c.facts.Series.Interval(), series.DayAsk(d.Span))
		c.open, c.kept = append(c.open, d), c.kept[1:]
	}
}

// settle compares the aggregates that end by t.
func (c *verifier) settle(t time.Time) error {
	for len(c.open) > 0 && !c.open[0].To.After(t) {
		d := c.open[0]
		c.open = c.open[1:]
		made := series.DayFrom(d.collect.Answer())
		if made.Histogram.Samples() == 0 {
			return c.differs(d.From, "there is an aggregate of a day without samples")
		}
		c.counted.Days++
		if !bytes.Equal(d.data, levels.AppendDay(nil, &made)) {
			kept, err := levels.DecodeDay(d.data)
			if err != nil {
				return c.differs(d.From, "the aggregate of the day is not what was written: %v", err)
			}
			return c.differs(d.From, "the aggregate of the day is of %s; its samples are %s", totalOf(&kept), totalOf(&made))
		}
		if !bytes.Equal(d.hours, levels.AppendHours(nil, &made)) {
			return c.differs(d.From, "the aggregate of the hours of the day is not that of its samples")
		}
	}
	return nil
}

func totalOf(d *series.Day) string {
	t := d.Total()
	return fmt.Sprintf("%d numbers, %d under range, %d over range, energy %x %016x, from %d to %d hundredths of a decibel, %d levels",
		t.Count, t.Under, t.Over, t.Energy.Hi, t.Energy.Lo, t.Min, t.Max, len(d.Histogram.Bins))
}

func (c *verifier) compareContent() error {
	kept, made := c.facts.Content, c.content
	made.Revision = kept.Revision
	if made.Numbers == 0 { // then no level says anything
		made.Lowest, made.Highest = kept.Lowest, kept.Highest
	}
	if made.Samples() != kept.Samples() || made != kept {
		return c.differs(time.Time{}, "its blocks hold %s; noted is %s", contentText(made), contentText(kept))
	}
	return nil
}

func contentText(c series.Content) string {
	return fmt.Sprintf("%d numbers, %d under range, %d over range, %s to %s, from %d to %d hundredths of a decibel",
		c.Numbers, c.Under, c.Over, c.Extent.From.Format(time.RFC3339Nano), c.Extent.To.Format(time.RFC3339Nano), c.Lowest, c.Highest)
}

// compareUse compares when there are samples with when the meter is noted as in use.
func (c *verifier) compareUse(ctx context.Context) error {
	rows, _ := c.Query(ctx, `select lower(during), upper(during) from instrument_use where series_id = $1 order by 1`, c.facts.Series.ID)
	var noted []series.Span
	var from, to time.Time
	_, err := pgx.ForEachRow(rows, []any{&from, &to}, func() error {
		s := series.Span{From: from.UTC(), To: to.UTC()}
		if n := len(noted); n > 0 && s.From.Before(noted[n-1].To) {
			return c.differs(s.From.Truncate(day), "the meter's use is noted twice at %s", s.From.Format(time.RFC3339Nano))
		}
		if c.facts.Series.IntervalUS > 0 {
			noted = withSpan(noted, s)
		} else {
			noted = append(noted, s)
		}
		return nil
	})
	if err != nil {
		return err
	}
	for i := range max(len(noted), len(c.spans)) {
		switch {
		case i >= len(noted) || i < len(c.spans) && c.spans[i].From.Before(noted[i].From):
			return c.differs(c.spans[i].From.Truncate(day), "there are samples from %s on, when no use of the meter is noted", c.spans[i].From.Format(time.RFC3339Nano))
		case i >= len(c.spans) || noted[i].From.Before(c.spans[i].From):
			return c.differs(noted[i].From.Truncate(day), "use of the meter is noted from %s on, when there are no samples", noted[i].From.Format(time.RFC3339Nano))
		case !noted[i].To.Equal(c.spans[i].To):
			at := earlier(noted[i].To, c.spans[i].To)
			return c.differs(at.Truncate(day), "samples from %s on end at %s; the meter's use is noted to %s",
				noted[i].From.Format(time.RFC3339Nano), c.spans[i].To.Format(time.RFC3339Nano), noted[i].To.Format(time.RFC3339Nano))
		}
	}
	return nil
}
