package logfile

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"leveltrail/domain/acoustic"
)

const (
	maxPositions = 10_000
	maxSegments  = 10_000  // stretches between which the clock of one position ran backwards
	maxSpot      = 4 << 20 // spot readings that are put in order
	maxGroup     = 128     // rows that may share one stamp
	maxOverlaps  = 100     // segments among which overlaps are sorted out
)

// plan is what the first reading of a file found out for the second.
type plan struct {
	tracks      map[trackKey]*track
	order       []*track
	recent      []*track // the one last used of each column of levels
	rows        Rows
	interval    int64 // µs; 0 = irregular
	per         int64 // rows that share one stamp: sub-second logging with stamps in seconds; 1 = none
	rounded     int64 // levels of more than two decimals, and the line of the first
	roundedLine int
	steps       steps
	record      record
	groups      [maxGroup + 1]int64 // how often so many rows bore one stamp
}

// trackKey tells the tracks of a file from each other.
type trackKey struct {
	position, channel int
	series            int // index in Layout.Levels
}

// track is one part of the file while it is read.
type track struct {
	trackKey
	number     int // index in plan.order
	clock      wall
	count      int64
	firstLine  int
	first      int64 // stamps in UTC by the meter's clock
	last       int64
	group      int // rows with the stamp last
	firstGroup int // rows with the stamp first; 0 = not yet known
	segments   []segment
	backwards  int64
	lastLine   int
	low, high  acoustic.Level
	numbers    bool // there are some
	overlaps   bool // some segments do
	builder    builder

	seen     bool // of the second reading: a row, the stamp before, the index of its segment
	previous int64
	current  int
}

// segment is a stretch of stamps in ascending order.
type segment struct{ from, to int64 }

// steps counts the differences between successive stamps of a position.
type steps struct {
	counts map[int64]int64
	hot    int64 // the difference last seen
	hits   int64 // how often since
}

func (s *steps) add(d int64) {
	if d == s.hot {
		s.hits++
		return
	}
	s.flush()
	s.hot, s.hits = d, 1
}

func (s *steps) flush() {
	if s.hits > 0 {
		if _, ok := s.counts[s.hot]; ok || len(s.counts) < 1<<14 {
			s.counts[s.hot] += s.hits
		}
	}
	s.hits = 0
}

// interval returns the usual difference in µs, 0 if the stamps are irregular:
// at least four in five of the differences must lie within half of it, and it is a day at most (house values).
func (s *steps) interval() int64 {
	s.flush()
	var mode, most, total int64
	var sorted []int64
	for d, n := range s.counts {
		total += n
		sorted = append(sorted, d)
		if n > most || n == most && d < mode {
			mode, most = d, n
		}
	}
	if total < 2 {
		return 0
	}
	if most*2 < total { // jitter: the median, rounded to what an interval may be
		slices.Sort(sorted)
		var before int64
		for _, d := range sorted {
			if before += s.counts[d]; before*2 >= total {
				mode = d
				break
			}
		}
		for _, unit := range []int64{second, second / 10, second / 1000} {
			if mode >= unit-unit/20 {
				mode = (mode + unit/2) / unit * unit
				break
			}
		}
	}
	var regular int64
	for d, n := range s.counts {
		if 2*abs(d-mode) < mode {
			regular += n
		}
	}
	if regular*5 < total*4 || mode > day {
		return 0
	}
	return mode
}

func abs(d int64) int64 { return max(d, -d) }

