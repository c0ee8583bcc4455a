package levels_test

import (
	"bytes"
	"errors"
	"math"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/series/signal"
	"leveltrail/persistence/levels"
)

var hour = time.Date(2026, 3, 3, 7, 0, 0, 0, time.UTC)

var intervals = []time.Duration{
	0, time.Millisecond, 100 * time.Millisecond, 125 * time.Millisecond, 333_333_333, time.Second, 7 * time.Second, time.Minute, 90 * time.Minute, 24 * time.Hour,
}

// anyLevels draws n levels of one character: steady, stepping, wide or constant, some flagged.
func anyLevels(t *rapid.T, n int) []acoustic.Level {
	step := rapid.SampledFrom([]int{1, 5, 10}).Draw(t, "step")
	spread := rapid.SampledFrom([]int{0, 1, 3, 20, 100, 500, 2000}).Draw(t, "spread")
	flags := rapid.SampledFrom([]int{0, 0, 5, 100}).Draw(t, "flags %")
	base := rapid.IntRange(int(acoustic.MinLevel), int(acoustic.MaxLevel)).Draw(t, "base")
	random := rapid.Uint64().Draw(t, "seed")
	ls := make([]acoustic.Level, n)
	for i := range ls {
		random = random*6364136223846793005 + 1442695040888963407
		x := int(random >> 33)
		switch {
		case x>>8%100 < flags && x&64 == 0:
			ls[i] = series.UnderRange
		case x>>8%100 < flags:
			ls[i] = series.OverRange
		default:
			l := base + x%(2*spread+1)*step - spread*step
			if l < int(acoustic.MinLevel) || l > int(acoustic.MaxLevel) {
				l = base
			}
			ls[i] = acoustic.Level(l)
		}
	}
	return ls
}

// anyRuns draws the runs of an hour.
func anyRuns(t *rapid.T, interval time.Duration) []series.Run {
	var runs []series.Run
	at := hour
	unit := rapid.SampledFrom([]time.Duration{time.Second, time.Millisecond, time.Microsecond}).Draw(t, "unit")
	for range rapid.IntRange(0, 8).Draw(t, "runs") {
		at = at.Add(time.Duration(rapid.IntRange(0, 1000).Draw(t, "gap")) * unit)
		left := hour.Add(time.Hour - 1).Sub(at)
		if left < 0 {
			break
		}
		n := 1
		if interval > 0 {
			n = rapid.IntRange(1, min(int(left/interval)+1, 5000)).Draw(t, "n")
		}
		runs = append(runs, series.Run{Start: at, Levels: anyLevels(t, n)})
		at = at.Add(time.Duration(n) * interval)
	}
	return runs
}

// What Append wrote, Decode reads, whatever was decoded before.
func TestRoundTrip(t *testing.T) {
	var d levels.Decoder
	rapid.Check(t, func(t *rapid.T) {
		interval := rapid.SampledFrom(intervals).Draw(t, "interval")
		want := anyRuns(t, interval)
		b := levels.Append(nil, hour, interval, want)
		if again := levels.Append([]byte("before"), hour, interval, want); !bytes.Equal(again[6:], b) {
			t.Fatal("equal runs gave other bytes")
		}
		got, err := d.Decode(b, hour, interval)
		if diff := cmp.Diff(want, got); err != nil || diff != "" && len(want)+len(got) > 0 {
			t.Errorf("Decode: %v (-want +got):\n%s", err, diff)
		}
	})
}

