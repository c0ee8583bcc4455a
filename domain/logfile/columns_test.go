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

// parts returns the report and the runs of each quantity and channel.
func parts(t *testing.T, file string, o logfile.Options) (logfile.Report, map[string][]series.Run) {
	t.Helper()
	runs := map[string][]series.Run{}
	rep, err := logfile.Read(strings.NewReader(file), o, func(p logfile.Part, run series.Run) error {
		key := p.Quantity
		if p.Channel > 0 {
			key += fmt.Sprintf(" of channel %d", p.Channel)
		}
		if p.BandHz > 0 {
			key += fmt.Sprintf(" at %g Hz", p.BandHz)
		}
		runs[key] = append(runs[key], run)
		return nil
	})
	if err != nil {
		t.Fatalf("Read: %v", err)
	}
	return rep, runs
}

// A meter may write several levels a row, or a row for each channel.
func TestSeveralLevels(t *testing.T) {
	t.Parallel()
	start := at("2026-05-06T07:08:00Z")
	run := func(ls ...acoustic.Level) []series.Run { return []series.Run{{Start: start, Levels: ls}} }
	tests := []struct {
		name string
		file string
		o    logfile.Options
		want map[string][]series.Run
	}{
		{
			"an equivalent, a highest, a lowest and a peak level side by side",
			"Start,LAeq,LAFmax,LAFmin,LCpeak\n" +
				"2026-05-06 07:08:00,61.2,70.1,55.0,88.3\n2026-05-06 07:09:00,60.2,69.1,54.0,OL\n2026-05-06 07:10:00,59.2,68.1,53.0,86.3\n",
			logfile.Options{Stamps: "interval_start"},
			map[string][]series.Run{
				"LAeq": run(61_20, 60_20, 59_20), "LAFmax": run(70_10, 69_10, 68_10), "LAFmin": run(55_00, 54_00, 53_00), "LCpeak": run(88_30, hi, 86_30),
			},
		},
		{
			"one of them wanted",
			"Start,LAeq,LAFmax\n2026-05-06 07:08:00,61.2,70.1\n2026-05-06 07:09:00,60.2,69.1\n2026-05-06 07:10:00,59.2,68.1\n",
			logfile.Options{Quantity: "LAFmax"},
			map[string][]series.Run{"LAFmax": run(70_10, 69_10, 68_10)},
		},
		{
			"named by a layout",
			"2026-05-06 07:08:00,61.2,70.1\n2026-05-06 07:09:00,60.2,69.1\n2026-05-06 07:10:00,59.2,68.1\n",
			logfile.Options{Layout: &logfile.Layout{Levels: []logfile.LevelColumn{{Column: 2, Quantity: "LAeq"}, {Column: 3, Quantity: "LCeq"}}}},
			map[string][]series.Run{"LAeq": run(61_20, 60_20, 59_20), "LCeq": run(70_10, 69_10, 68_10)},
		},
		{
			"a row for each channel",
			"Time;Channel;LAF\n2026-05-06 07:08:00;1;51,2\n2026-05-06 07:08:00;2;41,2\n2026-05-06 07:08:01;1;51,3\n2026-05-06 07:08:01;2;41,3\n" +
				"2026-05-06 07:08:02;1;51,4\n2026-05-06 07:08:02;2;41,4\n",
			logfile.Options{},
			map[string][]series.Run{"LAF of channel 1": run(51_20, 51_30, 51_40), "LAF of channel 2": run(41_20, 41_30, 41_40)},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			rep, runs := parts(t, tt.file, tt.o)
			if rep.Refused {
				t.Fatalf("refused: %s", codes(rep))
			}
			if diff := cmp.Diff(tt.want, runs); diff != "" {
				t.Errorf("runs (-want +got):\n%s\n%s", diff, codes(rep))
			}
		})
	}
}

