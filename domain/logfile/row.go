package logfile

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// row is one data row, or one of its levels where several columns hold some. If code is not empty the row could not be read, or
// (level_missing, unit_changes) not wholly, and the fields after position may be unset.
type row struct {
	line     int
	position int
	channel  int
	series   int   // index in Layout.Levels
	stamped  bool  // stamp could be read
	stamp    int64 // wall clock, or UTC if zoned
	zoned    bool
	level    acoustic.Level
	kind     reading
	code     string
	column   int // from 1
	detail   string
	text     string
}

// rows reads the data rows of a file of a known layout.
type rows struct {
	lines  *lines
	l      Layout
	c      Columns
	fields [][]byte
	prefix []byte // date text of the row before, up to where its time of day begins
	days   int64
	unit   []byte // unit text of the row before
	other  byte   // the decimal sign that the file does not use, 0 = either is taken
	weight byte   // frequency weighting declared, 0 = none
	merged bool   // the fields of the row are not all parts of its line

	skeletons    [4]skeleton
	nextSkeleton int  // the one to give up next
	recent       int  // the one that fitted last
	slow         bool // for tests: make no skeletons

	values []value // of the row's other columns of levels
	given  int     // how many of them were given out
	first  row     // the one they belong to
	line   []byte  // last one cut into fields
	hasty  bool    // the last row was read by the recent skeleton
	closer io.Closer

	firstDay int64          // day that lines before the data tell, if undated
	undated  bool           // rows tell no date
	dayOf    map[int]*dayAt // by position, if undated

	seen    func(text []byte) // told of dates that are read, unless nil
	dates   func(text []byte) // told of dates instead of reading them, unless nil
	skipped func(line int, text string)
}

// value is what one more column of levels holds.
type value struct {
	level  acoustic.Level
	kind   reading
	code   string
	detail string
	text   string
}

// dayAt is the day of a position whose rows tell the time of day only.
type dayAt struct{ days, clock int64 }

// newRows begins to read r. skipped is told of lines after the first data row that are no data, unless nil.
func newRows(r io.ReadSeeker, l Layout, quantity string, skipped func(int, string)) (*rows, *Problem, error) {
	text, _, _, p, err := open(r, l.Encoding, l.Sheet)
	if p != nil || err != nil {
		return nil, p, err
	}
	s := &rows{lines: newLines(text), l: l, c: l.Columns, skipped: skipped, unit: []byte(l.Unit)}
	s.closer, _ = text.(io.Closer)
	if n := len(l.Levels); n > 0 {
		s.values = make([]value, n-1)
		s.given = n - 1
		s.c.Unit = 0 // each column has its own
	}
	if s.undated = s.c.Date == 0 && s.c.DateTime == 0; s.undated {
		d, _ := dateParts([]byte(l.Date))
		s.firstDay, _ = d.inOrder("ymd")
		s.dayOf = map[int]*dayAt{}
	}
	switch l.Decimal {
	case ".":
		s.other = ','
	case ",":
		s.other = '.'
	}
	if len(quantity) > 1 {
		s.weight = quantity[1]
	}
	return s, nil, nil
}

// close lets go of what the file took beside memory.
func (s *rows) close() {
	if s.closer != nil {
		_ = s.closer.Close() // temporary files that cannot be removed harm no one
	}
}

// next reads the next data row, or the next level of the same row, into w. The error is io.EOF at the end.
func (s *rows) next(w *row) error {
	if s.given < len(s.values) {
		v := &s.values[s.given]
		s.given++
		*w = s.first
		w.series = s.given
		w.level, w.kind, w.code, w.detail, w.text = v.level, v.kind, v.code, v.detail, v.text
		if w.column = 0; v.code != "" {
			w.column = s.l.Levels[w.series].Column
		}
		return nil
	}
	for {
		if s.hasty = s.quick(w); s.hasty {
			if len(s.values) > 0 {
				s.first = *w
			}
			return nil
		}
		line, err := s.lines.next()
		if err != nil {
			if errors.Is(err, errLineTooLong) {
				*w = row{line: s.lines.number + 1, code: "line_too_long", detail: "the line is longer than 1 MiB"}
				return nil
			}
			return err
		}
		if s.lines.number <= s.l.HeaderRows || len(line) == 0 {
			continue
		}
		*w, s.line = row{line: s.lines.number}, line
		s.fields = split(s.fields[:0], line, s.l.Delimiter[0])
		s.merged = false
		if s.read(w, line) {
			if s.given = len(s.values); w.stamped && len(s.values) > 0 {
				s.others()
				s.given, s.first = 0, *w
			}
			if !s.slow {
				s.learn(line, w)
			}
			return nil
		}
		if s.skipped != nil && len(bytes.Trim(line, " \t\x00\x1a\f\v,;|\"")) > 0 {
			s.skipped(w.line, excerpt(line))
		}
	}
}

