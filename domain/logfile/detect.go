package logfile

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
)

// sampled is how many lines tell delimiter and columns; date orders are decided over the whole file.
const sampled = 200

// maxFields bounds the columns of a file.
const maxFields = 10_000

// sample is the beginning of a file, cut at one delimiter.
type sample struct {
	lines  []string
	fields [][]string // of each line
	delim  byte
	width  int   // fields in a data row
	data   []int // indices of lines that look like data
	score  int
	heads  []string // heading of each column

	dateless bool  // the rows tell the time of day only
	choices  []int // columns among which only a person can choose the levels
}

// Detect tells how the file r is laid out. Problems that refuse it also hold
// the questions left open: date_order_ambiguous, level_column_ambiguous. An
// unfit o.Layout is an Invalid error.
func Detect(r io.ReadSeeker, o Options) (Layout, []Problem, error) {
	l, s, problems, err := detect(r, o)
	if err != nil || l.DateOrder != "" || refuses(problems) {
		return l, problems, err
	}
	var e evidence
	if err := eachDate(r, l, func(line int, text string) bool {
		e.add(line, text)
		return !e.settled()
	}); err != nil {
		return l, problems, err
	}
	return l, append(problems, s.dateOrder(&e, &l, o)...), nil
}

// detect is Detect but for the order of dates, which takes the whole file.
func detect(r io.ReadSeeker, o Options) (Layout, sample, []Problem, error) {
	var given Layout
	if o.Layout != nil {
		given = *o.Layout
		if err := given.Validate(); err != nil {
			return Layout{}, sample{}, nil, err
		}
		given.Levels = slices.Clone(given.Levels)
		slices.SortFunc(given.Levels, func(a, b LevelColumn) int { return a.Column - b.Column })
		if len(given.Levels) > 0 && given.Columns != (Columns{}) {
			given.Columns.Level = given.Levels[0].Column
		}
	}
	text, encoding, sheet, p, err := open(r, given.Encoding, given.Sheet)
	if err != nil {
		return Layout{}, sample{}, nil, err
	}
	if p != nil {
		return Layout{}, sample{}, []Problem{*p}, nil
	}
	if c, ok := text.(io.Closer); ok {
		defer c.Close()
	}
	l := given
	l.Encoding, l.Sheet, l.Reasons = encoding, sheet, nil
	if encoding == spreadsheet {
		given.Delimiter = "\t"
		l.because("the file is a spreadsheet; its sheet %q is read", sheet)
	}
	head, p, err := beginning(text)
	if err != nil {
		return l, sample{}, nil, err
	}
	if p != nil {
		return l, sample{}, []Problem{*p}, nil
	}
	s, p := delimited(head, given.Delimiter)
	if p != nil {
		return l, s, []Problem{*p}, nil
	}
	l.Delimiter, l.Fields = string(s.delim), s.width
	l.because("delimiter %q: %d of the first %d lines are data rows of %d fields", l.Delimiter, len(s.data), len(head), s.width)
	var problems []Problem
	if l.Columns == (Columns{}) {
		s.heads = s.headings(s.data[0])
		problems = s.columns(&l, o)
		if refuses(problems) {
			return l, s, problems, nil
		}
	}
	for _, v := range l.Levels {
		if v.Column > s.width {
			return l, s, []Problem{{Column: v.Column, Code: "no_level_column", Detail: "the rows have fewer columns than the layout names", Refuses: true}}, nil
		}
	}
	if given.HeaderRows == 0 {
		l.HeaderRows = s.firstData(l.Columns)
	}
	s.heads = s.headings(l.HeaderRows)
	s.about(&l)
	if l.Columns.Date == 0 && l.Columns.DateTime == 0 && l.Date == "" {
		problems = append(problems, s.dateBefore(&l, o)...)
	}
	if l.Date != "" && l.DateOrder == "" {
		l.DateOrder = "ymd"
	}
	return l, s, problems, nil
}

func (l *Layout) because(format string, args ...any) {
	l.Reasons = append(l.Reasons, fmt.Sprintf(format, args...))
}

func refuses(problems []Problem) bool {
	for _, p := range problems {
		if p.Refuses {
			return true
		}
	}
	return false
}

// beginning returns the first lines of text.
func beginning(text io.Reader) ([]string, *Problem, error) {
	in := newLines(text)
	var head []string
	blank := true
	for len(head) < sampled {
		line, err := in.next()
		switch {
		case errors.Is(err, io.EOF):
			if blank {
				return nil, &Problem{Code: "file_empty", Detail: "the file holds nothing", Refuses: true}, nil
			}
			return head, nil, nil
		case errors.Is(err, errLineTooLong):
			return nil, &Problem{Line: in.number + 1, Code: "line_too_long", Detail: "the line is longer than 1 MiB", Refuses: true}, nil
		case isPacked(err):
			return nil, damaged(err), nil
		case err != nil:
			return nil, nil, err
		}
		blank = blank && len(bytes.Trim(line, " \t\x00\x1a")) == 0
		head = append(head, string(line))
	}
	return head, nil, nil
}

