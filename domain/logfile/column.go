package logfile

import (
	"fmt"
	"slices"
	"strings"
)

// columns finds out what each column holds, by content and, where that leaves
// a choice, by heading.
func (s *sample) columns(l *Layout, o Options) []Problem {
	kinds := make([]tally, s.width)
	for n, i := range s.data {
		for j, f := range s.fields[i] {
			kinds[j].add(f, n)
		}
	}
	roles := make([]role, s.width)
	for j, h := range s.heads {
		roles[j] = roleOf(h)
	}
	n := len(s.data)
	c := &l.Columns
	pick := func(most func(tally) int, r role) int {
		found := 0
		for j, k := range kinds {
			if most(k)*10 < n*8 {
				continue
			}
			if found == 0 || roles[j] == r && roles[found-1] != r {
				found = j + 1
			}
		}
		return found
	}
	c.DateTime = pick(func(k tally) int {
		if k.stamp == 0 {
			return 0
		}
		return k.stamp + k.date
	}, timeRole)
	if c.DateTime == 0 {
		c.Date = pick(func(k tally) int { return k.date }, dateRole)
		c.Time = pick(func(k tally) int { return k.time }, timeRole)
		if c.Time == 0 {
			for j, k := range kinds {
				if k.sixDigits == n && c.Date > 0 && (roles[j] == timeRole || c.Time == 0 && roles[j] == noRole && j == c.Date) {
					c.Time = j + 1
				}
			}
		}
	}
	switch {
	case c.DateTime > 0:
		l.because("column %d holds dates with times", c.DateTime)
	case c.Date > 0 && c.Time > 0:
		l.because("column %d holds dates, column %d times", c.Date, c.Time)
	case s.dateless && c.Time > 0:
		l.because("column %d holds times; no column holds dates", c.Time)
	default:
		return []Problem{{Code: "no_time_column", Detail: "no column holds dates and times", Refuses: true}}
	}
	stamp := func(j int) bool {
		return j+1 == c.DateTime || j+1 == c.Date || j+1 == c.Time || slices.ContainsFunc(l.Levels, func(v LevelColumn) bool { return v.Column == j+1 })
	}
	for j, k := range kinds {
		switch {
		case stamp(j):
		case c.Unit == 0 && k.unit*10 >= n*8-k.blank*10 && k.unit > 0:
			c.Unit = j + 1
		case c.Position == 0 && roles[j] == positionRole && k.whole > 0:
			c.Position = j + 1
			l.because("column %d holds positions: its heading is %q", c.Position, s.heads[j])
		case c.Channel == 0 && roles[j] == channelRole && k.channel*10 >= n*8:
			c.Channel = j + 1
			l.because("column %d holds channels: its heading is %q", c.Channel, s.heads[j])
		case c.Flag == 0 && roles[j] == flagRole && k.level == k.flags:
			c.Flag = j + 1
		case c.Sequence == 0 && k.whole == n && roles[j] != levelRole && (roles[j] == sequenceRole || n > 2 && k.sequence*10 >= (n-1)*9):
			c.Sequence = j + 1
		}
	}
	taken := func(j int) bool {
		return stamp(j) || j+1 == c.Unit || j+1 == c.Position || j+1 == c.Channel || j+1 == c.Flag || j+1 == c.Sequence
	}
	var problems []Problem
	if len(l.Levels) > 0 {
		c.Level = l.Levels[0].Column
	} else if p := s.levelColumn(l, o, kinds, roles, taken); p != nil {
		if problems = append(problems, *p); p.Refuses {
			return problems
		}
	}
	if c.Position > 0 {
		return problems
	}
	var whole []int
	for j, k := range kinds {
		if !taken(j) && j+1 != c.Level && roles[j] == noRole && s.heads[j] == "" && k.whole == n && k.lowest > 0 && k.changes > 0 {
			whole = append(whole, j+1)
		}
	}
	if len(whole) == 1 {
		c.Position = whole[0]
		problems = append(problems, Problem{Column: c.Position, Code: "position_column_assumed", Detail: "the column has no heading; its whole numbers are taken as position numbers"})
	}
	return problems
}