// scan reads the whole file once and finds every reason to refuse it. e gathers
// evidence of the date order unless it is nil; the scan ends early where a date
// rules out the order it reads with.
func scan(r io.ReadSeeker, l Layout, o Options, second map[trackKey]map[int64]bool, e *evidence, found *problems) (*plan, bool, error) {
	p := &plan{tracks: map[trackKey]*track{}, per: 1, steps: steps{counts: map[int64]int64{}}}
	in, bad, err := newRows(r, l, o.Quantity, func(line int, text string) {
		found.add(Problem{Line: line, Code: "line_skipped", Detail: "this line holds no reading", Text: text})
	})
	if err != nil || bad != nil {
		if bad != nil {
			found.add(*bad)
		}
		return p, false, err
	}
	defer in.close()
	misread := false
	if e != nil {
		order := slices.Index(orders[:], l.DateOrder)
		in.seen = func(text []byte) {
			if !e.settled() {
				e.add(in.lines.number, string(text))
				misread = e.ruledOut[order] && len(e.left()) > 0
			}
		}
	}
	var w row
	var last *track
	more := make([]acoustic.Level, blockAt)
	for {
		err := in.next(&w)
		if errors.Is(err, io.EOF) || misread {
			break
		}
		if err != nil {
			return p, false, packedFault(err, found)
		}
		p.rows.Read++
		if w.code != "" {
			p.bad(&w, o, found)
			p.rows.Rejected++
		}
		if w.code == "line_too_long" {
			return p, false, nil
		}
		if !w.stamped {
			if last != nil {
				if last.firstGroup == 0 {
					last.group++
				}
				p.record.add(last.number, last.last, unstamped, w.line)
			}
			continue
		}
		if w.kind == rounded {
			if p.rounded++; p.rounded == 1 {
				p.roundedLine = w.line
			}
		}
		t := p.at(&w, o, second)
		if t == nil {
			found.add(Problem{Line: w.line, Column: l.Columns.Position, Code: "positions_too_many", Detail: "the file names more than 10,000 positions", Refuses: true})
			return p, false, nil
		}
		at := w.stamp
		if !w.zoned {
			var n note
			if at, n = t.clock.utc(w.stamp); n != noNote && w.series == 0 {
				found.hour(n, &w)
			}
		}
		step := at - t.last
		p.step(t, at, &w, found)
		p.take(t, at, &w)
		last = t
		if n := in.more(&w, step, &t.clock, more); n > 0 {
			p.takeBlock(t, step, more[:n], w.line)
		}
	}
	again := false
	for _, t := range p.order {
		if t.clock.secondMissed {
			second[t.trackKey] = t.clock.second
			again = true
		}
	}
	return p, again, nil
}

// packedFault turns the fault of a packed file into a problem.
func packedFault(err error, found *problems) error {
	if isPacked(err) {
		found.add(*damaged(err))
		return nil
	}
	return err
}

// bad lists what is wrong with a row.
func (p *plan) bad(w *row, o Options, found *problems) {
	q := Problem{Line: w.line, Column: w.column, Code: w.code, Detail: w.detail, Text: w.text}
	switch w.code {
	case "level_missing": // a gap
	case "unit_changes", "weighting_differs", "line_too_long":
		q.Refuses = true
	default:
		q.Refuses = !o.AcceptUnreadable
	}
	found.add(q)
}

// at returns the track of w, nil if there are too many.
func (p *plan) at(w *row, o Options, second map[trackKey]map[int64]bool) *track {
	k := trackKey{w.position, w.channel, w.series}
	for w.series >= len(p.recent) {
		p.recent = append(p.recent, nil)
	}
	if t := p.recent[w.series]; t != nil && t.trackKey == k {
		return t
	}
	t := p.tracks[k]
	if t == nil {
		if len(p.tracks) == maxPositions {
			return nil
		}
		t = &track{number: len(p.order), trackKey: k, firstLine: w.line, clock: newWall(o.Location, second[k])}
		p.tracks[k] = t
		p.order = append(p.order, t)
	}
	p.recent[w.series] = t
	return t
}

func newWall(loc *time.Location, second map[int64]bool) wall {
	if loc == nil {
		loc = time.UTC
	}
	return wall{loc: loc, second: second}
}

// step notes the stamp of a row, whether or not its level could be read.
func (p *plan) step(t *track, at int64, w *row, found *problems) {
	line, first := w.line, w.series == 0
	switch d := at - t.last; {
	case t.segments == nil:
		t.first, t.group = at, 1
		t.segments = append(t.segments, segment{at, at})
	case d > 0:
		p.steps.add(d)
		p.closeGroup(t)
		if d > 30*day && first {
			found.notice(line, "clock_forwards", fmt.Sprintf("the clock jumps forward by %s", human(d)))
		}
	case d == 0:
		t.group++
	default:
		p.steps.add(-d) // a file may run from the newest row to the oldest
		p.closeGroup(t)
		t.backwards++
		t.segments[len(t.segments)-1].to = t.last
		if len(t.segments) <= maxSegments {
			t.segments = append(t.segments, segment{at, at})
		}
		if !first {
			break
		}
		found.notice(line, "clock_backwards", fmt.Sprintf("the clock runs back by %s", human(-d)))
	}
	t.last, t.lastLine = at, line
}

