package levels

import (
	"encoding/binary"
	"math/bits"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// AppendDay appends to dst the aggregate of a day in quarter hours. Equal days give equal bytes.
func AppendDay(dst []byte, d *series.Day) []byte {
	return appendDay(dst, version, d.Quarters[:], d.Histogram)
}

// AppendHours appends to dst the aggregate of a day in hours from its beginning on, which is
// less to read. Equal days give equal bytes.
func AppendHours(dst []byte, d *series.Day) []byte {
	hours := d.Hours()
	return appendDay(dst, hoursVersion, hours[:], d.Histogram)
}

func appendDay(dst []byte, first byte, tallies []series.Tally, h series.Histogram) []byte {
	start := len(dst)
	dst = append(dst, first)
	for i := range tallies {
		dst = appendTally(dst, &tallies[i])
	}
	return seal(appendHistogram(dst, h), start)
}

// appendTally appends a tally: twice its count and whether flags follow; under, over;
// then minimum, range, and the bytes of the energy from the lowest, their number first.
func appendTally(dst []byte, t *series.Tally) []byte {
	if t.Under == 0 && t.Over == 0 {
		dst = binary.AppendUvarint(dst, uint64(t.Count)<<1)
	} else {
		dst = binary.AppendUvarint(dst, uint64(t.Count)<<1|1)
		dst = binary.AppendUvarint(dst, uint64(t.Under))
		dst = binary.AppendUvarint(dst, uint64(t.Over))
	}
	if t.Count == 0 {
		return dst
	}
	dst = appendLevel(dst, t.Min)
	dst = binary.AppendUvarint(dst, uint64(t.Max-t.Min))
	n := (bits.Len64(t.Energy.Lo) + 7) / 8
	if t.Energy.Hi > 0 {
		n = 8 + (bits.Len64(t.Energy.Hi)+7)/8
	}
	var e [16]byte
	binary.LittleEndian.PutUint64(e[:], t.Energy.Lo)
	binary.LittleEndian.PutUint64(e[8:], t.Energy.Hi)
	return append(append(dst, byte(n)), e[:n]...)
}

func (r *reader) tally() (t series.Tally) {
	head := r.uvarint()
	t.Count = int64(head >> 1)
	if head&1 == 1 {
		t.Under, t.Over = int64(r.atMost(maxCount)), int64(r.atMost(maxCount))
	}
	if t.Count == 0 {
		return t
	}
	t.Min = r.level()
	t.Max = t.Min + acoustic.Level(r.atMost(uint64(acoustic.MaxLevel-t.Min)))
	n := r.byte()
	if n > 16 || t.Count > maxCount {
		r.fail()
	}
	if len(r.b) >= 17 { // the quick way: read past the end and mask
		lo, hi := binary.LittleEndian.Uint64(r.b), binary.LittleEndian.Uint64(r.b[8:])
		if n <= 8 {
			t.Energy.Lo = lo & (1<<(8*n) - 1) // a shift by 64 gives 0 − 1: all
		} else {
			t.Energy.Lo, t.Energy.Hi = lo, hi&(1<<(8*(n-8))-1)
		}
		r.b = r.b[n:]
		return t
	}
	var e [16]byte
	copy(e[:], r.take(uint64(n)))
	t.Energy = acoustic.Energy{Lo: binary.LittleEndian.Uint64(e[:]), Hi: binary.LittleEndian.Uint64(e[8:])}
	return t
}

// maxCount bounds the counts of a day's sums, so that those of any span can be added: no meter has more.
const maxCount = 1 << 40

// appendHistogram appends a histogram: flags, the step's index and the number of steps from its
// lowest level to its highest, counted both, then that lowest level and a count for each;
// a count of zero is followed by how many more zeros follow.
func appendHistogram(dst []byte, h series.Histogram) []byte {
	dst = binary.AppendUvarint(dst, uint64(h.Under))
	dst = binary.AppendUvarint(dst, uint64(h.Over))
	if len(h.Bins) == 0 {
		return binary.AppendUvarint(dst, 0)
	}
	step := histogramStep(h.Bins)
	first, last := h.Bins[0].Level, h.Bins[len(h.Bins)-1].Level
	places := uint64((int(last)-int(first))/int(steps[step])) + 1
	dst = binary.AppendUvarint(dst, places<<2|uint64(step))
	dst = appendLevel(dst, first)
	at := first
	for _, b := range h.Bins {
		if zeros := (int(b.Level) - int(at)) / int(steps[step]); zeros > 0 {
			dst = binary.AppendUvarint(append(dst, 0), uint64(zeros-1))
		}
		dst = binary.AppendUvarint(dst, uint64(b.Count))
		at = b.Level + steps[step]
	}
	return dst
}

// histogramStep returns the index of the largest step that divides the distances of bins.
func histogramStep(bins []series.Bin) int {
	for s := len(steps) - 1; s > 0; s-- {
		divides := true
		for _, b := range bins {
			divides = divides && (int(b.Level)-int(bins[0].Level))%int(steps[s]) == 0
		}
		if divides {
			return s
		}
	}
	return 0
}

// AddDay sets tallies to those of the day's quarter hours that [AppendDay] wrote, or of its
// hours that [AppendHours] wrote, which their number tells. It adds the histogram to
// counts unless that is nil. It returns [ErrCorrupt] for anything else; counts is then of no use.
func AddDay(b []byte, tallies []series.Tally, counts *series.Counts) error {
	first := byte(version)
	if len(tallies) == series.HoursPerDay {
		first = hoursVersion
	}
	b, err := open(b, first)
	if err != nil {
		return err
	}
	r := reader{b: b}
	for i := range tallies {
		tallies[i] = r.tally()
	}
	if counts != nil {
		r.addHistogram(counts)
		if len(r.b) > 0 {
			r.fail()
		}
	}
	if r.bad {
		return ErrCorrupt
	}
	return nil
}

func (r *reader) addHistogram(c *series.Counts) {
	c.AddFlags(int64(r.atMost(maxCount)), int64(r.atMost(maxCount)))
	head := r.uvarint()
	places := head >> 2
	if places == 0 || r.bad {
		return
	}
	first := r.level()
	if head&3 >= uint64(len(steps)) {
		r.fail()
		return
	}
	step := uint64(steps[head&3])
	if places-1 > uint64(acoustic.MaxLevel-first)/step {
		r.fail()
		return
	}
	counts := c.Places(first, first+acoustic.Level((places-1)*step))
	b := r.b
	for at := uint64(0); at < uint64(len(counts)); at += step {
		var n uint64
		switch {
		case len(b) > 1 && b[0] < 0x80:
			n, b = uint64(b[0]), b[1:]
		case len(b) > 2 && b[1] < 0x80:
			n, b = uint64(b[0]&0x7f)|uint64(b[1])<<7, b[2:]
		default:
			r.b = b
			n = r.atMost(maxCount)
			b = r.b
		}
		if n == 0 { // between two places that are not zero
			r.b = b
			first := at == 0
			at += r.atMost(places) * step
			if b = r.b; r.bad || first || at+step >= places*step {
				r.fail()
				return
			}
			continue
		}
		counts[at] += int64(n)
	}
	r.b = b
}

// DecodeDay returns the day that [AppendDay] wrote, or [ErrCorrupt] for anything else.
func DecodeDay(b []byte) (series.Day, error) {
	var d series.Day
	var c series.Counts
	if err := AddDay(b, d.Quarters[:], &c); err != nil {
		return series.Day{}, err
	}
	d.Histogram = c.Histogram()
	return d, nil
}
