package logfile

import (
	"encoding/binary"

	"leveltrail/domain/acoustic"
)

// maxRecord bounds the record of the first reading; a longer file is read again.
var maxRecord = 32 << 20

// lost and unstamped stand for rows of which no level is kept, so that the rows
// that share their stamp keep their places: one that has a stamp, one that has none.
const (
	lost      acoustic.Level = -32767
	unstamped acoustic.Level = -32766
)

// chunk is how many bytes of a record are made at once, blockAt how many readings one
// block of it holds at most: few, so that most hold levels near each other.
const (
	chunk   = 256 << 10
	blockAt = 512
)

// record holds the readings of a file in its order, so that a file of up to
// many millions of rows need not be parsed twice. A reading is
//
//	0 <1 byte> | level <2 bytes>
//
// if its track, step and line are those expected: the track that came after the
// one before last time, as far in time and lines from its own last reading as
// that was from the one before it. Else it is
//
//	1 <1 byte> | level <2 bytes> | track <uvarint> | step <varint> | lines <uvarint>
//
// and several that go on as expected from one of the same track are
//
//	2 <1 byte> | count <2 bytes> | count × level <2 bytes>
//
// or, where their levels are near each other, with the first and the differences
// from one to the next, which the unit divides
//
//	3 <1 byte> | count <2 bytes> | unit <1 byte> | level <2 bytes> | (count − 1) × difference <1 byte>
type record struct {
	chunks [][]byte
	size   int
	full   bool // some reading did not fit: there is no record
	course course
}

// course expects the next reading of a file.
type course struct {
	last   int // track of the last reading
	tracks []place
}

// place is where a track stands.
type place struct {
	at, step    int64
	line, lines int
	next        int // track of the reading that came after
}

// move notes the next reading. expected reports whether it is as expected.
func (c *course) move(track int, at int64, line int) (step int64, lines int, expected bool) {
	for track >= len(c.tracks) {
		c.tracks = append(c.tracks, place{})
	}
	p := &c.tracks[track]
	step, lines = at-p.at, line-p.line
	expected = c.last < len(c.tracks) && c.tracks[c.last].next == track && step == p.step && lines == p.lines
	c.tracks[c.last].next = track
	c.last = track
	p.at, p.step, p.line, p.lines = at, step, line, lines
	return step, lines, expected
}

// room returns the chunk to append n bytes to, nil if the record is full.
func (r *record) room(n int) []byte {
	if r.size += n; r.size > maxRecord || r.full {
		r.full, r.chunks = true, nil
		return nil
	}
	if i := len(r.chunks) - 1; i >= 0 && len(r.chunks[i])+n <= cap(r.chunks[i]) {
		return r.chunks[i]
	}
	r.chunks = append(r.chunks, make([]byte, 0, chunk))
	return r.chunks[len(r.chunks)-1]
}

func (r *record) keep(b []byte) { r.chunks[len(r.chunks)-1] = b }

func (r *record) add(track int, at int64, l acoustic.Level, line int) {
	if r.full {
		return
	}
	step, lines, expected := r.course.move(track, at, line)
	if expected {
		if b := r.room(3); b != nil {
			r.keep(append(b, 0, byte(l), byte(uint16(l)>>8)))
		}
		return
	}
	if b := r.room(3 + 3*binary.MaxVarintLen64); b != nil {
		was := len(b)
		b = append(b, 1, byte(l), byte(uint16(l)>>8))
		b = binary.AppendUvarint(b, uint64(track))
		b = binary.AppendVarint(b, step)
		b = binary.AppendVarint(b, int64(lines))
		r.size -= 3 + 3*binary.MaxVarintLen64 - (len(b) - was)
		r.keep(b)
	}
}

// addBlock adds readings of the track of the last one, each a line and a step after the one before.
func (r *record) addBlock(step int64, levels []acoustic.Level) {
	if r.full || len(levels) == 0 {
		return
	}
	track := r.course.last
	p := &r.course.tracks[track]
	if p.step != step || p.lines != 1 || p.next != track {
		r.add(track, p.at+step, levels[0], p.line+1)
		levels = levels[1:]
	}
	for len(levels) > 0 && !r.full {
		n := min(len(levels), blockAt)
		size := 3 + 2*n
		unit := near(levels[:n])
		if unit > 0 {
			size = 6 + n - 1
		}
		b := r.room(size)
		if b == nil {
			return
		}
		if unit > 0 {
			l := levels[0]
			b = append(b, 3, byte(n), byte(n>>8), byte(unit), byte(l), byte(uint16(l)>>8))
			at := len(b)
			b = b[:at+n-1]
			for i, next := range levels[1:n] {
				d := int(next) - int(l)
				if unit == tenth {
					d /= tenth
				}
				b[at+i], l = byte(int8(d)), next
			}
		} else {
			b = append(b, 2, byte(n), byte(n>>8))
			for _, l := range levels[:n] {
				b = append(b, byte(l), byte(uint16(l)>>8))
			}
		}
		r.keep(b)
		p.at += int64(n) * step
		p.line += n
		levels = levels[n:]
	}
}

// tenth is a tenth of a decibel, as constant: to divide by one is much faster.
const tenth = 10

// near returns the largest unit with which the differences of levels fit into a byte, zero if none does.
func near(levels []acoustic.Level) (unit int) {
	unit = tenth
	most := 0
	for i := 1; i < len(levels); i++ {
		d := int(levels[i]) - int(levels[i-1])
		most = max(most, d, -d)
		if d%tenth != 0 {
			unit = 1
		}
	}
	if most > 127*unit {
		return 0
	}
	return unit
}

// each gives f every reading in order: the first of levels is of line and at,
// the others each a line and step after the one before. f may not keep levels. What was
// given is no longer kept.
func (r *record) each(tracks []*track, f func(t *track, at, step int64, levels []acoustic.Level, line int) error) error {
	var c course
	levels := make([]acoustic.Level, blockAt)
	for i, b := range r.chunks {
		r.chunks[i] = nil
		for len(b) > 0 {
			kind, x := b[0], binary.LittleEndian.Uint16(b[1:])
			b = b[3:]
			levels[0] = acoustic.Level(int16(x))
			n := 1
			var number int
			var at int64
			var line int
			switch kind {
			case 1:
				t, k := binary.Uvarint(b)
				b = b[k:]
				step, k := binary.Varint(b)
				b = b[k:]
				lines, k := binary.Varint(b)
				b = b[k:]
				number = int(t)
				for number >= len(c.tracks) {
					c.tracks = append(c.tracks, place{})
				}
				at, line = c.tracks[number].at+step, c.tracks[number].line+int(lines)
			default:
				if kind == 2 {
					n = int(x)
					for i := range n {
						levels[i] = acoustic.Level(int16(binary.LittleEndian.Uint16(b[2*i:])))
					}
					b = b[2*n:]
				}
				if kind == 3 {
					n = int(x)
					unit, l := int(b[0]), int(int16(binary.LittleEndian.Uint16(b[1:])))
					levels[0] = acoustic.Level(l)
					for i, d := range b[3 : 3+n-1] {
						l += int(int8(d)) * unit
						levels[i+1] = acoustic.Level(l)
					}
					b = b[3+n-1:]
				}
				number = c.tracks[c.last].next
				p := c.tracks[number]
				at, line = p.at+p.step, p.line+p.lines
			}
			step, _, _ := c.move(number, at, line)
			if err := f(tracks[number], at, step, levels[:n], line); err != nil {
				return err
			}
			if n > 1 {
				p := &c.tracks[number]
				p.at += int64(n-1) * step
				p.line += n - 1
			}
		}
	}
	return nil
}
