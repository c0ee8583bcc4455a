package uncertainty_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/uncertainty"
)

var monday = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

// Quantiles of Student's t, 97.5 %, as printed in tables to three decimals (memory).
func TestCoverageFactor(t *testing.T) {
	t.Parallel()
	for freedom, want := range map[float64]float64{9: 2.262, 10: 2.228, 20: 2.086, 30: 2.042, 60: 2.000, 120: 1.980, 1e9: 1.960} {
		if _, k := (uncertainty.Estimate{Freedom: freedom}).Expanded(); math.Abs(k-want) > 0.001 {
			t.Errorf("%v degrees of freedom: k = %v; want %v", freedom, k, want)
		}
	}
}

// A quarter of an hour of LAF every second, correlation time 10 s. For s = 5 dB the power
// of the model has a relative variance of the mean of Σ (v²ᵐ/m!)·2τ/(m·T) with v = s·ln 10/10,
// which is 0.9 dB, and by its slope at lag 0 gaps of 0.04 dB.
func TestQuarterOfAnHour(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(7, 7))
	sig := signal{correlation: 10, spread: 5}
	var sampling, mean sum
	for range 200 {
		levels, _ := sig.make(rng, 900, nil)
		s := uncertainty.NewStream(time.Second, false)
		s.Add(series.Run{Start: monday, Levels: levels})
		if e, why := s.SamplingOfMean(); why == "" {
			sampling.add(float64(e.Standard))
		}
		if e, why := s.OfMean(); why == "" {
			mean.add(float64(e.Standard))
		}
	}
	if u := sampling.total / sampling.n; u < 0.03 || u > 0.05 {
		t.Errorf("sampling uncertainty %v; want about 0.04", u)
	}
	if u := mean.total / mean.n; u < 0.7 || u > 1.1 {
		t.Errorf("representativity uncertainty %v; want about 0.9", u)
	}
}

// One step of the level at a random instant between two readings misses the mean by an
// error that is equally likely within half an interval: h·ΔW/√12 of the sum. Two steps
// make √2 of that; 40 steps √40.
func TestStepsBetweenReadings(t *testing.T) {
	t.Parallel()
	var g uncertainty.Gaps
	const n, every = 4000, 100
	low, high := acoustic.Decibel(50).Ratio(), acoustic.Decibel(60).Ratio()
	for i := range n {
		w := low
		if i/every%2 == 1 {
			w = high
		}
		g.Add(w)
	}
	e, why := g.Mean()
	steps := float64(n/every - 1)
	relative := (high - low) / ((high + low) / 2) * math.Sqrt(steps/12+0.25) / n // and the ends
	want := 10 / math.Ln10 * relative
	if why != "" || math.Abs(float64(e.Standard)/want-1) > 0.02 {
		t.Errorf("u = %v %s; want %v", e.Standard, why, want)
	}
}

// Unrelated readings, each of an instant of its own, scatter as the mean of n does.
func TestUnrelatedReadings(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(1, 2))
	var g uncertainty.Gaps
	var h series.Histogram
	var c series.Counts
	n := 20_000
	for range n {
		l := acoustic.Level(math.Round(500+10*rng.NormFloat64())) * 10
		g.Add(acoustic.EnergyOf(l).Ratio())
		c.Add(l, 1)
	}
	h = c.Histogram()
	v := math.Ln10 / 10
	want := 10 / math.Ln10 * math.Sqrt(math.Expm1(v*v)/float64(n)) // lognormal of s = 1 dB
	if e, why := g.Mean(); why != "" || math.Abs(float64(e.Standard)/want-1) > 0.05 {
		t.Errorf("from readings u = %v %s; want %v", e.Standard, why, want)
	}
	if e, why := uncertainty.GapsAtMost(h); why != "" || !e.AtMost || math.Abs(float64(e.Standard)/want-1) > 0.05 {
		t.Errorf("from the distribution u = %+v %s; want %v", e, why, want)
	}
}