// Every level there can be, the widest differences, and more than one chunk.
func TestRoundTripExtremes(t *testing.T) {
	var all []acoustic.Level
	for l := acoustic.MinLevel; l <= acoustic.MaxLevel; l++ {
		all = append(all, l)
	}
	for _, tt := range []struct {
		name   string
		levels []acoustic.Level
	}{
		{"all", all},
		{"all, backwards", reversed(all)},
		{"widest", slices.Repeat([]acoustic.Level{acoustic.MinLevel, acoustic.MaxLevel}, 100_000)},
		{"widest once", append(slices.Repeat([]acoustic.Level{acoustic.MinLevel}, 70_000), acoustic.MaxLevel)},
		{"an hour of 1 ms", signal.Levels(1, hour, time.Millisecond, 1, 3_600_000)},
		{"flags only", slices.Repeat([]acoustic.Level{series.UnderRange}, 3_600_000)},
		{"one", []acoustic.Level{5120}},
		{"two", []acoustic.Level{5120, 5130}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := levels.Append(nil, hour, time.Millisecond, []series.Run{{Start: hour, Levels: tt.levels}})
			got, err := levels.Decode(b, hour, time.Millisecond)
			if err != nil || len(got) != 1 || !slices.Equal(got[0].Levels, tt.levels) {
				t.Errorf("Decode = %d runs, %v", len(got), err)
			}
		})
	}
}

func reversed(ls []acoustic.Level) []acoustic.Level {
	ls = slices.Clone(ls)
	slices.Reverse(ls)
	return ls
}

// Any single changed bit, any cut and any addition is noticed.
func TestDecodeNoticesDamage(t *testing.T) {
	runs := []series.Run{{Start: hour, Levels: signal.Levels(1, hour, time.Second, 10, 900)}}
	b := levels.Append(nil, hour, time.Second, runs)
	refused := func(b []byte, what string, i int) {
		t.Helper()
		if _, err := levels.Decode(b, hour, time.Second); !errors.Is(err, levels.ErrCorrupt) {
			t.Fatalf("%s %d: err = %v; want ErrCorrupt", what, i, err)
		}
	}
	for i := range 8 * len(b) {
		b[i/8] ^= 1 << (i % 8)
		refused(b, "bit", i)
		b[i/8] ^= 1 << (i % 8)
	}
	for i := range b {
		refused(b[:i], "cut at", i)
	}
	refused(append(b, 0), "longer", 1)
}

// Behind a good checksum there may be anything: it is refused, or is a block that
// holds to the rules. Few bytes never ask for much memory.
func FuzzDecode(f *testing.F) {
	for _, interval := range intervals {
		for _, n := range []int{1, 30, 2000} {
			ls := signal.Levels(1, hour, time.Second, 10, n)
			ls[n/2] = series.UnderRange
			for interval == 0 && n > 1 || time.Duration(n-1)*interval >= time.Hour {
				n--
			}
			b := levels.Append(nil, hour, interval, []series.Run{{Start: hour, Levels: ls[:n]}})
			f.Add(b[1:len(b)-4], int64(interval))
		}
	}
	f.Fuzz(func(t *testing.T, b []byte, interval int64) {
		runs, err := levels.Decode(levels.Seal(b), hour, time.Duration(interval))
		if err != nil {
			if !errors.Is(err, levels.ErrCorrupt) {
				t.Fatalf("err = %v", err)
			}
			return
		}
		again, err := levels.Decode(levels.Append(nil, hour, time.Duration(interval), runs), hour, time.Duration(interval))
		if err != nil || !reflect.DeepEqual(runs, again) && len(runs)+len(again) > 0 { // cmp takes seconds for an hour of 1 ms
			t.Errorf("decoded, appended, decoded: %v, %d and %d runs", err, len(runs), len(again))
		}
		for _, r := range runs {
			for _, l := range r.Levels {
				if (l < acoustic.MinLevel || l > acoustic.MaxLevel) && l != series.UnderRange && l != series.OverRange {
					t.Fatalf("level %d", l)
				}
			}
		}
	})
}

