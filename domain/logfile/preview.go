package logfile

import (
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"leveltrail/domain/acoustic"
)

// previewed is how many rows a preview shows.
const previewed = 20

// Preview is what a file would become.
type Preview struct {
	Report               // as reading it gives
	First     []Shown    // the first rows; none if the file is no table
	Questions []Question // what the file leaves open
}

// Shown is a data row as it is understood.
type Shown struct {
	Line     int
	At       time.Time // UTC, by the meter's clock; zero if it cannot be told
	Position int       // 0 = none
	Channel  int       // likewise
	Levels   []ShownLevel
	Code     string // why the row cannot be read, "" if it can
	Text     string // beginning of the line
}

// ShownLevel is a level of a row.
type ShownLevel struct {
	Column   int
	Quantity string         // "" = not known
	Level    acoustic.Level // a number or a flag, if Code is empty
	Code     string         // why there is none
}

// Question is something that a file leaves open and that a person can answer.
// A binding one refuses the file until it is answered; else what is taken
// without an answer is named.
type Question struct {
	Code    string   // "stamps", "date_order", "quantity", "position", "level_column", "date"
	Member  string   // of the options that answers it: "stamps", "layout/date_order"
	Detail  string   // a sentence for people
	Answers []string // those possible; nil = any that fits the member
	Assumed string   // what is taken without an answer, "" = nothing
	Binding bool
	Line    int // where it shows, 0 = in the whole file
	Column  int // likewise
}

// Look tells what Read would make of the file r, shows its first rows and asks
// what is left open. It reads the whole file.
func Look(r io.ReadSeeker, o Options) (Preview, error) {
	rep, err := Read(r, o, nil)
	if err != nil {
		return Preview{}, err
	}
	v := Preview{Report: rep}
	l := rep.Layout
	if v.Questions = questions(rep, o); len(v.Questions) > 0 && v.Questions[0].Code == "level_column" {
		_, s, _, err := detect(r, o)
		if err != nil {
			return v, err
		}
		for _, c := range s.choices {
			v.Questions[0].Answers = append(v.Questions[0].Answers, strconv.Itoa(c))
		}
	}
	if c := l.Columns; c.Level == 0 || c.DateTime == 0 && c.Time == 0 || l.Date == "" && c.DateTime == 0 && c.Date == 0 {
		return v, nil
	}
	v.First, err = firstRows(r, l, o)
	return v, err
}

// firstRows reads the first rows. Where the order of dates is open they have no instants.
func firstRows(r io.ReadSeeker, l Layout, o Options) ([]Shown, error) {
	dated := l.DateOrder != ""
	if !dated {
		l.DateOrder = orders[0]
	}
	in, p, err := newRows(r, l, o.Quantity, nil)
	if p != nil || err != nil {
		return nil, err
	}
	defer in.close()
	in.slow = true
	clock := newWall(o.Location, nil)
	var list []Shown
	var w row
	for {
		err := in.next(&w)
		if err != nil {
			if errors.Is(err, io.EOF) || isPacked(err) {
				err = nil
			}
			return list, err
		}
		if w.series == 0 {
			if len(list) == previewed || w.code == "line_too_long" {
				return list, nil
			}
			s := Shown{Line: w.line, Position: w.position, Channel: w.channel, Text: excerpt(in.line)}
			switch {
			case !w.stamped && dated:
				s.Code = w.code
			case w.zoned && dated:
				s.At = instant(w.stamp)
			case w.stamped && dated:
				at, _ := clock.utc(w.stamp)
				s.At = instant(at)
			}
			list = append(list, s)
		}
		if !w.stamped && dated {
			continue
		}
		part := partOf(l, o, trackKey{series: w.series})
		level := ShownLevel{Column: l.Columns.Level, Quantity: part.Quantity, Level: w.level}
		if w.series < len(l.Levels) {
			level.Column = l.Levels[w.series].Column
		}
		if w.kind != plain && w.kind != rounded && w.kind != flagged || w.code != "" && w.stamped {
			if level.Level, level.Code = 0, w.code; level.Code == "" {
				level.Code = "level_unreadable"
			}
		}
		s := &list[len(list)-1]
		s.Levels = append(s.Levels, level)
	}
}

