package series_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

var midnight = time.Date(2026, 3, 3, 0, 0, 0, 0, time.UTC)

const (
	under = series.UnderRange
	over  = series.OverRange
)

// sample is one sample by itself: the plainest form of a series there is.
type sample struct {
	at    time.Time
	level acoustic.Level
}

func samplesOf(runs []series.Run, interval time.Duration) []sample {
	var all []sample
	for _, r := range runs {
		for i, l := range r.Levels {
			all = append(all, sample{r.Start.Add(time.Duration(i) * interval), l})
		}
	}
	return all
}

// anyLevel draws mostly numbers from a narrow band, so that equal ones occur, and some flags and extremes.
func anyLevel(t *rapid.T) acoustic.Level {
	switch rapid.IntRange(0, 19).Draw(t, "sort") {
	case 0:
		return under
	case 1:
		return over
	case 2:
		return acoustic.Level(rapid.Int16Range(int16(acoustic.MinLevel), int16(acoustic.MaxLevel)).Draw(t, "wide"))
	}
	return acoustic.Level(rapid.Int16Range(4000, 4020).Draw(t, "narrow"))
}

// stretch draws a duration whose order of magnitude may be any from none to half a minute.
func stretch(t *rapid.T, label string) time.Duration {
	unit := rapid.SampledFrom([]time.Duration{0, time.Microsecond, time.Millisecond, 125 * time.Millisecond, time.Second}).Draw(t, label+" unit")
	return unit * time.Duration(rapid.IntRange(0, 30).Draw(t, label))
}

// anyRuns draws runs in time order with gaps of whole and broken intervals.
func anyRuns(t *rapid.T, interval time.Duration) []series.Run {
	at := midnight.Add(stretch(t, "start"))
	var runs []series.Run
	for range rapid.IntRange(0, 6).Draw(t, "runs") {
		n := 1
		if interval > 0 {
			n = rapid.IntRange(1, 40).Draw(t, "n")
		}
		r := series.Run{Start: at}
		for range n {
			r.Levels = append(r.Levels, anyLevel(t))
		}
		runs = append(runs, r)
		at = at.Add(time.Duration(n) * interval).Add(time.Microsecond + stretch(t, "gap"))
	}
	return runs
}

var intervals = []time.Duration{0, time.Millisecond, 125 * time.Millisecond, time.Second, time.Minute, 7 * time.Minute, time.Hour, 24 * time.Hour}

// Every way to cut, order and repeat the appends of the same samples gives the same runs.
func TestMergeAnyCutting(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		interval := rapid.SampledFrom(intervals).Draw(t, "interval")
		want := anyRuns(t, interval)
		var pieces []series.Run
		for _, r := range want {
			for rest := r; len(rest.Levels) > 0; {
				n := rapid.IntRange(1, len(rest.Levels)).Draw(t, "cut")
				piece := series.Run{Start: rest.Start, Levels: rest.Levels[:n]}
				pieces = append(pieces, piece)
				if rapid.Bool().Draw(t, "twice") {
					pieces = append(pieces, piece)
				}
				step := n
				if n > 1 && rapid.Bool().Draw(t, "overlapping") {
					step = n - 1
				}
				if n == len(rest.Levels) {
					step = n
				}
				rest = series.Run{Start: rest.Start.Add(time.Duration(step) * interval), Levels: rest.Levels[step:]}
			}
		}
		pieces = rapid.Permutation(pieces).Draw(t, "order")
		var got []series.Run
		for len(pieces) > 0 {
			n := rapid.IntRange(1, len(pieces)).Draw(t, "at once")
			var clash time.Time
			var ok bool
			if got, clash, ok = series.Merge(got, pieces[:n], interval); !ok {
				t.Fatalf("Merge clashes at %v", clash)
			}
			pieces = pieces[n:]
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("merged runs (-want +got):\n%s", diff)
		}
	})
}