// What the checksum cannot know: bytes that break a rule of the format.
func TestDecodeRefuses(t *testing.T) {
	// One run of two numbers in steps of 0.01 dB from 200 dB, one step up and one down.
	up, down := []byte{0, 1, 0, 2, 0xa8, 0xc3, 1, 0, 2, 0, 0}, []byte{0, 1, 0, 2, 0xa8, 0xc3, 1, 0, 1, 0, 0}
	if runs, err := levels.Decode(levels.Seal(down), hour, time.Second); err != nil || runs[0].Levels[1] != 19_999 {
		t.Fatalf("Decode(down) = %v, %v", runs, err)
	}
	for _, tt := range []struct {
		name     string
		b        []byte
		interval time.Duration
	}{
		{"above the highest level", up, time.Second},
		{"first level too high", []byte{0, 1, 0, 1, 0xa9, 0xc3, 1}, time.Second},
		{"more bytes", append(slices.Clone(down), 0), time.Second},
		{"too few bytes", down[:len(down)-1], time.Second},
		{"no such step", append([]byte{3}, down[1:]...), time.Second},
		{"no such unit", append([]byte{5 << 2}, down[1:]...), time.Second},
		{"unknown bit of the shape", append([]byte{1 << 6}, down[1:]...), time.Second},
		{"no such coding", []byte{0, 1, 0, 2, 1, 9, 1, 0, 0}, time.Second},
		{"empty run", []byte{0, 1, 0, 0}, time.Second},
		{"sample after the hour", []byte{0, 1, 0, 2, 1, 0, 2, 0, 0}, time.Hour},
		{"run after the hour", []byte{0, 2, 0, 1, 0, 1, 1, 0, 2, 0, 0}, time.Hour},
		{"spot in units of no interval", []byte{0, 1, 1, 1}, 0},
		{"more flags than samples", []byte{1 << 5, 1, 0, 1, 1, 0, 4}, time.Second},
	} {
		if _, err := levels.Decode(levels.Seal(tt.b), hour, tt.interval); !errors.Is(err, levels.ErrCorrupt) {
			t.Errorf("%s: err = %v; want ErrCorrupt", tt.name, err)
		}
	}
}

// A few bytes that claim an hour of milliseconds are refused before room is made for it.
func TestDecodeAllocatesLittle(t *testing.T) {
	b := levels.Seal([]byte{2, 1, 0, 0x80, 0xdd, 0xdb, 0x01, 10}) // 3,600,000 numbers from one level
	used := testing.Benchmark(func(tb *testing.B) {
		tb.ReportAllocs()
		for tb.Loop() {
			if _, err := levels.Decode(b, hour, time.Millisecond); err == nil {
				tb.Fatal("decoded")
			}
		}
	})
	if got := used.AllocedBytesPerOp(); got > 100_000 {
		t.Errorf("allocates %d bytes", got)
	}
}

func TestAppendPanicsOnWhatIsNoBlock(t *testing.T) {
	one := []acoustic.Level{5000}
	for _, tt := range []struct {
		name     string
		interval time.Duration
		runs     []series.Run
	}{
		{"before the hour", time.Second, []series.Run{{Start: hour.Add(-1), Levels: one}}},
		{"after the hour", time.Second, []series.Run{{Start: hour.Add(time.Hour), Levels: one}}},
		{"ends after the hour", time.Hour - time.Second, []series.Run{{Start: hour.Add(time.Second), Levels: []acoustic.Level{1, 2}}}},
		{"overlapping", time.Second, []series.Run{{Start: hour, Levels: []acoustic.Level{1, 2}}, {Start: hour.Add(time.Second), Levels: one}}},
		{"empty", time.Second, []series.Run{{Start: hour}}},
		{"spot of two", 0, []series.Run{{Start: hour, Levels: []acoustic.Level{1, 2}}}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			defer func() {
				if recover() == nil {
					t.Error("Append did not panic")
				}
			}()
			levels.Append(nil, hour, tt.interval, tt.runs)
		})
	}
}

func TestDayRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		interval := rapid.SampledFrom(intervals).Draw(t, "interval")
		day := hour.Truncate(24 * time.Hour)
		want := series.DayOf(day, anyRuns(t, interval), interval)
		b := levels.AppendDay([]byte("before"), &want)[6:]
		got, err := levels.DecodeDay(b)
		if diff := cmp.Diff(want, got); err != nil || diff != "" {
			t.Errorf("DecodeDay: %v (-want +got):\n%s", err, diff)
		}
		// Added twice, all counts double.
		var counts series.Counts
		var quarters [series.QuartersPerDay]series.Tally
		for range 2 {
			if err := levels.AddDay(b, quarters[:], &counts); err != nil {
				t.Fatal(err)
			}
		}
		if diff := cmp.Diff(want.Histogram.Plus(want.Histogram), counts.Histogram()); diff != "" {
			t.Errorf("AddDay twice (-want +got):\n%s", diff)
		}
		if err := levels.AddDay(b, quarters[:], nil); err != nil || quarters != want.Quarters {
			t.Errorf("AddDay without counts: %v", err)
		}
	})
}