// Two clock checks give a drift. The samples of one stretch stay on one grid, each
// within half an interval of its corrected time; where the meter's clock was too
// fast, what has no place of its own is left out and named.
func TestDrift(t *testing.T) {
	t.Parallel()
	const n = 200_000 // more than two days, longer than one run
	start := at("2026-05-06T00:00:00Z")
	var b strings.Builder
	for i := range n {
		fmt.Fprintf(&b, "%s;%d.%d\n", start.Add(time.Duration(i)*time.Second).Format("2006-01-02 15:04:05"), 40+i%7, i%10)
	}
	for _, perDay := range []time.Duration{-20 * time.Second, 20 * time.Second} {
		o := logfile.Options{Quantity: "LAF", ClockChecks: []logfile.ClockCheck{
			{MeterAt: start, TrueAt: start.Add(time.Minute)},
			{MeterAt: start.AddDate(0, 0, 1), TrueAt: start.AddDate(0, 0, 1).Add(time.Minute + perDay)},
		}}
		rep, runs := read(t, b.String(), o)
		if rep.Refused {
			t.Fatalf("refused: %s", codes(rep))
		}
		if !strings.Contains(codes(rep), "clock_corrected") {
			t.Errorf("the correction is not said: %s", codes(rep))
		}
		merged, clash, ok := series.Merge(nil, runs[0], time.Second)
		if !ok {
			t.Fatalf("%v a day: the runs contradict each other at %v", perDay, clash)
		}
		truth := func(row int) time.Time {
			meter := time.Duration(row) * time.Second
			return start.Add(meter + time.Minute + time.Duration(float64(perDay)*meter.Hours()/24))
		}
		var samples int
		for _, r := range merged {
			for i := range r.Levels {
				if off := r.Start.Add(time.Duration(i) * time.Second).Sub(truth(samples)); perDay > 0 && off.Abs() > 510*time.Millisecond {
					t.Fatalf("%v a day: sample %d lies %v off", perDay, samples, off)
				}
				samples++
			}
		}
		if off := rep.Tracks[0].To.Sub(truth(n)); off.Abs() > 510*time.Millisecond {
			t.Errorf("%v a day: the last sample lies %v off", perDay, off)
		}
		if left := strings.Count(codes(rep), "clock_drift"); perDay < 0 && samples != n-left || perDay > 0 && samples != n {
			t.Errorf("%v a day: %d samples of %d, %d said to be left out", perDay, samples, n, left)
		}
	}
}

// What a person should look at in the samples.
func TestTraits(t *testing.T) {
	t.Parallel()
	start := at("2026-05-06T00:00:00Z")
	from, to := acoustic.Level(30_00), acoustic.Level(90_00)
	file := func(level func(i int) string) string {
		var b strings.Builder
		for i := range 2000 {
			fmt.Fprintf(&b, "%s;%s\n", start.Add(time.Duration(i)*time.Second).Format("2006-01-02 15:04:05"), level(i))
		}
		return b.String()
	}
	wave := func(i int) string { return fmt.Sprintf("%d.%d", 50+i%13, i%10) }
	tests := []struct {
		name string
		file string
		want string
	}{
		{"nothing", file(wave), ""},
		{"piled up at the upper end", file(func(i int) string {
			if i%20 == 0 {
				return "90.0"
			}
			return wave(i)
		}), "samples_at_limit"},
		{"stuck for two minutes", file(func(i int) string {
			if i >= 500 && i < 620 {
				return "61.5"
			}
			return wave(i)
		}), "samples_constant"},
		{"at the floor for most of the time", file(func(i int) string {
			if i%3 > 0 {
				return fmt.Sprintf("31.%d", i%10)
			}
			return wave(i)
		}), "samples_near_floor"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			rep, _ := read(t, tt.file, logfile.Options{Quantity: "LAF", RangeFrom: &from, RangeTo: &to})
			var got []string
			for _, r := range rep.Tracks[0].Traits.Remarks() {
				got = append(got, r.Code)
			}
			if strings.Join(got, " ") != tt.want {
				t.Errorf("remarks %v; want %q", got, tt.want)
			}
		})
	}
}

func TestDateBeforeTheData(t *testing.T) {
	t.Parallel()
	file := "Measured on 2026-05-06\nTime;LAF dB(A)\n23:59:58;41.2\n23:59:59;41.3\n00:00:00;41.4\n00:00:01;41.5\n"
	rep, runs := read(t, file, logfile.Options{})
	want := map[int][]series.Run{0: {{Start: at("2026-05-06T23:59:58Z"), Levels: []acoustic.Level{41_20, 41_30, 41_40, 41_50}}}}
	if diff := cmp.Diff(want, runs); diff != "" {
		t.Errorf("runs (-want +got):\n%s\n%s", diff, codes(rep))
	}
	if !strings.Contains(codes(rep), "date_from_header") {
		t.Errorf("it is not said where the date is from: %s", codes(rep))
	}
}

