package logfile_test

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/logfile"
	"leveltrail/domain/series"
)

// read returns the report and the runs of each position.
func read(t *testing.T, file string, o logfile.Options) (logfile.Report, map[int][]series.Run) {
	t.Helper()
	runs := map[int][]series.Run{}
	rep, err := logfile.Read(strings.NewReader(file), o, func(p logfile.Part, run series.Run) error {
		runs[p.Position] = append(runs[p.Position], run)
		return nil
	})
	if err != nil {
		t.Fatalf("Read: %v", err)
	}
	if rep.Refused && len(runs) > 0 {
		t.Errorf("a refused file emitted %v", runs)
	}
	return rep, runs
}

func codes(rep logfile.Report) string {
	var s []string
	for _, p := range rep.Problems {
		c := fmt.Sprintf("%d:%d %s", p.Line, p.Column, p.Code)
		if p.Refuses {
			c += "!"
		}
		s = append(s, c)
	}
	return strings.Join(s, ", ")
}

func at(s string) time.Time {
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil {
		panic(err)
	}
	return t.UTC()
}

const (
	lo = series.UnderRange
	hi = series.OverRange
)

// Files of every kind of layout that hold the same three samples.
func TestReadLayouts(t *testing.T) {
	t.Parallel()
	want := []series.Run{{Start: at("2026-03-14T07:00:00Z"), Levels: []acoustic.Level{5120, lo, 10005}}}
	tests := []struct{ name, file string }{
		{"semicolons", "No;Date;Time;Level;Unit\n1;14.03.2026;07:00:00;51,2;dB(A)\n2;14.03.2026;07:00:01;<24;dB(A)\n3;14.03.2026;07:00:02;100,05;dB(A)\n"},
		{"other order of columns", "Level,Unit,Time,Date\r\n51.2,dBA,07:00:00,2026-03-14\r\nunter,dBA,07:00:01,2026-03-14\r\n100.05,dBA,07:00:02,2026-03-14\r\n"},
		{"no heading", "14/03/2026\t7:00:00\t51.20\n14/03/2026\t7:00:01\tbajo\n14/03/2026\t7:00:02\t100.05"},
		{"month first", "03/14/2026 07:00:00 AM|51.2\n03/14/2026 07:00:01 AM|UNDER\n03/14/2026 07:00:02 AM|100.05\n"},
		{"aligned", "Measurement of the morning\n\n   1  2026-03-14  07:00:00   51.2  dB (A)\n   2  2026-03-14  07:00:01   Lo    dB (A)\n   3  2026-03-14  07:00:02  100.05 dB (A)\n"},
		{"aligned, flag of two words", "2026-03-14 07:00:00 51.2 dB\n2026-03-14 07:00:01 < 24 dB\n2026-03-14 07:00:02 100.05 dB\n"},
		{"quoted", "\"2026-03-14T07:00:00\",\"51,2\"\n\"2026-03-14T07:00:01\",\"sous-gamme\"\n\"2026-03-14T07:00:02\",\"100,05\"\n"},
		{"zone in the stamp", "at;level\n2026-03-14T08:00:00+01:00;51.2\n2026-03-14T07:00:01Z;UL\n2026-03-14T03:00:02-0400;100.05\n"},
		{"compact", "date,time,level\n20260314,070000,51.2\n20260314,070001,Lo\n20260314,070002,100.05\n"},
		{"name of the month", "14-Mar-26;07:00:00;51,2\n14-Mar-26;07:00:01;under range\n14-Mar-26;07:00:02;100,05\n"},
		{"month before day", "\"Mar 14, 2026\",07:00:00,51.2\n\"Mar 14, 2026\",07:00:01,basso\n\"Mar 14, 2026\",07:00:02,100.05\n"},
		{"unit in the field", "14.03.2026 07:00:00;51,2 dB(A)\n14.03.2026 07:00:01;alle\n14.03.2026 07:00:02;100,05 dB(A)\n"},
		{"flag column", "Date;Time;Level;Status\n2026-03-14;07:00:00;51.2;\n2026-03-14;07:00:01;24.0;under\n2026-03-14;07:00:02;100.05;\n"},
		{"lines before and after", "Weighting: A\nStart;2026-03-14\n\nDatum;Uhrzeit;Pegel\n14.03.2026;07:00:00;51,2\n14.03.2026;07:00:01;Unterschreitung\n14.03.2026;07:00:02;100,05\n\nMittelwert;;95,3\nEnde\n"},
		{"CR", "14.03.2026;07:00:00;51,2\r14.03.2026;07:00:01;lav\r14.03.2026;07:00:02;100,05\r"},
		{"dotted times", "14.03.2026;07.00.00;51,2\n14.03.2026;07.00.01;onder\n14.03.2026;07.00.02;100,05\n"},
		{"byte order mark", "\ufeff14.03.2026;07:00:00;51,2\n14.03.2026;07:00:01;UL\n14.03.2026;07:00:02;100,05\n"},
		{"zero bytes at the end", "14.03.2026;07:00:00;51,2\n14.03.2026;07:00:01;UL\n14.03.2026;07:00:02;100,05\n" + strings.Repeat("\x00", 512)},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			rep, runs := read(t, tt.file, logfile.Options{Quantity: "LAF"})
			if diff := cmp.Diff(want, runs[0]); diff != "" {
				t.Errorf("Read (-want +got):\n%s%+v", diff, rep)
			}
			if want := (logfile.Rows{Read: 3, Accepted: 2, Flagged: 1}); rep.Rows != want {
				t.Errorf("rows = %+v; want %+v", rep.Rows, want)
			}
		})
	}
}

