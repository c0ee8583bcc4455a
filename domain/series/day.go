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

// DayAsk asks what the aggregate of the UTC day that starts at start is made of.
func DayAsk(start time.Time) Ask {
	ask := Ask{Cells: make([]Cell, QuartersPerDay), Groups: 1}
	for i := range ask.Cells {
		from := start.Add(time.Duration(i) * 15 * time.Minute)
		ask.Cells[i].Span = Span{from, from.Add(15 * time.Minute)}
	}
	return ask
}

// DayFrom returns the aggregate that the answer to [DayAsk] makes.
func DayFrom(a Answer) Day {
	d := Day{Histogram: a.Histograms[0]}
	copy(d.Quarters[:], a.Tallies)
	return d
}

// DayOf returns the aggregate of the samples of runs that begin in the UTC day that starts at start.
func DayOf(start time.Time, runs []Run, interval time.Duration) Day {
	return DayFrom(Collect(runs, interval, DayAsk(start)))
}

// Total returns the tally of the whole day.
func (d *Day) Total() Tally {
	var t Tally
	for _, q := range d.Quarters {
		t = t.Plus(q)
	}
	return t
}
