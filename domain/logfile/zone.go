package logfile

import (
	"math"
	"time"
)

// wall turns the wall-clock stamps of one position, in the order of the file,
// into instants. Both are microseconds since 1970, the former as if it were UTC.
//
// The repeated hour of autumn and the missing hour of spring are resolved by
// order: the first stamp in a repeated stretch belongs to its first pass unless
// the one before it says otherwise; a clock that runs through a repeated
// stretch only once, or that shows a missing time, was not changed, and keeps
// its offset to the end of the file.
type wall struct {
	loc    *time.Location
	kept   bool  // the clock was not changed: offset holds for ever
	offset int64 // east of UTC, for lo <= stamp < hi
	lo, hi int64

	seen         bool
	stamp, at    int64 // the last ones
	step         int64 // between the last two different stamps
	repeated     bool  // the last stamp lies in a repeated stretch
	entry        int64 // first stamp in it
	entrySmooth  bool  // the stretch was entered without a pause
	entrySecond  bool
	wentBack     bool           // its second pass was seen
	second       map[int64]bool // entries known to lie in the second pass
	secondMissed bool           // an entry was added to second: the file must be read again
}

// note says what a stamp met.
type note int

const (
	noNote       note = iota
	repeatedHour      // the first stamp in a repeated stretch
	secondPass        // the first stamp of the second pass
	clockUnset        // the stretch was passed once: the clock was not changed
	missingHour       // the stamp does not exist in the zone
)

// utc returns the instant that stamp means.
func (w *wall) utc(stamp int64) (at int64, n note) {
	if stamp >= w.lo && stamp < w.hi {
		at = stamp - w.offset
	} else {
		at, n = w.resolve(stamp)
	}
	if w.seen && stamp != w.stamp {
		w.step = stamp - w.stamp
	}
	w.seen, w.stamp, w.at = true, stamp, at
	return at, n
}

func (w *wall) offsetAt(at int64) int64 {
	_, s := time.UnixMicro(at).In(w.loc).Zone()
	return int64(s) * second
}

func (w *wall) resolve(stamp int64) (int64, note) {
	if w.kept {
		w.lo, w.hi = math.MinInt64, math.MaxInt64
		return stamp - w.offset, noNote
	}
	// The offsets in force some time before and after bracket every candidate.
	guess := time.UnixMicro(stamp - w.offsetAt(stamp)).In(w.loc)
	start, end := guess.ZoneBounds()
	_, s := guess.Zone()
	here := int64(s) * second
	before, after := here, here
	lo, hi := int64(math.MinInt64), int64(math.MaxInt64)
	if !start.IsZero() {
		before = w.offsetAt(start.UnixMicro() - 1)
		lo = start.UnixMicro() + max(here, before)
	}
	if !end.IsZero() {
		after = w.offsetAt(end.UnixMicro())
		hi = end.UnixMicro() + min(here, after)
	}
	if stamp >= lo && stamp < hi {
		return w.plain(stamp, here, lo, hi)
	}
	// Near a change: edge is its instant, old and new the offsets around it.
	edge, old, next := start.UnixMicro(), before, here
	if stamp >= hi {
		edge, old, next = end.UnixMicro(), here, after
	}
	switch {
	case stamp < edge+min(old, next): // before the change
		return w.plain(stamp, old, 0, 0)
	case stamp >= edge+max(old, next): // after it
		return w.plain(stamp, next, 0, 0)
	case old < next:
		w.kept, w.offset, w.lo, w.hi, w.repeated = true, old, math.MinInt64, math.MaxInt64, false
		return stamp - old, missingHour
	}
	return w.inRepeated(stamp, old, next)
}

// plain takes a stamp that means one instant.
func (w *wall) plain(stamp, offset, lo, hi int64) (int64, note) {
	step := stamp - w.stamp
	smooth := w.seen && step > 0 && step <= 2*w.step
	if w.repeated && !w.wentBack && smooth && !w.entrySecond {
		if w.entrySmooth { // in and out without a pause, yet no second pass
			w.kept, w.lo, w.hi, w.repeated = true, math.MinInt64, math.MaxInt64, false
			return stamp - w.offset, clockUnset
		}
		if w.second == nil {
			w.second = map[int64]bool{}
		}
		w.second[w.entry] = true
		w.secondMissed = true
	}
	w.repeated = false
	w.offset, w.lo, w.hi = offset, lo, hi
	return stamp - offset, noNote
}

func (w *wall) inRepeated(stamp, old, next int64) (int64, note) {
	w.lo, w.hi = 0, 0
	n := noNote
	if !w.repeated {
		step := stamp - w.stamp
		w.repeated, w.wentBack, w.entry = true, false, stamp
		w.entrySmooth = w.seen && step > 0 && (w.step <= 0 || step <= 2*w.step)
		w.entrySecond = w.second[stamp]
		n = repeatedHour
	}
	first := stamp - old
	switch {
	case w.wentBack || w.entrySecond:
		w.offset = next
	case w.seen && (first < w.at || first == w.at && w.step >= old-next): // the latter in hourly logs
		w.wentBack, w.offset = true, next
		if n == noNote {
			n = secondPass
		}
	default:
		w.offset = old
	}
	return stamp - w.offset, n
}
