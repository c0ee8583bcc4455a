package persistence

import (
	"context"
	"fmt"
	"sort"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/series"
	"leveltrail/persistence/levels"
)

// CollectSurvey answers from the samples what plan asks of each series of a
// survey, withdrawn ones left out, all on one snapshot: of as many series as
// plan is given, it returns one Ask each. asks and answers are in their order.
func (s *Store) CollectSurvey(ctx context.Context, surveyID uuid.UUID, plan func([]series.Facts) ([]series.Ask, error)) ([]series.Answer, error) {
	return s.collect(ctx, func(q conn) ([]series.Series, error) {
		v, err := surveys.get(ctx, q, surveyID)
		if err != nil {
			return nil, err
		}
		return seriesKind.where(ctx, q, `client_id = $1 and survey_id = $2 and not withdrawn order by id`, v.ClientID, surveyID)
	}, plan)
}

// CollectSeries is as [Store.CollectSurvey], of one series.
func (s *Store) CollectSeries(ctx context.Context, id uuid.UUID, plan func(series.Facts) (series.Ask, error)) (series.Answer, error) {
	answers, err := s.collect(ctx, func(q conn) ([]series.Series, error) {
		h, err := seriesKind.get(ctx, q, id)
		return []series.Series{h}, err
	}, func(facts []series.Facts) ([]series.Ask, error) {
		ask, err := plan(facts[0])
		return []series.Ask{ask}, err
	})
	if err != nil {
		return series.Answer{}, err
	}
	return answers[0], nil
}

func (s *Store) collect(
	ctx context.Context,
	which func(conn) ([]series.Series, error),
	plan func([]series.Facts) ([]series.Ask, error),
) (answers []series.Answer, err error) {
	var fresh []madeDay
	err = s.read(ctx, func(q conn) error {
		headers, err := which(q)
		if err != nil {
			return err
		}
		facts := make([]series.Facts, len(headers))
		for i, h := range headers {
			if facts[i], err = factsOf(ctx, q, h); err != nil {
				return err
			}
		}
		asks, err := plan(facts)
		if err != nil {
			return err
		}
		answers = make([]series.Answer, len(asks))
		for i, ask := range asks {
			c := reader{conn: q, facts: facts[i], ask: ask, now: s.stamp()}
			if answers[i], err = c.answer(ctx); err != nil {
				return fmt.Errorf("samples of series %s: %w", facts[i].Series.ID, err)
			}
			fresh = append(fresh, c.made...)
		}
		return nil
	})
	if err == nil {
		err = s.keepDays(ctx, fresh)
	}
	return answers, err
}

func factsOf(ctx context.Context, q conn, h series.Series) (f series.Facts, err error) {
	f.Series = h
	if f.Content, err = contentOf(ctx, q, h); err != nil {
		return f, err
	}
	f.Exclusions, err = exclusions.where(ctx, q, `client_id = $1 and series_id = $2 and not removed order by starts_at, id`, h.ClientID, h.ID)
	return f, err
}

// reader answers an Ask of one series. It reads the aggregates of whole days where
// they carry what is asked, and decodes blocks elsewhere.
type reader struct {
	conn
	facts series.Facts
	ask   series.Ask
	now   time.Time

	collector *series.Collector
	decoder   levels.Decoder
	made      []madeDay // aggregates that were not there
	daysRead  int       // how many aggregates were read
	decoded   int       // how many blocks were decoded
}

// madeDay is a day's aggregate made from blocks of the series at a revision.
type madeDay struct {
	series   series.Series
	revision int64
	day      time.Time
	data     []byte
}

const day = 24 * time.Hour

// plannedDay is a UTC day of which samples are asked.
type plannedDay struct {
	start time.Time
	cells []int // indices of the cells that it takes part in, first and one past the last
	whole bool  // its aggregate carries what is asked
	group int   // of a whole day: the group of all its samples, -1 for none
}

