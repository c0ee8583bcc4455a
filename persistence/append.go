package persistence

import (
	"context"
	"fmt"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/jackc/pgx/v5"

	"leveltrail/domain/fault"
	"leveltrail/domain/series"
	"leveltrail/domain/survey"
	"leveltrail/persistence/levels"
)

// appender adds runs to one series within a transaction, many hours at a time so
// that neither a million samples nor a year of them need be in memory at once.
type appender struct {
	tx      pgx.Tx
	survey  survey.Survey
	header  series.Series
	now     time.Time
	pending []series.Run
	size    int // of pending
	content series.Content
	locked  bool
}

// flushAt is how many samples are gathered before they are written; a run counts as
// many more as its own bytes would hold.
const (
	flushAt = 1 << 20
	runSize = 64
)

// add takes runs, which the appender keeps, and writes when enough are gathered.
func (a *appender) add(ctx context.Context, runs ...series.Run) error {
	for _, r := range runs {
		if len(r.Levels) == 0 {
			continue
		}
		a.pending = append(a.pending, r)
		if a.size += len(r.Levels) + runSize; a.size >= flushAt {
			if _, err := a.flush(ctx); err != nil {
				return err
			}
		}
	}
	return nil
}

// flush writes what is gathered and returns what the series holds then.
func (a *appender) flush(ctx context.Context) (series.Content, error) {
	if err := a.lock(ctx); err != nil || len(a.pending) == 0 {
		return a.content, err
	}
	interval := a.header.Interval()
	runs, clash, ok := series.Merge(nil, a.pending, interval)
	if !ok {
		return a.content, contradiction(clash)
	}
	a.pending, a.size = nil, 0
	stretches := spansOf(runs, interval)
	if err := a.withinSurvey(series.Span{From: stretches[0].From, To: stretches[len(stretches)-1].To}); err != nil {
		return a.content, err
	}
	if err := a.use(ctx, stretches); err != nil {
		return a.content, err
	}
	return a.content, a.writeBlocks(ctx, series.Split(runs, interval, time.Hour))
}

// lock takes the row that each writer of the series' samples takes, and the one that
// whoever withdraws the series takes.
func (a *appender) lock(ctx context.Context) (err error) {
	if a.locked {
		return nil
	}
	a.locked = true
	if a.content, err = scanContent(a.tx.QueryRow(ctx, selectContent+` for update`, a.header.ClientID, a.header.ID)); err != nil {
		return err
	}
	var withdrawn bool
	err = a.tx.QueryRow(ctx, `select withdrawn from series where client_id = $1 and id = $2 for share`, a.header.ClientID, a.header.ID).Scan(&withdrawn)
	if err == nil && withdrawn {
		return &fault.Error{Kind: fault.Conflict, Code: "series_withdrawn", Message: "the series was withdrawn with its import: it takes no samples"}
	}
	return err
}

// strayLimit is how far samples may lie outside their survey.
const strayLimit = 24 * time.Hour

func (a *appender) withinSurvey(s series.Span) error {
	early := a.survey.StartedAt.Sub(s.From)
	var late time.Duration
	if a.survey.EndedAt != nil {
		late = s.To.Sub(*a.survey.EndedAt)
	}
	if stray := max(early, late); stray > strayLimit {
		return &fault.Error{
			Kind: fault.Invalid, Code: "samples_outside_survey",
			Message: fmt.Sprintf("samples from %s to %s lie %s outside their survey; at most %s is taken",
				s.From.Format(time.RFC3339), s.To.Format(time.RFC3339), stray, strayLimit),
		}
	}
	return nil
}

// writeBlocks merges the samples of each hour into its block.
func (a *appender) writeBlocks(ctx context.Context, parts []series.Part) error {
	interval := a.header.Interval()
	stored, err := a.blocks(ctx, parts)
	if err != nil {
		return err
	}
	var hours []time.Time
	var numbers []int32
	var lowest, highest []int16
	var from, to []time.Time // stretches of hours that change
	var blocks []series.Part // to be written
	for _, p := range parts {
		runs, before := p.Runs, series.Tally{}
		if old := stored[p.Start.Unix()]; old != nil {
			had, err := levels.Decode(old, p.Start, interval)
			if err != nil {
				return fmt.Errorf("block %s of series %s: %w", p.Start, a.header.ID, err)
			}
			before = tallyOf(had)
			var clash time.Time
			var ok bool
			if runs, clash, ok = series.Merge(had, p.Runs, interval); !ok {
				return contradiction(clash)
			}
		}
		t := tallyOf(runs)
		if t.Samples() == before.Samples() {
			continue // all of it was there
		}
		blocks = append(blocks, series.Part{Start: p.Start, Runs: runs})
		hours, numbers = append(hours, p.Start), append(numbers, int32(t.Count))
		lowest, highest = append(lowest, int16(t.Min)), append(highest, int16(t.Max))
		if n := len(to); n > 0 && to[n-1].Equal(p.Start) {
			to[n-1] = p.Start.Add(time.Hour)
		} else {
			from, to = append(from, p.Start), append(to, p.Start.Add(time.Hour))
		}
		a.extend(runs, t, before)
	}
	if len(hours) == 0 {
		return nil
	}
	data, rest := encode(blocks, interval)
	b := &pgx.Batch{}
	b.Queue(`
		insert into sample_block (client_id, series_id, hour, numbers, lowest, highest, data, rest)
		select $1, $2, * from unnest($3::timestamptz[], $4::integer[], $5::smallint[], $6::smallint[], $7::bytea[], $8::bytea[])
		on conflict (client_id, series_id, hour) do update
			set numbers = excluded.numbers, lowest = excluded.lowest, highest = excluded.highest, data = excluded.data, rest = excluded.rest`,
		a.header.ClientID, a.header.ID, hours, numbers, lowest, highest, data, rest)
	b.Queue(`
		delete from sample_day d using unnest($3::timestamptz[], $4::timestamptz[]) n (starts_at, ends_at)
		where d.client_id = $1 and d.series_id = $2 and d.starts_at < n.ends_at and d.ends_at > n.starts_at`, a.header.ClientID, a.header.ID, from, to)
	b.Queue(`
		update series_content set revision = revision + 1, starts_at = $3, ends_at = $4, numbers = $5, under = $6, over = $7,
			lowest = $8, highest = $9
		where client_id = $1 and series_id = $2`,
		a.header.ClientID, a.header.ID, a.content.Extent.From, a.content.Extent.To, a.content.Numbers, a.content.Under, a.content.Over,
		int16(a.content.Lowest), int16(a.content.Highest))
	a.content.Revision++
	return a.tx.SendBatch(ctx, b).Close()
}