// A text that says no side is a listed gap, unless the layout says which side it
// stands for: a hand-held meter shows no number under its range (common practice, no source).
func TestMissingLevels(t *testing.T) {
	t.Parallel()
	start := at("2026-05-06T10:00:00Z")
	file := "2026-05-06 10:00:00;30.2;1\n2026-05-06 10:00:01;---;2\n2026-05-06 10:00:02;;3\n2026-05-06 10:00:03;30.1;4\n2026-05-06 10:00:04;30.3;5\n"
	tests := []struct {
		missing string
		want    []series.Run
		rows    logfile.Rows
	}{
		{"", []series.Run{{Start: start, Levels: []acoustic.Level{30_20}}, {Start: start.Add(3 * time.Second), Levels: []acoustic.Level{30_10, 30_30}}}, logfile.Rows{Read: 5, Accepted: 3, Rejected: 2}},
		{"under_range", []series.Run{{Start: start, Levels: []acoustic.Level{30_20, lo, lo, 30_10, 30_30}}}, logfile.Rows{Read: 5, Accepted: 3, Flagged: 2}},
		{"over_range", []series.Run{{Start: start, Levels: []acoustic.Level{30_20, hi, hi, 30_10, 30_30}}}, logfile.Rows{Read: 5, Accepted: 3, Flagged: 2}},
	}
	for _, tt := range tests {
		rep, runs := read(t, file, logfile.Options{Quantity: "LAF", Layout: &logfile.Layout{
			Columns: logfile.Columns{DateTime: 1, Level: 2, Sequence: 3}, Missing: tt.missing,
		}})
		if diff := cmp.Diff(map[int][]series.Run{0: tt.want}, runs); diff != "" || rep.Rows != tt.rows {
			t.Errorf("missing %q: %+v, runs (-want +got):\n%s%s", tt.missing, rep.Rows, diff, codes(rep))
		}
		if listed := strings.Count(codes(rep), "level_missing"); listed != int(tt.rows.Rejected) {
			t.Errorf("missing %q: %d gaps are listed; want %d", tt.missing, listed, tt.rows.Rejected)
		}
	}
	if err := (logfile.Layout{Missing: "below"}).Validate(); err == nil {
		t.Error("a layout may say anything of what is missing")
	}
}

func TestLookAsks(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name string
		file string
		o    logfile.Options
		want []string // codes, with ! where binding
	}{
		{
			"dates of two readings", "date;time;LAF\n03/04/2026;10:00:00;51.2\n03/04/2026;10:00:01;51.3\n03/04/2026;10:00:02;51.4\n",
			logfile.Options{},
			[]string{"date_order!"},
		},
		{
			"a minute's interval and no quantity", "2026-05-06 10:00:00;51.2\n2026-05-06 10:01:00;51.3\n2026-05-06 10:02:00;51.4\n",
			logfile.Options{},
			[]string{"stamps", "quantity!", "position!"},
		},
		{
			"nothing but the position", "2026-05-06 10:00:00;51.2\n2026-05-06 10:01:00;51.3\n2026-05-06 10:02:00;51.4\n",
			logfile.Options{Quantity: "LAeq", Stamps: "interval_end"},
			[]string{"position!"},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			p, err := logfile.Look(strings.NewReader(tt.file), tt.o)
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			for _, q := range p.Questions {
				c := q.Code
				if q.Binding {
					c += "!"
				}
				got = append(got, c)
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("questions (-want +got):\n%s", diff)
			}
			if len(p.First) == 0 {
				t.Error("no rows are shown")
			}
		})
	}
}

// Columns of numbers whose headings name no level stay out beside one that does, and the report says which.
func TestColumnsLeftOut(t *testing.T) {
	t.Parallel()
	const rows = "2026-05-06 07:08:00;55.1;52.3;1;61.2\n2026-05-06 07:09:00;54.1;51.3;2;60.2\n2026-05-06 07:10:00;53.1;50.3;3;59.2\n"
	rep, runs := parts(t, "Start;63;125;No.;LAeq\n"+rows, logfile.Options{Stamps: "interval_start"})
	if len(runs) != 1 || runs["LAeq"] == nil {
		t.Errorf("runs of %v; want LAeq alone", runs)
	}
	var details []string
	for _, p := range rep.Problems {
		if p.Code == "columns_left_out" && !p.Refuses {
			details = append(details, p.Detail)
		}
	}
	want := []string{"columns that could hold levels are left out, as their headings name none: 2 63, 3 125; a layout can say what they hold"}
	if diff := cmp.Diff(want, details); diff != "" {
		t.Errorf("said of the columns left out (-want +got):\n%s", diff)
	}
	if rep, _ := parts(t, "Start;LZeq 63 Hz;LZeq 125 Hz;No.;LAeq\n"+rows, logfile.Options{Stamps: "interval_start"}); len(rep.Problems) != 0 {
		t.Errorf("each column has a heading that names a level: %+v", rep.Problems)
	}
}