// delimited cuts the lines at the delimiter that makes most data rows of one width.
func delimited(head []string, given string) (sample, *Problem) {
	candidates := "\t;|, "
	if given != "" {
		candidates = given[:1]
	}
	best := bestCut(head, candidates, false)
	if best.score == 0 {
		best = bestCut(head, candidates, true)
	}
	switch {
	case best.score > 0 && best.width > maxFields:
		return best, tooManyColumns()
	case best.score > 0:
		return best, nil
	}
	return best, noData(head, candidates)
}

func tooManyColumns() *Problem {
	return &Problem{Code: "columns_too_many", Detail: "the file has more than 10,000 columns", Refuses: true}
}

func bestCut(head []string, candidates string, dateless bool) (best sample) {
	for i := range len(candidates) {
		if !strings.Contains(head[len(head)-1], candidates[i:i+1]) && !strings.Contains(head[len(head)/2], candidates[i:i+1]) && len(head) == sampled {
			continue // as good as no row has it
		}
		if s := cut(head, candidates[i], dateless); s.score > best.score {
			best = s
		}
	}
	return best
}

func cut(head []string, delim byte, dateless bool) sample {
	s := sample{lines: head, delim: delim, dateless: dateless, fields: make([][]string, len(head))}
	scores, rows := map[int]int{}, map[int][]int{}
	var buf [][]byte
	for i, line := range head {
		buf = split(buf[:0], []byte(line), delim)
		f := make([]string, len(buf))
		for j, b := range buf {
			f[j] = strings.TrimSpace(string(b))
		}
		s.fields[i] = f
		if score := lineScore(f, dateless); score > 0 {
			scores[len(f)] += score
			rows[len(f)] = append(rows[len(f)], i)
		}
	}
	for width, score := range scores {
		if score > s.score || score == s.score && width > s.width {
			s.width, s.data, s.score = width, rows[width], score
		}
	}
	return s
}

// lineScore says how much a line looks like data: 4 with a stamp and a level, 1
// with a stamp only. The stamp of a dateless one is a time of day, beside a level.
func lineScore(fields []string, dateless bool) int {
	if len(fields) < 2 {
		return 0
	}
	dates, times, levels := 0, 0, 0
	for i, f := range fields {
		if i > 63 { // no log has its stamp further right
			break
		}
		switch k := shapeOf(f); {
		case k.stamp:
			dates, times = dates+1, times+1
		case k.date:
			dates++
		case k.time:
			times++
		case k.level:
			levels++
		case k.sixDigits:
			times++
		}
	}
	switch {
	case dateless && (dates > 0 || times == 0 || levels == 0):
		return 0
	case dateless:
		return 4
	case dates == 0 || times == 0:
		return 0
	case levels > 0:
		return 4
	}
	return 1
}

// shape is what a field could be.
type shape struct{ stamp, date, time, sixDigits, level, weak, whole, unit, blank bool }

func shapeOf(f string) shape {
	b := []byte(f)
	k := shape{blank: f == "", whole: digits(b) && len(b) < 9, unit: isUnit(f)}
	if d, ok := dateParts(b); ok {
		for _, order := range []string{"ymd", "dmy", "mdy"} {
			_, f := d.inOrder(order)
			k.date = k.date || f == good || f == impossible && (!digits(b) && d.part != [3]int{})
		}
		if digits(b) {
			k.date = k.date && d.part[0] > 1969 && d.part[0] < 2100
		}
	}
	if _, fit := parseClock(b); fit != unreadable {
		k.sixDigits = digits(b) && fit == good
		k.time = !digits(b)
		if k.time && k.date && bytes.IndexByte(b, '.') > 0 && fit == good && !bytes.Contains(b, []byte("00")) {
			k.time = false // 12.10.05 is rather a date
		} else if k.time {
			k.date = false
		}
	}
	if d, c, ok := cutStamp(b); ok && !k.date && !k.time {
		_, isDate := dateParts(d)
		_, fit := parseClock(c)
		k.stamp = isDate && fit != unreadable
	}
	switch _, kind, rest := parseLevel(b); kind {
	case plain, rounded, flagged:
		k.level = len(rest) == 0 || isUnit(string(rest))
	case missing, outOfRange:
		k.weak = true
	case noLevel:
		switch strings.ToLower(strings.Trim(f, "+-")) {
		case "nan", "inf", "infinity", "∞":
			k.weak = true
		}
	}
	return k
}