func TestReadGzip(t *testing.T) {
	t.Parallel()
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	fmt.Fprint(z, "14.03.2026;07:00:00;51,2\n14.03.2026;07:00:01;51,3\n")
	z.Close()
	whole := b.String()
	_, runs := read(t, whole, logfile.Options{})
	if n := len(runs[0]); n != 2 { // two readings are too few for an interval
		t.Errorf("%d runs; want 2 spot readings", n)
	}
	rep, _ := read(t, whole[:len(whole)-6], logfile.Options{})
	if got := codes(rep); got != "0:0 file_damaged!" {
		t.Errorf("problems of a cut file = %s", got)
	}
}

// rowsFrom makes a file of comma-separated stamps and levels in ISO form.
func rowsFrom(rows ...string) string { return "at,level\n" + strings.Join(rows, "\n") + "\n" }

func TestReadRefusals(t *testing.T) {
	t.Parallel()
	good := "2026-03-14 07:00:00,51.2"
	tests := []struct {
		name, file string
		want       string
	}{
		{"empty", "", "0:0 file_empty!"},
		{"blank", "\n\n  \n", "0:0 file_empty!"},
		{"header only", "Date;Time;Level\n", "0:0 file_header_only!"},
		{"binary", "\x01\x00\x02\x03level\x00\xff", "0:0 file_binary!"},
		{"old spreadsheet", "\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "0:0 file_spreadsheet_old!"},
		{"spreadsheet", "PK\x03\x04\x14\x00", "0:0 file_spreadsheet!"},
		{"prose", "Dear reader,\nthe 2 levels were high.\nYours\n", "0:0 file_unrecognised!"},
		{"no level", "Date;Time;Place\n14.03.2026;07:00:00;roof\n14.03.2026;07:00:01;roof\n", "0:0 no_level_column!"},
		{"no time", "No;Level\n1;51.2\n2;51.3\n", "0:0 no_time_column!"},
		{"no time of day", "Date;Level\n14.03.2026;51.2\n14.03.2026;51.3\n", "0:0 no_time_column!"},
		{"impossible day", rowsFrom(good, "2026-02-30 07:00:01,51.2"), "3:1 date_impossible!"},
		{"impossible month first of all", "date;time;level\n2026-13-14;07:00:00;51.2\n", "2:1 date_impossible!"},
		{"impossible time", rowsFrom(good, "2026-03-14 25:00:01,51.2"), "3:1 date_impossible!"},
		{"29 February of a common year", "date;time;level\n28.02.2026;07:00:00;51,2\n29.02.2026;07:00:00;51,2\n", "3:1 date_impossible!"},
		{"no date", rowsFrom(good, "2O26-03-14 07:00:01,51.2"), "3:1 date_unreadable!"},
		{"blank stamp", rowsFrom(good, ",51.2"), "3:1 date_unreadable!"},
		{"NaN", rowsFrom(good, "2026-03-14 07:00:01,NaN"), "3:2 level_unreadable!"},
		{"NaN only", rowsFrom("2026-03-14 07:00:01,NaN"), "2:2 level_unreadable!"},
		{"infinite", rowsFrom(good, "2026-03-14 07:00:01,+Inf"), "3:2 level_unreadable!"},
		{"1e9", rowsFrom("2026-03-14 07:00:01,1e9"), "2:2 level_out_of_range!"},
		{"-400", rowsFrom(good, "2026-03-14 07:00:01,-400"), "3:2 level_out_of_range!"},
		{"above 200", rowsFrom(good, "2026-03-14 07:00:01,200.01"), "3:2 level_out_of_range!"},
		{"word", rowsFrom(good, "2026-03-14 07:00:01,fine"), "3:2 level_unreadable!"},
		{"other decimal sign", rowsFrom(good, `2026-03-14 07:00:01,"51,2"`), "3:2 level_unreadable!"},
		{"too many fields", rowsFrom(good, good, "2026-03-14 07:00:01,51,2"), "4:0 row_fields_differ!"},
		{"cut row", rowsFrom(good, "2026-03-14 07:0"), "3:0 row_fields_differ!"},
		{"position 0", "date;time;position;level\n2026-03-14;07:00:00;102;51.2\n2026-03-14;07:00:01;0;51.2\n", "3:3 position_unreadable!"},
		{"weighting in the unit", "date;time;level;unit\n2026-03-14;07:00:00;51.2;dB(C)\n", "0:3 weighting_differs!"},
		{"weighting in the heading", "date;time;LCF\n2026-03-14;07:00:00;51.2\n", "0:3 weighting_differs!"},
		{"weighting in the field", "date;time;level\n2026-03-14;07:00:00;51.2 dBZ\n", "0:3 weighting_differs!"},
		{"weighting before the data", "Bewertung: C\ndate;time;level\n2026-03-14;07:00:00;51.2\n", "0:3 weighting_differs!"},
		{"weighting found late", "date;time;level;unit\n2026-03-14;07:00:00;51.2;\n2026-03-14;07:00:01;51.2;dBC\n2026-03-14;07:00:02;51.2;dBC\n", "0:3 weighting_differs!"},
		{"time weighting", "date;time;LAS\n2026-03-14;07:00:00;51.2\n", "0:3 quantity_differs!"},
		{"unit changes", "date;time;level;unit\n2026-03-14;07:00:00;51.2;dBA\n2026-03-14;07:00:01;51.2;dBC\n", "3:4 unit_changes!"},
		{"second heading", "date;time;LAF\n2026-03-14;07:00:00;51.2\ndate;time;LCF\n2026-03-14;07:00:01;51.2\n", "3:3 unit_changes!, 3:0 line_skipped"},
		{"ambiguous dates", "date;time;level\n03/04/2026;07:00:00;51.2\n03/04/2026;07:00:01;51.2\n", "2:1 date_order_ambiguous!"},
		{"contradictory dates", "date;time;level\n13/04/2026;07:00:00;51.2\n04/13/2026;07:00:01;51.2\n", "3:1 date_impossible!"},
		{"several levels", "date;time;LAeq;LAFmax\n2026-03-14;07:00:00;51.2;60.1\n", "0:0 level_column_ambiguous!"},
		{
			"clock runs back over levels", rowsFrom("2026-03-14 07:00:00,51", "2026-03-14 07:00:01,51", "2026-03-14 07:00:02,51", "2026-03-14 07:00:01,51", "2026-03-14 07:00:02,51"),
			"5:0 clock_backwards, 6:0 clock_overlaps!",
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			rep, _ := read(t, tt.file, logfile.Options{Quantity: "LAF"})
			got := codes(rep)
			if tt.name == "second heading" {
				got = strings.Replace(got, ", 3:0 line_skipped", "", 1) + ", 3:0 line_skipped"
			}
			if got != tt.want || !rep.Refused {
				t.Errorf("problems = %s; want %s\n%+v", got, tt.want, rep)
			}
		})
	}
}