// One changed sample is refused at its time, whatever surrounds it, and inputs stay as they were.
func TestMergeFindsTheDifference(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		interval := rapid.SampledFrom(intervals).Draw(t, "interval")
		stored := anyRuns(t, interval)
		if len(stored) == 0 {
			return
		}
		var again []series.Run
		for _, r := range stored {
			again = append(again, series.Run{Start: r.Start, Levels: slices.Clone(r.Levels)})
		}
		var wrong []time.Time
		for range rapid.IntRange(1, 3).Draw(t, "changes") {
			r := again[rapid.IntRange(0, len(again)-1).Draw(t, "run")]
			i := rapid.IntRange(0, len(r.Levels)-1).Draw(t, "sample")
			r.Levels[i] = 12345
			wrong = append(wrong, r.Start.Add(time.Duration(i)*interval))
		}
		want := slices.MinFunc(wrong, time.Time.Compare)
		if _, clash, ok := series.Merge(stored, rapid.Permutation(again).Draw(t, "order"), interval); ok || !clash.Equal(want) {
			t.Errorf("Merge: clash = %v, ok = %v; want %v", clash, ok, want)
		}
	})
}

func TestMerge(t *testing.T) {
	at := func(s float64) time.Time { return midnight.Add(time.Duration(s * float64(time.Second))) }
	run := func(s float64, ls ...acoustic.Level) series.Run { return series.Run{Start: at(s), Levels: ls} }
	for _, tt := range []struct {
		name             string
		interval         time.Duration
		stored, appended []series.Run
		want             []series.Run
		clash            float64 // seconds; 0 for none
	}{
		{name: "nothing", interval: time.Second},
		{"adjoining", time.Second, []series.Run{run(0, 1, 2)}, []series.Run{run(2, 3)}, []series.Run{run(0, 1, 2, 3)}, 0},
		{"before", time.Second, []series.Run{run(2, 3)}, []series.Run{run(0, 1, 2)}, []series.Run{run(0, 1, 2, 3)}, 0},
		{"fills a gap", time.Second, []series.Run{run(0, 1), run(2, 3)}, []series.Run{run(1, 2)}, []series.Run{run(0, 1, 2, 3)}, 0},
		{"absence erases nothing", time.Second, []series.Run{run(0, 1, 2, 3)}, []series.Run{run(0, 1), run(2, 3)}, []series.Run{run(0, 1, 2, 3)}, 0},
		{"flag again", time.Second, []series.Run{run(0, 1, under)}, []series.Run{run(1, under, 3)}, []series.Run{run(0, 1, under, 3)}, 0},
		{"another number", time.Second, []series.Run{run(0, 1, 2, 3)}, []series.Run{run(1, 2, 4)}, nil, 2},
		{"flag against number", time.Second, []series.Run{run(0, 1, 2)}, []series.Run{run(1, under)}, nil, 1},
		{"other flag", time.Second, []series.Run{run(0, 1, over)}, []series.Run{run(1, under)}, nil, 1},
		{"off phase", time.Second, []series.Run{run(0, 1, 2)}, []series.Run{run(1.5, 2)}, nil, 1.5},
		{"off phase before", time.Second, []series.Run{run(1, 1, 2)}, []series.Run{run(0.5, 1)}, nil, 1},
		{"off phase after a gap", time.Second, []series.Run{run(0, 1, 2)}, []series.Run{run(2.5, 2)}, []series.Run{run(0, 1, 2), run(2.5, 2)}, 0},
		{"off phase before a difference", time.Second, []series.Run{run(0, 1, 2, 3, 4)}, []series.Run{run(0, 1, 2, 3, 5), run(1.5, 1)}, nil, 1.5},
		{"difference before off phase", time.Second, []series.Run{run(0, 1, 2, 3, 4)}, []series.Run{run(0, 1, 9, 3, 5), run(1.5, 1)}, nil, 1},
		{"later difference first", time.Second, []series.Run{run(0, 1, 2, 3, 4, 5, 6)}, []series.Run{run(0, 1, 2, 3, 4, 5, 9), run(2, 3, 9)}, nil, 3},
		{"appended twice, unequal", time.Second, nil, []series.Run{run(0, 1, 2), run(1, 3)}, nil, 1},
		{"spot", 0, []series.Run{run(0, 1), run(7, 2)}, []series.Run{run(3, 5), run(7, 2)}, []series.Run{run(0, 1), run(3, 5), run(7, 2)}, 0},
		{"spot, unequal", 0, []series.Run{run(0, 1), run(7, 2)}, []series.Run{run(7, 3)}, nil, 7},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got, clash, ok := series.Merge(tt.stored, tt.appended, tt.interval)
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("runs (-want +got):\n%s", diff)
			}
			if want := tt.clash == 0; ok != want || !ok && !clash.Equal(at(tt.clash)) {
				t.Errorf("clash = %v, ok = %v; want %v s", clash, ok, tt.clash)
			}
		})
	}
}