// noData says what a file lacks in which no data row was found.
func noData(head []string, candidates string) *Problem {
	stamps, levels, digit := 0, 0, 0
	for _, line := range head {
		if strings.ContainsAny(line, "0123456789") {
			digit++
		}
		var best shape
		for i := range len(candidates) {
			for _, b := range split(nil, []byte(line), candidates[i]) {
				k := shapeOf(strings.TrimSpace(string(b)))
				best.stamp = best.stamp || k.stamp
				best.date = best.date || k.date
				best.time = best.time || k.time
				best.level = best.level || k.level && !k.unit
			}
		}
		if best.stamp || best.date && best.time {
			stamps++
		}
		if best.level {
			levels++
		}
	}
	switch {
	case digit == 0 || digit <= 1 && len(head) <= 3 && stamps == 0 && levels == 0:
		return &Problem{Code: "file_header_only", Detail: "the file has no data row", Refuses: true}
	case stamps > 0:
		return &Problem{Code: "no_level_column", Detail: "no column holds levels", Refuses: true}
	case levels*2 >= len(head):
		return &Problem{Code: "no_time_column", Detail: "no column holds dates and times", Refuses: true}
	}
	return &Problem{Code: "file_unrecognised", Detail: "the file holds no table of times and levels", Refuses: true}
}

// headings returns the texts over the columns: of up to three lines before line end.
func (s sample) headings(end int) []string {
	heads := make([]string, s.width)
	for i := end - 1; i >= max(0, end-3); i-- {
		f := s.fields[i]
		// A heading may lack its last field; among aligned columns no one knows which.
		if len(f) != s.width && (len(f) != s.width-1 || s.delim == ' ') || len(f) < 2 || lineScore(f, s.dateless) > 0 {
			break
		}
		for j := range f {
			heads[j] = strings.TrimSpace(f[j] + " " + heads[j])
		}
	}
	return heads
}

// firstData returns how many lines stand before the first data row.
func (s sample) firstData(c Columns) int {
	for i, f := range s.fields {
		if len(f) < c.last() || f[c.Level-1] == "" {
			continue
		}
		all, some := true, false
		for _, column := range []int{c.Date, c.Time, c.DateTime} {
			if column == 0 {
				continue
			}
			k := shapeOf(f[column-1])
			fits := k.date && column == c.Date || (k.time || k.sixDigits) && column == c.Time || (k.stamp || k.date) && column == c.DateTime
			all, some = all && fits, some || fits
		}
		k := shapeOf(f[c.Level-1])
		if all || some && (k.level || k.weak) {
			return i
		}
	}
	return s.data[0]
}

// about notes unit, quantity and decimal sign.
func (s sample) about(l *Layout) {
	c := l.Columns
	var points, commas int
	for _, i := range s.data {
		f := s.fields[i]
		if len(f) < c.last() {
			continue
		}
		level := f[c.Level-1]
		_, kind, rest := parseLevel([]byte(level))
		if kind == plain || kind == rounded {
			switch {
			case strings.Contains(level, "."):
				points++
			case strings.Contains(level, ","):
				commas++
			}
			if l.Unit == "" && len(rest) > 0 {
				l.Unit = string(rest)
			}
		}
		if l.Unit == "" && c.Unit > 0 && c.Unit <= len(f) && isUnit(f[c.Unit-1]) {
			l.Unit = f[c.Unit-1]
		}
	}
	s.decimal(l, points, commas)
	if len(l.Levels) > 0 {
		l.Quantity, l.Unit = "", ""
		return
	}
	heading := ""
	if c.Level <= len(s.heads) {
		heading = s.heads[c.Level-1]
	}
	if l.Quantity == "" {
		l.Quantity = headingSymbol(heading)
	}
	if l.Unit == "" {
		if w := weightingIn(heading); w != 0 {
			l.Unit = "dB(" + string(w) + ")"
		}
	}
	for _, line := range s.lines[:min(l.HeaderRows, len(s.lines))] {
		if w := weightingLine(line); w != 0 && (l.Unit == "" || strings.EqualFold(l.Unit, "dB")) && c.Unit == 0 {
			l.Unit = "dB(" + string(w) + ")"
		}
	}
}

// decimal notes the decimal sign. Numbers of a spreadsheet have none, and a text among them has its own.
func (s sample) decimal(l *Layout, points, commas int) {
	if l.Decimal == "" && l.Encoding != spreadsheet {
		switch {
		case points > 0 && points >= commas:
			l.Decimal = "."
		case commas > 0:
			l.Decimal = ","
		}
		if l.Decimal != "" {
			l.because("decimal sign %q: in %d of %d levels with decimals", l.Decimal, max(points, commas), points+commas)
		}
	}
}
