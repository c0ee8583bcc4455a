package series

import (
	"slices"
	"sort"
	"sync"
	"time"

	"leveltrail/domain/acoustic"
)

// Collect answers ask from the samples of one series. runs are in time order and
// do not overlap; interval is zero for a spot series.
func Collect(runs []Run, interval time.Duration, ask Ask) Answer {
	c := NewCollector(interval, ask)
	for _, r := range runs {
		c.Add(r)
	}
	return c.Answer()
}

// Collector answers an Ask from runs and aggregates that come one after another,
// so that a long series need not be in memory at once. Any order gives the same
// answer; time order is quickest.
type Collector struct {
	interval time.Duration
	ask      Ask
	answer   Answer
	next     int       // the first cell that ends after the last run added began
	dense    []counted // histograms being counted, latest used first
}

// counted is a group and what was counted of it since it last became dense.
type counted struct {
	group int
	*Counts
}

// denseGroups is how many groups are counted in dense form at once: those that
// take turns, as day, evening and night do; one each of many steps passes by.
const denseGroups = 8

// NewCollector returns a Collector of ask for a series of the interval, zero for a spot series.
func NewCollector(interval time.Duration, ask Ask) *Collector {
	c := &Collector{interval: interval, ask: ask, answer: Answer{Histograms: make([]Histogram, ask.Groups)}}
	if ask.Keep {
		c.answer.Runs = make([][]Run, len(ask.Cells))
	} else {
		c.answer.Tallies = make([]Tally, len(ask.Cells))
	}
	return c
}

// Add collects the samples of r. It keeps nothing of r.
func (c *Collector) Add(r Run) {
	cells := c.ask.Cells
	if c.next > 0 && cells[c.next-1].To.After(r.Start) {
		c.next = 0
	}
	if c.next < len(cells) && !cells[c.next].To.After(r.Start) {
		c.next += sort.Search(len(cells)-c.next, func(i int) bool { return cells[c.next+i].To.After(r.Start) })
	}
	from := 0
	for i := c.next; i < len(cells) && from < len(r.Levels); i++ {
		from = max(from, r.indexAt(cells[i].From, c.interval))
		to := r.indexAt(cells[i].To, c.interval)
		if from >= to {
			continue
		}
		if c.ask.Keep {
			part := Run{r.Start.Add(time.Duration(from) * c.interval), slices.Clone(r.Levels[from:to])}
			c.answer.Runs[i] = append(c.answer.Runs[i], part)
		} else {
			c.addTo(i, r.Levels[from:to])
		}
		from = to
	}
}

// adjoins reports whether s begins where r ends.
func (r Run) adjoins(s Run, interval time.Duration) bool {
	return interval > 0 && r.Start.Add(time.Duration(len(r.Levels))*interval).Equal(s.Start)
}

// Joined puts runs into time order, in place, and joins those that adjoin. It keeps their
// levels as they are.
func Joined(runs []Run, interval time.Duration) []Run {
	slices.SortFunc(runs, func(a, b Run) int { return a.Start.Compare(b.Start) })
	joined := runs[:0]
	for _, r := range runs {
		if n := len(joined); n > 0 && joined[n-1].adjoins(r, interval) {
			joined[n-1].Levels = append(joined[n-1].Levels, r.Levels...)
		} else {
			joined = append(joined, Run{r.Start, slices.Clip(r.Levels)})
		}
	}
	return joined
}

// addTo collects the samples of one cell.
func (c *Collector) addTo(cell int, ls []acoustic.Level) {
	t := TallyOf(ls)
	c.AddTally(cell, &t)
	if g := c.ask.Cells[cell].Group; g >= 0 {
		c.Counts(g).addRun(ls, t)
	}
}

// AddTally adds to a cell samples that were tallied elsewhere; to its group they are added with [Collector.Counts].
func (c *Collector) AddTally(cell int, t *Tally) {
	c.answer.Tallies[cell].Include(t)
}

// Counts returns where samples of a group are counted, good until the Collector is used again.
func (c *Collector) Counts(group int) *Counts {
	i := slices.IndexFunc(c.dense, func(d counted) bool { return d.group == group })
	switch {
	case i == 0:
		return c.dense[0].Counts
	case i > 0: // found
	case len(c.dense) < denseGroups:
		i = len(c.dense)
		c.dense = append(c.dense, counted{group, spareCounts.Get().(*Counts)})
	default:
		i = len(c.dense) - 1
		c.settle(c.dense[i])
		c.dense[i].group = group
	}
	d := c.dense[i]
	copy(c.dense[1:], c.dense[:i])
	c.dense[0] = d
	return d.Counts
}

// spareCounts are empty: they are large, and to make them costs more than to count a day.
var spareCounts = sync.Pool{New: func() any { return new(Counts) }}

// settle moves what d counted into the answer.
func (c *Collector) settle(d counted) {
	h := &c.answer.Histograms[d.group]
	if len(h.Bins) == 0 && h.Under == 0 && h.Over == 0 {
		*h = d.Histogram()
	} else {
		*h = h.Plus(d.Histogram())
	}
	d.Reset()
}

// Answer returns what was collected so far.
func (c *Collector) Answer() Answer {
	for _, d := range c.dense {
		c.settle(d)
		spareCounts.Put(d.Counts)
	}
	c.dense = nil
	for i, runs := range c.answer.Runs {
		c.answer.Runs[i] = Joined(runs, c.interval)
	}
	return c.answer
}

// indexAt returns the index of the first sample of r that begins at t or later,
// len(r.Levels) if none does.
func (r Run) indexAt(t time.Time, interval time.Duration) int {
	d := t.Sub(r.Start)
	switch {
	case d <= 0:
		return 0
	case interval == 0 || d/interval >= time.Duration(len(r.Levels)):
		return len(r.Levels)
	case d%interval == 0:
		return int(d / interval)
	}
	return int(d/interval) + 1
}
