package levels

import (
	"slices"
	"time"

	"github.com/klauspost/compress/huff0"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// Decode returns the runs of a block of the hour and interval that [Append] was given.
// It returns [ErrCorrupt] for anything else.
func Decode(b []byte, hour time.Time, interval time.Duration) ([]series.Run, error) {
	return new(Decoder).Decode(b, hour, interval)
}

// Decoder decodes one block after another without new memory for each. The zero
// Decoder is ready.
type Decoder struct {
	huff      huff0.Scratch
	runs      []series.Run
	lengths   []int // of runs
	flags     []flagRun
	levels    []acoustic.Level // numbers and flags
	numbers   []acoustic.Level // numbers alone, where there are flags
	low, high []byte
}

// Decode is as the function [Decode], but the runs are good only until d is used again.
func (d *Decoder) Decode(b []byte, hour time.Time, interval time.Duration) ([]series.Run, error) {
	b, err := open(b, version)
	if err != nil || interval < 0 {
		return nil, ErrCorrupt
	}
	r := reader{b: b}
	shape := r.byte()
	step, unit := int(shape&3), int(shape>>2&7)
	if step >= len(steps) || unit >= len(units) || shape >= 2*flagged {
		return nil, ErrCorrupt
	}
	samples := d.readRuns(&r, hour, interval, unitLength(unit, interval))
	numbers := samples
	if shape&flagged != 0 {
		numbers -= d.readFlags(&r, samples)
	}
	// A chunk takes four bytes at least, so that few bytes cannot ask for much room.
	if r.bad || numbers > chunk*(len(r.b)/4+1) {
		return nil, ErrCorrupt
	}
	d.levels = slices.Grow(d.levels[:0], samples)[:samples]
	if shape&flagged == 0 {
		d.readNumbers(&r, d.levels, step)
	} else {
		d.numbers = slices.Grow(d.numbers[:0], numbers)[:numbers]
		d.readNumbers(&r, d.numbers, step)
		d.weave()
	}
	if r.bad || len(r.b) > 0 {
		return nil, ErrCorrupt
	}
	rest := d.levels
	for i, n := range d.lengths {
		d.runs[i].Levels, rest = rest[:n:n], rest[n:]
	}
	return d.runs, nil
}

// readRuns reads where the runs begin and how long they are, and returns the number of their samples.
func (d *Decoder) readRuns(r *reader, hour time.Time, interval, unit time.Duration) (samples int) {
	n := r.atMost(uint64(len(r.b))) // each takes a byte at least
	if n > 0 && unit == 0 {
		r.fail()
	}
	if r.bad {
		return 0
	}
	d.runs = slices.Grow(d.runs[:0], int(n))
	d.lengths = slices.Grow(d.lengths[:0], int(n))
	end := time.Duration(0) // of the last run, from the hour
	for range n {
		if end >= time.Hour {
			r.fail()
			return 0
		}
		start := end + time.Duration(r.atMost(uint64((time.Hour-1-end)/unit)))*unit
		count := 1
		if interval > 0 {
			count = int(r.atMost(min(uint64((time.Hour-1-start)/interval)+1, uint64(maxSamples-samples))))
		}
		if count == 0 || r.bad || samples == maxSamples {
			r.fail()
			return 0
		}
		d.runs = append(d.runs, series.Run{Start: hour.Add(start)})
		d.lengths = append(d.lengths, count)
		samples += count
		end = start + time.Duration(count)*interval
	}
	return samples
}

// readFlags reads where flags stand among so many samples, and returns how many do.
func (d *Decoder) readFlags(r *reader, samples int) (flagged int) {
	n := r.atMost(uint64(len(r.b) / 2)) // each takes two bytes at least
	d.flags = slices.Grow(d.flags[:0], int(n))
	left := samples
	for range n {
		skip := r.atMost(uint64(left))
		left -= int(skip)
		code := r.atMost(uint64(left)<<1 | 1)
		f := flagRun{int(skip), int(code >> 1), series.UnderRange}
		if code&1 == 1 {
			f.flag = series.OverRange
		}
		left -= f.count
		flagged += f.count
		d.flags = append(d.flags, f)
	}
	return flagged
}

// readNumbers fills ls.
func (d *Decoder) readNumbers(r *reader, ls []acoustic.Level, step int) {
	if len(ls) == 0 {
		return
	}
	last := r.level()
	ls[0] = last
	for ls = ls[1:]; len(ls) > 0 && !r.bad; {
		n := min(len(ls), chunk)
		last = d.readChunk(r, ls[:n], last, step)
		ls = ls[n:]
	}
}

// unfolded holds differences in hundredths of a decibel by step and folded byte.
var unfolded = func() (table [len(steps)][256]int32) {
	for s, step := range steps {
		for z := range table[s] {
			table[s][z] = (int32(z>>1) ^ -int32(z&1)) * int32(step)
		}
	}
	return table
}()

// readChunk fills ls with the levels of a chunk that follows a sample of level last. It returns the last.
func (d *Decoder) readChunk(r *reader, ls []acoustic.Level, last acoustic.Level, step int) acoustic.Level {
	n := len(ls)
	if cap(d.low) < n {
		d.low, d.high = make([]byte, n), make([]byte, n)
	}
	low, one := r.plane(n, d.low[:n], &d.huff)
	if r.bad {
		return 0
	}
	if one {
		low = fill(d.low[:n], low[0])
	}
	high, one := r.plane(n, d.high[:n], &d.huff)
	if r.bad {
		return 0
	}
	l := int64(last)
	var outside int64 // negative if a level was
	if one && high[0] == 0 {
		differences := &unfolded[step]
		low = low[:n]
		for i := range ls {
			l += int64(differences[low[i]])
			ls[i] = acoustic.Level(l)
			outside |= (l - int64(acoustic.MinLevel)) | (int64(acoustic.MaxLevel) - l)
		}
	} else {
		if one {
			high = fill(d.high[:n], high[0])
		}
		low, high = low[:n], high[:n]
		for i := range ls {
			z := int64(low[i]) | int64(high[i])<<8
			l += (z>>1 ^ -(z & 1)) * int64(steps[step])
			ls[i] = acoustic.Level(l)
			outside |= (l - int64(acoustic.MinLevel)) | (int64(acoustic.MaxLevel) - l)
		}
	}
	if outside < 0 {
		r.fail()
	}
	return acoustic.Level(l)
}

func fill(p []byte, c byte) []byte {
	for i := range p {
		p[i] = c
	}
	return p
}

// weave sets levels to numbers with the flags between them.
func (d *Decoder) weave() {
	to, numbers := d.levels, d.numbers
	for _, f := range d.flags {
		copy(to, numbers[:f.skip])
		to, numbers = to[f.skip:], numbers[f.skip:]
		for i := range f.count {
			to[i] = f.flag
		}
		to = to[f.count:]
	}
	copy(to, numbers)
}
