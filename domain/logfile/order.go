package logfile

import (
	"errors"
	"io"
	"strings"
	"time"
)

var orders = [3]string{"ymd", "dmy", "mdy"}

// evidence gathers, over the dates of a file, which orders can read them.
type evidence struct {
	ruledOut  [3]bool
	differ    [3][3]bool // some date means different days in the two orders
	next      [3]int     // dates that follow the one before by a day
	changes   int        // dates that differ from the one before
	last      [3]int64
	first     [3]int64
	began     bool
	dots      bool
	yearFirst bool
	text      string // a date that can be read in several ways
	line      int
}

func (e *evidence) add(line int, text string) {
	d, ok := dateParts([]byte(text))
	if !ok {
		return
	}
	var days [3]int64
	var reads [3]bool
	some := false
	for i, order := range orders {
		var f fit
		days[i], f = d.inOrder(order)
		reads[i] = f == good && (order != "ymd" || d.month < 0 || d.year >= 0) // 3-Mar-26 begins with the day
		some = some || reads[i]
	}
	if !some {
		return // a date that is impossible in any order says nothing
	}
	e.dots = e.dots || d.dots
	for i := range orders {
		e.ruledOut[i] = e.ruledOut[i] || !reads[i]
	}
	if d.year == 0 && !e.began { // a file whose first date has its year in front goes on so
		e.ruledOut[1], e.ruledOut[2], e.yearFirst = true, true, true
	}
	if e.began {
		e.changes++
		for i := range orders {
			if days[i] == e.last[i]+1 {
				e.next[i]++
			}
		}
	} else {
		e.began, e.first = true, days
	}
	e.last = days
	for i := range orders {
		for j := range orders {
			if reads[i] && reads[j] && days[i] != days[j] {
				if e.differ[i][j] = true; e.text == "" {
					e.text, e.line = text, line
				}
			}
		}
	}
}

// alike reports whether all orders of list read every date alike.
func (e *evidence) alike(list []int) bool {
	for _, i := range list {
		if e.differ[list[0]][i] {
			return false
		}
	}
	return len(list) > 0
}

// left returns the orders not ruled out.
func (e *evidence) left() []int {
	var left []int
	for i := range orders {
		if !e.ruledOut[i] {
			left = append(left, i)
		}
	}
	return left
}

// settled reports whether no further date can change the answer.
func (e *evidence) settled() bool { return len(e.left()) <= 1 }

// sampleDates gathers the dates of the first rows. whole reports whether they are all of the file.
func (s sample) sampleDates(c Columns) (e evidence, whole bool) {
	column, last := max(c.Date, c.DateTime), ""
	for _, i := range s.data {
		if f := s.fields[i]; column > 0 && column <= len(f) && f[column-1] != last {
			last = f[column-1]
			text := []byte(last)
			if column == c.DateTime {
				if d, _, ok := cutStamp(text); ok {
					text = d
				}
			}
			if !e.settled() {
				e.add(i+1, string(text))
			}
		}
	}
	return e, len(s.lines) < sampled
}

// dateBefore finds the day of the first row in the lines before the data.
func (s sample) dateBefore(l *Layout, o Options) []Problem {
	missing := Problem{Code: "date_missing", Detail: "the rows tell times but no date, and neither does a line before them; say the day of the first row in a layout", Refuses: true}
	for i, line := range s.lines[:min(l.HeaderRows, len(s.lines))] {
		fields := strings.FieldsFunc(line, func(r rune) bool { return strings.ContainsRune("\t;|, =\"()", r) })
		for j := range fields {
			for n := 3; n > 0; n-- { // "14 March 2026" is three words
				if j+n > len(fields) {
					continue
				}
				text := strings.Trim(strings.Join(fields[j:j+n], " "), ":")
				if d, _, ok := cutStamp([]byte(text)); ok && n == 1 {
					text = string(d)
				}
				if _, ok := dateParts([]byte(text)); !ok || digits([]byte(text)) && !strings.HasPrefix(text, "20") {
					continue
				}
				var e evidence
				if e.add(i+1, text); len(e.left()) == 0 || !e.began {
					continue
				}
				if l.DateOrder == "" {
					if p := s.dateOrder(&e, l, o); refuses(p) {
						return p
					}
				}
				d, _ := dateParts([]byte(text))
				days, f := d.inOrder(l.DateOrder)
				if f != good {
					continue
				}
				l.Date = time.Unix(days*86400, 0).UTC().Format(time.DateOnly)
				l.because("line %d tells the day of the first row: %s", i+1, l.Date)
				return []Problem{{Line: i + 1, Code: "date_from_header", Text: excerpt([]byte(line)), Detail: "the rows tell no date; the first one is taken to be of " + l.Date + ", and a time that goes back by more than six hours to be of the next day"}}
			}
		}
	}
	return []Problem{missing}
}

