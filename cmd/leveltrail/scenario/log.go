package scenario

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// A layout writes the samples of a series the way some meter might.
type layout func(start time.Time, levels []float64) []byte

// semicolons has a line of headings, the day first and decimal commas.
func semicolons(start time.Time, levels []float64) []byte {
	var b strings.Builder
	b.WriteString("No;Date;Time;LAF;Unit\r\n")
	for i, l := range levels {
		at := start.Add(time.Duration(i) * time.Second)
		fmt.Fprintf(&b, "%d;%s;%s;dB(A)\r\n", i+1, at.Format("02.01.2006;15:04:05"), strings.Replace(tenths(l), ".", ",", 1))
	}
	return []byte(b.String())
}

// tabs has the level first, the year first and decimal points.
func tabs(start time.Time, levels []float64) []byte {
	var b strings.Builder
	b.WriteString("Invented log\n\nLAF\tDate\tTime\n")
	for i, l := range levels {
		at := start.Add(time.Duration(i) * time.Second)
		fmt.Fprintf(&b, "%s\t%s\n", tenths(l), at.Format("2006-01-02\t15:04:05"))
	}
	return []byte(b.String())
}

// commas returns a layout that names the position in each row and has the month first.
func commas(position int) layout {
	return func(start time.Time, levels []float64) []byte {
		var b strings.Builder
		b.WriteString("Position,Date,Time,Level,Unit\n")
		for i, l := range levels {
			at := start.Add(time.Duration(i) * time.Second)
			fmt.Fprintf(&b, "%d,%s,%s,dB\n", position, at.Format("01/02/2006,15:04:05"), tenths(l))
		}
		return []byte(b.String())
	}
}

func tenths(l float64) string { return strconv.FormatFloat(l, 'f', 1, 64) }
