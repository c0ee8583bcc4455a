package persistence

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"leveltrail/domain/civil"
	"leveltrail/domain/series"
	"leveltrail/persistence/levels"
)

// reader answers an Ask of one series. It reads the aggregates of whole days where
// they carry what is asked, and decodes blocks elsewhere.
type reader struct {
	conn
	facts series.Facts
	ask   series.Ask
	now   time.Time

	whole     []plannedDay  // whose aggregates are still to be read
	missing   []plannedDay  // whose aggregates are not there
	pieces    []series.Span // of which blocks are needed
	collector *series.Collector
	decoder   levels.Decoder
	made      []madeDay // aggregates that were not there
	daysRead  int       // how many aggregates were read
	decoded   int       // how many blocks were decoded
}

// madeDay is a day's aggregate made from blocks of the series at a revision.
type madeDay struct {
	series      series.Series
	revision    int64
	day         series.Span
	data, hours []byte // in quarter hours, and in hours
}

// localDays lists the days of a zone that meet [from, to): at most [series.LongestDay]
// each, at whole quarter hours. They leave no gap.
func localDays(zone *time.Location, from, to time.Time) []series.Span {
	first := civil.DayOf(from, zone).AddDays(-1)
	begins := func(i int) time.Time {
		return time.Date(first.Year, first.Month, first.Day+i, 0, 0, 0, 0, zone).UTC().Truncate(quarter)
	}
	days := make([]series.Span, 0, int(max(0, to.Sub(from))/day)+3)
	start := begins(0)
	for i := 1; start.Before(to); i++ {
		next := begins(i)
		for start.Before(next) { // once, but for days that are longer
			end := earlier(next, start.Add(series.LongestDay))
			if end.After(from) && start.Before(to) {
				days = append(days, series.Span{From: start, To: end})
			}
			start = end
		}
	}
	return days
}

const (
	day     = 24 * time.Hour
	quarter = 15 * time.Minute
)

// plannedDay is a day of which samples are asked.
type plannedDay struct {
	series.Span
	cells [2]int // indices of the cells that it takes part in, first and one past the last
	whole bool   // its aggregate carries what is asked
	fine  bool   // the one in quarter hours, as cells cut its hours
	group int    // of a whole day: the group of all its samples, -1 for none
}

// newReader plans what is to be read.
func newReader(facts series.Facts, ask series.Ask, now time.Time) *reader {
	c := &reader{facts: facts, ask: ask, now: now, collector: series.NewCollector(facts.Series.Interval(), ask)}
	goesOn := false // no whole day lies between the last piece and the next
	days := c.days()
	c.whole = make([]plannedDay, 0, len(days))
	for _, d := range days {
		if d.whole {
			c.whole, goesOn = append(c.whole, d), false
			continue
		}
		for _, cell := range ask.Cells[d.cells[0]:d.cells[1]] {
			piece := series.Span{From: later(cell.From, d.From), To: earlier(cell.To, d.To)}
			// What is in one hour, or in the next, is read at once.
			if n := len(c.pieces); goesOn && !piece.From.Truncate(time.Hour).After(c.pieces[n-1].To) {
				c.pieces[n-1].To = piece.To
			} else {
				c.pieces, goesOn = append(c.pieces, piece), true
			}
		}
	}
	return c
}

// answer reads what is still to be read.
func (c *reader) answer(ctx context.Context, q conn) (series.Answer, error) {
	c.conn = q
	b := &pgx.Batch{}
	c.queueDays(b)
	c.queueBlocks(b, c.pieces, func(_ int, runs []series.Run) bool {
		for _, r := range runs {
			c.collector.Add(r)
		}
		return true
	})
	if err := c.send(ctx, b); err != nil {
		return series.Answer{}, err
	}
	if err := c.makeDays(ctx, c.missing); err != nil {
		return series.Answer{}, err
	}
	return c.collector.Answer(), nil
}

