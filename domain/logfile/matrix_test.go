package logfile_test

import (
	"fmt"
	"strings"
	"testing"
	"time"
	"unicode/utf16"

	"github.com/google/go-cmp/cmp"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/logfile"
	"leveltrail/domain/series"
)

// Generated files of every delimiter, decimal sign, date form, time form, zone,
// line end, encoding and arrangement of columns must come back sample for sample.
func TestReadMatrix(t *testing.T) {
	t.Parallel()
	zones := []string{"UTC", "Europe/Vienna", "America/New_York", "Australia/Lord_Howe"}
	dates := []string{"2006-01-02", "02.01.2006", "02/01/2006", "01/02/2006", "02.01.06", "2006/1/2", "20060102"}
	clocks := []string{"15:04:05", "3:04:05 PM", "15:04:05.0"}
	encodings := []string{"utf-8", "utf-8 with mark", "utf-16le", "utf-16be", "windows-1252"}
	n := 0
	for _, delim := range []string{",", ";", "\t", "|", "  "} {
		for _, decimal := range []string{".", ","} {
			for d, date := range dates {
				for c, clock := range clocks {
					for arrangement := range 4 {
						for place := range 4 { // quoted or not, in one zone or the next
							quoted, shift := place%2 == 1, place/2
							if delim == "," && decimal == "," && !quoted || delim == "  " && quoted {
								continue
							}
							zone := zones[(d+c+arrangement+shift)%len(zones)]
							newline := []string{"\n", "\r\n", "\r"}[(d+2*c+arrangement)%3]
							encoding := encodings[(d+c+n)%len(encodings)]
							n++
							name := fmt.Sprintf("%q %q %s %s %d %t %s %q %s", delim, decimal, date, clock, arrangement, quoted, zone, newline, encoding)
							file, want := generate(t, delim, decimal, date, clock, newline, zone, arrangement, quoted)
							loc, _ := time.LoadLocation(zone)
							rep, runs := read(t, encode(file, encoding), logfile.Options{Quantity: "LAF", Location: loc})
							if diff := cmp.Diff(want, runs); diff != "" || rep.Rows.Rejected > 0 {
								t.Fatalf("%s (-want +got):\n%s%+v\n%.400s", name, diff, rep, file)
							}
							if want := strings.TrimSuffix(encoding, " with mark"); rep.Layout.Encoding != want && want != "windows-1252" {
								t.Errorf("%s: encoding %s", name, rep.Layout.Encoding)
							}
						}
					}
				}
			}
		}
	}
	if n < 2500 {
		t.Errorf("only %d files", n)
	}
}

// generate makes a file from the 13th to the 14th of March and what it holds.
func generate(t *testing.T, delim, decimal, date, clock, newline, zone string, arrangement int, quoted bool) (string, map[int][]series.Run) {
	loc, err := time.LoadLocation(zone)
	if err != nil {
		t.Fatal(err)
	}
	start := time.Date(2026, 3, 13, 23, 59, 50, 0, loc)
	under := []string{"Lo", "unter", "bajo", "<24"}[arrangement]
	field := func(s string) string {
		if quoted {
			return `"` + s + `"`
		}
		return s
	}
	var b strings.Builder
	line := func(fields ...string) {
		for i, f := range fields {
			fields[i] = field(f)
		}
		b.WriteString(strings.Join(fields, delim) + newline)
	}
	if arrangement == 1 {
		b.WriteString("Messung im Süden – März" + newline + newline)
		line("Pegel", "Einheit", "Uhrzeit", "Datum")
	}
	want := map[int][]series.Run{}
	for i := range 40 {
		at := start.Add(time.Duration(i) * time.Second)
		l := acoustic.Level(2400 + 300*i + i%10*10)
		text := strings.Replace(fmt.Sprintf("%d.%d", l/100, l/10%10), ".", decimal, 1)
		position := 0
		if i == 7 {
			l, text = series.UnderRange, under
		}
		day, clk := at.Format(date), at.Format(clock)
		switch arrangement {
		case 0:
			line(fmt.Sprint(i+1), day, clk, text, "dB(A)")
		case 1:
			line(text, "dBA", clk, day)
		case 2:
			if i == 0 {
				line("time", "Messpunkt", "LAF")
			}
			position = 102 + i/20
			if delim == "  " {
				line(day, clk, fmt.Sprint(position), text)
			} else {
				line(day+" "+clk, fmt.Sprint(position), text)
			}
		case 3:
			line(day, clk, text)
		}
		if runs := want[position]; len(runs) == 0 {
			want[position] = []series.Run{{Start: at.UTC()}}
		}
		run := &want[position][0]
		run.Levels = append(run.Levels, l)
	}
	if arrangement == 1 {
		b.WriteString(newline + "Ende" + newline)
	}
	return b.String(), want
}

func encode(s, encoding string) string {
	units := utf16.Encode([]rune("\ufeff" + s))
	var b strings.Builder
	switch encoding {
	case "utf-8":
		return s
	case "utf-8 with mark":
		return "\ufeff" + s
	case "windows-1252":
		for _, r := range s {
			if r == '–' {
				r = 0x96
			}
			b.WriteByte(byte(r))
		}
	default:
		for _, u := range units {
			if encoding == "utf-16le" {
				b.Write([]byte{byte(u), byte(u >> 8)})
			} else {
				b.Write([]byte{byte(u >> 8), byte(u)})
			}
		}
	}
	return b.String()
}