// levelColumn finds the column of levels, or the columns where each names its quantity.
func (s *sample) levelColumn(l *Layout, o Options, kinds []tally, roles []role, taken func(int) bool) *Problem {
	var named, numeric []int
	for j, k := range kinds {
		if taken(j) {
			continue
		}
		if roles[j] == levelRole {
			named = append(named, j+1)
		}
		if k.level+k.weak > 0 && (k.level+k.weak)*10 >= (len(s.data)-k.blank)*5 && (roles[j] == noRole || roles[j] == levelRole) {
			numeric = append(numeric, j+1)
		}
	}
	found, why := named, "its heading names a level"
	if len(found) > 1 && o.Quantity != "" {
		declared := func(column int) bool { return headingSymbol(s.heads[column-1]) == o.Quantity }
		if f := slices.DeleteFunc(slices.Clone(found), func(c int) bool { return !declared(c) }); len(f) > 0 {
			left := len(found) - len(f)
			found, why = f, "its heading names the declared quantity"
			if len(f) == 1 && left > 0 {
				l.Columns.Level = f[0]
				l.because("column %d holds the levels: %s", f[0], why)
				return &Problem{Code: "columns_left_out", Detail: fmt.Sprintf("%d further columns of levels are left out, as %s is declared; declare none to read all of them", left, o.Quantity)}
			}
		}
	}
	if len(found) > 1 && (o.Quantity == "" || s.alike(found)) {
		if l.Levels = s.quantities(found); l.Levels != nil {
			l.Columns.Level = l.Levels[0].Column
			list := make([]string, len(l.Levels))
			for i, v := range l.Levels {
				list[i] = fmt.Sprintf("%d %s", v.Column, v.Quantity)
			}
			l.because("several columns hold levels, by their headings: %s", strings.Join(list, ", "))
			return s.leftOut(numeric, found)
		}
	}
	if len(found) == 0 {
		found, why = numeric, "it alone holds levels"
		narrow := func(keep func(column int) bool, reason string) {
			if len(found) < 2 {
				return
			}
			if f := slices.DeleteFunc(slices.Clone(found), func(c int) bool { return !keep(c) }); len(f) > 0 {
				found, why = f, reason
			}
		}
		narrow(func(c int) bool { return kinds[c-1].decimals > 0 || kinds[c-1].flags > 0 }, "it alone holds numbers with decimals or words for under and over range")
		narrow(func(c int) bool { return l.Columns.Unit == c+1 }, "a unit of levels stands beside it")
	}
	switch len(found) {
	case 0:
		return &Problem{Code: "no_level_column", Detail: "no column holds levels", Refuses: true}
	case 1:
		l.Columns.Level = found[0]
		l.because("column %d holds the levels: %s", found[0], why)
		return s.leftOut(numeric, found)
	}
	s.choices = found
	return &Problem{
		Code: "level_column_ambiguous", Refuses: true,
		Detail: "several columns could hold the levels (" + s.named(found) + "); name the one that is meant in a layout",
	}
}

// named lists columns by their places and headings: "2 LAeq, 3 LAFmax"; of many the first 40.
func (s sample) named(columns []int) string {
	var list []string
	for i, c := range columns {
		if i == 40 {
			list = append(list, fmt.Sprintf("%d more", len(columns)-i))
			break
		}
		list = append(list, strings.TrimSpace(fmt.Sprintf("%d %s", c, s.heads[c-1])))
	}
	return strings.Join(list, ", ")
}

// leftOut says which columns of numbers with headings are not read beside those found,
// such as bands named by their frequency alone; nil if none.
func (s sample) leftOut(numeric, found []int) *Problem {
	left := slices.DeleteFunc(slices.Clone(numeric), func(c int) bool { return slices.Contains(found, c) || s.heads[c-1] == "" })
	if len(left) == 0 {
		return nil
	}
	return &Problem{
		Code:   "columns_left_out",
		Detail: "columns that could hold levels are left out, as their headings name none: " + s.named(left) + "; a layout can say what they hold",
	}
}

// alike reports whether the headings of all columns name one quantity, as those of channels and bands do.
func (s sample) alike(columns []int) bool {
	for _, c := range columns {
		if q := headingSymbol(s.heads[c-1]); q == "" || q != headingSymbol(s.heads[columns[0]-1]) {
			return false
		}
	}
	return true
}

// quantities returns what each of several columns holds, nil unless their headings tell them apart.
func (s sample) quantities(columns []int) []LevelColumn {
	var list []LevelColumn
	seen := map[LevelColumn]bool{}
	octaves := true
	for _, c := range columns {
		h := s.heads[c-1]
		v := LevelColumn{Quantity: headingSymbol(h)}
		v.Channel, _ = channelIn(h)
		v.BandFraction, v.BandHz = bandIn(h)
		if v.Quantity == "" || seen[v] {
			return nil
		}
		seen[v] = true
		octaves = octaves && v.BandFraction != 3
		v.Column = c
		list = append(list, v)
	}
	for i := range list {
		if list[i].BandHz > 0 && !octaves {
			list[i].BandFraction = 3
		}
	}
	return list
}

// headingSymbol returns the symbol of the quantity that a heading names, "" if none.
func headingSymbol(heading string) string {
	for _, word := range append([]string{heading}, strings.Fields(heading)...) {
		if s := symbolOf(word); s != "" {
			return s
		}
	}
	return ""
}

// tally counts what the fields of a column could be.
type tally struct {
	stamp, date, time, sixDigits, level, weak, whole, unit, blank, channel int
	flags, decimals                                                        int
	sequence, changes                                                      int // steps of +1, steps that are not 0
	last, lowest                                                           int
}

func (t *tally) add(f string, n int) {
	k := shapeOf(f)
	if _, ok := channelIn(f); ok {
		t.channel++
	}
	v, isWhole := whole([]byte(f))
	for _, c := range []struct {
		is bool
		n  *int
	}{
		{k.stamp, &t.stamp},
		{k.date, &t.date},
		{k.time, &t.time},
		{k.sixDigits, &t.sixDigits},
		{k.level, &t.level},
		{k.weak && !k.blank, &t.weak},
		{isWhole, &t.whole},
		{k.unit, &t.unit},
		{k.blank, &t.blank},
		{flagOf(f) != 0, &t.flags},
		{k.level && strings.ContainsAny(f, ".,"), &t.decimals},
	} {
		if c.is {
			*c.n++
		}
	}
	if !isWhole {
		return
	}
	if n == 0 || v < t.lowest {
		t.lowest = v
	}
	if n > 0 {
		switch v - t.last {
		case 0:
		case 1:
			t.sequence++
			t.changes++
		default:
			t.changes++
		}
	}
	t.last = v
}
