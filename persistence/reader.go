package persistence

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

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
