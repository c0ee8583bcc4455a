package persistence

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"hash"
	"os"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// exactResult is what the samples of a seed come to. It holds whole numbers only.
type exactResult struct {
	Name       string
	Seed       uint64 // of noise
	IntervalUS int64
	StartUS    int64 // microseconds after t0
	Samples    int
	StepDB100  int // hundredths of a decibel
	Flags      int
	GapEvery   int // a sample is absent after so many, 0: none

	Numbers, Under, Over int64
	EnergyHi, EnergyLo   uint64
	Lowest, Highest      acoustic.Level
	Exceeded             map[series.Percent]acoustic.Level // in thousandths of a percent
	HistogramSHA256      string                            // of its lines: level, count
	QuartersSHA256       string                            // of a line for each quarter hour: numbers, under, over, energy, minimum, maximum
	SamplesSHA256        string                            // of a line for each run as read back: its start in microseconds of Unix time, its samples
}

// Results of the first version, to the last bit: every later one must reach them,
// however it keeps samples. The file is never rewritten to suit the program.
func TestExactResults(t *testing.T) {
	t.Parallel()
	b := newSamplesBed(t)
	var want []exactResult
	ok(0, json.Unmarshal(ok(os.ReadFile("testdata/exact.json"))(t), &want))(t)
	if len(want) < 8 {
		t.Fatalf("%d results; want all", len(want))
	}
	for _, w := range want {
		t.Run(w.Name, func(t *testing.T) {
			got := b.exact(t, w)
			if diff := cmp.Diff(w, got); diff != "" {
				text, _ := json.Marshal(got)
				t.Errorf("result (-first version +now):\n%s\n%s", diff, text)
			}
		})
	}
}

// exact returns e with what its samples come to, from blocks and then from aggregates.
func (b *samplesBed) exact(t *testing.T, e exactResult) exactResult {
	t.Helper()
	interval := time.Duration(e.IntervalUS) * time.Microsecond
	spacing := interval
	if interval == 0 {
		spacing = 97 * time.Second
	}
	start := t0.Add(time.Duration(e.StartUS) * time.Microsecond)
	ls := noise(e.Seed, e.Samples, e.StepDB100, e.Flags)
	var runs []series.Run
	for i := 0; i < len(ls); {
		n := len(ls) - i
		if interval == 0 {
			n = 1
		} else if e.GapEvery > 0 {
			n = min(n, e.GapEvery)
		}
		runs = append(runs, series.Run{Start: start.Add(time.Duration(i) * spacing), Levels: ls[i : i+n]})
		if i += n; e.GapEvery > 0 {
			i++
		}
	}
	h := b.series(t, interval, runs...)
	end := start.Add(time.Duration(e.Samples+1) * spacing)
	ask := series.Ask{Groups: 1}
	for at := start.Truncate(15 * time.Minute); at.Before(end); at = at.Add(15 * time.Minute) {
		ask.Cells = append(ask.Cells, series.Cell{Span: series.Span{From: at, To: at.Add(15 * time.Minute)}})
	}
	plan := func(series.Facts) (series.Ask, error) { return ask, nil }
	fromBlocks := ok(b.store.CollectSeries(b.ctx, h.ID, series.Span{}, plan))(t)
	a := ok(b.store.CollectSeries(b.ctx, h.ID, series.Span{}, plan))(t)
	if diff := cmp.Diff(fromBlocks, a); diff != "" {
		t.Errorf("answer (-blocks +aggregates):\n%s", diff)
	}
	var total series.Tally
	for _, x := range a.Tallies {
		total = total.Plus(x)
	}
	e.Numbers, e.Under, e.Over = total.Count, total.Under, total.Over
	e.EnergyHi, e.EnergyLo = total.Energy.Hi, total.Energy.Lo
	e.Lowest, e.Highest = total.Min, total.Max
	e.Exceeded = map[series.Percent]acoustic.Level{}
	for _, p := range []series.Percent{1_000, 10_000, 50_000, 90_000, 99_000} {
		e.Exceeded[p], _ = a.Histograms[0].Exceedance(p)
	}
	histogram, quarters, samples := sha256.New(), sha256.New(), sha256.New()
	for _, bin := range a.Histograms[0].Bins {
		fmt.Fprintln(histogram, int(bin.Level), bin.Count)
	}
	for _, q := range a.Tallies {
		fmt.Fprintln(quarters, q.Count, q.Under, q.Over, q.Energy.Hi, q.Energy.Lo, int(q.Min), int(q.Max))
	}
	for _, r := range b.stored(t, h, 100_000) {
		fmt.Fprint(samples, r.Start.UnixMicro())
		for _, l := range r.Levels {
			fmt.Fprint(samples, " ", int(l))
		}
		fmt.Fprintln(samples)
	}
	e.HistogramSHA256, e.QuartersSHA256, e.SamplesSHA256 = hexOf(histogram), hexOf(quarters), hexOf(samples)
	return e
}

func hexOf(h hash.Hash) string { return hex.EncodeToString(h.Sum(nil)) }