// days lists the local days within the content's extent of which cells ask samples.
func (c *reader) days() []plannedDay {
	extent, cells := c.facts.Content.Extent, c.ask.Cells
	if extent.From.IsZero() || len(cells) == 0 {
		return nil
	}
	last := extent.To
	if c.facts.Series.IntervalUS == 0 {
		last = last.Add(time.Microsecond)
	}
	spans := localDays(c.facts.Zone, later(extent.From, cells[0].From), earlier(last, cells[len(cells)-1].To))
	days := make([]plannedDay, 0, len(spans))
	i := 0
	for _, span := range spans {
		for i < len(cells) && !cells[i].To.After(span.From) {
			i++
		}
		j := i
		for j < len(cells) && cells[j].From.Before(span.To) {
			j++
		}
		if i == j {
			continue
		}
		d := plannedDay{Span: span, cells: [2]int{i, j}, group: cells[i].Group, whole: true}
		// What begins before the first sample or after the last may be cut anywhere. In µs, as there are many cells:
		begin, from, to := span.From.UnixMicro(), later(span.From, extent.From).UnixMicro(), earlier(span.To, last).UnixMicro()
		cut := func(edge int64) {
			if edge > from && edge < to {
				d.fine = d.fine || (edge-begin)%time.Hour.Microseconds() != 0
				d.whole = d.whole && (edge-begin)%quarter.Microseconds() == 0
			}
		}
		covered := from
		for n := range cells[i:j] {
			cell := &cells[i+n]
			a, b := cell.From.UnixMicro(), cell.To.UnixMicro()
			if n == 0 || a != covered {
				cut(a)
			}
			cut(b)
			if d.group != cell.Group || covered < a {
				d.group = -2 // samples of the day do not all go to one histogram
			}
			covered = max(covered, b)
		}
		if covered < to && d.group >= 0 {
			d.group = -2
		}
		if d.group == -2 {
			d.whole = d.whole && !anyGroup(cells[i:j])
			d.group = -1
		}
		days = append(days, d)
	}
	return days
}

func anyGroup(cells []series.Cell) bool {
	for _, c := range cells {
		if c.Group >= 0 {
			return true
		}
	}
	return false
}

// queueDays asks the aggregates that are still to be read.
func (c *reader) queueDays(b *pgx.Batch) {
	if len(c.whole) == 0 {
		return
	}
	fine := []time.Time{}
	for _, d := range c.whole {
		if d.fine {
			fine = append(fine, d.From)
		}
	}
	b.Queue(`
		select starts_at, ends_at, case when starts_at = any($5) then data else hours end from sample_day
		where client_id = $1 and series_id = $2 and starts_at between $3 and $4 order by starts_at`,
		c.facts.Series.ClientID, c.facts.Series.ID, c.whole[0].From, c.whole[len(c.whole)-1].From, fine).
		Query(func(rows pgx.Rows) error { return c.takeDays(rows, c.whole) })
}

// takeAhead takes what it needs of the days in hours that begin within given instants, all of those there are.
func (c *reader) takeAhead(rows pgx.Rows, within [2]time.Time) error {
	ahead, rest := make([]plannedDay, 0, len(c.whole)), c.whole[:0]
	for _, d := range c.whole {
		if d.fine || d.From.Before(within[0]) || d.From.After(within[1]) {
			rest = append(rest, d)
		} else {
			ahead = append(ahead, d)
		}
	}
	c.whole = rest
	return c.takeDays(rows, ahead)
}

// takeDays adds the days that are wanted of stored ones, both in their order, and notes those that are missing.
func (c *reader) takeDays(rows pgx.Rows, wanted []plannedDay) error {
	var kept series.Span
	var data borrowedBytes
	var tallies [series.QuartersPerDay]series.Tally
	for rows.Next() {
		if err := rows.Scan(&kept.From, &kept.To, &data); err != nil {
			return err
		}
		for len(wanted) > 0 && wanted[0].From.Before(kept.From) {
			c.missing, wanted = append(c.missing, wanted[0]), wanted[1:]
		}
		if len(wanted) == 0 || wanted[0].Span != kept { // not a day that is asked, or one of another zone
			continue
		}
		c.daysRead++
		parts := tallies[:series.HoursPerDay]
		if wanted[0].fine {
			parts = tallies[:]
		}
		if err := levels.AddDay(data, parts, c.counts(wanted[0])); err != nil {
			return fmt.Errorf("aggregate of %s: %w", kept.From.Format(time.RFC3339), err)
		}
		c.addParts(wanted[0], parts)
		wanted = wanted[1:]
	}
	c.missing = append(c.missing, wanted...)
	return rows.Err()
}