func TestAcceptUnreadable(t *testing.T) {
	t.Parallel()
	file := rowsFrom("2026-03-14 07:00:00,51", "2026-03-14 07:00:01,5x", "2026-03-14 07:00:02,52", "2026-03-14 07:00:03,52.01",
		"2026-03-14 07:00:04,---", "2026-03-14 07:00:05,53", "2026-03-14 07:00:06,53.02")
	rep, runs := read(t, file, logfile.Options{AcceptUnreadable: true})
	want := []series.Run{
		{Start: at("2026-03-14T07:00:00Z"), Levels: []acoustic.Level{5100}},
		{Start: at("2026-03-14T07:00:02Z"), Levels: []acoustic.Level{5200, 5201}},
		{Start: at("2026-03-14T07:00:05Z"), Levels: []acoustic.Level{5300, 5302}},
	}
	if diff := cmp.Diff(want, runs[0]); diff != "" {
		t.Errorf("runs (-want +got):\n%s", diff)
	}
	wantTrack := []logfile.Track{{
		Part: logfile.Part{Interval: time.Second}, Traits: series.Traits{Samples: 5}, Samples: 5, From: at("2026-03-14T07:00:00Z"), To: at("2026-03-14T07:00:07Z"), Min: 5100, Max: 5302, GapsTotal: 2,
		Gaps: []series.Span{{From: at("2026-03-14T07:00:01Z"), To: at("2026-03-14T07:00:02Z")}, {From: at("2026-03-14T07:00:04Z"), To: at("2026-03-14T07:00:05Z")}},
	}}
	if diff := cmp.Diff(wantTrack, rep.Tracks); diff != "" {
		t.Errorf("tracks (-want +got):\n%s", diff)
	}
	if got := codes(rep); got != "3:2 level_unreadable, 6:2 level_missing" {
		t.Errorf("problems = %s", got)
	}
	if want := (logfile.Rows{Read: 7, Accepted: 5, Rejected: 2}); rep.Rows != want {
		t.Errorf("rows = %+v; want %+v", rep.Rows, want)
	}
}