// Merge grows only copies: two runs that share one array stay apart.
func TestMergeLeavesInputs(t *testing.T) {
	array := []acoustic.Level{1, 2, 3, 4}
	first := series.Run{Start: midnight, Levels: array[:2]}
	second := series.Run{Start: midnight.Add(2 * time.Second), Levels: []acoustic.Level{7}}
	if _, _, ok := series.Merge([]series.Run{first}, []series.Run{second}, time.Second); !ok {
		t.Fatal("Merge clashes")
	}
	if want := []acoustic.Level{1, 2, 3, 4}; !slices.Equal(array, want) {
		t.Errorf("array after Merge = %v; want %v", array, want)
	}
}

func TestSplit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		interval := rapid.SampledFrom(intervals).Draw(t, "interval")
		every := rapid.SampledFrom([]time.Duration{time.Hour, 24 * time.Hour}).Draw(t, "every")
		runs := anyRuns(t, interval)
		var back []series.Run
		var last time.Time
		for _, p := range series.Split(runs, interval, every) {
			if !p.Start.After(last) || !p.Start.Equal(p.Start.Truncate(every)) {
				t.Fatalf("part starts at %v after %v", p.Start, last)
			}
			last = p.Start
			for _, s := range samplesOf(p.Runs, interval) {
				if s.at.Before(p.Start) || !s.at.Before(p.Start.Add(every)) {
					t.Fatalf("sample at %v in part %v", s.at, p.Start)
				}
			}
			back = append(back, p.Runs...)
		}
		got, _, ok := series.Merge(nil, back, interval)
		if diff := cmp.Diff(runs, got); !ok || diff != "" {
			t.Errorf("merged parts (-want +got):\n%s", diff)
		}
	})
}

// anyAsk draws disjoint cells in time order that cut through samples and share groups.
func anyAsk(t *rapid.T) series.Ask {
	ask := series.Ask{Groups: rapid.IntRange(1, 20).Draw(t, "groups"), Keep: rapid.IntRange(0, 3).Draw(t, "keep") == 0}
	at := midnight.Add(-stretch(t, "before"))
	for range rapid.IntRange(0, 40).Draw(t, "cells") {
		from := at
		if rapid.Bool().Draw(t, "apart") {
			from = at.Add(stretch(t, "pause"))
		}
		at = from.Add(time.Microsecond + stretch(t, "length"))
		ask.Cells = append(ask.Cells, series.Cell{
			Span:  series.Span{From: from, To: at},
			Group: rapid.IntRange(-1, ask.Groups-1).Draw(t, "group"),
		})
	}
	return ask
}

// withSample adds a sample that comes after those of runs.
func withSample(runs []series.Run, at time.Time, l acoustic.Level, interval time.Duration) []series.Run {
	if n := len(runs) - 1; n >= 0 && interval > 0 && runs[n].Start.Add(time.Duration(len(runs[n].Levels))*interval).Equal(at) {
		runs[n].Levels = append(runs[n].Levels, l)
		return runs
	}
	return append(runs, series.Run{Start: at, Levels: []acoustic.Level{l}})
}

// Collect gives, in any order of the runs, what adding sample by sample gives.
func TestCollectBruteForce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		interval := rapid.SampledFrom(intervals[:4]).Draw(t, "interval")
		runs, ask := anyRuns(t, interval), anyAsk(t)
		want := series.Answer{Tallies: make([]series.Tally, len(ask.Cells)), Histograms: make([]series.Histogram, ask.Groups)}
		if ask.Keep {
			want.Tallies, want.Runs = nil, make([][]series.Run, len(ask.Cells))
		}
		for _, s := range samplesOf(runs, interval) {
			for i, c := range ask.Cells {
				if s.at.Before(c.From) || !s.at.Before(c.To) {
					continue
				}
				if ask.Keep {
					want.Runs[i] = withSample(want.Runs[i], s.at, s.level, interval)
					continue
				}
				want.Tallies[i].Add(s.level)
				if c.Group >= 0 {
					want.Histograms[c.Group].Add(s.level)
				}
			}
		}
		got := series.Collect(rapid.Permutation(runs).Draw(t, "order"), interval, ask)
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("answer (-want +got):\n%s", diff)
		}
	})
}

