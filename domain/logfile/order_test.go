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

func TestDateOrder(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name  string
		rows  []string // date and time
		head  string
		o     logfile.Options
		first string // instant of the first reading, "" = refused as ambiguous
	}{
		{name: "day above 12", rows: []string{"13/04/2026 07:00"}, first: "2026-04-13T07:00:00Z"},
		{name: "day above 12, month first", rows: []string{"04/13/2026 07:00"}, first: "2026-04-13T07:00:00Z"},
		{name: "decided by the last row", rows: []string{"03/04/2026 07:00", "03/04/2026 07:01", "04/30/2026 07:00"}, first: "2026-03-04T07:00:00Z"},
		{name: "day and month equal", rows: []string{"04/04/2026 07:00"}, first: "2026-04-04T07:00:00Z"},
		{name: "ISO", rows: []string{"2026-03-04 07:00"}, first: "2026-03-04T07:00:00Z"},
		{name: "ambiguous", rows: []string{"03/04/2026 07:00", "03/04/2026 07:01"}},
		{name: "dots", rows: []string{"03.04.2026 07:00"}, first: "2026-04-03T07:00:00Z"},
		{name: "midnight", rows: []string{"03/04/2026 23:59", "04/04/2026 00:00"}, first: "2026-04-03T23:59:00Z"},
		{name: "midnight, month first", rows: []string{"03/04/2026 23:59", "03/05/2026 00:00"}, first: "2026-03-04T23:59:00Z"},
		{name: "heading", head: "date DD/MM/YYYY;level", rows: []string{"03/04/2026 07:00"}, first: "2026-04-03T07:00:00Z"},
		{name: "heading, month first", head: "date MM/DD/YYYY;level", rows: []string{"03/04/2026 07:00"}, first: "2026-03-04T07:00:00Z"},
		{name: "survey", rows: []string{"03/04/2026 07:00"}, o: logfile.Options{Expected: series.Span{From: at("2026-03-04T06:00:00Z"), To: at("2026-03-04T12:00:00Z")}}, first: "2026-03-04T07:00:00Z"},
		{name: "survey elsewhere", rows: []string{"03/04/2026 07:00"}, o: logfile.Options{Expected: series.Span{From: at("2026-06-04T06:00:00Z"), To: at("2026-06-04T12:00:00Z")}}},
		{name: "layout", rows: []string{"03/04/2026 07:00"}, o: logfile.Options{Layout: &logfile.Layout{DateOrder: "mdy"}}, first: "2026-03-04T07:00:00Z"},
		{name: "two-digit year", rows: []string{"31/12/26 07:00"}, o: logfile.Options{Expected: series.Span{From: at("2026-12-31T06:00:00Z")}}, first: "2026-12-31T07:00:00Z"},
		{name: "two-digit year, ambiguous", rows: []string{"26/04/03 07:00"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			head := tt.head
			if head == "" {
				head = "at;level"
			}
			file := head + "\n" + strings.Join(tt.rows, ";51.2\n") + ";51.2\n"
			rep, runs := read(t, file, tt.o)
			switch {
			case tt.first == "":
				if got := codes(rep); got != "2:1 date_order_ambiguous!" {
					t.Errorf("problems = %s", got)
				}
			case len(runs[0]) == 0 || !runs[0][0].Start.Equal(at(tt.first)):
				t.Errorf("first reading %v; want %s\n%+v", runs[0], tt.first, rep)
			}
		})
	}
}

// stamped makes a file of stamps within 14 March 2026 UTC, levels counting up from 50.1 dB.
func stamped(clocks ...string) string {
	var b strings.Builder
	b.WriteString("at;level\n")
	for i, c := range clocks {
		fmt.Fprintf(&b, "2026-03-14 %s;%d.%d\n", c, 50+(i+1)/10, (i+1)%10)
	}
	return b.String()
}

