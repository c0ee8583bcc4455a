package series

import "time"

// QuartersPerDay is the number of quarter hours of a UTC day.
const QuartersPerDay = 96

// Day is the aggregate of the samples of a series that begin in one UTC day. It is
// in quarter hours because zones with offsets of half and quarter hours exist.
type Day struct {
	Histogram Histogram
	Quarters  [QuartersPerDay]Tally
}

// DayOf returns the aggregate of the samples of runs that begin in the UTC day that starts at start.
func DayOf(start time.Time, runs []Run, interval time.Duration) Day {
	ask := Ask{Cells: make([]Cell, QuartersPerDay), Groups: 1}
	for i := range ask.Cells {
		from := start.Add(time.Duration(i) * 15 * time.Minute)
		ask.Cells[i].Span = Span{from, from.Add(15 * time.Minute)}
	}
	a := Collect(runs, interval, ask)
	d := Day{Histogram: a.Histograms[0]}
	copy(d.Quarters[:], a.Tallies)
	return d
}

// Total returns the tally of the whole day.
func (d *Day) Total() Tally {
	var t Tally
	for _, q := range d.Quarters {
		t = t.Plus(q)
	}
	return t
}
