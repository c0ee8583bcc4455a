package persistence

import (
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"leveltrail/domain/civil"
	"leveltrail/domain/series"
	"leveltrail/persistence/levels"
)

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
		d.whole = d.whole && !c.ask.Keep
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