// pageChunk is the most bytes of a long value that PostgreSQL keeps in one piece, four
// to a page. What is left of a block over whole pieces stands in its row: as a piece of
// its own it would leave a quarter of a page empty.
const pageChunk = 1996

// encode returns the bytes of blocks, made on all cores: of each whole pieces and the rest.
func encode(blocks []series.Part, interval time.Duration) (data, rest [][]byte) {
	data, rest = make([][]byte, len(blocks)), make([][]byte, len(blocks))
	var next atomic.Int64
	var work sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0), (len(blocks)+7)/8) {
		work.Go(func() {
			for i := next.Add(1) - 1; i < int64(len(blocks)); i = next.Add(1) - 1 {
				b := levels.Append(nil, blocks[i].Start, interval, blocks[i].Runs)
				n := len(b)
				if n > pageChunk {
					n -= n % pageChunk
				}
				data[i], rest[i] = b[:n], b[n:]
			}
		})
	}
	work.Wait()
	return data, rest
}

// blocks returns the stored blocks of the hours of parts by their Unix time.
func (a *appender) blocks(ctx context.Context, parts []series.Part) (map[int64][]byte, error) {
	if a.content.Samples() == 0 {
		return nil, nil
	}
	hours := make([]time.Time, len(parts))
	for i, p := range parts {
		hours[i] = p.Start
	}
	rows, _ := a.tx.Query(ctx, `select hour, data || rest from sample_block where client_id = $1 and series_id = $2 and hour = any($3)`,
		a.header.ClientID, a.header.ID, hours)
	stored := map[int64][]byte{}
	var hour time.Time
	var data []byte
	_, err := pgx.ForEachRow(rows, []any{&hour, &data}, func() error {
		stored[hour.Unix()] = slices.Clone(data)
		return nil
	})
	return stored, err
}

// extend adds to the content the samples of an hour, now t, that were before.
func (a *appender) extend(runs []series.Run, now, before series.Tally) {
	c := &a.content
	from, to := runs[0].Start, endOf(runs[len(runs)-1], a.header.Interval())
	if c.Extent.From.IsZero() || from.Before(c.Extent.From) {
		c.Extent.From = from
	}
	if to.After(c.Extent.To) {
		c.Extent.To = to
	}
	switch {
	case now.Count == 0:
	case c.Numbers == 0:
		c.Lowest, c.Highest = now.Min, now.Max
	default:
		c.Lowest, c.Highest = min(c.Lowest, now.Min), max(c.Highest, now.Max)
	}
	c.Numbers += now.Count - before.Count
	c.Under += now.Under - before.Under
	c.Over += now.Over - before.Over
}

func endOf(r series.Run, interval time.Duration) time.Time {
	return r.Start.Add(time.Duration(len(r.Levels)) * interval)
}

// spansOf returns the unbroken stretches of runs, which are in time order.
func spansOf(runs []series.Run, interval time.Duration) []series.Span {
	spans := make([]series.Span, len(runs))
	for i, r := range runs {
		spans[i] = series.Span{From: r.Start, To: endOf(r, interval)}
	}
	return spans
}

func tallyOf(runs []series.Run) series.Tally {
	var t series.Tally
	for _, r := range runs {
		for _, l := range r.Levels {
			switch l {
			case series.UnderRange:
				t.Under++
			case series.OverRange:
				t.Over++
			default:
				if t.Count == 0 || l < t.Min {
					t.Min = l
				}
				if t.Count == 0 || l > t.Max {
					t.Max = l
				}
				t.Count++
			}
		}
	}
	return t
}

func contradiction(at time.Time) error {
	return &fault.Error{
		Kind: fault.Conflict, Code: "samples_contradict",
		Message: "the sample at " + at.UTC().Format(time.RFC3339Nano) + " differs from the one that is there, or overlaps it",
	}
}