// A day in hours holds the sums of its quarter hours and the same histogram, and neither passes for the other.
func TestHoursRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		interval := rapid.SampledFrom(intervals).Draw(t, "interval")
		d := series.DayOf(hour.Truncate(24*time.Hour), anyRuns(t, interval), interval)
		b := levels.AppendHours([]byte("before"), &d)[6:]
		var want, hours [series.HoursPerDay]series.Tally
		for i, q := range d.Quarters {
			want[i/4] = want[i/4].Plus(q)
		}
		var counts series.Counts
		if err := levels.AddDay(b, hours[:], &counts); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, hours); diff != "" {
			t.Errorf("hours (-want +got):\n%s", diff)
		}
		if diff := cmp.Diff(d.Histogram, counts.Histogram()); diff != "" {
			t.Errorf("histogram (-want +got):\n%s", diff)
		}
		if _, err := levels.DecodeDay(b); !errors.Is(err, levels.ErrCorrupt) {
			t.Errorf("hours read as quarter hours: %v", err)
		}
		if err := levels.AddDay(levels.AppendDay(nil, &d), hours[:], &counts); !errors.Is(err, levels.ErrCorrupt) {
			t.Errorf("quarter hours read as hours: %v", err)
		}
	})
}

// The highest energy there is, and the largest counts, keep all their bits.
func TestDayExtremes(t *testing.T) {
	var want series.Day
	want.Quarters[95] = series.Tally{
		Count: 1 << 39, Under: 3, Over: 1 << 40, Min: acoustic.MinLevel, Max: acoustic.MaxLevel,
		Energy: acoustic.Energy{Hi: math.MaxUint64, Lo: 1},
	}
	want.Quarters[0] = series.Tally{Count: 1, Energy: acoustic.Energy{Lo: math.MaxUint64}}
	want.Quarters[1] = series.Tally{Over: 7}
	want.Histogram = series.Histogram{Under: 3, Over: 1 << 40, Bins: []series.Bin{
		{Level: acoustic.MinLevel, Count: 1}, {Level: -4999, Count: 127}, {Level: 0, Count: 128}, {Level: acoustic.MaxLevel, Count: 1 << 39},
	}}
	got, err := levels.DecodeDay(levels.AppendDay(nil, &want))
	if diff := cmp.Diff(want, got); err != nil || diff != "" {
		t.Errorf("DecodeDay: %v (-want +got):\n%s", err, diff)
	}
}

func FuzzDecodeDay(f *testing.F) {
	for _, step := range []acoustic.Level{1, 10} {
		day := hour.Truncate(24 * time.Hour)
		d := series.DayOf(day, []series.Run{{Start: day, Levels: signal.Levels(1, day, time.Second, step, 86_400)}}, time.Second)
		b := levels.AppendDay(nil, &d)
		f.Add(b[1 : len(b)-4])
	}
	f.Add(make([]byte, 99))
	f.Fuzz(func(t *testing.T, b []byte) {
		d, err := levels.DecodeDay(levels.Seal(b))
		if err != nil {
			if !errors.Is(err, levels.ErrCorrupt) {
				t.Fatalf("err = %v", err)
			}
			return
		}
		again, err := levels.DecodeDay(levels.AppendDay(nil, &d))
		if err != nil || !reflect.DeepEqual(d, again) {
			t.Errorf("decoded, appended, decoded: %v", err)
		}
	})
}

