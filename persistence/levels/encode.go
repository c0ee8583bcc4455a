package levels

import (
	"encoding/binary"
	"sync"
	"time"

	"github.com/klauspost/compress/huff0"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// chunk is how many differences are coded together at most.
const chunk = 1 << 16

// encoder holds what Append needs room for.
type encoder struct {
	huff    huff0.Scratch
	numbers []acoustic.Level
	plane   []byte
}

var encoders = sync.Pool{New: func() any { return new(encoder) }}

// Append appends to dst the block of runs, whose samples all begin in the UTC hour that
// starts at hour, in time order. interval is zero for a spot series, whose runs hold one
// reading each. Equal runs give equal bytes. It panics on runs that are empty, begin
// before the hour or before the last one ended, or hold more samples than an hour of 1 ms has.
func Append(dst []byte, hour time.Time, interval time.Duration, runs []series.Run) []byte {
	e := encoders.Get().(*encoder)
	defer encoders.Put(e)
	start := len(dst)
	check(hour, interval, runs)
	unit := unitOf(hour, interval, runs)
	numbers, flags := e.split(runs)
	step := stepOf(numbers)

	shape := byte(step) | byte(unit)<<2
	if len(flags) > 0 {
		shape |= flagged
	}
	dst = append(dst, version, shape)
	dst = binary.AppendUvarint(dst, uint64(len(runs)))
	end := hour
	for _, r := range runs {
		dst = binary.AppendUvarint(dst, uint64(r.Start.Sub(end)/unitLength(unit, interval)))
		if interval > 0 {
			dst = binary.AppendUvarint(dst, uint64(len(r.Levels)))
		}
		end = r.Start.Add(time.Duration(len(r.Levels)) * interval)
	}
	if len(flags) > 0 {
		dst = binary.AppendUvarint(dst, uint64(len(flags)))
		for _, f := range flags {
			dst = binary.AppendUvarint(dst, uint64(f.skip))
			over := uint64(0)
			if f.flag == series.OverRange {
				over = 1
			}
			dst = binary.AppendUvarint(dst, uint64(f.count)<<1|over)
		}
	}
	if len(numbers) > 0 {
		dst = appendLevel(dst, numbers[0])
		for rest := numbers; len(rest) > 1; {
			n := min(len(rest)-1, chunk)
			dst = e.appendChunk(dst, rest[:n+1], step)
			rest = rest[n:]
		}
	}
	return seal(dst, start)
}

// maxSamples is how many samples a block holds at most: more than the 3,600,000 of 1 ms.
const maxSamples = 1 << 22

// check panics on runs that cannot be a block.
func check(hour time.Time, interval time.Duration, runs []series.Run) {
	end, samples := hour, 0
	for _, r := range runs {
		n := len(r.Levels)
		samples += n
		last := r.Start.Add(time.Duration(n-1) * interval)
		if n == 0 || interval == 0 && n > 1 || r.Start.Before(end) || !last.Before(hour.Add(time.Hour)) || samples > maxSamples {
			panic("levels: these runs are no block of the hour")
		}
		end = last.Add(interval)
	}
}

// flagged is the bit of the shape that says that a list of flags follows the runs.
const flagged = 1 << 5

// flagRun is a stretch of samples with the same flag.
type flagRun struct {
	skip, count int // numbers before it, since the last; samples in it
	flag        acoustic.Level
}

// split separates the numbers of all runs from their flags.
func (e *encoder) split(runs []series.Run) (numbers []acoustic.Level, flags []flagRun) {
	if len(runs) == 1 && !hasFlags(runs[0].Levels) {
		return runs[0].Levels, nil
	}
	numbers = e.numbers[:0]
	skip := 0
	flagging := false // whether the sample before had the flag of the last of flags
	for _, r := range runs {
		for _, l := range r.Levels {
			switch {
			case l != series.UnderRange && l != series.OverRange:
				numbers = append(numbers, l)
				skip++
				flagging = false
			case flagging && flags[len(flags)-1].flag == l:
				flags[len(flags)-1].count++
			default:
				flags = append(flags, flagRun{skip, 1, l})
				skip, flagging = 0, true
			}
		}
	}
	e.numbers = numbers
	return numbers, flags
}

func hasFlags(ls []acoustic.Level) bool {
	for _, l := range ls {
		if l == series.UnderRange || l == series.OverRange {
			return true
		}
	}
	return false
}

// stepOf returns the index of the largest step that divides all differences of ls.
func stepOf(ls []acoustic.Level) int {
	var odd int32
	for i := 1; i < len(ls); i++ {
		d := int32(ls[i]) - int32(ls[i-1])
		if d%5 != 0 {
			return 0
		}
		odd |= d
	}
	return 2 - int(odd&1)
}

// unitOf returns the index of the coarsest unit that divides all gaps.
func unitOf(hour time.Time, interval time.Duration, runs []series.Run) int {
	unit := 0
	end := hour
	for _, r := range runs {
		gap := r.Start.Sub(end)
		for unitLength(unit, interval) == 0 || gap%unitLength(unit, interval) != 0 {
			unit++
		}
		end = r.Start.Add(time.Duration(len(r.Levels)) * interval)
	}
	return unit
}

// unitLength returns how long the unit of the index is; 0 for the interval of a spot series.
func unitLength(unit int, interval time.Duration) time.Duration {
	if unit == 0 {
		return interval
	}
	return units[unit]
}

// appendChunk appends the differences of ls, zigzag and divided by the step, in two planes.
func (e *encoder) appendChunk(dst []byte, ls []acoustic.Level, step int) []byte {
	n := len(ls) - 1
	if cap(e.plane) < n {
		e.plane = make([]byte, n)
	}
	p := e.plane[:n]
	// Exact division by 5 is multiplication by its inverse modulo 2^32.
	inverse, shift := [...]uint32{1, 0xcccccccd, 0xcccccccd}[step], [...]int{0, 0, 1}[step]
	folded := func(i int) uint32 {
		d := int32(uint32((int32(ls[i+1])-int32(ls[i]))>>shift) * inverse)
		return uint32(d<<1) ^ uint32(d>>31)
	}
	var all uint32
	for i := range p {
		z := folded(i)
		p[i] = byte(z)
		all |= z
	}
	dst = appendPlane(dst, p, &e.huff)
	if all < 256 {
		return append(dst, constant, 0)
	}
	for i := range p {
		p[i] = byte(folded(i) >> 8)
	}
	return appendPlane(dst, p, &e.huff)
}
