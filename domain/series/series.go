// Package series holds what a meter logged: quantities, series of samples, their
// flags, and the aggregates that merge without loss.
package series

import (
	"math"
	"time"

	"leveltrail/domain/acoustic"
)

// UnderRange and OverRange stand in a run for a sample that the meter flagged
// instead of giving a number: the level lay below, above its measuring range.
// They lie outside [acoustic.MinLevel, acoustic.MaxLevel].
const (
	UnderRange acoustic.Level = math.MinInt16
	OverRange  acoustic.Level = math.MaxInt16
)

// Run is an unbroken stretch of samples. Sample i of a series with an interval
// belongs to [Start+i·interval, Start+(i+1)·interval). In a spot series every
// reading is a run of its own. A gap is the absence of a run.
type Run struct {
	Start  time.Time        // UTC, whole microseconds
	Levels []acoustic.Level // in time order: numbers, UnderRange or OverRange
}

// Span is the half-open stretch of time [From, To).
type Span struct{ From, To time.Time }

// Ask names what is wanted of the samples of one series. A sample counts wholly
// in the cell in which its interval begins; samples in no cell are left out.
type Ask struct {
	Cells  []Cell // in time order, disjoint
	Groups int    // how many histograms are wanted
	Keep   bool   // the samples themselves are wanted, and nothing is tallied
}

// Cell is a span that is tallied by itself.
type Cell struct {
	Span
	Group int // index of the histogram that its samples are added to, -1 for none
}

// Answer holds what an Ask wanted.
type Answer struct {
	Tallies    []Tally     // one for each cell of the Ask, in its order
	Histograms []Histogram // one for each group
	Runs       [][]Run     // where they are kept, the samples of each cell in place of its tally, in time order, as few runs as they make
}

// Within returns the part of r whose samples begin within the span. ok is false if there is none.
func (r Run) Within(s Span, interval time.Duration) (part Run, ok bool) {
	i, j := r.indexAt(s.From, interval), r.indexAt(s.To, interval)
	if i >= j {
		return Run{}, false
	}
	return Run{Start: r.Start.Add(time.Duration(i) * interval), Levels: r.Levels[i:j]}, true
}