func TestTooFewSamples(t *testing.T) {
	t.Parallel()
	said := func(name string, e uncertainty.Estimate, why, want string) {
		t.Helper()
		if !strings.Contains(why, want) || e.Standard != 0 {
			t.Errorf("%s: %+v, %q; want a reason with %q", name, e, why, want)
		}
	}
	nine := make([]series.Tally, 9)
	for i := range nine {
		nine[i].Add(acoustic.Level(50_00 + 10*i))
	}
	e, why := uncertainty.OfMean(nine)
	said("nine stretches", e, why, "effective sample size is 9.0")
	e, why = uncertainty.OfMean(nil)
	said("nothing", e, why, "no samples")

	ramp := make([]series.Tally, 400) // one slow rise: hardly more than one sample
	for i := range ramp {
		ramp[i].Add(acoustic.Level(50_00 + i))
	}
	e, why = uncertainty.OfMean(ramp)
	said("a ramp", e, why, "at least 30 are needed")

	bang := uncertainty.NewStream(time.Second, true)
	levels := make([]acoustic.Level, 3600)
	for i := range levels {
		levels[i] = acoustic.Level(40_00 + i*7919%100)
	}
	levels[1800] = 100_00
	bang.Add(series.Run{Start: monday, Levels: levels})
	e, why = bang.OfMean()
	said("one bang", e, why, "effective sample size")
	e, why = bang.SamplingOfMean()
	said("one bang between readings", e, why, "places")

	over := uncertainty.NewStream(time.Second, false)
	levels[7] = series.OverRange
	over.Add(series.Run{Start: monday, Levels: levels})
	e, why = over.OfMean()
	said("over range", e, why, "over range")
	e, why = over.SamplingOfMean()
	said("over range", e, why, "over range")
}

// A signal that goes up and down as regularly as a machine does, each stretch of time the
// opposite of the next, has an uncertainty like any other.
func TestRegularUpAndDown(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		period, step := rapid.IntRange(2, 4000).Draw(t, "period"), rapid.IntRange(1, 8000).Draw(t, "step")
		s := uncertainty.NewStream(time.Second, true)
		levels := make([]acoustic.Level, rapid.IntRange(3600, 40_000).Draw(t, "samples"))
		for i := range levels {
			levels[i] = acoustic.Level(40_00 + i*step%period)
		}
		s.Add(series.Run{Start: monday, Levels: levels})
		mean, why := s.OfMean()
		number(t, mean, why)
		for _, p := range []series.Percent{1_000, 10_000, 50_000, 90_000, 99_000} {
			e, why := s.OfExceedance(p)
			number(t, e, why)
		}
		e, why := s.SamplingOfMean()
		number(t, e, why)
	})
}

// number fails unless an estimate is of numbers that are not negative, or absent for a reason.
func number(t *rapid.T, e uncertainty.Estimate, why string) {
	t.Helper()
	for _, x := range []float64{float64(e.Standard), e.Effective, e.Freedom} {
		if !(x >= 0) || why == "" && math.IsInf(float64(e.Standard), 0) {
			t.Fatalf("%+v %s", e, why)
		}
	}
}

// However a stream is cut into runs, its uncertainties are the same to the last bit; a
// gap in time is one. A steady level has none.
func TestStreamInParts(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(5, 5))
	levels, _ := signal{correlation: 5, spread: 3}.make(rng, 7200, nil)
	whole, parts := uncertainty.NewStream(time.Second, true), uncertainty.NewStream(time.Second, true)
	whole.Add(series.Run{Start: monday, Levels: levels})
	for i := 0; i < len(levels); {
		n := min(len(levels)-i, 1+rng.IntN(500))
		parts.Add(series.Run{Start: monday.Add(time.Duration(i) * time.Second), Levels: levels[i : i+n]})
		i += n
	}
	for name, f := range map[string]func(*uncertainty.Stream) (uncertainty.Estimate, string){
		"sampling": (*uncertainty.Stream).SamplingOfMean,
		"mean":     (*uncertainty.Stream).OfMean,
		"L90":      func(s *uncertainty.Stream) (uncertainty.Estimate, string) { return s.OfExceedance(90_000) },
	} {
		a, why := f(whole)
		b, _ := f(parts)
		if a != b || why != "" || a.Standard <= 0 {
			t.Errorf("%s: whole %+v %s, in parts %+v", name, a, why, b)
		}
	}
	steady := uncertainty.NewStream(time.Second, true)
	steady.Add(series.Run{Start: monday, Levels: make([]acoustic.Level, 3600)})
	for _, f := range []func() (uncertainty.Estimate, string){steady.SamplingOfMean, steady.OfMean} {
		if e, why := f(); why != "" || e.Standard != 0 {
			t.Errorf("a steady level has %+v, %s", e, why)
		}
	}
}

