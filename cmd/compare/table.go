package main

import (
	"fmt"
	"io"
	"os"
	"runtime"
	"strings"
	"time"
)

// table is what was measured, row by row.
type table struct{ rows [][]string }

// goal is what a ratio must reach.
type goal struct {
	least, most float64 // one of them is zero
}

func atLeast(x float64) goal { return goal{least: x} }
func atMost(x float64) goal  { return goal{most: x} }

func (g goal) String() string {
	if g.least > 0 {
		return fmt.Sprintf("≥ %g", g.least)
	}
	return fmt.Sprintf("≤ %g", g.most)
}

func (g goal) reached(x float64) string {
	if g.least > 0 && x < g.least || g.most > 0 && x > g.most {
		return "no"
	}
	return "yes"
}

// faster adds a row whose ratio is their time over ours.
func (t *table) faster(what string, ours, theirs []float64, g goal) {
	t.add(what, duration(spreadOf(ours).median), duration(spreadOf(theirs).median), spreadOf(quotients(theirs, ours)), g)
}

// within adds a row whose ratio is our time over the time it is held against.
func (t *table) within(what string, ours, theirs []float64, g goal) {
	t.add(what, duration(spreadOf(ours).median), duration(spreadOf(theirs).median), spreadOf(quotients(ours, theirs)), g)
}

func (t *table) add(what, ours, theirs string, ratio spread, g goal) {
	text := number(ratio.median)
	if ratio.least != ratio.greatest {
		text += " (" + number(ratio.least) + "-" + number(ratio.greatest) + ")"
	}
	t.rows = append(t.rows, []string{what, ours, theirs, text, g.String(), g.reached(ratio.median)})
}

// note adds a row that nothing is asked of.
func (t *table) note(what, ours, theirs string) {
	t.rows = append(t.rows, []string{what, ours, theirs, "", "", ""})
}

func number(x float64) string {
	switch {
	case x >= 100:
		return fmt.Sprintf("%.0f", x)
	case x >= 10:
		return fmt.Sprintf("%.1f", x)
	}
	return fmt.Sprintf("%.2f", x)
}

func duration(seconds float64) string {
	switch {
	case seconds >= 1:
		return fmt.Sprintf("%.2f s", seconds)
	case seconds >= 1e-3:
		return fmt.Sprintf("%.2f ms", seconds*1e3)
	}
	return fmt.Sprintf("%.0f µs", seconds*1e6)
}

// print writes t as a table that Markdown understands too.
func (t *table) print(w io.Writer, s sizes) error {
	fmt.Fprintf(w, "Median of %d rounds, both sides in turn; in brackets the least and the greatest. %s, %s.\n"+
		"The long series has %d days of 1 s samples, a write %d days. PostgreSQL, both sides: %s.\n\n",
		s.rounds, machine(), time.Now().UTC().Format("2006-01-02 15:04 UTC"), s.days, s.writeDays, strings.Join(settings, ", "))
	rows := append([][]string{{"what", "ours", "theirs", "ratio", "required", "reached"}}, t.rows...)
	var width [6]int
	for _, r := range rows {
		for i, cell := range r {
			width[i] = max(width[i], len([]rune(cell)))
		}
	}
	for n, r := range rows {
		var line strings.Builder
		line.WriteString("|")
		rule := new(strings.Builder)
		rule.WriteString("|")
		for i, cell := range r {
			line.WriteString(" " + cell + strings.Repeat(" ", width[i]-len([]rune(cell))) + " |")
			rule.WriteString(strings.Repeat("-", width[i]+2) + "|")
		}
		fmt.Fprintln(w, line.String())
		if n == 0 {
			fmt.Fprintln(w, rule)
		}
	}
	_, err := fmt.Fprintln(w)
	return err
}

// machine says where the figures were measured, and what else it had to do.
func machine() string {
	text := fmt.Sprintf("%s/%s, %d cores", runtime.GOOS, runtime.GOARCH, runtime.NumCPU())
	if load, err := os.ReadFile("/proc/loadavg"); err == nil {
		if f := strings.Fields(string(load)); len(f) >= 3 {
			text += ", load " + strings.Join(f[:3], " ")
		}
	}
	return text
}