func TestReadTiming(t *testing.T) {
	t.Parallel()
	run := func(clock string, levels ...acoustic.Level) series.Run {
		return series.Run{Start: at("2026-03-14T" + clock + "Z"), Levels: levels}
	}
	tests := []struct {
		name     string
		clocks   string
		o        logfile.Options
		interval time.Duration
		want     []series.Run
		codes    string
	}{
		{
			name: "pause", clocks: "07:00:00 07:00:01 07:00:02 07:00:03 07:00:04 07:10:00 07:10:01", interval: time.Second,
			want: []series.Run{run("07:00:00", 5010, 5020, 5030, 5040, 5050), run("07:10:00", 5060, 5070)},
		},
		{
			name: "jitter", clocks: "07:00:00.000 07:00:01.002 07:00:01.998 07:00:03.3 07:00:03.9 07:00:05.001", interval: time.Second,
			want: []series.Run{run("07:00:00", 5010, 5020, 5030, 5040, 5050, 5060)},
		},
		{
			name: "start of interval assumed", clocks: "07:00:00 07:01:00 07:02:00", interval: time.Minute,
			want: []series.Run{run("07:00:00", 5010, 5020, 5030)}, codes: "0:0 stamps_assumed",
		},
		{
			name: "end of interval", clocks: "07:01:00 07:02:00 07:03:00", interval: time.Minute, o: logfile.Options{Stamps: "interval_end"},
			want: []series.Run{run("07:00:00", 5010, 5020, 5030)}, codes: "0:0 stamps_shifted",
		},
		{
			name: "spot", clocks: "07:00 07:03 07:04 07:11",
			want: []series.Run{run("07:00:00", 5010), run("07:03:00", 5020), run("07:04:00", 5030), run("07:11:00", 5040)},
		},
		{
			name: "spot, out of order, one stamp twice", clocks: "07:03 07:00 07:03 07:11",
			want:  []series.Run{run("07:00:00", 5020), run("07:03:00", 5010), run("07:03:00.001", 5030), run("07:11:00", 5040)},
			codes: "0:0 stamps_doubled, 3:0 clock_backwards",
		},
		{
			name: "doubled, then skipped", clocks: "07:00:00 07:00:01 07:00:02 07:00:02 07:00:04 07:00:05 07:00:06 07:00:07", interval: time.Second,
			want: []series.Run{run("07:00:00", 5010, 5020, 5030, 5040, 5050, 5060, 5070, 5080)}, codes: "5:0 stamps_doubled",
		},
		{
			name: "doubled", clocks: "07:00:00 07:00:01 07:00:02 07:00:02 07:00:03 07:00:04 07:00:05", interval: time.Second,
			want: []series.Run{run("07:00:00", 5010, 5020, 5030, 5050, 5060, 5070)}, codes: "5:0 stamps_doubled",
		},
		{
			name: "four in a second", clocks: "07:00:00 07:00:00 07:00:01 07:00:01 07:00:01 07:00:01 07:00:02 07:00:02 07:00:02 07:00:02 07:00:03", interval: 250 * time.Millisecond,
			want:  []series.Run{run("07:00:00.5", 5010, 5020, 5030, 5040, 5050, 5060, 5070, 5080, 5090, 5100, 5110)},
			codes: "2:0 stamps_coarse",
		},
		{
			name: "newest first", clocks: "07:00:04 07:00:03 07:00:02 07:00:01", interval: time.Second,
			want:  []series.Run{run("07:00:01", 5040, 5030, 5020, 5010)},
			codes: "3:0 clock_backwards, 4:0 clock_backwards, 5:0 clock_backwards",
		},
		{
			name: "clock set back into a free stretch", clocks: "07:10:00 07:10:01 07:10:02 07:00:00 07:00:01 07:00:02 07:00:03 07:00:04", interval: time.Second,
			want:  []series.Run{run("07:00:00", 5040, 5050, 5060, 5070, 5080), run("07:10:00", 5010, 5020, 5030)},
			codes: "5:0 clock_backwards",
		},
		{
			name: "overlap accepted", clocks: "07:00:00 07:00:01 07:00:02 07:00:03 07:00:04 07:00:03 07:00:04 07:00:05", interval: time.Second, o: logfile.Options{AcceptUnreadable: true},
			want:  []series.Run{run("07:00:00", 5010, 5020, 5030, 5040, 5050, 5080)},
			codes: "7:0 clock_backwards, 7:0 clock_overlaps, 8:0 clock_overlaps, 9:0 clock_overlaps",
		},
		{
			name: "offset", clocks: "07:00:00 07:00:01 07:00:02", interval: time.Second, o: logfile.Options{ClockOffset: -90 * time.Second},
			want: []series.Run{run("06:58:30", 5010, 5020, 5030)}, codes: "0:0 clock_corrected",
		},
		{
			name: "drift", clocks: "07:00:00 07:00:01 07:00:02 07:00:03 07:00:04 17:00:00", interval: time.Second,
			o: logfile.Options{ClockChecks: []logfile.ClockCheck{
				{MeterAt: at("2026-03-14T07:00:00Z"), TrueAt: at("2026-03-14T07:00:10Z")},
				{MeterAt: at("2026-03-14T17:00:00Z"), TrueAt: at("2026-03-14T17:00:30Z")},
			}},
			want: []series.Run{run("07:00:10", 5010, 5020, 5030, 5040, 5050), run("17:00:30", 5060)}, codes: "0:0 clock_corrected",
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			rep, runs := read(t, stamped(strings.Fields(tt.clocks)...), tt.o)
			if diff := cmp.Diff(tt.want, runs[0]); diff != "" {
				t.Errorf("runs (-want +got):\n%s%+v", diff, rep)
			}
			if got := codes(rep); got != tt.codes {
				t.Errorf("problems = %s; want %s", got, tt.codes)
			}
			if len(rep.Tracks) == 1 && rep.Tracks[0].Interval != tt.interval {
				t.Errorf("interval = %s; want %s", rep.Tracks[0].Interval, tt.interval)
			}
			if r := rep.Rows; r.Read != r.Accepted+r.Flagged+r.Rejected {
				t.Errorf("rows do not add up: %+v", r)
			}
		})
	}
}

func TestReadClockNeverSet(t *testing.T) {
	t.Parallel()
	rep, _ := read(t, "at;level\n2000-01-01 00:00:05;51.2\n2000-01-01 00:00:06;51.2\n2000-01-01 00:00:07;51.2\n2026-03-14 07:00:00;51.2\n2026-03-14 07:00:01;51.2\n2026-03-14 07:00:02;51.2\n2026-03-14 07:00:03;51.2\n", logfile.Options{})
	if got := codes(rep); got != "2:0 clock_never_set, 5:0 clock_forwards" {
		t.Errorf("problems = %s", got)
	}
}