var midnight = []byte("0:00")

// field returns the field in column, from 1, without blanks around it; nil if the row ends before it.
func (s *rows) field(column int) []byte {
	if column > len(s.fields) {
		return nil
	}
	b := s.fields[column-1]
	if n := len(b); n > 0 && (b[0] <= ' ' || b[n-1] <= ' ' || b[0] >= 0x80 || b[n-1] >= 0x80) {
		return bytes.TrimSpace(b)
	}
	return b
}

// fail notes what is wrong with w.
func (w *row) fail(code string, column int, detail string, text []byte) {
	if w.code == "" {
		w.code, w.column, w.detail, w.text = code, column, detail, excerpt(text)
	}
}

// read reads the fields into w. It reports false if the line is no data row.
func (s *rows) read(w *row, line []byte) bool {
	if len(s.fields) != s.l.Fields && !s.widthFits() {
		if !s.dataLike() {
			s.header(w)
			return w.code != ""
		}
		w.fail("row_fields_differ", 0, fmt.Sprintf("the row has %d fields, the others have %d", len(s.fields), s.l.Fields), line)
		return true
	}
	if s.c.Sequence > 0 {
		if b := s.field(s.c.Sequence); len(b) > 0 && b[0]-'0' > 9 && !bytes.ContainsAny(b, "0123456789") {
			s.header(w)
			return w.code != ""
		}
	}
	column, f := s.stamp(w)
	b := s.field(s.c.Level)
	var rest []byte
	w.level, w.kind, rest = s.level(b)
	if f != good && !s.dataLike() {
		s.header(w)
		return w.code != ""
	}
	switch w.stamped = f == good; f {
	case good:
	case impossible:
		w.fail("date_impossible", column, "there is no such date or time", s.field(column))
	case unreadable:
		w.fail("date_unreadable", column, "this is not a date or time of the kind that the file has elsewhere", s.field(column))
	}
	if s.c.Position > 0 {
		p := s.field(s.c.Position)
		var ok bool
		if w.position, ok = whole(p); !ok || w.position == 0 {
			w.stamped = false
			w.fail("position_unreadable", s.c.Position, "a position is a whole number from 1", p)
		}
	}
	if s.c.Channel > 0 {
		p := s.field(s.c.Channel)
		var ok bool
		if w.channel, ok = channelIn(string(p)); !ok {
			w.stamped = false
			w.fail("channel_unreadable", s.c.Channel, "a channel is a whole number from 1 to 1000", p)
		}
	}
	if s.undated && w.stamped {
		w.stamp += s.day(w) * day
	}
	if s.c.Unit > 0 {
		if u := s.field(s.c.Unit); !bytes.Equal(u, s.unit) {
			s.unitChange(w, u)
		}
	}
	if len(rest) > 0 && len(s.l.Levels) == 0 {
		s.unitChange(w, rest)
	}
	if s.c.Flag > 0 {
		if side := flagOf(string(s.field(s.c.Flag))); side != 0 {
			w.level, w.kind = side, flagged
		}
	}
	v := s.judge(s.c.Level, b, w.level, w.kind, rest)
	if v.code != "" {
		w.fail(v.code, s.c.Level, v.detail, b)
	}
	return true
}

// level reads a level field; one that holds neither number nor side means what the layout says.
func (s *rows) level(b []byte) (l acoustic.Level, kind reading, rest []byte) {
	l, kind, rest = parseLevel(b)
	if kind != missing {
		return l, kind, rest
	}
	switch s.l.Missing {
	case "under_range":
		return series.UnderRange, flagged, nil
	case "over_range":
		return series.OverRange, flagged, nil
	}
	return l, kind, rest
}

// judge says what is wrong with the level that was read from b.
func (s *rows) judge(column int, b []byte, l acoustic.Level, kind reading, unit []byte) value {
	v := value{level: l, kind: kind}
	fail := func(code, detail string) { v.code, v.detail, v.text = code, detail, excerpt(b) }
	switch kind {
	case missing:
		fail("level_missing", "there is no level in this row")
	case outOfRange:
		fail("level_out_of_range", "a sound level lies between -50 and 200 dB")
	case noLevel:
		fail("level_unreadable", "this is neither a level nor a known word for under or over range")
	case plain, rounded:
		if s.other != 0 && bytes.IndexByte(b, s.other) >= 0 {
			fail("level_unreadable", "the decimal sign is not the file's")
		}
		if len(unit) == 0 {
			break
		}
		for _, c := range s.l.Levels {
			if is, _ := weightingOf(string(unit)); c.Column == column && is != 0 && is != c.Quantity[1] {
				fail("weighting_differs", "the column is of another frequency weighting than "+c.Quantity)
			}
		}
	case flagged:
	}
	return v
}

