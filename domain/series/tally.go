package series

import "leveltrail/domain/acoustic"

// Tally sums up samples of equal duration. The zero Tally is of no samples.
type Tally struct {
	Count    int64           // samples that are numbers
	Under    int64           // samples flagged under range
	Over     int64           // samples flagged over range
	Energy   acoustic.Energy // of the numbers
	Min, Max acoustic.Level  // of the numbers; zero if there are none
}

// Add tallies one more sample, a number or a flag.
func (t *Tally) Add(l acoustic.Level) {
	switch l {
	case UnderRange:
		t.Under++
	case OverRange:
		t.Over++
	default:
		if t.Count == 0 || l < t.Min {
			t.Min = l
		}
		if t.Count == 0 || l > t.Max {
			t.Max = l
		}
		t.Count++
		t.Energy = t.Energy.Plus(acoustic.EnergyOf(l))
	}
}

// Plus returns the tally of the samples of both.
func (t Tally) Plus(u Tally) Tally {
	switch {
	case t.Count == 0:
		t.Min, t.Max = u.Min, u.Max
	case u.Count > 0:
		t.Min, t.Max = min(t.Min, u.Min), max(t.Max, u.Max)
	}
	t.Count += u.Count
	t.Under += u.Under
	t.Over += u.Over
	t.Energy = t.Energy.Plus(u.Energy)
	return t
}

// Samples returns the number of samples measured, flagged ones included.
func (t Tally) Samples() int64 { return t.Count + t.Under + t.Over }

// Histogram counts samples by their exact level, so that exceedance levels of
// merged histograms are those of the samples themselves.
type Histogram struct {
	Under, Over int64 // flagged samples
	Bins        []Bin // by ascending level, counts above zero
}

// Bin is a level and how many samples had it.
type Bin struct {
	Level acoustic.Level
	Count int64
}
