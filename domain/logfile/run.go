package logfile

import (
	"cmp"
	"errors"
	"io"
	"math"
	"slices"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// sink passes on the runs of one track. Instants are true time, in µs.
type sink struct {
	track    Track
	traits   series.Surveyor
	interval int64 // 0 = spot
	end      int64 // of the last run
	emit     func(p Part, run series.Run) error
}

func instant(us int64) time.Time { return time.UnixMicro(us).UTC() }

func (s *sink) put(start int64, levels []acoustic.Level) error {
	k := &s.track
	switch {
	case k.Samples == 0:
		k.From = instant(start)
	case start > s.end && s.interval > 0:
		k.GapsTotal++
		if len(k.Gaps) < MaxListed {
			k.Gaps = append(k.Gaps, series.Span{From: instant(s.end), To: instant(start)})
		}
	}
	s.end = start + int64(len(levels))*s.interval
	k.To = instant(s.end)
	k.Samples += int64(len(levels))
	run := series.Run{Start: instant(start), Levels: levels}
	s.traits.Add(run)
	if s.emit == nil {
		return nil
	}
	return s.emit(k.Part, run)
}

// builder puts the samples of one track together. Its instants are UTC by the meter's clock.
type builder struct {
	sink
	fix       correction
	per       int64 // rows that share one stamp
	hold      bool  // the runs must be put in order before they are passed on
	held      []heldRun
	open      bool
	start     int64 // of the stretch, beginning of its first sample's interval
	done      int64 // samples of the stretch that have left levels
	levels    []acoustic.Level
	shift     int64          // true time minus meter time in this stretch
	cross     float64        // samples after which the clock is off by half an interval; 0 = never
	last      int64          // stamp of the row before
	began     bool           // there was a row
	index     int64          // place of the next row among those of its stamp
	ahead     int64          // rows without a stamp that belong to the next one
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

// add takes the next sample of a series with an interval, or what stands for a row without one.
func (b *builder) add(stamp int64, l acoustic.Level, line int) error {
	none := l == lost || l == unstamped
	if none && b.per <= 1 {
		return nil
	}
	at, same, back := stamp, b.began && stamp == b.last, b.open && stamp < b.last
	if b.per > 1 {
		switch {
		case l == unstamped && b.began && b.index < b.per:
			b.index++
			return nil
		case l == unstamped:
			b.ahead++
			return nil
		case !b.began:
			b.index = b.firstLeft + b.ahead
		case !same:
			b.index = b.ahead
		}
		b.ahead = 0
		if b.index >= b.per {
			if !none {
				b.lost(line, "stamps_doubled", "more rows than usual share this stamp; this one is left out")
			}
			return nil
		}
		at += b.index * b.interval
		b.index++
	}
	b.last, b.began = stamp, true
	if !b.open || back {
		if err := b.flush(); err != nil {
			return err
		}
		b.open = false
		if none {
			return nil
		}
		b.begin(at)
		return b.push(l, line)
	}
	if none {
		return nil
	}
	end := b.reach()
	if b.waiting > 0 && !same {
		if 2*abs(at-end-b.interval) < b.interval {
			b.notice(b.waiting, "stamps_doubled", "this row has the stamp of the one before; it is taken as the sample missing after that")
			if err := b.push(b.doubled, b.waiting); err != nil {
				return err
			}
			end = b.reach()
		} else {
			b.lost(b.waiting, "stamps_doubled", leftOut)
		}
		b.waiting = 0
	}
	switch d := 2 * (at - end); {
	case d > -b.interval && d < b.interval:
		return b.push(l, line)
	case d >= b.interval:
		if err := b.flush(); err != nil {
			return err
		}
		b.begin(at)
		return b.push(l, line)
	case same && b.waiting == 0:
		b.doubled, b.waiting = l, line
	default:
		b.lost(line, "stamps_doubled", "this row lies within the interval of one before it and is left out")
	}
	return nil
}

// addBlock takes samples a step apart, each of a line of its own.
func (b *builder) addBlock(at, step int64, levels []acoustic.Level, line int) error {
	for len(levels) > 0 {
		n := min(len(levels), MaxRun-len(b.levels))
		if b.cross > 0 {
			n = min(n, int(min(b.cross-float64(b.done)-float64(len(b.levels)), MaxRun)))
		}
		if b.per > 1 || !b.open || b.waiting > 0 || step != b.interval || at != b.reach() || n < 1 || levels[0] == lost || levels[0] == unstamped {
			if err := b.add(at, levels[0], line); err != nil {
				return err
			}
			n = 1
		} else {
			b.levels = append(b.room(), levels[:n]...)
			b.last = at + int64(n-1)*step
			if len(b.levels) == MaxRun {
				if err := b.pass(); err != nil {
					return err
				}
			}
		}
		at, line, levels = at+int64(n)*step, line+n, levels[n:]
	}
	return nil
}

// room returns levels, made for a whole run if a part of the stretch was passed on.
func (b *builder) room() []acoustic.Level {
	if b.levels == nil && b.done > 0 {
		return make([]acoustic.Level, 0, MaxRun)
	}
	return b.levels
}

// reach returns where the next sample of the stretch belongs.
func (b *builder) reach() int64 { return b.start + (b.done+int64(len(b.levels)))*b.interval }

// begin begins an unbroken stretch at meter time at. Its first sample is put at its true instant.
func (b *builder) begin(at int64) {
	b.open, b.start, b.done = true, at, 0
	if b.hold {
		return
	}
	b.shift = b.fix.apply(at) - at
	if b.track.Samples > 0 {
		b.shift = max(b.shift, b.end-at)
	}
	if b.cross = 0; b.fix.drift != 0 {
		b.cross = 0.5 / math.Abs(b.fix.drift)
	}
}

func (b *builder) push(l acoustic.Level, line int) error {
	if n := b.done + int64(len(b.levels)); b.cross > 0 && float64(n) >= b.cross {
		if gone, err := b.replace(l, line, n); gone || err != nil {
			return err
		}
	}
	b.levels = append(b.room(), l)
	if len(b.levels) == MaxRun {
		return b.pass()
	}
	return nil
}

// replace keeps the samples within half an interval of their true instants, and
// on one grid, where a drifting clock takes sample l, the n-th of the stretch,
// out of it: behind a clock that is slow an interval is left free; of two
// samples that a fast one puts into one interval the lower is left out. gone
// says that l has its place.
func (b *builder) replace(l acoustic.Level, line int, n int64) (gone bool, err error) {
	next := b.reach()
	b.cross += 1/math.Abs(b.fix.drift) - float64(n)
	if b.fix.drift > 0 {
		b.notice(line, "clock_drift", "the clock has lost half an interval since the last correction; an interval is left free before this row")
		err = b.pass()
		b.start, b.done, b.shift = next, 0, b.shift+b.interval
		return false, err
	}
	out := l
	if i := len(b.levels) - 1; i >= 0 && b.levels[i] < l {
		out, b.levels[i] = b.levels[i], l
	}
	b.lost(line, "clock_drift", "the clock has gained half an interval since the last correction; of this row and the one before the lower, "+said(out)+", is left out")
	err = b.pass()
	b.start, b.done, b.shift, b.cross = next+b.interval, 0, b.shift-b.interval, b.cross-1
	return true, err
}

// said returns l as a phrase.
func said(l acoustic.Level) string {
	switch l {
	case series.UnderRange:
		return "under range"
	case series.OverRange:
		return "over range"
	}
	return l.String() + " dB"
}

// flush ends the run.
func (b *builder) flush() error {
	if b.waiting > 0 {
		b.lost(b.waiting, "stamps_doubled", leftOut)
		b.waiting = 0
	}
	return b.pass()
}

// pass passes on levels; the stretch goes on.
func (b *builder) pass() error {
	if len(b.levels) == 0 {
		return nil
	}
	start, levels := b.start+b.done*b.interval, b.levels
	b.done += int64(len(levels))
	b.levels = nil
	if b.hold {
		b.held = append(b.held, heldRun{start, levels})
		return nil
	}
	return b.put(start+b.shift, levels)
}

// spot takes the next spot reading. Readings of one stamp are set a millisecond
// apart, so that all are kept.
func (b *builder) spot(at int64, l acoustic.Level, line int) error {
	if b.hold {
		b.held = append(b.held, heldRun{at, []acoustic.Level{l}})
		return nil
	}
	at = b.fix.apply(at)
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
				b.begin(at)
			}
			if err := b.push(l, 0); err != nil {
				return err
			}
		}
	}
	return b.pass()
}

