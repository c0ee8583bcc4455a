package series

import "time"

// Parts of the longest day.
const (
	HoursPerDay    = 24
	QuartersPerDay = 4 * HoursPerDay
)

// LongestDay is how much time a day can span: the rest of one of 25 h is a day of its own.
const LongestDay = QuartersPerDay * 15 * time.Minute

// Day is the aggregate of the samples of a series that begin in one day. It is in quarter
// hours from the beginning of the day, so that days of other zones can be cut out of it.
type Day struct {
	Histogram Histogram
	Quarters  [QuartersPerDay]Tally
}

// DayAsk asks what the aggregate of a day is made of, which begins and ends at whole quarter hours.
func DayAsk(day Span) Ask {
	ask := Ask{Groups: 1}
	for from := day.From; from.Before(day.To); from = from.Add(15 * time.Minute) {
		ask.Cells = append(ask.Cells, Cell{Span: Span{from, from.Add(15 * time.Minute)}})
	}
	return ask
}

// DayFrom returns the aggregate that the answer to [DayAsk] makes.
func DayFrom(a Answer) Day {
	d := Day{Histogram: a.Histograms[0]}
	copy(d.Quarters[:], a.Tallies)
	return d
}

// DayOf returns the aggregate of the samples of runs that begin in a day of 24 h from start on.
func DayOf(start time.Time, runs []Run, interval time.Duration) Day {
	return DayFrom(Collect(runs, interval, DayAsk(Span{start, start.Add(LongestDay)})))
}

// Hours returns the tallies of the hours from the beginning of the day on.
func (d *Day) Hours() (hours [HoursPerDay]Tally) {
	for i := range d.Quarters {
		hours[i/4].Include(&d.Quarters[i])
	}
	return hours
}

// Total returns the tally of the whole day.
func (d *Day) Total() Tally {
	var t Tally
	for _, q := range d.Quarters {
		t = t.Plus(q)
	}
	return t
}
