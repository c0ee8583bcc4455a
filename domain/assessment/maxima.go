package assessment

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/summary"
)

// Maximum is the highest level of an event or an interval.
type Maximum struct {
	At    time.Time
	Level acoustic.Level
}

// Apart returns those of maxima that count as events of their own, from high to low:
// the highest, then each next one at least separation away from all before it.
func Apart(maxima []Maximum, separation time.Duration) []Maximum {
	sorted := slices.Clone(maxima)
	slices.SortFunc(sorted, func(a, b Maximum) int {
		if c := cmp.Compare(b.Level, a.Level); c != 0 {
			return c
		}
		return a.At.Compare(b.At)
	})
	var events []Maximum
	for _, m := range sorted {
		if !slices.ContainsFunc(events, func(e Maximum) bool { return m.At.Sub(e.At).Abs() < separation }) {
			events = append(events, m)
		}
	}
	return events
}

// NthHighest returns the n-th highest of the events that [Apart] finds, n counting from
// 1. ok is false if there are fewer: such a limit is then kept.
func NthHighest(maxima []Maximum, n int, separation time.Duration) (l acoustic.Level, ok bool) {
	events := Apart(maxima, separation)
	if n < 1 || n > len(events) {
		return 0, false
	}
	return events[n-1].Level, true
}

// AssessCount compares the n-th highest event with the limit, which asks for a count.
// r.Figure tells of what kind the maxima are, with the bound of one of them.
func AssessCount(l Limit, maxima []Maximum, r Result) Assessment {
	separation := l.Separation()
	if h, ok := NthHighest(maxima, l.Nth, separation); ok {
		r.Figure.Level = new(h.Decibel())
		return Assess(l, r)
	}
	events := Apart(maxima, separation)
	if r.Figure.Bound == summary.Lower {
		r.Missing = fmt.Sprintf("%d events were found between readings at intervals, and more may have been missed", len(events))
		return Assess(l, r)
	}
	// The n-th lies below all that came.
	below := acoustic.MinLevel
	if len(events) > 0 {
		below = min(events[len(events)-1].Level, l.LevelDB-1)
	}
	r.Figure.Level, r.Figure.Below, r.Figure.Bound = nil, new(below.Decibel()), ""
	a := Assess(l, r)
	if a.Outcome == Below {
		a.Reason = fmt.Sprintf("%d events, fewer than %d", len(events), l.Nth)
	}
	return a
}