func (c *reader) counts(d plannedDay) *series.Counts {
	if d.group < 0 {
		return nil
	}
	return c.collector.Counts(d.group)
}

// addParts tallies the hours or the quarter hours of a whole day in its cells.
func (c *reader) addParts(d plannedDay, parts []series.Tally) {
	cells, i := c.ask.Cells[:d.cells[1]], d.cells[0]
	begin, first := d.From.UnixMicro(), c.facts.Content.Extent.From.UnixMicro()
	length := series.LongestDay.Microseconds() / int64(len(parts))
	for n := range parts {
		if parts[n].Samples() == 0 {
			continue
		}
		// Any instant of the part within the extent lies in its cell.
		inside := max(begin+int64(n)*length, first)
		for i < len(cells) && cells[i].To.UnixMicro() <= inside {
			i++
		}
		if i < len(cells) && cells[i].From.UnixMicro() <= inside {
			c.collector.AddTally(i, &parts[n])
		}
	}
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

// queueBlocks gives the runs of blocks, cut to the spans, to f with the index of their
// span, in time order until f returns false; they are good until f returns.
func (c *reader) queueBlocks(b *pgx.Batch, spans []series.Span, f func(span int, runs []series.Run) bool) {
	more := true
	for i, span := range spans {
		b.Queue(`
			select hour, data || rest from sample_block where client_id = $1 and series_id = $2 and hour > $3 and hour < $4 order by hour`,
			c.facts.Series.ClientID, c.facts.Series.ID, span.From.Add(-time.Hour), span.To).
			Query(func(rows pgx.Rows) (err error) {
				for more && rows.Next() {
					more, err = c.block(rows, func(hour time.Time, runs []series.Run) bool {
						if runs = c.within(span, hour, runs); len(runs) == 0 {
							return true
						}
						return f(i, runs)
					})
					if err != nil {
						return err
					}
				}
				return rows.Err()
			})
	}
}

// within cuts the runs of the block of an hour to a span, in their place.
func (c *reader) within(span series.Span, hour time.Time, runs []series.Run) []series.Run {
	if !hour.Before(span.From) && !hour.Add(time.Hour).After(span.To) {
		return runs
	}
	kept := runs[:0]
	for _, r := range runs {
		if r, ok := r.Within(span, c.facts.Series.Interval()); ok {
			kept = append(kept, r)
		}
	}
	return kept
}

// send runs what was queued, if anything.
func (c *reader) send(ctx context.Context, b *pgx.Batch) error {
	if b.Len() == 0 {
		return nil
	}
	return c.SendBatch(ctx, b).Close()
}

// block gives the runs of the block in a row to f.
func (c *reader) block(row pgx.Rows, f func(hour time.Time, runs []series.Run) bool) (more bool, err error) {
	var hour time.Time
	var data borrowedBytes
	if err := row.Scan(&hour, &data); err != nil {
		return false, err
	}
	runs, err := c.decoder.Decode(data, hour, c.facts.Series.Interval())
	if err != nil {
		return false, fmt.Errorf("block of %s: %w", hour.UTC().Format(time.RFC3339), err)
	}
	c.decoded++
	return f(hour.UTC(), runs), nil
}

// borrowedBytes takes the bytes of a row without copying: they are good until the next row.
type borrowedBytes []byte

// ScanBytes implements pgtype.BytesScanner.
func (b *borrowedBytes) ScanBytes(v []byte) error {
	*b = v
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

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}
