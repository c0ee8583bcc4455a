package summary_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
)

func TestParseBackground(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]summary.BackgroundSymbol{
		"LAF90,15min median": {Prefix: "LAF", Percent: 90_000, Stretch: 15 * time.Minute, Statistic: summary.Median},
		"LA99.5,60min mode":  {Prefix: "LA", Percent: 99_500, Stretch: time.Hour, Statistic: summary.Mode},
	} {
		if got, ok := summary.ParseBackground(text); !ok || got != want {
			t.Errorf("%s = %+v, %t; want %+v", text, got, ok, want)
		}
	}
	for _, text := range []string{"", "LAF90", "LAF90,15min", "LAF90,15min best", "LAF90,7min median", "LAF0,15min median", "LAeq,15min median", "LAF90,0min median", "LAF90,15min median "} {
		if summary.IsBackground(text) {
			t.Errorf("%q is taken as a background level", text)
		}
	}
}

// quietHours are ten quarter hours of seconds, each nine tenths at a level and one tenth
// 20 dB above, so that the level exceeded in 90 % of each is the lower one.
func quietHours(levels ...acoustic.Level) (run series.Run) {
	run.Start = time.Date(2026, 3, 3, 21, 0, 0, 0, time.UTC) // 22:00 in Vienna
	for _, l := range levels {
		for i := range 900 {
			if i%10 == 0 {
				run.Levels = append(run.Levels, l+20_00)
			} else {
				run.Levels = append(run.Levels, l)
			}
		}
	}
	return run
}

func TestBackgroundOf(t *testing.T) {
	t.Parallel()
	zone, err := time.LoadLocation("Europe/Vienna")
	if err != nil {
		t.Fatal(err)
	}
	levels := []acoustic.Level{30_00, 31_49, 31_50, 32_40, 32_00, 35_00, 31_60, 40_00}
	run := quietHours(levels...)
	all := series.Span{From: run.Start, To: run.Start.Add(2 * time.Hour)}
	q, _ := series.ParseQuantity("LAF")
	header := summary.Header{Quantity: q, Interval: time.Second, Extent: all}
	b, _ := summary.ParseBackground("LAF90,15min median")
	background := func(h summary.Header, runs []series.Run, inside ...series.Span) (summary.Background, string) {
		t.Helper()
		p, err := summary.PlanBackground(summary.Request{Zone: zone}, h, b)
		if err != nil {
			t.Fatal(err)
		}
		return summary.BackgroundOf(b, []summary.Part{{Plan: p, Answer: series.Collect(runs, time.Second, p.Ask)}}, inside, 0.75)
	}
	got, why := background(header, []series.Run{run}, all)
	// Of 30, 31.49, 31.5, 31.6, 32, 32.4, 35, 40: the fourth, and three that round to 32 once halves go up.
	want := summary.Background{
		Basis: summary.Sampled, Counted: 8, Lowest: 30, Highest: 40, Median: 31.6, Mode: 32,
		Distribution: []summary.WholeLevel{{30, 1}, {31, 1}, {32, 4}, {35, 1}, {40, 1}},
	}
	mean := got.Mean
	got.Mean = 0
	if diff := cmp.Diff(want, got); diff != "" || why != "" || math.Abs(float64(mean)-32.99875) > 1e-9 {
		t.Errorf("background %q, mean %v (-want +got):\n%s", why, mean, diff)
	}
	got.Mean = mean
	for s, want := range map[summary.Statistic]acoustic.Decibel{summary.Lowest: 30, summary.Median: 31.6, summary.Mode: 32, summary.Mean: mean} {
		if l := got.Level(s); l != want {
			t.Errorf("%s = %v; want %v", s, l, want)
		}
	}
	// Only stretches that lie in the night count, from 23:00 on the local clock.
	night, why := background(header, []series.Run{run}, series.Span{From: run.Start.Add(time.Hour), To: all.To})
	if why != "" || night.Counted != 4 || night.Lowest != 31.6 {
		t.Errorf("of the night: %+v %s; want four from 31.6 up", night, why)
	}
	// Half a quarter hour does not count.
	short := header
	short.Exclusions = []series.Span{{From: run.Start, To: run.Start.Add(8 * time.Minute)}}
	if got, why := background(short, []series.Run{run}, all); why != "" || got.Counted != 7 || got.LeftOut != 1 || got.Lowest != 31.49 {
		t.Errorf("with half of the first left out: %+v %s", got, why)
	}
	if _, why := background(header, []series.Run{run}, series.Span{From: run.Start, To: run.Start.Add(45 * time.Minute)}); !strings.HasPrefix(why, "3 stretches") {
		t.Errorf("three quarter hours: %q; want too few", why)
	}
}