// others reads the row's other columns of levels.
func (s *rows) others() {
	for i, c := range s.l.Levels[1:] {
		b := s.field(c.Column)
		l, kind, rest := s.level(b)
		s.values[i] = s.judge(c.Column, b, l, kind, rest)
	}
}

// day returns the day of a row that tells the time of day only: that of the row
// before it of the same position, or the next one if the clock went back by more
// than six hours (house value).
func (s *rows) day(w *row) int64 {
	d := s.dayOf[w.position]
	if d == nil {
		d = &dayAt{days: s.firstDay, clock: w.stamp}
		s.dayOf[w.position] = d
	}
	if w.stamp < d.clock-day/4 {
		d.days++
	}
	d.clock = w.stamp
	return d.days
}

// whole reads a whole number, which may have thousands signs: "12", "1,204", "1'204".
func whole(b []byte) (n int, ok bool) {
	if len(b) == 0 || len(b) > 12 {
		return 0, false
	}
	if digits(b) {
		return number(b[:min(len(b), 9)]), len(b) < 10
	}
	var plain []byte
	for i, group := range bytes.FieldsFunc(b, func(r rune) bool { return strings.ContainsRune(".,'’ \u00a0\u202f", r) }) {
		if !digits(group) || len(group) > 3 || i > 0 && len(group) < 3 {
			return 0, false
		}
		plain = append(plain, group...)
	}
	if len(plain) == 0 || len(plain) > 9 || b[0]-'0' > 9 || b[len(b)-1]-'0' > 9 {
		return 0, false
	}
	return number(plain), true
}

// stamp reads the stamp of the row; column is where it could not be read.
func (s *rows) stamp(w *row) (column int, f fit) {
	var clockText []byte
	var c clock
	if column = s.c.DateTime; column > 0 {
		b := s.field(column)
		if n := len(s.prefix); n > 0 && len(b) > n && bytes.Equal(b[:n], s.prefix) {
			clockText = b[n:]
		} else {
			dateText, t, ok := cutStamp(b)
			if !ok {
				if _, isDate := dateParts(b); !isDate {
					return column, unreadable
				}
				dateText, t = b, midnight // as spreadsheets write it
			}
			if f := s.date(dateText); f != good {
				return column, f
			}
			if clockText = t; bytes.HasSuffix(b, t) && ok {
				s.prefix = append(s.prefix[:0], b[:len(b)-len(t)]...)
			} else {
				s.prefix = s.prefix[:0]
			}
		}
	} else if column = s.c.Time; s.undated {
		clockText = s.field(column)
	} else {
		b := s.field(s.c.Date)
		if !bytes.Equal(b, s.prefix) || len(b) == 0 {
			if f := s.date(b); f != good {
				return s.c.Date, f
			}
			s.prefix = append(s.prefix[:0], b...)
		}
		column = s.c.Time
		clockText = s.field(column)
	}
	if c, f = parseClock(clockText); f != good {
		return column, f
	}
	if s.undated { // its day is added when the position is known
		w.stamp, w.zoned = c.at, false
		return 0, good
	}
	w.stamp, w.zoned = s.days*day+c.at-c.offset, c.zoned
	return 0, good
}

// date reads a date into days.
func (s *rows) date(b []byte) fit {
	s.prefix = s.prefix[:0]
	d, ok := dateParts(b)
	if !ok {
		return unreadable
	}
	if s.dates != nil {
		s.dates(b)
		return good
	}
	if s.seen != nil {
		s.seen(b)
	}
	days, f := d.inOrder(s.l.DateOrder)
	if f == good {
		s.days = days
	}
	return f
}

// widthFits reports whether a row of an unusual number of fields can be read
// all the same: only trailing fields are blank or left out.
func (s *rows) widthFits() bool {
	if s.l.Fields == 0 {
		s.l.Fields = len(s.fields)
		return len(s.fields) >= s.c.last()
	}
	if s.l.Delimiter == " " {
		return s.mergeFlag()
	}
	for len(s.fields) > s.l.Fields && len(bytes.TrimSpace(s.fields[len(s.fields)-1])) == 0 {
		s.fields = s.fields[:len(s.fields)-1]
	}
	return len(s.fields) >= s.c.last() && len(s.fields) <= s.l.Fields
}

// mergeFlag puts together a word for under or over range that was cut at its blank: "under range", "< 30".
func (s *rows) mergeFlag() bool {
	i := s.c.Level - 1
	if len(s.fields) != s.l.Fields+1 || i+1 >= len(s.fields) {
		return false
	}
	both := append(append(append([]byte{}, s.fields[i]...), ' '), s.fields[i+1]...)
	if flagOf(string(both)) == 0 {
		return false
	}
	s.merged, s.fields[i] = true, both
	s.fields = append(s.fields[:i+1], s.fields[i+2:]...)
	return true
}