func TestDayOf(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		interval := rapid.SampledFrom(intervals).Draw(t, "interval")
		runs := anyRuns(t, interval)
		for _, p := range series.Split(runs, interval, 24*time.Hour) {
			var want series.Day
			for _, s := range samplesOf(p.Runs, interval) {
				want.Histogram.Add(s.level)
				want.Quarters[s.at.Hour()*4+s.at.Minute()/15].Add(s.level)
			}
			got := series.DayOf(p.Start, p.Runs, interval)
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("day (-want +got):\n%s", diff)
			}
			var total series.Tally
			for _, s := range samplesOf(p.Runs, interval) {
				total.Add(s.level)
			}
			if got.Total() != total {
				t.Errorf("total = %+v; want %+v", got.Total(), total)
			}
		}
	})
}

// More groups than are counted densely at once, in turns, each of them again and again.
func TestCollectManyGroups(t *testing.T) {
	const groups, turns = 50, 3
	ask := series.Ask{Groups: groups}
	r := series.Run{Start: midnight}
	want := make([]series.Histogram, groups)
	for i := range groups * turns {
		from := midnight.Add(time.Duration(i) * time.Second)
		ask.Cells = append(ask.Cells, series.Cell{Span: series.Span{From: from, To: from.Add(time.Second)}, Group: i % groups})
		r.Levels = append(r.Levels, acoustic.Level(i))
		want[i%groups].Add(acoustic.Level(i))
	}
	if diff := cmp.Diff(want, series.Collect([]series.Run{r}, time.Second, ask).Histograms); diff != "" {
		t.Errorf("histograms (-want +got):\n%s", diff)
	}
}

// A sum of very many loud samples stays at the top of the range instead of wrapping.
func TestTallyOfSaturates(t *testing.T) {
	ls := slices.Repeat([]acoustic.Level{acoustic.MaxLevel}, 4_000_000)
	if got := series.TallyOf(ls).Energy; got != (acoustic.Energy{Hi: math.MaxUint64, Lo: math.MaxUint64}) {
		t.Errorf("energy = %v; want the highest", got)
	}
}

func TestExceedance(t *testing.T) {
	for _, tt := range []struct {
		name string
		ls   []acoustic.Level
		p    series.Percent
		want acoustic.Level
	}{
		// The rank rule on ten readings; which value each rule gives is computed
		// by hand: 79, 74, 70 by rank, 79.1, 75.0, 70.9 interpolated.
		{"L10", []acoustic.Level{7000, 7100, 7200, 7300, 7400, 7600, 7700, 7800, 7900, 8000}, 10_000, 7900},
		{"L50", []acoustic.Level{7000, 7100, 7200, 7300, 7400, 7600, 7700, 7800, 7900, 8000}, 50_000, 7400},
		{"L90", []acoustic.Level{7000, 7100, 7200, 7300, 7400, 7600, 7700, 7800, 7900, 8000}, 90_000, 7000},
		{"L0", []acoustic.Level{1, 2, 3}, 0, 3},
		{"L100", []acoustic.Level{1, 2, 3}, 100_000, 1},
		{"one", []acoustic.Level{5}, 50_000, 5},
		{"over is highest", []acoustic.Level{over, 5, 4, under}, 10_000, over},
		{"number below over", []acoustic.Level{over, 5, 4, under}, 25_000, 5},
		{"number above under", []acoustic.Level{over, 5, 4, under}, 74_999, 4},
		{"under is lowest", []acoustic.Level{over, 5, 4, under}, 75_000, under},
		{"flags only", []acoustic.Level{over, under}, 49_999, over},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var h series.Histogram
			for _, l := range tt.ls {
				h.Add(l)
			}
			if got, ok := h.Exceedance(tt.p); !ok || got != tt.want {
				t.Errorf("Exceedance(%d) = %v, %v; want %v", tt.p, got, ok, tt.want)
			}
		})
	}
	if _, ok := (series.Histogram{}).Exceedance(50_000); ok {
		t.Error("Exceedance of no samples is ok")
	}
	// Of 20 readings the lowest is L95 and the next L90, of 10 the lowest is L90
	// (Environmental Engineering, 4th ed.).
	for n, ps := range map[int]map[series.Percent]acoustic.Level{20: {95_000: 1, 90_000: 2}, 10: {90_000: 1}} {
		var h series.Histogram
		for l := range n {
			h.Add(acoustic.Level(l + 1))
		}
		for p, want := range ps {
			if got, _ := h.Exceedance(p); got != want {
				t.Errorf("of %d readings Exceedance(%d) = %v; want %v", n, p, got, want)
			}
		}
	}
}

