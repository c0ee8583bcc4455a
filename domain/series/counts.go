package series

import "leveltrail/domain/acoustic"

// Counts is a histogram with a place for every level there can be: quick to add
// to, large to keep (200 kB). It merges any number of samples and histograms.
// The zero Counts is empty.
type Counts struct {
	under, over int64
	lo, hi      acoustic.Level // every n outside [lo, hi) is zero
	n           [levels]int64  // by level − MinLevel
}

const levels = int(acoustic.MaxLevel) - int(acoustic.MinLevel) + 1

// Add counts n more samples of level l, a number or a flag.
func (c *Counts) Add(l acoustic.Level, n int64) {
	switch l {
	case UnderRange:
		c.under += n
	case OverRange:
		c.over += n
	default:
		c.cover(l, l)
		c.n[int(l)-int(acoustic.MinLevel)] += n
	}
}

// AddHistogram counts the samples of h.
func (c *Counts) AddHistogram(h Histogram) {
	c.under += h.Under
	c.over += h.Over
	if len(h.Bins) == 0 {
		return
	}
	c.cover(h.Bins[0].Level, h.Bins[len(h.Bins)-1].Level)
	for _, b := range h.Bins {
		c.n[int(b.Level)-int(acoustic.MinLevel)] += b.Count
	}
}

// cover widens [lo, hi) to hold first and last.
func (c *Counts) cover(first, last acoustic.Level) {
	if c.lo == c.hi {
		c.lo, c.hi = first, last+1
		return
	}
	c.lo, c.hi = min(c.lo, first), max(c.hi, last+1)
}

// touched returns the counts of [lo, hi).
func (c *Counts) touched() []int64 {
	return c.n[int(c.lo)-int(acoustic.MinLevel) : int(c.hi)-int(acoustic.MinLevel)]
}

// Histogram returns what was counted.
func (c *Counts) Histogram() Histogram {
	h := Histogram{Under: c.under, Over: c.over}
	if c.lo == c.hi {
		return h
	}
	used := 0
	for _, n := range c.touched() {
		if n != 0 {
			used++
		}
	}
	h.Bins = make([]Bin, 0, used)
	for i, n := range c.touched() {
		if n != 0 {
			h.Bins = append(h.Bins, Bin{c.lo + acoustic.Level(i), n})
		}
	}
	return h
}

// Reset empties c.
func (c *Counts) Reset() {
	if c.lo != c.hi {
		clear(c.touched())
	}
	c.under, c.over, c.lo, c.hi = 0, 0, 0, 0
}

// addRun counts the samples of ls, whose tally is t.
func (c *Counts) addRun(ls []acoustic.Level, t Tally) {
	c.under += t.Under
	c.over += t.Over
	if t.Count == 0 {
		return
	}
	c.cover(t.Min, t.Max)
	n := &c.n
	if t.Under+t.Over == 0 {
		for _, l := range ls {
			n[int(l)-int(acoustic.MinLevel)]++
		}
		return
	}
	for _, l := range ls {
		if l != UnderRange && l != OverRange {
			n[int(l)-int(acoustic.MinLevel)]++
		}
	}
}

// Places returns where the samples of the levels first to last are counted, one
// place a level, for adding to.
func (c *Counts) Places(first, last acoustic.Level) []int64 {
	c.cover(first, last)
	return c.n[int(first)-int(acoustic.MinLevel) : int(last)-int(acoustic.MinLevel)+1]
}

// AddFlags counts flagged samples.
func (c *Counts) AddFlags(under, over int64) {
	c.under += under
	c.over += over
}