// questions asks what the file leaves open.
func questions(rep Report, o Options) []Question {
	var list []Question
	l := rep.Layout
	for _, p := range rep.Problems {
		q := Question{Detail: p.Detail, Binding: p.Refuses, Line: p.Line, Column: p.Column}
		switch p.Code {
		case "date_order_ambiguous":
			q.Code, q.Member = "date_order", "layout/date_order"
			if q.Answers = readings(p.Text); len(q.Answers) < 2 {
				continue // no order reads the dates: there is no answer
			}
			q.Detail += "; the first is " + p.Text
		case "date_order_from_survey":
			q.Code, q.Member, q.Answers, q.Assumed = "date_order", "layout/date_order", readings(p.Text), l.DateOrder
		case "level_column_ambiguous":
			q.Code, q.Member = "level_column", "layout/levels"
		case "date_missing":
			q.Code, q.Member = "date", "layout/date"
		case "date_from_header":
			q.Code, q.Member, q.Assumed = "date", "layout/date", l.Date
		case "position_column_assumed":
			q.Code, q.Member, q.Assumed = "position_column", "layout/columns/position", strconv.Itoa(p.Column)
		default:
			continue
		}
		list = append(list, q)
	}
	if rep.Refused {
		return list
	}
	longest := time.Duration(0)
	for _, t := range rep.Tracks {
		longest = max(longest, t.Interval)
	}
	if o.Stamps == "" && longest > time.Second {
		list = append(list, Question{
			Code: "stamps", Member: "stamps", Answers: []string{"interval_start", "interval_end"}, Assumed: "interval_start",
			Detail: "does a stamp mark the beginning or the end of its interval of " + longest.String() + "?",
		})
	}
	var unnamed []string
	for _, t := range rep.Tracks {
		if t.Quantity == "" {
			unnamed = append(unnamed, fmt.Sprint(t.Position))
		}
	}
	if len(unnamed) > 0 {
		list = append(list, Question{
			Code: "quantity", Member: "quantity", Binding: true, Column: l.Columns.Level, Answers: likely(l, longest),
			Detail: "the file does not say what its levels are: time-weighted levels, equivalent levels, maxima, and with which frequency weighting",
		})
	}
	if len(rep.Tracks) > 0 && rep.Tracks[0].Position == 0 {
		list = append(list, Question{Code: "position", Member: "position_id", Binding: true, Detail: "the file names no position; where was it measured?"})
	} else if len(rep.Tracks) > 0 {
		var numbers []string
		for _, t := range rep.Tracks {
			if n := strconv.Itoa(t.Position); len(numbers) == 0 || numbers[len(numbers)-1] != n {
				numbers = append(numbers, n)
			}
		}
		list = append(list, Question{
			Code: "position", Member: "positions", Assumed: "the project's positions of these numbers",
			Detail: "the file numbers its positions " + strings.Join(numbers[:min(len(numbers), 50)], ", ") + "; which of the project's are they?",
		})
	}
	return list
}

// readings returns the orders that read the date text, each with the day it gives.
func readings(text string) []string {
	d, ok := dateParts([]byte(text))
	var list []string
	for _, order := range orders {
		if _, f := d.inOrder(order); ok && f == good {
			list = append(list, order)
		}
	}
	return list
}

// likely returns the quantities that a file of this unit and interval may hold.
func likely(l Layout, interval time.Duration) []string {
	weights := []string{"A", "C", "Z"}
	if w, _ := weightingOf(l.Unit); w == 'A' || w == 'C' || w == 'Z' {
		weights = []string{string(w)}
	}
	kinds := []string{"F", "S", "eq", "Fmax", "Smax", "Fmin", "Smin", "peak"}
	if interval > time.Second { // a level at an instant says little of a longer interval
		kinds = []string{"eq", "Fmax", "Smax", "Fmin", "Smin", "peak", "F", "S"}
	}
	var list []string
	for _, w := range weights {
		for _, k := range kinds {
			list = append(list, "L"+w+k)
		}
	}
	return list
}
