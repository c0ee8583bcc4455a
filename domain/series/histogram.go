package series

import (
	"slices"

	"leveltrail/domain/acoustic"
)

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

// Percent is a share in thousandths of a percent: 90_000 for the 90 of LA90.
type Percent int32

// Samples returns the number of samples counted, flagged ones included.
func (h Histogram) Samples() int64 {
	n := h.Under + h.Over
	for _, b := range h.Bins {
		n += b.Count
	}
	return n
}

// Add counts one more sample, a number or a flag. To count many, see [Counts].
func (h *Histogram) Add(l acoustic.Level) {
	switch l {
	case UnderRange:
		h.Under++
	case OverRange:
		h.Over++
	default:
		i, found := slices.BinarySearchFunc(h.Bins, l, func(b Bin, l acoustic.Level) int { return int(b.Level) - int(l) })
		if !found {
			h.Bins = slices.Insert(h.Bins, i, Bin{Level: l})
		}
		h.Bins[i].Count++
	}
}

// Plus returns the histogram of the samples of both.
func (h Histogram) Plus(g Histogram) Histogram {
	sum := Histogram{Under: h.Under + g.Under, Over: h.Over + g.Over}
	if len(h.Bins) == 0 || len(g.Bins) == 0 {
		sum.Bins = slices.Concat(h.Bins, g.Bins)
		return sum
	}
	sum.Bins = make([]Bin, 0, len(h.Bins)+len(g.Bins))
	a, b := h.Bins, g.Bins
	for len(a) > 0 && len(b) > 0 {
		switch {
		case a[0].Level < b[0].Level:
			sum.Bins, a = append(sum.Bins, a[0]), a[1:]
		case a[0].Level > b[0].Level:
			sum.Bins, b = append(sum.Bins, b[0]), b[1:]
		default:
			sum.Bins = append(sum.Bins, Bin{a[0].Level, a[0].Count + b[0].Count})
			a, b = a[1:], b[1:]
		}
	}
	sum.Bins = append(append(sum.Bins, a...), b...)
	return sum
}

// Exceedance returns the level exceeded during p of the samples' time: of n equal
// samples sorted from high to low the one at rank ⌊n·p⌋ + 1, at most n, without
// interpolation. Samples over range count as highest, under range as lowest; where
// the rank falls among them the answer is [OverRange] or [UnderRange].
// ok is false if there are no samples. p lies between 0 and 100 %.
func (h Histogram) Exceedance(p Percent) (l acoustic.Level, ok bool) {
	n := h.Samples()
	if n == 0 {
		return 0, false
	}
	rank := rankOf(n, p) - h.Over
	if rank <= 0 {
		return OverRange, true
	}
	for _, b := range slices.Backward(h.Bins) {
		if rank -= b.Count; rank <= 0 {
			return b.Level, true
		}
	}
	return UnderRange, true
}

// rankOf returns ⌊n·p⌋ + 1, at most n. It is exact for n below 9·10^13.
func rankOf(n int64, p Percent) int64 { return min(n*int64(p)/100_000+1, n) }
