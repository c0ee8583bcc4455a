package summary_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/summary"
)

// TestFigureProperties: all levels k dB higher make every figure k dB higher, the order of
// samples within an hour alters none, twice the energy is 10 lg 2 = 3.01 dB more, and the
// parts of a time merge to the whole.
func TestFigureProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 1))
		start := time.Date(2026, 6, 10, 7, 0, 0, 0, time.UTC)
		levels := make([]acoustic.Level, 24*60)
		for i := range levels {
			levels[i] = acoustic.Level(40_00 + rng.IntN(3000))
		}
		k := acoustic.Level(rapid.IntRange(-2000, 2000).Draw(rt, "k"))
		of := func(levels []acoustic.Level) summary.Summary {
			return newLog(t, "LAF", time.Minute).addRun(start, levels).summarize(t, request(time.UTC))
		}
		all := func(s summary.Summary) map[string]float64 {
			m := map[string]float64{}
			for _, f := range slices.Concat(s.Levels, s.Indices) {
				m[f.Symbol] = float64(*f.Level)
			}
			return m
		}
		plain := all(of(levels))
		if len(plain) < 11 { // LAeq, LAE, 2 extremes, 3 exceedance levels, 3 periods, the index
			rt.Fatalf("%d figures", len(plain))
		}
		same := func(what string, got map[string]float64, by float64) {
			for symbol, want := range plain {
				if math.Abs(got[symbol]-want-by) > 1e-9 {
					rt.Fatalf("%s: %s = %v; want %v + %v", what, symbol, got[symbol], want, by)
				}
			}
		}
		raised, turned := slices.Clone(levels), slices.Clone(levels)
		for i := range raised {
			raised[i] += k
		}
		same("raised", all(of(raised)), float64(k)/100)
		for h := range 24 {
			hour := turned[h*60 : h*60+60]
			rng.Shuffle(len(hour), func(i, j int) { hour[i], hour[j] = hour[j], hour[i] })
		}
		same("in another order", all(of(turned)), 0)

		// Every other reading silent halves the energy; cut anywhere, the parts make the whole.
		quiet := slices.Clone(levels)
		for i := range quiet {
			quiet[i] = 50_00
		}
		half := slices.Clone(quiet)
		for i := range half {
			if i%2 == 0 {
				half[i] = acoustic.MinLevel // 100 dB below: 10^−10 of the energy
			}
		}
		if d := all(of(quiet))["LAeq"] - all(of(half))["LAeq"]; math.Abs(d-10*math.Log10(2)) > 1e-9 {
			rt.Fatalf("twice the energy is %v dB more; want 3.01", d)
		}
		cut := rapid.IntRange(1, len(levels)-1).Draw(rt, "cut")
		first, second := all(of(levels[:cut])), all(newLog(t, "LAF", time.Minute).addRun(start.Add(time.Duration(cut)*time.Minute), levels[cut:]).summarize(t, request(time.UTC)))
		merged, _ := acoustic.EnergyMeanOver([]acoustic.Decibel{acoustic.Decibel(first["LAeq"]), acoustic.Decibel(second["LAeq"])},
			[]time.Duration{time.Duration(cut), time.Duration(len(levels) - cut)})
		if math.Abs(float64(merged)-plain["LAeq"]) > 1e-9 || max(first["LAFmax"], second["LAFmax"]) != plain["LAFmax"] || min(first["LAFmin"], second["LAFmin"]) != plain["LAFmin"] {
			rt.Fatalf("cut at %d: %v and %v; want %v", cut, first, second, plain)
		}
		exposures, _ := acoustic.EnergySum([]acoustic.Decibel{acoustic.Decibel(first["LAE"]), acoustic.Decibel(second["LAE"])})
		if math.Abs(float64(exposures)-plain["LAE"]) > 1e-9 {
			rt.Fatalf("LAE of the parts %v; want %v", exposures, plain["LAE"])
		}
	})
}