// The definition read the other way: samples above the level take at most p of the
// time, and no lower sample value has that property.
// The values are DERIVED for this project, published nowhere: which level each of three
// conventions gives. Ours is the lowest that is exceeded in at most N % of the time.
func TestDerivedPercentiles(t *testing.T) {
	b, err := os.ReadFile("../../testdata/reference/percentiles_derived.json")
	if err != nil {
		t.Fatal(err)
	}
	type conventions struct {
		Ranked float64 `json:"smallest_level_exceeded_by_at_most_N"`
	}
	var file struct {
		Readings []float64              `json:"ten_readings"`
		Ten      map[string]conventions `json:"ten"`
		Hundred  map[string]conventions `json:"hundred"`
	}
	if err := json.Unmarshal(b, &file); err != nil || len(file.Ten) != 3 || len(file.Hundred) != 6 {
		t.Fatalf("%+v, %v", file, err)
	}
	var ten, hundred series.Histogram
	for _, l := range file.Readings {
		ten.Add(acoustic.Level(math.Round(100 * l)))
	}
	for i := range 100 { // 40.0, 40.5, …, 89.5
		hundred.Add(acoustic.Level(40_00 + 50*i))
	}
	for h, want := range map[*series.Histogram]map[string]conventions{&ten: file.Ten, &hundred: file.Hundred} {
		for name, c := range want {
			n, _ := strconv.Atoi(name[1:])
			if got, ok := h.Exceedance(series.Percent(1000 * n)); !ok || got != acoustic.Level(math.Round(100*c.Ranked)) {
				t.Errorf("%s of %d readings = %v; want %v", name, h.Samples(), got, c.Ranked)
			}
		}
	}
}

func TestExceedanceDefinition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ls := rapid.SliceOfN(rapid.Custom(anyLevel), 1, 200).Draw(t, "levels")
		p := series.Percent(rapid.Int32Range(0, 100_000).Draw(t, "p"))
		above := func(x acoustic.Level) (n int64) {
			for _, l := range ls {
				if l > x { // flags lie outside all numbers, so they compare as they count
					n++
				}
			}
			return n
		}
		var h series.Histogram
		lowest := over
		for _, l := range ls {
			h.Add(l)
			if above(l)*100_000 <= int64(len(ls))*int64(p) {
				lowest = min(lowest, l)
			}
		}
		if got, ok := h.Exceedance(p); !ok || got != lowest {
			t.Errorf("Exceedance(%d) = %v, %v; want %v", p, got, ok, lowest)
		}
	})
}

// Merged histograms are those of all the samples, by pairs and in dense form.
func TestHistogramMerge(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var want, pairs series.Histogram
		var counts series.Counts
		for range rapid.IntRange(0, 4).Draw(t, "parts") {
			var h series.Histogram
			for _, l := range rapid.SliceOf(rapid.Custom(anyLevel)).Draw(t, "levels") {
				h.Add(l)
				want.Add(l)
			}
			pairs = pairs.Plus(h)
			counts.AddHistogram(h)
		}
		if diff := cmp.Diff(want, pairs); diff != "" {
			t.Errorf("Plus (-want +got):\n%s", diff)
		}
		if diff := cmp.Diff(want, counts.Histogram()); diff != "" {
			t.Errorf("Counts (-want +got):\n%s", diff)
		}
		counts.Reset()
		if diff := cmp.Diff(series.Histogram{}, counts.Histogram()); diff != "" {
			t.Errorf("Counts after Reset (-want +got):\n%s", diff)
		}
	})
}

