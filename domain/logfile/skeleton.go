package logfile

import (
	"bytes"
	"encoding/binary"
)

// skeleton is a row that was read, with its digits left open. A row that
// differs from one read before in digits only has its fields at the same
// places, so it is known by comparing eight bytes at a time and need not be
// cut into fields.
type skeleton struct {
	n    int       // bytes with the line's end
	word [16]match // the first (n+7)/8 are used

	date, clock, level, position field // clock is hh:mm:ss
	prefix                       int   // bytes of date that tell the day
}

// match is eight bytes of a skeleton: fixed bytes must be equal, digit bytes be digits.
type match struct{ want, fixed, digit uint64 }

// field is a place in a line; end 0 = there is none.
type field struct{ from, end int }

const (
	lows  = 0x0f0f0f0f0f0f0f0f
	sixes = 0x0606060606060606
	carry = 0x1010101010101010 // where a low half of 10 or more goes with six added
)

func (k *skeleton) fits(b []byte) bool {
	for i := range k.word[:(k.n+7)/8] {
		m := &k.word[i]
		v := binary.LittleEndian.Uint64(b[i*8:])
		low := v & m.digit & lows
		if (v^m.want)&m.fixed|(low+sixes&m.digit)&carry != 0 {
			return false
		}
	}
	return true
}

// learn makes a skeleton of the row just read, whose line is the last of s.lines.
func (s *rows) learn(line []byte, w *row) {
	raw := s.lines.buf[s.lines.from:s.lines.pos]
	if w.code != "" || w.zoned || s.merged || len(raw) > 8*len(s.skeletons[0].word) || len(raw) == 0 || raw[len(raw)-1] != '\n' ||
		bytes.Contains(line, []byte(`""`)) || w.kind != plain && w.kind != flagged {
		return
	}
	place := func(b []byte) field { // of a slice of the line
		from := cap(raw) - cap(b)
		return field{from, from + len(b)}
	}
	k := skeleton{n: len(raw), level: place(s.field(s.c.Level)), prefix: len(s.prefix)}
	if k.date = place(s.field(max(s.c.Date, s.c.DateTime))); s.c.DateTime > 0 {
		k.clock = field{k.date.from + k.prefix, k.date.end}
	} else {
		k.clock = place(s.field(s.c.Time))
	}
	if k.clock.end-k.clock.from != 8 || raw[k.clock.from+2] != ':' || raw[k.clock.from+5] != ':' || k.prefix == 0 {
		return
	}
	if s.c.Position > 0 {
		k.position = place(s.field(s.c.Position))
	}
	for i, c := range raw {
		m, shift := &k.word[i/8], i%8*8
		m.want |= uint64(c) << shift
		if c >= '0' && c <= '9' {
			m.fixed |= 0xf0 << shift
			m.digit |= 0xff << shift
		} else {
			m.fixed |= 0xff << shift
		}
	}
	s.skeletons[s.nextSkeleton], s.recent = k, s.nextSkeleton
	s.nextSkeleton = (s.nextSkeleton + 1) % len(s.skeletons)
}

// quick reads the next row by a skeleton. It reports false if none fits; then nothing was read.
func (s *rows) quick(w *row) bool {
	in := s.lines
	rest := in.buf[in.pos:]
	for i := range len(s.skeletons) {
		at := (s.recent + i) % len(s.skeletons)
		k := &s.skeletons[at]
		if k.n == 0 || in.pos+k.n > in.end || (k.n+7)&^7 > len(rest) || rest[k.n-1] != '\n' || !k.fits(rest) {
			continue
		}
		s.recent = at
		return s.fill(w, k, rest[:k.n])
	}
	return false
}

// fill reads the values of a line that k fits. It reports false if they are none to be read quickly.
func (s *rows) fill(w *row, k *skeleton, line []byte) bool {
	if date := line[k.date.from:k.date.end]; len(s.prefix) != k.prefix || string(date[:k.prefix]) != string(s.prefix) {
		return false
	}
	if s.dates != nil { // only they are wanted
		s.lines.pos += k.n
		s.lines.number++
		return true
	}
	t := line[k.clock.from : k.clock.from+8]
	hour, minute, sec := int64(t[0])*10+int64(t[1])-11*'0', int64(t[3])*10+int64(t[4])-11*'0', int64(t[6])*10+int64(t[7])-11*'0'
	if hour > 23 || minute > 59 || sec > 59 {
		return false
	}
	level, kind, rest := parseLevel(line[k.level.from:k.level.end])
	if kind != plain && kind != flagged || rest != nil {
		return false
	}
	position := 0
	if k.position.end > 0 {
		if position = number(line[k.position.from:k.position.end]); position == 0 {
			return false
		}
	}
	s.lines.pos += k.n
	s.lines.number++
	w.line, w.position, w.stamped, w.zoned, w.code = s.lines.number, position, true, false, ""
	w.stamp = s.days*day + (hour*3600+minute*60+sec)*second
	w.level, w.kind = level, kind
	return true
}
