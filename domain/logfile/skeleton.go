package logfile

import (
	"bytes"
	"encoding/binary"

	"leveltrail/domain/acoustic"
)

// skeleton is a row that was read, with its digits left open. A row that
// differs from one read before in digits only has its fields at the same
// places, so it is known by comparing eight bytes at a time and need not be
// cut into fields.
type skeleton struct {
	n    int       // bytes with the line's end
	word [16]match // the first (n+7)/8 are used

	date, clock, level, position, channel field    // clock is hh:mm:ss, perhaps with decimals
	others                                []field  // further columns of levels
	prefix                                int      // bytes of date that tell the day
	weights                               [6]int32 // of each byte of a plain level, in 0.01 dB; 0 of its decimal sign
	steady                                bool     // level is so, and the only one: see more
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
	if w.code != "" || len(s.field(s.c.Level)) == 0 || w.zoned || s.merged || s.undated || len(raw) > 8*len(s.skeletons[0].word) || len(raw) == 0 || raw[len(raw)-1] != '\n' ||
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
	if n := k.clock.end - k.clock.from; n < 8 || n > 15 || n == 9 || n > 8 && (raw[k.clock.from+8] != '.' && raw[k.clock.from+8] != ',' || !digits(raw[k.clock.from+9:k.clock.end])) || raw[k.clock.from+2] != ':' || raw[k.clock.from+5] != ':' || k.prefix == 0 {
		return
	}
	if s.c.Position > 0 {
		if k.position = place(s.field(s.c.Position)); !digits(s.field(s.c.Position)) {
			return
		}
	}
	if s.c.Channel > 0 {
		if k.channel = place(s.field(s.c.Channel)); !digits(s.field(s.c.Channel)) || k.channel.end-k.channel.from > 4 {
			return
		}
	}
	for i, v := range s.values {
		b := s.field(s.l.Levels[i+1].Column)
		if v.code != "" || v.kind != plain && v.kind != flagged || len(b) == 0 {
			return
		}
		k.others = append(k.others, place(b))
	}
	k.steady = len(s.values) == 0 && s.c.Flag == 0 && w.kind == plain && k.weigh(raw[k.level.from:k.level.end])
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

// weigh notes what each byte of a plain level counts. It reports false if b is none.
func (k *skeleton) weigh(b []byte) bool {
	dot := bytes.IndexAny(b, ".,")
	if dot < 0 {
		dot = len(b)
	}
	if len(b) > len(k.weights) || dot == 0 || dot > 3 || len(b) > dot+3 || len(b) == dot+1 {
		return false
	}
	k.weights = [6]int32{}
	for i := range b {
		switch {
		case i < dot:
			k.weights[i] = [3]int32{100, 1000, 10000}[dot-1-i]
		case i > dot:
			k.weights[i] = [2]int32{10, 1}[i-dot-1]
		}
		if i != dot && b[i]-'0' > 9 {
			return false
		}
	}
	return true
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
	clock, ok := k.timeOfDay(line)
	if !ok {
		return false
	}
	level, kind, rest := parseLevel(line[k.level.from:k.level.end])
	if kind != plain && kind != flagged || rest != nil {
		return false
	}
	position, channel := 0, 0
	if k.channel.end > 0 {
		if channel = number(line[k.channel.from:k.channel.end]); channel < 1 || channel > 1000 {
			return false
		}
	}
	if k.position.end > 0 {
		if position = number(line[k.position.from:k.position.end]); position == 0 {
			return false
		}
	}
	for i, f := range k.others {
		v := &s.values[i]
		var rest []byte
		if v.level, v.kind, rest = parseLevel(line[f.from:f.end]); v.kind != plain && v.kind != flagged || rest != nil {
			return false
		}
		v.code = ""
	}
	s.given = 0
	s.lines.pos += k.n
	s.lines.number++
	w.channel, w.series = channel, 0
	w.line, w.position, w.stamped, w.zoned, w.code = s.lines.number, position, true, false, ""
	w.stamp = s.days*day + clock
	w.level, w.kind = level, kind
	return true
}

// timeOfDay reads the clock of a line that k fits, in µs since midnight.
func (k *skeleton) timeOfDay(line []byte) (at int64, ok bool) {
	t := line[k.clock.from : k.clock.from+8]
	hour, minute, sec := int64(t[0])*10+int64(t[1])-11*'0', int64(t[3])*10+int64(t[4])-11*'0', int64(t[6])*10+int64(t[7])-11*'0'
	at = (hour*3600 + minute*60 + sec) * second
	if k.clock.end > k.clock.from+8 {
		scale := second / 10
		for _, c := range line[k.clock.from+9 : k.clock.end] {
			at += int64(c-'0') * scale
			scale /= 10
		}
	}
	return at, hour <= 23 && minute <= 59 && sec <= 59
}

// more reads the rows that follow w, which was read by a skeleton, as long as
// that fits them, each is of the same position, channel and day and step after
// the one before, and clock has nothing to say to them. It puts their levels,
// all of them numbers, into levels, and returns how many there are.
func (s *rows) more(w *row, step int64, clock *wall, levels []acoustic.Level) (n int) {
	if !s.hasty || step <= 0 || w.zoned {
		return 0
	}
	k := &s.skeletons[s.recent]
	in := s.lines
	if !k.steady || w.stamp < clock.lo || w.stamp+step >= clock.hi || in.pos+k.n > in.end {
		return 0
	}
	strict := *k // its day, position and channel are those of w
	was := in.buf[in.pos-k.n : in.pos]
	for _, f := range [3]field{{k.date.from, k.date.from + k.prefix}, k.position, k.channel} {
		for i := f.from; i < f.end; i++ {
			m, shift := &strict.word[i/8], i%8*8
			m.digit &^= 0xff << shift
			m.fixed |= 0xff << shift
			m.want = m.want&^(0xff<<shift) | uint64(was[i])<<shift
		}
	}
	pos, most := in.pos, min(len(levels), int(min((clock.hi-1-w.stamp)/step, int64(len(levels)))))
	at, midnight := w.stamp, s.days*day
	words := (k.n + 7) &^ 7
	for n < most {
		if pos+k.n > in.end || pos+words > len(in.buf) {
			break
		}
		line := in.buf[pos : pos+words]
		if line[k.n-1] != '\n' || !strict.fits(line) {
			break
		}
		t, ok := k.timeOfDay(line)
		if !ok || midnight+t != at+step {
			break
		}
		v := int32(0)
		for i, c := range line[k.level.from:k.level.end] {
			v += int32(c-'0') * k.weights[i]
		}
		if v > int32(acoustic.MaxLevel) {
			break
		}
		levels[n] = acoustic.Level(v)
		n++
		pos += k.n
		at += step
	}
	if n > 0 {
		in.pos = pos
		in.number += n
		clock.stamp, clock.at, clock.step = at, at-clock.offset, step
	}
	return n
}