// take counts a reading and keeps it for the second time.
func (p *plan) take(t *track, at int64, w *row) {
	if w.code != "" {
		p.record.add(t.number, at, lost, w.line)
		return
	}
	p.record.add(t.number, at, w.level, w.line)
	t.count++
	if w.kind != flagged {
		t.widen(w.level, w.level)
	}
}

// takeBlock counts numbers after the last reading of t, each step and a line after the one before.
func (p *plan) takeBlock(t *track, step int64, levels []acoustic.Level, line int) {
	n := int64(len(levels))
	p.rows.Read += n
	p.record.addBlock(step, levels)
	p.steps.add(step)
	p.steps.hits += n - 1
	p.closeGroup(t)
	p.groups[1] += n - 1
	t.last += n * step
	t.lastLine = line + len(levels)
	t.count += n
	low, high := levels[0], levels[0]
	for _, l := range levels {
		low, high = min(low, l), max(high, l)
	}
	t.widen(low, high)
}

// widen counts numbers between low and high.
func (t *track) widen(low, high acoustic.Level) {
	if !t.numbers {
		t.numbers, t.low, t.high = true, low, high
	}
	t.low, t.high = min(t.low, low), max(t.high, high)
}

func (p *plan) closeGroup(t *track) {
	if t.firstGroup == 0 {
		t.firstGroup = t.group
	} else {
		p.groups[min(t.group, maxGroup)]++
	}
	t.group = 1
}

func human(d int64) string { return (time.Duration(d) * time.Microsecond).String() }

// hour lists what a stamp met at a change of the clocks.
func (p *problems) hour(n note, w *row) {
	switch n {
	case repeatedHour:
		p.notice(w.line, "hour_repeated", "this time of day occurs twice as the clocks go back; it is taken as the first of the two until the order of the rows shows the second")
	case secondPass:
		p.notice(w.line, "hour_repeated", "from here on the repeated time of day is in its second pass")
	case clockUnset:
		p.notice(w.line, "clock_not_changed", "the stamps pass the repeated hour only once; the clock is taken not to have been put back")
	case missingHour:
		p.notice(w.line, "hour_missing", "this time of day does not exist, as the clocks go forward over it; the clock is taken not to have been changed")
	case noNote:
	}
}

// settle decides interval and order, and refuses what cannot be put in order.
func (p *plan) settle(o Options, found *problems) {
	for _, t := range p.order {
		p.closeGroup(t)
		t.segments[len(t.segments)-1].to = t.last
	}
	p.interval = p.steps.interval()
	var groups int64
	most := 1
	for size, n := range p.groups {
		groups += n
		if n > p.groups[most] {
			most = size
		}
	}
	if most > 1 && p.interval > 0 && p.groups[most]*5 >= groups*3 && p.interval%int64(most) == 0 {
		p.per = int64(most)
		p.interval /= p.per
		found.notice(p.order[0].firstLine, "stamps_coarse", fmt.Sprintf("%d rows share one stamp; they are taken as evenly spaced by %s", most, human(p.interval)))
	}
	for _, t := range p.order {
		if t.backwards == 0 {
			continue
		}
		t.overlaps = p.interval > 0 && overlapping(t.segments)
		switch {
		case p.interval == 0 && p.rows.Read > maxSpot, len(t.segments) > maxSegments, t.overlaps && len(t.segments) > maxOverlaps:
			found.add(Problem{Line: t.lastLine, Code: "order_unclear", Detail: "the rows are too much out of order", Refuses: true})
		case t.overlaps:
			found.add(Problem{
				Line: t.lastLine, Code: "clock_overlaps", Refuses: !o.AcceptUnreadable,
				Detail: "the clock ran back into time that was already recorded, so that two levels stand for one instant",
			})
		}
	}
}

func overlapping(segments []segment) bool {
	s := slices.Clone(segments)
	slices.SortFunc(s, func(a, b segment) int { return cmp.Compare(a.from, b.from) })
	for i := 1; i < len(s); i++ {
		if s[i].from <= s[i-1].to {
			return true
		}
	}
	return false
}

// readings returns how many rows hold a level or a flag.
func (p *plan) readings() (n int64) {
	for _, t := range p.order {
		n += t.count
	}
	return n
}
