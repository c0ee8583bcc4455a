package logfile_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/logfile"
	"leveltrail/domain/series"
)

// A row that cannot be read keeps its place among those that share its stamp, so
// that the rows after it do not move.
func TestUnreadableAmongSubSecondRows(t *testing.T) {
	t.Parallel()
	for _, bad := range []struct{ name, row string }{
		{"level", "2026-03-14 07:00:02;5x"},
		{"stamp", "2026-03-14 07:0?:02;51.2"},
		{"blank level", "2026-03-14 07:00:02;"},
	} {
		for place := range 4 {
			t.Run(fmt.Sprintf("%s %d", bad.name, place), func(t *testing.T) {
				t.Parallel()
				var b strings.Builder
				b.WriteString("at;LAF\n")
				var before, after []acoustic.Level
				for i := range 24 { // four rows a second
					switch at := 8 + place; {
					case i == at:
						b.WriteString(bad.row + "\n")
						continue
					case i < at:
						before = append(before, acoustic.Level(5000+10*i))
					default:
						after = append(after, acoustic.Level(5000+10*i))
					}
					fmt.Fprintf(&b, "2026-03-14 07:00:%02d;%d.%d\n", i/4, 50+i/10, i%10)
				}
				rep, runs := read(t, b.String(), logfile.Options{AcceptUnreadable: true})
				want := []series.Run{
					{Start: at("2026-03-14T07:00:00Z"), Levels: before},
					{Start: at("2026-03-14T07:00:00Z").Add(time.Duration(len(before)+1) * 250 * time.Millisecond), Levels: after},
				}
				if diff := cmp.Diff(want, runs[0]); diff != "" {
					t.Errorf("runs (-want +got):\n%s%s", diff, codes(rep))
				}
			})
		}
	}
}

// Numbers of rows and positions may have thousands signs.
func TestThousandsSigns(t *testing.T) {
	t.Parallel()
	for _, sign := range []string{",", ".", "'", "\u00a0"} {
		var plain, placed strings.Builder // without headings, and with positions
		placed.WriteString("No;At;Position;Level\n")
		var want []acoustic.Level
		for i := range 30 {
			no := strings.Replace(fmt.Sprintf("%d,%03d", (990+i)/1000, (990+i)%1000), ",", sign, 1)
			no = strings.TrimPrefix(no, "0"+sign)
			fmt.Fprintf(&plain, "%s;14/03/2026 07:00:%02d;%d,%d\n", no, i, 50+i/10, i%10)
			fmt.Fprintf(&placed, "%s;14/03/2026 07:00:%02d;1%s204;%d,%d\n", no, i, sign, 50+i/10, i%10)
			want = append(want, acoustic.Level(5000+10*i))
		}
		for position, file := range map[int]string{0: plain.String(), 1204: placed.String()} {
			rep, runs := read(t, file, logfile.Options{Quantity: "LAF"})
			if len(runs) != 1 || len(runs[position]) != 1 || !cmp.Equal(want, runs[position][0].Levels) || rep.Layout.Columns.Sequence != 1 {
				t.Errorf("sign %q, position %d: %+v\n%s", sign, position, rep.Layout, codes(rep))
			}
		}
	}
}

// Dates that more than the first rows are needed for: the order is told while the
// rows are read, also where the first ones suggest another.
func TestDateOrderToldLate(t *testing.T) {
	t.Parallel()
	start := time.Date(2026, 4, 3, 0, 0, 0, 0, time.UTC)
	file := func(form string, days int) string {
		var b strings.Builder
		b.WriteString("at;LAF\n")
		for i := range days * 24 * 4 {
			fmt.Fprintf(&b, "%s;51.2\n", start.Add(time.Duration(i)*15*time.Minute).Format(form+" 15:04:05"))
		}
		return b.String()
	}
	in := func(from time.Time) series.Span { return series.Span{From: from, To: from.AddDate(0, 0, 1)} }
	tests := []struct {
		name, file string
		o          logfile.Options
		order      string
	}{
		{"a day above 12", file("02/01/2006", 12), logfile.Options{}, "dmy"},
		{"a day above 12, month first", file("01/02/2006", 12), logfile.Options{}, "mdy"},
		{"day by day", file("02/01/2006", 5), logfile.Options{}, "dmy"},
		{"a survey that suggests another", file("02/01/2006", 12), logfile.Options{Expected: in(time.Date(2026, 3, 4, 0, 0, 0, 0, time.UTC))}, "dmy"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			rep, runs := read(t, tt.file, tt.o)
			l, problems, err := logfile.Detect(strings.NewReader(tt.file), tt.o)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(l, rep.Layout); diff != "" {
				t.Errorf("layouts that Detect and Read found (-Detect +Read):\n%s%v", diff, problems)
			}
			if rep.Layout.DateOrder != tt.order || len(runs[0]) != 1 || !runs[0][0].Start.Equal(start) || len(runs[0][0].Levels) != strings.Count(tt.file, "\n")-1 {
				t.Errorf("%s, %d runs; want %s and one from %s\n%s", rep.Layout.DateOrder, len(runs[0]), tt.order, start, codes(rep))
			}
		})
	}
}

// Bands stand side by side, named by their nominal mid-band frequencies (IEC 61260-1).
func TestBands(t *testing.T) {
	t.Parallel()
	head, row := "at", ""
	hz := []string{"31.5 Hz", "63 Hz", "125Hz", "250 Hz", "500 Hz", "1 kHz", "2k", "4k"}
	for i, b := range hz {
		head += ";LZeq " + b
		row += fmt.Sprintf(";%d.5", 40+i)
	}
	var b strings.Builder
	b.WriteString(head + "\n")
	for i := range 5 {
		fmt.Fprintf(&b, "2026-03-14 07:00:%02d%s\n", i, row)
	}
	_, runs := parts(t, b.String(), logfile.Options{})
	for i, name := range []string{"31.5", "63", "125", "250", "500", "1000", "2000", "4000"} {
		r := runs["LZeq at "+name+" Hz"]
		if len(r) != 1 || len(r[0].Levels) != 5 || r[0].Levels[4] != acoustic.Level(4050+100*i) {
			t.Errorf("%s Hz: %v", name, r)
		}
	}
	rep, _ := parts(t, strings.ReplaceAll(b.String(), "63 Hz", "80 Hz"), logfile.Options{})
	for _, k := range rep.Tracks {
		if k.BandFraction != 3 {
			t.Errorf("%g Hz beside 80 Hz is of 1/%d octave", k.BandHz, k.BandFraction)
		}
	}
}

// A file of columns that nothing tells apart asks which ones are meant.
func TestLookNamesColumns(t *testing.T) {
	t.Parallel()
	file := "2026-05-06 10:00:00;51.2;61.2\n2026-05-06 10:00:01;51.3;61.3\n2026-05-06 10:00:02;51.4;61.4\n"
	p, err := logfile.Look(strings.NewReader(file), logfile.Options{Quantity: "LAF"})
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Questions) != 1 || p.Questions[0].Code != "level_column" || !cmp.Equal(p.Questions[0].Answers, []string{"2", "3"}) {
		t.Errorf("questions = %+v", p.Questions)
	}
}