// A louder signal of the same kind has the same uncertainty.
func TestShift(t *testing.T) {
	t.Parallel()
	levels, _ := signal{correlation: 5, spread: 3}.make(rand.New(rand.NewPCG(6, 6)), 3600, nil)
	louder := make([]acoustic.Level, len(levels))
	for i, l := range levels {
		louder[i] = l + 12_30
	}
	of := func(ls []acoustic.Level) (e [3]uncertainty.Estimate) {
		s := uncertainty.NewStream(time.Second, true)
		s.Add(series.Run{Start: monday, Levels: ls})
		e[0], _ = s.SamplingOfMean()
		e[1], _ = s.OfMean()
		e[2], _ = s.OfExceedance(50_000)
		return e
	}
	a, b := of(levels), of(louder)
	for i := range a {
		if a[i].Standard == 0 || math.Abs(float64(a[i].Standard-b[i].Standard)) > 1e-6 {
			t.Errorf("%d: %v and %v", i, a[i], b[i])
		}
	}
}

// GUM 5.1.2 and G.4.1: sensitivities ½ and ¼, 0.4 dB with 10 and 0.8 dB with 20 degrees of
// freedom make sqrt(0.2² + 0.2²) and 0.08²/(0.2⁴/10 + 0.2⁴/20).
func TestCombined(t *testing.T) {
	t.Parallel()
	of := []uncertainty.Estimate{{Standard: 0.4, Freedom: 10, Effective: 40}, {Standard: 0.8, Freedom: 20, Effective: 60, AtMost: true}}
	got := uncertainty.Combined(of, []float64{0.5, 0.25})
	freedom := 0.08 * 0.08 / (0.0016/10 + 0.0016/20)
	if math.Abs(float64(got.Standard)-math.Sqrt(0.08)) > 1e-12 || math.Abs(got.Freedom-freedom) > 1e-9 || got.Effective != 40 || !got.AtMost {
		t.Errorf("Combined = %+v; want %v with %v degrees of freedom", got, math.Sqrt(0.08), freedom)
	}
	still := uncertainty.Combined([]uncertainty.Estimate{{Freedom: 9, Effective: 10}, {Freedom: 9, Effective: 10}}, []float64{0.5, 0.5})
	if u, k := still.Expanded(); u != 0 || math.IsNaN(k) || math.IsInf(k, 0) {
		t.Errorf("of what does not scatter: %v, k = %v; want 0", u, k)
	}
}

// From tallies alone the bound is never below that of the distribution, and of one reading
// a stretch it is the same.
func TestGapsFromTallies(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(40, 400).Draw(t, "readings")
		levels := rapid.SliceOfN(rapid.Map(rapid.IntRange(4000, 6000), func(l int) acoustic.Level { return acoustic.Level(l) }), n, n).Draw(t, "levels")
		var c series.Counts
		for i := range levels {
			if rapid.IntRange(0, 50).Draw(t, "under") == 0 {
				levels[i] = series.UnderRange
			}
			c.Add(levels[i], 1)
		}
		want, whyNot := uncertainty.GapsAtMost(c.Histogram())
		each, why := uncertainty.GapsAtMostOfTallies(tallied(levels, 1))
		if whyNot == "" && why == "" && math.Abs(float64(each.Standard/want.Standard)-1) > 1e-6 {
			t.Fatalf("of one reading a stretch %v; want %v", each, want)
		}
		some, why := uncertainty.GapsAtMostOfTallies(tallied(levels, rapid.IntRange(2, 9).Draw(t, "together")))
		if whyNot == "" && why == "" && (some.Standard < want.Standard*(1-1e-9) || !some.AtMost) {
			t.Fatalf("of several %v; want at least %v", some, want)
		}
	})
	loud := append(make([]acoustic.Level, 0, 600), wandering(600)...)
	loud[300] = 110_00
	if e, why := uncertainty.GapsAtMostOfTallies(tallied(loud, 10)); !strings.HasPrefix(why, "the effective sample size is 1.0") {
		t.Errorf("one bang: %+v, %q", e, why)
	}
	if e, why := uncertainty.GapsAtMostOfTallies(tallied(wandering(600), 10)); why != "" || e.Standard <= 0 || e.Effective < 10 {
		t.Errorf("without: %+v, %q", e, why)
	}
	if e, why := uncertainty.GapsAtMostOfTallies(tallied([]acoustic.Level{50_00, 50_00, 50_00, 50_00, 50_00, 50_00, 50_00, 50_00, 50_00, 50_00, 50_00}, 1)); why != "" || e.Standard != 0 {
		t.Errorf("nothing changes: %+v, %q", e, why)
	}
	if _, why := uncertainty.GapsAtMostOfTallies([]series.Tally{{Over: 1}}); !strings.Contains(why, "over range") {
		t.Errorf("over range: %q", why)
	}
	if _, why := uncertainty.GapsAtMostOfTallies(nil); why != "no samples" {
		t.Errorf("of nothing: %q", why)
	}
}