func TestParseQuantity(t *testing.T) {
	for _, tt := range []struct {
		symbol string
		want   series.Quantity
	}{
		{"LAF", series.Quantity{Weighting: 'A', Time: 'F', Unit: "dB", PerUnit: 100}},
		{"LCS", series.Quantity{Weighting: 'C', Time: 'S', Unit: "dB", PerUnit: 100}},
		{"LZeq", series.Quantity{Weighting: 'Z', Kind: series.Interval, Statistic: series.Equivalent, Unit: "dB", PerUnit: 100}},
		{"LAFmax", series.Quantity{Weighting: 'A', Time: 'F', Kind: series.Interval, Statistic: series.Maximum, Unit: "dB", PerUnit: 100}},
		{"LASmin", series.Quantity{Weighting: 'A', Time: 'S', Kind: series.Interval, Statistic: series.Minimum, Unit: "dB", PerUnit: 100}},
		{"LCpeak", series.Quantity{Weighting: 'C', Kind: series.Interval, Statistic: series.Peak, Unit: "dB", PerUnit: 100}},
		{"LAE", series.Quantity{Weighting: 'A', Kind: series.Interval, Statistic: series.Exposure, Unit: "dB", PerUnit: 100}},
		{"LAIeq", series.Quantity{Weighting: 'A', Time: 'I', Kind: series.Interval, Statistic: series.Equivalent, Unit: "dB", PerUnit: 100}},
		{"LAFT5eq", series.Quantity{Weighting: 'A', Time: 'F', Kind: series.Interval, Statistic: series.CycleMaximum, Unit: "dB", PerUnit: 100}},
		{"wind_speed", series.Quantity{Unit: "m/s", PerUnit: 100}},
		{"wind_direction", series.Quantity{Unit: "deg", PerUnit: 10}},
	} {
		tt.want.Symbol = tt.symbol
		if got, ok := series.ParseQuantity(tt.symbol); !ok || got != tt.want {
			t.Errorf("ParseQuantity(%q) = %+v, %v; want %+v", tt.symbol, got, ok, tt.want)
		}
	}
	for _, symbol := range []string{"", "L", "LA", "LB", "LBF", "LW", "LAI", "laf", "LAF ", "LCE", "LZIeq", "LAeqmax", "LFmax", "wind"} {
		if got, ok := series.ParseQuantity(symbol); ok {
			t.Errorf("ParseQuantity(%q) = %+v; want none", symbol, got)
		}
	}
}

// background is a year's worth of one kind of signal, cut short.
func background(n int) []acoustic.Level {
	r := rand.New(rand.NewPCG(1, 2))
	ls := make([]acoustic.Level, n)
	x := 45.0
	for i := range ls {
		x += (45-x)*0.01 + r.NormFloat64()*0.6
		ls[i] = acoustic.Level(math.Round(x*10) * 10)
	}
	return ls
}

func BenchmarkCollect(b *testing.B) {
	const n = 86400 * 7
	runs := []series.Run{{Start: midnight, Levels: background(n)}}
	for _, bb := range []struct {
		name        string
		cell        time.Duration
		group, each bool
	}{
		{"energy by quarter", 15 * time.Minute, false, false},
		{"one histogram", 7 * 24 * time.Hour, true, false},
		{"histogram by hour", time.Hour, true, true},
	} {
		var ask series.Ask
		for at := midnight; at.Before(midnight.Add(n * time.Second)); at = at.Add(bb.cell) {
			c := series.Cell{Span: series.Span{From: at, To: at.Add(bb.cell)}, Group: -1}
			if bb.group {
				c.Group = 0
			}
			if bb.each {
				c.Group = len(ask.Cells)
			}
			ask.Groups = max(ask.Groups, c.Group+1)
			ask.Cells = append(ask.Cells, c)
		}
		b.Run(bb.name, func(b *testing.B) {
			for b.Loop() {
				series.Collect(runs, time.Second, ask)
			}
			b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds()/1e6, "Msamples/s")
		})
	}
}