// builders makes a builder for each track.
func (p *plan) builders(l Layout, o Options, second map[trackKey]map[int64]bool, found *problems, emit func(Part, series.Run) error) {
	for _, t := range p.order {
		t.clock = newWall(o.Location, second[t.trackKey])
		t.seen, t.current = false, 0
		part := partOf(l, o, t.trackKey)
		part.Interval = time.Duration(p.interval) * time.Microsecond
		t.builder = builder{
			sink: sink{
				track:    Track{Part: part, Min: t.low, Max: t.high},
				traits:   series.NewSurveyor(part.Interval, o.RangeFrom, o.RangeTo, len(p.order) <= 16),
				interval: p.interval,
				emit:     emit,
			},
			fix:       correctionOf(o),
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

// partOf says what the readings of a track are.
func partOf(l Layout, o Options, k trackKey) Part {
	p := Part{Position: k.position, Channel: k.channel, Quantity: o.Quantity}
	if p.Quantity == "" {
		p.Quantity = l.Quantity
	}
	if k.series < len(l.Levels) {
		v := l.Levels[k.series]
		p.Quantity, p.BandFraction, p.BandHz = v.Quantity, v.BandFraction, v.BandHz
		if v.Channel > 0 {
			p.Channel = v.Channel
		}
	}
	return p
}

// runs goes over the readings a second time and passes on the samples.
func (p *plan) runs(r io.ReadSeeker, l Layout, o Options, second map[trackKey]map[int64]bool, found *problems, emit func(Part, series.Run) error) ([]Track, error) {
	p.builders(l, o, second, found, emit)
	shift := int64(0)
	if o.Stamps == "interval_end" {
		shift = p.interval * p.per
	}
	take := func(t *track, at, step int64, levels []acoustic.Level, line int) error {
		b := &t.builder
		if p.interval > 0 && !t.overlaps {
			return b.addBlock(at-shift, step, levels, line)
		}
		for i, l := range levels {
			at, line := at+int64(i)*step, line+i
			var err error
			switch {
			case p.interval == 0 && (l == lost || l == unstamped):
			case p.interval == 0:
				err = b.spot(at, l, line)
			case l != lost && l != unstamped && t.covered(at):
				b.lost(line, "clock_overlaps", "this row falls into time already recorded and is left out")
			default:
				err = b.add(at-shift, l, line)
			}
			if err != nil {
				return err
			}
		}
		return nil
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
		k.Traits = t.builder.traits.Traits()
		k.Flagged = k.Traits.Under + k.Traits.Over
		tracks = append(tracks, k)
		p.rows.Flagged += k.Flagged
		p.rows.Accepted += k.Samples - k.Flagged
	}
	slices.SortStableFunc(tracks, func(a, b Track) int {
		return cmp.Or(cmp.Compare(a.Position, b.Position), cmp.Compare(a.Channel, b.Channel))
	})
	return tracks, nil
}

// again gives take the readings once more, from the record or else from the file.
func (p *plan) again(r io.ReadSeeker, l Layout, o Options, second map[trackKey]map[int64]bool, take taker) error {
	if !p.record.full {
		return p.record.each(p.order, take)
	}
	in, _, err := newRows(r, l, o.Quantity, nil)
	if err != nil {
		return err
	}
	defer in.close()
	p.recent = nil
	var last *track
	var w row
	one, more := make([]acoustic.Level, 1), make([]acoustic.Level, blockAt)
	for {
		err := in.next(&w)
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		t, at := last, int64(0)
		if one[0] = w.level; !w.stamped {
			one[0] = unstamped
		} else {
			t = p.at(&w, o, second)
			if at = w.stamp; !w.zoned {
				at, _ = t.clock.utc(w.stamp)
			}
			if w.code != "" {
				one[0] = lost
			}
		}
		if t == nil {
			continue
		}
		step := at - t.last
		t.last, last = at, t
		if err := take(t, at, step, one, w.line); err != nil {
			return err
		}
		if n := in.more(&w, step, &t.clock, more); n > 0 {
			if err := take(t, at+step, step, more[:n], w.line+1); err != nil {
				return err
			}
			t.last = at + int64(n)*step
		}
	}
}

// taker takes readings of a track: the first of levels is of line and at, the
// others each a line and step after the one before. It may not keep levels.
type taker func(t *track, at, step int64, levels []acoustic.Level, line int) error

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