// wandering returns levels that come back to the same few.
func wandering(n int) []acoustic.Level {
	ls := make([]acoustic.Level, n)
	for i := range ls {
		ls[i] = acoustic.Level(50_00 + i*37%400)
	}
	return ls
}

// Readings of one level that alternate with such below the range change in power alone.
func TestGapsOfOneLevel(t *testing.T) {
	t.Parallel()
	var g uncertainty.Gaps
	for i := range 3600 {
		g.Add(1e4 * float64((i+1)%2))
	}
	// Neighbours that always differ tell nothing of each other: s/√n with s² = (10⁴)²/2 of differences, over the mean 10⁴/2.
	want := 10 / math.Ln10 * math.Sqrt(1e8/2/3600) / 5e3
	if e, why := g.Mean(); why != "" || math.Abs(float64(e.Standard)/want-1) > 0.001 || e.Effective < 3500 {
		t.Errorf("%+v, %q; want %.4f dB", e, why, want)
	}
	// Where the first is below the range it is no change of a level.
	var before, after uncertainty.Gaps
	before.Add(0)
	for i := range 3600 {
		x := 1e4 * math.Exp(math.Sin(float64(i))/10)
		before.Add(x)
		after.Add(x)
	}
	after.Add(0)
	first, _ := before.Mean()
	if last, why := after.Mean(); why != "" || math.Abs(first.Effective/last.Effective-1) > 0.01 || math.Abs(float64(first.Standard/last.Standard)-1) > 0.01 {
		t.Errorf("below the range at first: %+v; at last: %+v, %q", first, last, why)
	}
	var one uncertainty.Gaps
	for range 3599 {
		one.Add(1e4)
	}
	one.Add(0)
	if e, why := one.Mean(); !strings.HasPrefix(why, "the level changes in effectively 1.0 places") {
		t.Errorf("one reading below the range: %+v, %q", e, why)
	}
}

// Whatever was read, an uncertainty is a number or there is a reason why there is none.
func TestEstimatesAreNumbers(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		levels := rapid.SliceOfN(rapid.SampledFrom([]acoustic.Level{30_00, 30_00, 30_10, 90_00, series.UnderRange}[:rapid.IntRange(1, 5).Draw(t, "kinds")]), 1, 400).Draw(t, "levels")
		if rapid.Bool().Draw(t, "one level") {
			for i, l := range levels {
				if i%3 > 0 && l > 0 {
					levels[i] = series.UnderRange
				}
			}
		}
		run := series.Run{Start: monday, Levels: levels}
		s := uncertainty.NewStream(time.Second, true)
		s.Add(run)
		check := func(name string) func(uncertainty.Estimate, string) {
			return func(e uncertainty.Estimate, why string) {
				if u := float64(e.Standard) + e.Effective + e.Freedom; why == "" && (math.IsNaN(u) || math.IsInf(u, 0)) {
					t.Fatalf("%s of %v = %+v", name, levels, e)
				}
			}
		}
		check("sampling of the mean")(s.SamplingOfMean())
		check("the mean")(s.OfMean())
		check("a level exceeded")(s.OfExceedance(50_000))
		check("sampling of a level exceeded")(uncertainty.SamplingOfExceedance([]series.Run{run}, time.Second, 50_000))
	})
}