func (c *reader) answer(ctx context.Context) (series.Answer, error) {
	interval := c.facts.Series.Interval()
	c.collector = series.NewCollector(interval, c.ask)
	days := c.days()
	var whole, hours []time.Time
	for _, d := range days {
		if d.whole {
			whole = append(whole, d.start)
		} else {
			hours = append(hours, c.hoursOf(d)...)
		}
	}
	at := make(map[int64]plannedDay, len(days))
	for _, d := range days {
		at[d.start.Unix()] = d
	}
	missing, err := c.readDays(ctx, whole, at)
	if err != nil {
		return series.Answer{}, err
	}
	if err := c.makeDays(ctx, missing, at); err != nil {
		return series.Answer{}, err
	}
	err = c.eachBlock(ctx, hours, func(_ time.Time, runs []series.Run) bool {
		for _, r := range runs {
			c.collector.Add(r)
		}
		return true
	})
	return c.collector.Answer(), err
}

// days lists the UTC days within the content's extent of which cells ask samples.
func (c *reader) days() []plannedDay {
	extent, cells := c.facts.Content.Extent, c.ask.Cells
	if extent.From.IsZero() || len(cells) == 0 {
		return nil
	}
	last := extent.To
	if c.facts.Series.IntervalUS == 0 {
		last = last.Add(time.Microsecond)
	}
	var days []plannedDay
	i := 0
	for start := later(extent.From, cells[0].From).Truncate(day); start.Before(last) && start.Before(cells[len(cells)-1].To); start = start.Add(day) {
		end := start.Add(day)
		i += sort.Search(len(cells)-i, func(k int) bool { return cells[i+k].To.After(start) })
		j := i + sort.Search(len(cells)-i, func(k int) bool { return !cells[i+k].From.Before(end) })
		if i == j {
			continue
		}
		d := plannedDay{start: start, cells: []int{i, j}, group: cells[i].Group, whole: true}
		// What begins before the first sample or after the last may be cut anywhere.
		from, to := later(start, extent.From), earlier(end, last)
		covered := from
		for _, cell := range cells[i:j] {
			d.whole = d.whole && c.onQuarter(cell.From, from, to) && c.onQuarter(cell.To, from, to)
			if d.group != cell.Group || covered.Before(cell.From) {
				d.group = -2 // samples of the day do not all go to one histogram
			}
			covered = later(covered, cell.To)
		}
		if covered.Before(to) {
			if d.group >= 0 {
				d.group = -2
			}
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

// onQuarter reports whether t does not cut a quarter hour within (from, to).
func (c *reader) onQuarter(t, from, to time.Time) bool {
	return !t.After(from) || !t.Before(to) || t.Truncate(15*time.Minute).Equal(t)
}

// hoursOf lists the hours of a day that its cells ask.
func (c *reader) hoursOf(d plannedDay) []time.Time {
	var hours []time.Time
	for _, cell := range c.ask.Cells[d.cells[0]:d.cells[1]] {
		h := later(cell.From, d.start).Truncate(time.Hour)
		if n := len(hours); n > 0 && !hours[n-1].Before(h) {
			h = hours[n-1].Add(time.Hour)
		}
		for end := earlier(cell.To, d.start.Add(day)); h.Before(end); h = h.Add(time.Hour) {
			hours = append(hours, h)
		}
	}
	return hours
}

// readDays adds the aggregates of the days that are stored and returns those that are not.
func (c *reader) readDays(ctx context.Context, whole []time.Time, at map[int64]plannedDay) (missing []time.Time, err error) {
	if len(whole) == 0 {
		return nil, nil
	}
	rows, err := c.Query(ctx, `
		select day, data from sample_day where client_id = $1 and series_id = $2 and day between $3 and $4 order by day`,
		c.facts.Series.ClientID, c.facts.Series.ID, whole[0], whole[len(whole)-1])
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	next := 0
	var quarters [series.QuartersPerDay]series.Tally
	for rows.Next() {
		var start time.Time
		var data borrowedBytes
		if err := rows.Scan(&start, &data); err != nil {
			return nil, err
		}
		for next < len(whole) && whole[next].Before(start) {
			missing = append(missing, whole[next])
			next++
		}
		if next == len(whole) || !whole[next].Equal(start) {
			continue
		}
		next++
		d := at[start.Unix()]
		c.daysRead++
		if err := levels.AddDay(data, &quarters, c.counts(d)); err != nil {
			return nil, fmt.Errorf("aggregate of %s: %w", start.Format(time.DateOnly), err)
		}
		c.addQuarters(d, &quarters)
	}
	return append(missing, whole[next:]...), rows.Err()
}

func (c *reader) counts(d plannedDay) *series.Counts {
	if d.group < 0 {
		return nil
	}
	return c.collector.Counts(d.group)
}

// addQuarters tallies the quarter hours of a whole day in its cells.
func (c *reader) addQuarters(d plannedDay, quarters *[series.QuartersPerDay]series.Tally) {
	i, end := d.cells[0], d.cells[1]
	for n := range quarters {
		if quarters[n].Samples() == 0 {
			continue
		}
		// Any instant of the quarter hour within the extent lies in its cell.
		middle := later(d.start.Add(time.Duration(n)*15*time.Minute), c.facts.Content.Extent.From)
		for i < end && !c.ask.Cells[i].To.After(middle) {
			i++
		}
		if i < end && !c.ask.Cells[i].From.After(middle) {
			c.collector.AddTally(i, quarters[n])
		}
	}
}

// makeDays makes the aggregates of days from their blocks and adds them.
func (c *reader) makeDays(ctx context.Context, missing []time.Time, at map[int64]plannedDay) error {
	var hours []time.Time
	for _, start := range missing {
		for h := range 24 {
			hours = append(hours, start.Add(time.Duration(h)*time.Hour))
		}
	}
	interval := c.facts.Series.Interval()
	var start time.Time
	var collector *series.Collector
	settle := func() {
		if collector == nil {
			return
		}
		made := series.DayFrom(collector.Answer())
		d := at[start.Unix()]
		if counts := c.counts(d); counts != nil {
			counts.AddHistogram(made.Histogram)
		}
		c.addQuarters(d, &made.Quarters)
		if !c.now.Before(start.Add(day)) {
			c.made = append(c.made, madeDay{c.facts.Series, c.facts.Content.Revision, start, levels.AppendDay(nil, &made)})
		}
	}
	err := c.eachBlock(ctx, hours, func(hour time.Time, runs []series.Run) bool {
		if d := hour.Truncate(day); !d.Equal(start) || collector == nil {
			settle()
			start, collector = d, series.NewCollector(interval, series.DayAsk(d))
		}
		for _, r := range runs {
			collector.Add(r)
		}
		return true
	})
	if err == nil {
		settle()
	}
	return err
}

// eachBlock gives the runs of the blocks of the hours, which are in time order, to f
// in that order, until f returns false; the runs are good until f returns.
func (c *reader) eachBlock(ctx context.Context, hours []time.Time, f func(hour time.Time, runs []series.Run) bool) error {
	b := &pgx.Batch{}
	more := true
	for len(hours) > 0 {
		n := 1 // hours in a row are one range of the key
		for n < len(hours) && hours[n].Sub(hours[n-1]) == time.Hour {
			n++
		}
		b.Queue(`
			select hour, data || rest from sample_block where client_id = $1 and series_id = $2 and hour between $3 and $4 order by hour`,
			c.facts.Series.ClientID, c.facts.Series.ID, hours[0], hours[n-1]).
			Query(func(rows pgx.Rows) (err error) {
				for more && rows.Next() {
					if more, err = c.block(rows, f); err != nil {
						return err
					}
				}
				return rows.Err()
			})
		hours = hours[n:]
	}
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

// keepDays stores aggregates, unless the samples have changed since they were made.
func (s *Store) keepDays(ctx context.Context, made []madeDay) error {
	if len(made) == 0 {
		return nil
	}
	return s.write(ctx, func(tx pgx.Tx) error {
		b := &pgx.Batch{}
		for len(made) > 0 {
			of := made[0]
			var days []time.Time
			var data [][]byte
			for ; len(made) > 0 && made[0].series.ID == of.series.ID; made = made[1:] {
				days, data = append(days, made[0].day), append(data, made[0].data)
			}
			b.Queue(`
				insert into sample_day (client_id, series_id, day, data)
				select c.client_id, c.series_id, n.day, n.data from series_content c cross join unnest($3::date[], $4::bytea[]) n (day, data)
				where c.client_id = $1 and c.series_id = $2 and c.revision = $5 for share of c
				on conflict do nothing`, of.series.ClientID, of.series.ID, days, data, of.revision)
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