// Blocks and days that earlier versions wrote stay readable for ever. A new version
// adds files beside these; none is ever written again.
func TestFixtures(t *testing.T) {
	files, err := os.ReadDir("testdata")
	if err != nil {
		t.Fatal(err)
	}
	tested := 0
	for _, file := range files {
		name, isBlock := strings.CutSuffix(file.Name(), ".block")
		if !isBlock {
			continue
		}
		tested++
		t.Run(name, func(t *testing.T) {
			f := fixtures[name[strings.IndexByte(name, '-')+1:]]
			b, err := os.ReadFile("testdata/" + file.Name())
			if err != nil {
				t.Fatal(err)
			}
			got, err := levels.Decode(b, hour, f.interval)
			if diff := cmp.Diff(f.runs, got); err != nil || diff != "" {
				t.Errorf("Decode: %v (-want +got):\n%s", err, diff)
			}
			day := hour.Truncate(24 * time.Hour)
			if b, err = os.ReadFile("testdata/" + name + ".day"); err != nil {
				t.Fatal(err)
			}
			gotDay, err := levels.DecodeDay(b)
			if diff := cmp.Diff(series.DayOf(day, f.runs, f.interval), gotDay); err != nil || diff != "" {
				t.Errorf("DecodeDay: %v (-want +got):\n%s", err, diff)
			}
			if b, err = os.ReadFile("testdata/" + strings.Replace(name, "1-", "2-", 1) + ".hours"); err != nil {
				t.Fatal(err)
			}
			var hours [series.HoursPerDay]series.Tally
			var counts series.Counts
			err = levels.AddDay(b, hours[:], &counts)
			if diff := cmp.Diff(gotDay.Hours(), hours); err != nil || diff != "" {
				t.Errorf("hours: %v (-want +got):\n%s", err, diff)
			}
			if diff := cmp.Diff(gotDay.Histogram, counts.Histogram()); diff != "" {
				t.Errorf("histogram of hours (-want +got):\n%s", diff)
			}
		})
	}
	if want := len(fixtures); tested < want {
		t.Errorf("%d fixtures; want %d or more", tested, want)
	}
}

type fixture struct {
	interval time.Duration
	runs     []series.Run
}

// fixtures are computed with whole numbers alone, so that they are the same for ever.
var fixtures = map[string]fixture{
	"regular":  {time.Second, []series.Run{{Start: hour, Levels: zigs(3600, 10)}}},
	"fine":     {125 * time.Millisecond, []series.Run{{Start: hour, Levels: zigs(28_800, 1)}}},
	"wide":     {time.Second, []series.Run{{Start: hour, Levels: zigs(3600, 137)}}},
	"halves":   {time.Minute, []series.Run{{Start: hour, Levels: zigs(60, 50)}}},
	"paused":   {time.Second, []series.Run{{Start: hour.Add(90 * time.Second), Levels: zigs(600, 10)}, {Start: hour.Add(1800_250_000 * time.Microsecond), Levels: zigs(5, 5)}}},
	"flagged":  {time.Second, []series.Run{{Start: hour, Levels: slices.Concat(zigs(100, 10), []acoustic.Level{series.UnderRange, series.UnderRange, series.OverRange}, zigs(100, 10))}}},
	"spot":     {0, []series.Run{{Start: hour.Add(3 * time.Second), Levels: []acoustic.Level{5120}}, {Start: hour.Add(9*time.Second + time.Microsecond), Levels: []acoustic.Level{series.OverRange}}, {Start: hour.Add(50 * time.Minute), Levels: []acoustic.Level{4987}}}},
	"constant": {time.Second, []series.Run{{Start: hour, Levels: slices.Repeat([]acoustic.Level{4000}, 3600)}}},
	"rare":     {time.Second, []series.Run{{Start: hour, Levels: slices.Concat(zigs(1000, 10), []acoustic.Level{13_000}, zigs(2000, 10))}}},
	"negative": {24 * time.Hour, []series.Run{{Start: hour, Levels: []acoustic.Level{-4210}}}},
}

// zigs returns n levels that wander by multiples of step around 50 dB.
func zigs(n, step int) []acoustic.Level {
	ls := make([]acoustic.Level, n)
	x := uint32(1)
	for i := range ls {
		x = x*1664525 + 1013904223 // the generator of Numerical Recipes
		y := x>>28 + x>>24&15 + x>>20&15
		ls[i] = acoustic.Level(5000 + (int(y)-22)*step)
	}
	return ls
}
