package series

import (
	"math/bits"

	"leveltrail/domain/acoustic"
)

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

// TallyOf returns the tally of samples, numbers and flags.
func TallyOf(ls []acoustic.Level) Tally {
	var t Tally
	for len(ls) > 0 {
		// So few energies cannot pass 2^128, so that the carry need not be looked at.
		n := min(len(ls), 1<<20)
		t = t.Plus(tallyOf(ls[:n]))
		ls = ls[n:]
	}
	return t
}

func tallyOf(ls []acoustic.Level) Tally {
	var under, over int64
	var hi, lo, carry uint64
	low, high := OverRange, UnderRange
	for _, l := range ls {
		switch l {
		case UnderRange:
			under++
			continue
		case OverRange:
			over++
			continue
		}
		low, high = min(low, l), max(high, l)
		e := acoustic.EnergyOf(l)
		lo, carry = bits.Add64(lo, e.Lo, 0)
		hi, _ = bits.Add64(hi, e.Hi, carry)
	}
	t := Tally{Count: int64(len(ls)) - under - over, Under: under, Over: over, Energy: acoustic.Energy{Hi: hi, Lo: lo}}
	if t.Count > 0 {
		t.Min, t.Max = low, high
	}
	return t
}

// Plus returns the tally of the samples of both.
func (t Tally) Plus(u Tally) Tally {
	t.Include(&u)
	return t
}

// Include tallies the samples of u too.
func (t *Tally) Include(u *Tally) {
	switch {
	case t.Count == 0:
		if t.Under == 0 && t.Over == 0 {
			*t = *u
			return
		}
		t.Min, t.Max = u.Min, u.Max
	case u.Count > 0:
		t.Min, t.Max = min(t.Min, u.Min), max(t.Max, u.Max)
	}
	t.Count += u.Count
	t.Under += u.Under
	t.Over += u.Over
	t.Energy = t.Energy.Plus(u.Energy)
}

// Samples returns the number of samples measured, flagged ones included.
func (t Tally) Samples() int64 { return t.Count + t.Under + t.Over }
