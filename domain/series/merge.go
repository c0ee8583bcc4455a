package series

import (
	"slices"
	"time"

	"leveltrail/domain/acoustic"
)

// Merge returns the runs of a stretch of a series after an append: in time order,
// adjoining runs joined, so that any cutting, order and repetition of the same
// appends gives the same runs. Samples that are there already, with an equal number
// or flag, change nothing, and the absence of a sample erases none.
//
// ok is false if a sample contradicts another: a different number or flag at the
// same instant, or intervals that overlap without beginning together. clash is then
// the first instant at which that is so, the beginning of the later of the two.
//
// interval is zero for a spot series, whose runs hold one reading each. The runs
// given may overlap, come in any order and be empty; they are not written to, but
// the answer may share their levels.
func Merge(stored, appended []Run, interval time.Duration) (runs []Run, clash time.Time, ok bool) {
	all := slices.Concat(stored, appended)
	all = slices.DeleteFunc(all, func(r Run) bool { return len(r.Levels) == 0 })
	byStart := func(a, b Run) int { return a.Start.Compare(b.Start) }
	if !slices.IsSortedFunc(all, byStart) {
		slices.SortStableFunc(all, byStart)
	}
	ok = true
	owned := false // whether the levels of the last run are a copy that may grow in place
	for i, r := range all {
		if !ok && !r.Start.Before(clash) {
			break
		}
		if len(runs) == 0 {
			runs = append(runs, r)
			continue
		}
		last := &runs[len(runs)-1]
		over, phase := overlap(*last, r, interval)
		switch {
		case !phase:
			return nil, r.Start, false
		case over < 0 || interval == 0 && over == 0:
			runs, owned = append(runs, r), false
			continue
		}
		had := last.Levels[len(last.Levels)-over:]
		if i := firstDifference(had, r.Levels); i >= 0 {
			at := r.Start.Add(time.Duration(i) * interval)
			if ok || at.Before(clash) {
				ok, clash = false, at
			}
		}
		if over < len(r.Levels) {
			if !owned {
				room := adjoining(all[i:], interval) - over
				last.Levels, owned = append(make([]acoustic.Level, 0, len(last.Levels)+room), last.Levels...), true
			}
			last.Levels = append(last.Levels, r.Levels[over:]...)
		}
	}
	if !ok {
		return nil, clash, false
	}
	return runs, time.Time{}, true
}

// adjoining returns how many samples runs have up to the first that does not begin where the one before ends.
func adjoining(runs []Run, interval time.Duration) (n int) {
	end := runs[0].Start
	for _, r := range runs {
		if !r.Start.Equal(end) {
			break
		}
		n += len(r.Levels)
		end = end.Add(time.Duration(len(r.Levels)) * interval)
	}
	return n
}

// overlap returns how many samples of last lie at or after the beginning of r,
// which is not before that of last; -1 if r begins later than last ends.
// phase is false if r begins within a sample of last.
func overlap(last, r Run, interval time.Duration) (n int, phase bool) {
	d := r.Start.Sub(last.Start)
	if interval == 0 {
		if d == 0 {
			return 1, true
		}
		return -1, true
	}
	i := d / interval
	switch {
	case i > time.Duration(len(last.Levels)), i == time.Duration(len(last.Levels)) && d%interval != 0:
		return -1, true
	case d%interval != 0:
		return 0, false
	}
	return len(last.Levels) - int(i), true
}

// firstDifference returns the first index at which a and b both have a sample and differ, -1 if none.
func firstDifference(a, b []acoustic.Level) int {
	n := min(len(a), len(b))
	a, b = a[:n], b[:n]
	for i := range a {
		if a[i] != b[i] {
			return i
		}
	}
	return -1
}

// Part is the samples of a series that begin in one stretch of a division of time.
type Part struct {
	Start time.Time // of the stretch
	Runs  []Run     // in time order; they share the levels of what was split
}

// Split returns runs, which are in time order, divided into the UTC hours or days
// (every) in which their samples begin. Stretches without samples are left out.
func Split(runs []Run, interval, every time.Duration) []Part {
	var parts []Part
	for _, r := range runs {
		for len(r.Levels) > 0 {
			start := r.Start.Truncate(every)
			n := r.indexAt(start.Add(every), interval)
			if len(parts) == 0 || !parts[len(parts)-1].Start.Equal(start) {
				parts = append(parts, Part{Start: start})
			}
			p := &parts[len(parts)-1]
			p.Runs = append(p.Runs, Run{r.Start, r.Levels[:n:n]})
			r = Run{r.Start.Add(time.Duration(n) * interval), r.Levels[n:]}
		}
	}
	return parts
}