// last returns the last column that a row cannot be without.
func (c Columns) last() int { return max(c.Date, c.Time, c.DateTime, c.Level, c.Position, c.Channel) }

// dataLike reports whether a row that cannot be read was meant as data: digits
// stand in its stamp, or it has a level, a blank stamp and no words.
func (s *rows) dataLike() bool {
	blank := true
	for _, column := range []int{s.c.Date, s.c.Time, s.c.DateTime} {
		if column == 0 {
			continue
		}
		b := s.field(column)
		if bytes.ContainsAny(b, "0123456789") {
			if len(s.fields) == 1 { // a cut row, or a line of text
				_, isDate := dateParts(b[:len(b)-len(bytes.TrimLeft(b, "0123456789-./"))])
				return isDate
			}
			return !wordy(b)
		}
		blank = blank && len(b) == 0
	}
	if _, kind, _ := parseLevel(s.field(s.c.Level)); !blank || kind == missing || kind == noLevel {
		return false
	}
	for i, b := range s.fields {
		if c := i + 1; c != s.c.Level && c != s.c.Unit && c != s.c.Flag && wordy(b) {
			return false
		}
	}
	return true
}

// wordy reports whether b begins with a word of at least four letters.
func wordy(b []byte) bool {
	b = bytes.TrimSpace(b)
	n := 0
	for n < len(b) && (b[n]|0x20 >= 'a' && b[n]|0x20 <= 'z' || b[n] >= 0x80) {
		n++
	}
	return n >= 4 && monthOf(string(b[:n])) == 0
}

// header looks at a line among the data that is none: a second header may name another weighting.
func (s *rows) header(w *row) {
	for _, c := range s.l.Levels {
		b := s.field(c.Column)
		if sym := headingSymbol(string(b)); sym != "" && sym != c.Quantity {
			w.fail("unit_changes", c.Column, "from here on the column holds another quantity; cut the file here and send the parts by themselves", b)
		}
	}
	b := s.field(s.c.Level)
	if len(b) == 0 || len(s.fields) < 2 || len(s.l.Levels) > 0 {
		return
	}
	was := weightingIn(s.l.Unit)
	if s.l.Quantity != "" {
		was = s.l.Quantity[1]
	}
	is := weightingIn(string(b))
	if sym := symbolOf(string(b)); sym != "" {
		is = sym[1]
		if s.l.Quantity != "" && sym != s.l.Quantity {
			is = 0xff
		}
	}
	if is != 0 && was != 0 && is != was {
		w.fail("unit_changes", s.c.Level, "from here on the file holds another quantity; cut it here and send the parts by themselves", b)
	}
}

// unitChange looks at a unit that differs in its bytes from the one before.
func (s *rows) unitChange(w *row, u []byte) {
	if len(u) == 0 {
		return
	}
	is, ok := weightingOf(string(u))
	was, known := weightingOf(string(s.unit))
	switch {
	case ok && (len(s.unit) == 0 || !known): // the first one
		if is != 0 && s.weight != 0 && is != s.weight {
			w.fail("weighting_differs", s.c.Unit, "the file is of another frequency weighting than declared", u)
		}
		s.unit = append(s.unit[:0], u...)
	case !ok || is != was:
		w.fail("unit_changes", s.c.Unit, "the unit changes here; cut the file and send the parts by themselves", u)
	default:
		s.unit = append(s.unit[:0], u...)
	}
}

// weightingIn finds the frequency weighting in a text such as "Level [dB(A)]", 0 if none.
func weightingIn(s string) byte {
	s = strings.ToLower(s)
	i := strings.Index(s, "db")
	if i < 0 {
		return 0
	}
	rest := strings.TrimLeft(s[i+2:], " (-_")
	if rest == "" || len(rest) > 1 && rest[1] >= 'a' && rest[1] <= 'z' {
		return 0
	}
	switch rest[0] {
	case 'a', 'b', 'c', 'd', 'z':
		return rest[0] - 'a' + 'A'
	}
	return 0
}

// excerpt returns the beginning of b as valid text.
func excerpt(b []byte) string {
	const most = 80
	if len(b) > most {
		b = b[:most]
		for len(b) > 0 && !utf8.RuneStart(b[len(b)-1]) {
			b = b[:len(b)-1]
		}
		if len(b) > 0 && b[len(b)-1] >= utf8.RuneSelf {
			b = b[:len(b)-1]
		}
	}
	return strings.ToValidUTF8(strings.ReplaceAll(string(b), "\x00", "\ufffd"), "\ufffd")
}
