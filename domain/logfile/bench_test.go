package logfile

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"testing"
	"time"

	"leveltrail/domain/series"
)

// dayFile is a day of 1 s levels as a log file of five columns.
func dayFile() []byte {
	var b bytes.Buffer
	b.WriteString("No;Date;Time;Level;Unit\r\n")
	at := time.Date(2026, 3, 3, 0, 0, 0, 0, time.UTC)
	for i := range 86400 {
		level := 4000 + (i*7919)%3000
		fmt.Fprintf(&b, "%d;%s;%d.%d;dB(A)\r\n", i+1, at.Format("02.01.2006;15:04:05"), level/100, level/10%10)
		at = at.Add(time.Second)
	}
	return b.Bytes()
}

// naive reads the file with the standard library alone.
func naive(file []byte) (n int, err error) {
	r := csv.NewReader(bytes.NewReader(file))
	r.Comma = ';'
	if _, err := r.Read(); err != nil {
		return 0, err
	}
	for {
		f, err := r.Read()
		if errors.Is(err, io.EOF) {
			return n, nil
		}
		if err != nil {
			return n, err
		}
		if _, err := time.Parse("02.01.2006 15:04:05", f[1]+" "+f[2]); err != nil {
			return n, err
		}
		if _, err := strconv.ParseFloat(strings.Replace(f[3], ",", ".", 1), 64); err != nil {
			return n, err
		}
		n++
	}
}

// BenchmarkRead prints how many times faster than encoding/csv with time.Parse,
// which goes over the file once and knows its layout, are: parsing alone (each
// row to its instant and level), Read with the layout given, and Read with
// detection over the whole file.
func BenchmarkRead(b *testing.B) {
	file := dayFile()
	layout, _, err := Detect(bytes.NewReader(file), Options{})
	if err != nil {
		b.Fatal(err)
	}
	reading := func(o Options) (n int, err error) {
		_, err = Read(bytes.NewReader(file), o, func(_ Part, run series.Run) error {
			n += len(run.Levels)
			return nil
		})
		return n, err
	}
	for _, way := range []struct {
		name string
		read func() (int, error)
	}{
		{"parse", func() (n int, err error) {
			in, _, err := newRows(bytes.NewReader(file), layout, "LAF", nil)
			if err != nil {
				return 0, err
			}
			var w row
			for in.next(&w) == nil && w.code == "" {
				n++
			}
			return n, nil
		}},
		{"given", func() (int, error) { return reading(Options{Quantity: "LAF", Layout: &layout}) }},
		{"detect", func() (int, error) { return reading(Options{Quantity: "LAF"}) }},
	} {
		b.Run(way.name, func(b *testing.B) {
			var ours, theirs time.Duration
			for b.Loop() {
				from := time.Now()
				if n, err := naive(file); n != 86400 || err != nil {
					b.Fatal(n, err)
				}
				theirs += time.Since(from)
				from = time.Now()
				if n, err := way.read(); n != 86400 || err != nil {
					b.Fatal(n, err)
				}
				ours += time.Since(from)
			}
			b.ReportMetric(float64(theirs)/float64(ours), "times-csv")
			b.ReportMetric(float64(ours.Nanoseconds())/float64(b.N)/86400, "ns/row")
			b.ReportMetric(float64(theirs.Nanoseconds())/float64(b.N)/86400, "csv-ns/row")
		})
	}
}
