package logfile

import (
	"cmp"
	"errors"
	"io"
	"slices"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// sink passes on the runs of one track. Instants are UTC by the meter's clock, in µs.
type sink struct {
	track    Track
	fix      correction
	interval int64 // 0 = spot
	end      int64 // of the last run
	emit     func(position int, interval time.Duration, run series.Run) error
}

func (s *sink) put(start int64, levels []acoustic.Level) error {
	k := &s.track
	switch {
	case k.Samples == 0:
		k.From = s.fix.apply(start)
	case start > s.end && s.interval > 0:
		k.GapsTotal++
		if len(k.Gaps) < MaxListed {
			k.Gaps = append(k.Gaps, series.Span{From: s.fix.apply(s.end), To: s.fix.apply(start)})
		}
	}
	s.end = start + int64(len(levels))*s.interval
	k.To = s.fix.apply(s.end)
	k.Samples += int64(len(levels))
	for _, l := range levels {
		if l == series.UnderRange || l == series.OverRange {
			k.Flagged++
		}
	}
	if s.emit == nil {
		return nil
	}
	return s.emit(k.Position, k.Interval, series.Run{Start: s.fix.apply(start), Levels: levels})
}

// builder puts the samples of one track together.
type builder struct {
	sink
	per       int64 // rows that share one stamp
	hold      bool  // the runs must be put in order before they are passed on
	held      []heldRun
	open      bool
	start     int64 // of the run, beginning of its first sample's interval
	done      int64 // samples of the run that have left levels
	levels    []acoustic.Level
	last      int64          // stamp of the row before
	index     int64          // place of the next row among those of its stamp
	firstLeft int64          // rows missing before the first one of the first stamp
	doubled   acoustic.Level // of a row with the stamp of the one before
	waiting   int            // its line while it waits for a free place after it, else 0
	notice    func(line int, code, detail string)
	lost      func(line int, code, detail string) // as notice, and the row is left out
}

type heldRun struct {
	start  int64
	levels []acoustic.Level
}

const leftOut = "this row has the stamp of one before it and is left out"

// add takes the next sample of a series with an interval.
func (b *builder) add(stamp int64, l acoustic.Level, line int) error {
	at, same, back := stamp, b.open && stamp == b.last, b.open && stamp < b.last
	if b.per > 1 {
		if !b.open {
			b.index = b.firstLeft
		} else if !same {
			b.index = 0
		}
		if b.index >= b.per {
			b.lost(line, "stamps_doubled", "more rows than usual share this stamp; this one is left out")
			return nil
		}
		at += b.index * b.interval
		b.index++
	}
	b.last = stamp
	if !b.open || back {
		if err := b.flush(); err != nil {
			return err
		}
		b.open, b.start, b.done = true, at, 0
		return b.push(l)
	}
	end := b.start + (b.done+int64(len(b.levels)))*b.interval
	if b.waiting > 0 && !same {
		if 2*abs(at-end-b.interval) < b.interval {
			b.notice(b.waiting, "stamps_doubled", "this row has the stamp of the one before; it is taken as the sample missing after that")
			if err := b.push(b.doubled); err != nil {
				return err
			}
			end += b.interval
		} else {
			b.lost(b.waiting, "stamps_doubled", leftOut)
		}
		b.waiting = 0
	}
	switch d := 2 * (at - end); {
	case d > -b.interval && d < b.interval:
		return b.push(l)
	case d >= b.interval:
		if err := b.flush(); err != nil {
			return err
		}
		b.start, b.done = at, 0
		return b.push(l)
	case same && b.waiting == 0:
		b.doubled, b.waiting = l, line
	default:
		b.lost(line, "stamps_doubled", "this row lies within the interval of one before it and is left out")
	}
	return nil
}

func (b *builder) push(l acoustic.Level) error {
	b.levels = append(b.levels, l)
	if len(b.levels) == MaxRun {
		return b.pass()
	}
	return nil
}

// flush ends the run.
func (b *builder) flush() error {
	if b.waiting > 0 {
		b.lost(b.waiting, "stamps_doubled", leftOut)
		b.waiting = 0
	}
	return b.pass()
}

// pass empties levels; the run goes on.
func (b *builder) pass() error {
	if len(b.levels) == 0 {
		return nil
	}
	start, levels := b.start+b.done*b.interval, slices.Clone(b.levels)
	b.done += int64(len(levels))
	b.levels = b.levels[:0]
	if b.hold {
		b.held = append(b.held, heldRun{start, levels})
		return nil
	}
	return b.put(start, levels)
}

// spot takes the next spot reading. Readings of one stamp are set a millisecond
// apart, so that all are kept.
func (b *builder) spot(at int64, l acoustic.Level, line int) error {
	if b.hold {
		b.held = append(b.held, heldRun{at, []acoustic.Level{l}})
		return nil
	}
	if b.open && at <= b.last {
		at = b.last + second/1000
		b.notice(line, "stamps_doubled", "several readings bear this stamp; they are set 1 ms apart")
	}
	b.open, b.last = true, at
	return b.put(at, []acoustic.Level{l})
}

// finish passes on what is left, in order of time.
func (b *builder) finish() error {
	if b.interval > 0 {
		if err := b.flush(); err != nil {
			return err
		}
	}
	if !b.hold {
		return nil
	}
	b.hold, b.open = false, false
	slices.SortStableFunc(b.held, func(x, y heldRun) int { return cmp.Compare(x.start, y.start) })
	for _, h := range b.held {
		for i, l := range h.levels {
			if b.interval == 0 {
				if err := b.spot(h.start, l, 0); err != nil {
					return err
				}
				continue
			}
			// Whole samples in order, as add sees them in an ordered file.
			at := h.start + int64(i)*b.interval
			end := b.start + (b.done+int64(len(b.levels)))*b.interval
			switch d := 2 * (at - end); {
			case b.open && d <= -b.interval:
				b.lost(0, "stamps_doubled", "a row lies within the interval of another and is left out")
				continue
			case !b.open || d >= b.interval:
				if err := b.pass(); err != nil {
					return err
				}
				b.open, b.start, b.done = true, at, 0
			}
			if err := b.push(l); err != nil {
				return err
			}
		}
	}
	return b.pass()
}

// builders makes a builder for each track.
func (p *plan) builders(o Options, second map[int]map[int64]bool, found *problems, emit func(int, time.Duration, series.Run) error) {
	fix := correctionOf(o)
	for _, t := range p.order {
		t.clock = newWall(o.Location, second[t.position])
		t.seen, t.current = false, 0
		t.builder = builder{
			sink: sink{
				track:    Track{Position: t.position, Interval: time.Duration(p.interval) * time.Microsecond, Min: t.low, Max: t.high},
				fix:      fix,
				interval: p.interval,
				emit:     emit,
			},
			per:       p.per,
			hold:      t.backwards > 0,
			firstLeft: max(0, p.per-int64(t.firstGroup)),
			notice:    found.notice,
			lost: func(line int, code, detail string) {
				found.notice(line, code, detail)
				p.rows.Rejected++
			},
		}
	}
}

// runs reads the file a second time and passes on its samples.
func (p *plan) runs(r io.ReadSeeker, l Layout, o Options, second map[int]map[int64]bool, found *problems, emit func(int, time.Duration, series.Run) error) ([]Track, error) {
	p.builders(o, second, found, emit)
	shift := int64(0)
	if o.Stamps == "interval_end" {
		shift = p.interval * p.per
	}
	take := func(t *track, at int64, l acoustic.Level, line int) error {
		switch {
		case p.interval == 0:
			return t.builder.spot(at, l, line)
		case t.overlaps && t.covered(at):
			t.builder.lost(line, "clock_overlaps", "this row falls into time already recorded and is left out")
			return nil
		}
		return t.builder.add(at-shift, l, line)
	}
	if err := p.again(r, l, o, second, take); err != nil {
		return nil, err
	}
	var tracks []Track
	for _, t := range p.order {
		if err := t.builder.finish(); err != nil {
			return nil, err
		}
		k := t.builder.track
		if k.Samples == 0 { // no row of the position could be read
			continue
		}
		tracks = append(tracks, k)
		p.rows.Flagged += k.Flagged
		p.rows.Accepted += k.Samples - k.Flagged
	}
	slices.SortFunc(tracks, func(a, b Track) int { return cmp.Compare(a.Position, b.Position) })
	return tracks, nil
}

// again gives take the readings once more, from the record or else from the file.
func (p *plan) again(r io.ReadSeeker, l Layout, o Options, second map[int]map[int64]bool, take func(*track, int64, acoustic.Level, int) error) error {
	if !p.record.full {
		return p.record.each(p.order, take)
	}
	in, _, err := newRows(r, l, o.Quantity, nil)
	if err != nil {
		return err
	}
	p.last = nil
	var w row
	for {
		err := in.next(&w)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if !w.stamped {
			continue
		}
		t := p.at(&w, o, second)
		at := w.stamp
		if !w.zoned {
			at, _ = t.clock.utc(w.stamp)
		}
		if w.code != "" {
			continue
		}
		if err := take(t, at, w.level, w.line); err != nil {
			return err
		}
	}
}

// covered reports whether at lies in a stretch of the track that was read before the current one.
func (t *track) covered(at int64) bool {
	if t.seen && at < t.previous {
		t.current++
	}
	t.seen, t.previous = true, at
	for _, s := range t.segments[:min(t.current, len(t.segments))] {
		if at >= s.from && at <= s.to {
			return true
		}
	}
	return false
}