// dateOrder decides the date order by the dates of the file.
func (s sample) dateOrder(e *evidence, l *Layout, o Options) []Problem {
	left := e.left()
	decide := func(i int, why string) { l.DateOrder = orders[i]; l.because("date order %s: %s", orders[i], why) }
	switch {
	case len(left) == 0:
		return []Problem{{
			Line: e.line, Column: max(l.Columns.Date, l.Columns.DateTime), Code: "date_order_ambiguous", Text: e.text, Refuses: true,
			Detail: "no order of day, month and year reads all dates of the file",
		}}
	case len(left) == 1 && e.yearFirst:
		decide(left[0], "the year stands first")
		return nil
	case len(left) == 1:
		decide(left[0], "no other reads all dates of the file")
		return nil
	case e.alike(left):
		decide(left[0], "every order reads the dates alike")
		return nil
	}
	for _, line := range s.lines[:min(l.HeaderRows, len(s.lines))] {
		if hint := dateHint(line); hint != "" {
			for _, i := range left {
				if orders[i] == hint {
					decide(i, "a line before the data spells it out")
					return nil
				}
			}
		}
	}
	var daily []int
	for _, i := range left {
		if e.changes > 0 && e.next[i] == e.changes {
			daily = append(daily, i)
		}
	}
	if e.alike(daily) {
		decide(daily[0], "only so do the dates go on day by day")
		return nil
	}
	if !o.Expected.From.IsZero() {
		var near []int
		until := o.Expected.To
		if until.IsZero() {
			until = o.Expected.From.AddDate(1, 0, 0) // no survey runs longer (house value)
		}
		for _, i := range left {
			from, to := time.Unix(e.first[i]*86400, 0), time.Unix((e.last[i]+1)*86400, 0)
			if to.Add(24*time.Hour).After(o.Expected.From) && from.Add(-24*time.Hour).Before(until) {
				near = append(near, i)
			}
		}
		if e.alike(near) {
			decide(near[0], "only so do the dates fall within the survey")
			if e.dots && orders[near[0]] == "dmy" {
				return nil
			}
			return []Problem{{
				Line: e.line, Column: max(l.Columns.Date, l.Columns.DateTime), Code: "date_order_from_survey", Text: e.text,
				Detail: "the dates can be read in several orders; " + orders[near[0]] + " is taken because only so they fall within the survey",
			}}
		}
	}
	if e.dots && !e.ruledOut[1] {
		decide(1, "dates with full stops begin with the day (common practice)")
		return nil
	}
	names := make([]string, len(left))
	for i, n := range left {
		names[i] = orders[n]
	}
	return []Problem{{
		Line: e.line, Column: max(l.Columns.Date, l.Columns.DateTime), Code: "date_order_ambiguous", Text: e.text, Refuses: true,
		Detail: "every date of the file can be read as " + strings.Join(names, " and as ") + "; say which in a layout",
	}}
}

// eachDate calls f with the date text of each data row whose date differs from
// that of the row before, until it returns false.
func eachDate(r io.ReadSeeker, l Layout, f func(line int, text string) bool) error {
	in, p, err := newRows(r, l, "", nil)
	if err != nil || p != nil {
		return err
	}
	defer in.close()
	more := true
	in.dates = func(text []byte) { more = more && f(in.lines.number, string(text)) }
	var w row
	for more && w.code != "line_too_long" {
		err := in.next(&w)
		if err != nil && (errors.Is(err, io.EOF) || isPacked(err)) {
			return nil // reading the rows names the fault
		}
		if err != nil {
			return err
		}
	}
	return nil
}
