package acoustic_test

import (
	"encoding/json"
	"math"
	"math/big"
	"math/rand/v2"
	"os"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"leveltrail/domain/acoustic"
)

// example is a worked example that others published; its source stands in the row.
type example struct {
	ID     string `json:"id"`
	Inputs struct {
		Levels   []acoustic.Decibel `json:"levels"`
		Minutes  []float64          `json:"minutes"`
		Seconds  json.RawMessage    `json:"seconds"` // a number or one for each level
		Level    acoustic.Decibel   `json:"level"`
		N        json.RawMessage    `json:"n"`
		TSeconds float64            `json:"T_seconds"`
		Day      acoustic.Decibel   `json:"Lday"`
		Evening  acoustic.Decibel   `json:"Levening"`
		Night    acoustic.Decibel   `json:"Lnight"`
		Hours    json.RawMessage    `json:"hours"`
		SELs     json.RawMessage    `json:"SEL"`
		Constant acoustic.Decibel   `json:"constant"`
		Bands    []acoustic.Hertz   `json:"bands"`
		Weights  []acoustic.Decibel `json:"weights"`
		Delta    acoustic.Decibel   `json:"delta"`
		Total    acoustic.Decibel   `json:"total"`
		On       float64            `json:"on_h"`
		Of       float64            `json:"ref_h"`

		Background acoustic.Decibel `json:"background"`
	} `json:"inputs"`
	Published *acoustic.Decibel `json:"published"` // as printed
	Computed  acoustic.Decibel  `json:"computed"`  // to four decimals, by whoever collected the rows
	Tolerance acoustic.Decibel  `json:"tolerance_db"`
	Source    string            `json:"source"`
	Status    string            `json:"status"`
}

func examples(t *testing.T) map[string]example {
	t.Helper()
	b, err := os.ReadFile("../../testdata/reference/environmental_examples.json")
	if err != nil {
		t.Fatal(err)
	}
	var rows []example
	if err := json.Unmarshal(b, &rows); err != nil {
		t.Fatal(err)
	}
	m := make(map[string]example)
	for _, r := range rows {
		m[r.ID] = r
	}
	return m
}

// numbers reads a number or a list of numbers.
func numbers(t *testing.T, raw json.RawMessage) []float64 {
	t.Helper()
	var list []float64
	if json.Unmarshal(raw, &list) == nil {
		return list
	}
	var one float64
	if err := json.Unmarshal(raw, &one); err != nil {
		t.Fatalf("%s is no number", raw)
	}
	return []float64{one}
}

func durations(xs []float64, unit time.Duration) []time.Duration {
	ds := make([]time.Duration, len(xs))
	for i, x := range xs {
		ds[i] = time.Duration(x * float64(unit))
	}
	return ds
}

// repeated returns n copies of l.
func repeated(l acoustic.Decibel, n float64) []acoustic.Decibel {
	ls := make([]acoustic.Decibel, int(n))
	for i := range ls {
		ls[i] = l
	}
	return ls
}

func value(l acoustic.Decibel, ok bool) acoustic.Decibel {
	if !ok {
		return acoustic.Decibel(math.NaN())
	}
	return l
}

// published names the rows of worked examples by how they are computed.
var published = map[string][]string{
	"sum":       {"SUM-1", "SUM-2", "SUM-3", "SUM-4", "SUM-9", "SUM-10", "SUM-11"},
	"equal":     {"SUM-5", "SUM-6", "SUM-7", "SUM-8"},
	"mean":      {"EQ-1", "EQ-2", "EQ-3", "EQ-4", "EM-1"},
	"minutes":   {"EQ-1", "EQ-5", "EQ-6"},
	"inSeconds": {"EQ-7"},
	"burst":     {"EQ-8"},
	"den":       {"DEN-1", "DEN-2", "DEN-3"},
	"highest":   {"ETM-1", "ETM-2", "ETM-3"},
	"dn":        {"DN-1", "DN-2", "DN-3", "DN-4"},
	"exposure":  {"SEL-1", "SEL-2"},
	"events":    {"SEL-3", "SEL-4", "SEL-5"},
	"onShare":   {"EQ-9"},
	"ofHours":   {"K-1", "K-2", "K-3", "K-4"},
}

func TestPublishedExamples(t *testing.T) {
	rows := examples(t)
	seconds := func(x float64) time.Duration { return time.Duration(x * float64(time.Second)) }
	sum := func(e example) acoustic.Decibel { return value(acoustic.EnergySum(e.Inputs.Levels)) }
	mean := func(e example) acoustic.Decibel { return value(acoustic.EnergyMean(e.Inputs.Levels)) }
	equal := func(e example) acoustic.Decibel {
		return value(acoustic.EnergySum(repeated(e.Inputs.Level, numbers(t, e.Inputs.N)[0])))
	}
	minutes := func(e example) acoustic.Decibel {
		return value(acoustic.EnergyMeanOver(e.Inputs.Levels, durations(e.Inputs.Minutes, time.Minute)))
	}
	inSeconds := func(e example) acoustic.Decibel {
		return value(acoustic.EnergyMeanOver(e.Inputs.Levels, durations(numbers(t, e.Inputs.Seconds), time.Second)))
	}
	den := func(e example) acoustic.Decibel {
		return acoustic.DayEveningNight(e.Inputs.Day, e.Inputs.Evening, e.Inputs.Night)
	}
	highest := func(e example) acoustic.Decibel {
		return named(t, "day_evening_night_highest").Rate([]acoustic.Decibel{e.Inputs.Day, e.Inputs.Evening, e.Inputs.Night})
	}
	dn := func(e example) acoustic.Decibel { return acoustic.DayNight(e.Inputs.Day, e.Inputs.Night) }
	exposure := func(e example) acoustic.Decibel {
		return acoustic.Exposure(e.Inputs.Level, seconds(numbers(t, e.Inputs.Seconds)[0]))
	}
	burst := func(e example) acoustic.Decibel {
		lae := acoustic.Exposure(e.Inputs.Level, seconds(numbers(t, e.Inputs.Seconds)[0]))
		return value(acoustic.OfExposures([]acoustic.Decibel{lae}, seconds(e.Inputs.TSeconds)))
	}
	events := func(e example) acoustic.Decibel {
		var all []acoustic.Decibel
		counts := numbers(t, e.Inputs.N)
		for i, sel := range numbers(t, e.Inputs.SELs) {
			all = append(all, repeated(acoustic.Decibel(sel), counts[i])...)
		}
		return value(acoustic.OfExposures(all, seconds(e.Inputs.TSeconds)))
	}
	onShare := func(e example) acoustic.Decibel { // a source of 0 dB that runs On hours of Of
		lae := acoustic.Exposure(0, seconds(3600*e.Inputs.On))
		return value(acoustic.OfExposures([]acoustic.Decibel{lae}, seconds(3600*e.Inputs.Of)))
	}
	ofHours := func(e example) acoustic.Decibel {
		return acoustic.Exposure(0, seconds(3600*numbers(t, e.Inputs.Hours)[0]))
	}
	for how, f := range map[string]func(example) acoustic.Decibel{
		"sum":       sum,
		"equal":     equal,
		"mean":      mean,
		"minutes":   minutes,
		"inSeconds": inSeconds,
		"burst":     burst,
		"den":       den,
		"highest":   highest,
		"dn":        dn,
		"exposure":  exposure,
		"events":    events,
		"onShare":   onShare,
		"ofHours":   ofHours,
	} {
		for _, id := range published[how] {
			e, ok := rows[id]
			if !ok {
				t.Fatalf("no row %s", id)
			}
			got := f(e)
			if e.Published != nil && !(math.Abs(float64(got-*e.Published)) <= float64(e.Tolerance)) {
				t.Errorf("%s = %.4f; printed %v ± %v (%s)", id, got, *e.Published, e.Tolerance, e.Source)
			}
			if c := e.Inputs.Constant; c != 0 {
				got += acoustic.FromRatio(24) - c // the source takes 13.8 for 10 lg 24
			}
			// The exact value is given to four decimals.
			if !(math.Abs(float64(got-e.Computed)) <= 0.00006) {
				t.Errorf("%s = %.5f; exact %v", id, got, e.Computed)
			}
		}
	}
}

// Every row is checked in this package, but for figures that nothing here makes.
func TestEveryExample(t *testing.T) {
	elsewhere := map[string]string{
		"OCT-1": "TestOverallFromBands", "OCT-1b": "TestOverallFromBands", "OCT-2": "TestOverallFromBands",
		"BG-1": "TestBackgroundCorrections", "BG-2": "TestBackgroundCorrections", "BG-3": "TestBackgroundCorrections", "BGJ-4": "TestBackgroundCorrections",
		"NC-1":  "no noise criterion curves: no reliable source of them",
		"NPL-1": "no noise pollution level",
	}
	for _, r := range published {
		for _, id := range r {
			elsewhere[id] = "TestPublishedExamples"
		}
	}
	for id := range examples(t) {
		if elsewhere[id] == "" {
			t.Errorf("row %s is not checked", id)
		}
	}
}

// The addition table of the Hong Kong EPD Technical Memorandum, Table 4, is the exact
// increment rounded to half a decibel at each half decibel of difference.
func TestAdditionTable(t *testing.T) {
	rows := table(t, "addition_table_hk.csv")
	for _, row := range rows[:len(rows)-1] {
		for d := number(t, row, "diff_from"); d <= number(t, row, "diff_to"); d += 0.5 {
			sum, _ := acoustic.EnergySum([]acoustic.Decibel{acoustic.Decibel(d), 0})
			if got, want := math.Round((float64(sum)-d)*2)/2, number(t, row, "add_to_higher_db"); got != want {
				t.Errorf("difference %v adds %v; printed %v", d, got, want)
			}
		}
	}
}

// Twice the sources are 10 lg 2 = 3.0103 dB more; order does not matter; sources k dB
// louder are k dB louder together; parts summed first give the same whole.
func TestSumProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		levels := rapid.SliceOfN(rapid.Map(rapid.IntRange(-5000, 20000), func(h int) acoustic.Decibel { return acoustic.Level(h).Decibel() }), 1, 40).Draw(t, "levels")
		k := acoustic.Decibel(rapid.IntRange(-300, 300).Draw(t, "k")) / 10
		cut := rapid.IntRange(0, len(levels)-1).Draw(t, "cut")
		near := func(what string, got, want acoustic.Decibel) {
			if !(math.Abs(float64(got-want)) < 1e-9) {
				t.Errorf("%s: %v; want %v", what, got, want)
			}
		}
		sum, _ := acoustic.EnergySum(levels)
		twice, _ := acoustic.EnergySum(slices.Concat(levels, levels))
		near("doubled", twice, sum+acoustic.Decibel(10*math.Log10(2)))
		turned := slices.Clone(levels)
		slices.Reverse(turned)
		back, _ := acoustic.EnergySum(turned)
		near("in reverse", back, sum)
		for i := range turned {
			turned[i] += k
		}
		shifted, _ := acoustic.EnergySum(turned)
		near("shifted", shifted, sum+k)
		whole, _ := acoustic.EnergySum(levels[cut:])
		if cut > 0 {
			first, _ := acoustic.EnergySum(levels[:cut])
			whole, _ = acoustic.EnergySum([]acoustic.Decibel{first, whole})
		}
		near("in parts", whole, sum)
	})
}

// The Italian law of D.Lgs. 194/2005 All. 1 has 14, 2 and 8 hours; an hourly day of our
// own and offsets of a constant level, computed by hand beside the formula.
func TestIndexOtherPeriods(t *testing.T) {
	const constant = 50
	for _, tt := range []struct {
		name    string
		periods []acoustic.Rated
		want    acoustic.Decibel
	}{
		{"12/4/8", []acoustic.Rated{{constant, 12, 0}, {constant, 4, 5}, {constant, 8, 10}}, constant + 6.3952},
		{"14/2/8", []acoustic.Rated{{constant, 14, 0}, {constant, 2, 5}, {constant, 8, 10}}, constant + 6.2120},
		{"15/9", []acoustic.Rated{{constant, 15, 0}, {constant, 9, 10}}, constant + 6.4098},
		// California 21 CCR 5001 triples the evening's energy (factor: memory); ASA term 3.20 adds 5 dB.
		{"evening tripled", []acoustic.Rated{{constant, 12, 0}, {constant, 3, acoustic.FromRatio(3)}, {constant, 9, 10}}, constant + 6.6511},
		{"evening + 5 dB", []acoustic.Rated{{constant, 12, 0}, {constant, 3, 5}, {constant, 9, 10}}, constant + 6.6701},
	} {
		if got, ok := acoustic.Index(tt.periods...); !ok || math.Abs(float64(got-tt.want)) > 0.00006 {
			t.Errorf("%s: Index = %.5f, %v; want %v", tt.name, got, ok, tt.want)
		}
	}
	if _, ok := acoustic.Index(); ok {
		t.Error("Index of nothing is ok")
	}
}

func TestNothingHasNoMean(t *testing.T) {
	if _, ok := acoustic.EnergySum(nil); ok {
		t.Error("EnergySum(nil) is ok")
	}
	if _, ok := acoustic.EnergyMean(nil); ok {
		t.Error("EnergyMean(nil) is ok")
	}
	if _, ok := acoustic.EnergyMeanOver([]acoustic.Decibel{50}, []time.Duration{0}); ok {
		t.Error("EnergyMeanOver no time is ok")
	}
	if _, ok := acoustic.OfExposures(nil, time.Hour); ok {
		t.Error("OfExposures(nil) is ok")
	}
	if _, ok := (acoustic.Energy{}).Mean(3); ok {
		t.Error("Energy{}.Mean is ok")
	}
}

// n^1000 is compared with (10^L·2^40000) in whole numbers, so that each entry is
// shown to be the nearest whole number without any logarithm.
func TestEnergyOfIsNearest(t *testing.T) {
	for _, l := range []acoustic.Level{acoustic.MinLevel, -4999, -1, 0, 1, 5, 301, 1000, 5123, 9400, 13690, 17777, acoustic.MaxLevel} {
		e := acoustic.EnergyOf(l)
		n := new(big.Int).Or(new(big.Int).Lsh(new(big.Int).SetUint64(e.Hi), 64), new(big.Int).SetUint64(e.Lo))
		// (2n−1)^1000 ≤ 2^1000·10^L·2^40000 ≤ (2n+1)^1000, L in thousandths of a decade.
		power := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(l)+5000), nil) // times 10^5000 to stay whole
		power.Lsh(power, 41000)
		side := func(d int64) *big.Int {
			x := new(big.Int).Lsh(n, 1)
			x.Add(x, big.NewInt(d)).Exp(x, big.NewInt(1000), nil)
			return x.Mul(x, new(big.Int).Exp(big.NewInt(10), big.NewInt(5000), nil))
		}
		if side(-1).Cmp(power) > 0 || side(1).Cmp(power) < 0 {
			t.Errorf("EnergyOf(%v) = %v is not the nearest whole number", l, e)
		}
	}
}

// math.Pow is an independent way to the same ratios. Its exponent, up to 20, is rounded
// to 2^-53 of itself, which moves the power by 20·ln 10·2^-53 = 5·10^-15 of itself.
func TestEnergyOfAgainstPow(t *testing.T) {
	for l := acoustic.MinLevel; l <= acoustic.MaxLevel; l++ {
		want := math.Pow(10, float64(l)/1000)
		tolerance := math.Ldexp(1, -41) + want*6e-15
		if got := acoustic.EnergyOf(l).Ratio(); math.Abs(got-want) > tolerance {
			t.Fatalf("EnergyOf(%v) = %v; want %v", l, got, want)
		}
	}
}

// Sums and products are those of whole numbers of any size, held at 2^128 − 1.
func TestEnergyArithmetic(t *testing.T) {
	whole := func(e acoustic.Energy) *big.Int {
		return new(big.Int).Add(new(big.Int).Lsh(new(big.Int).SetUint64(e.Hi), 64), new(big.Int).SetUint64(e.Lo))
	}
	top := new(big.Int).Sub(new(big.Int).Lsh(big.NewInt(1), 128), big.NewInt(1))
	held := func(x *big.Int) *big.Int {
		if x.Cmp(top) > 0 {
			return top
		}
		return x
	}
	r := rand.New(rand.NewPCG(3, 4))
	for range 20_000 {
		a := acoustic.Energy{Hi: r.Uint64() >> r.IntN(65), Lo: r.Uint64() >> r.IntN(65)}
		b := acoustic.Energy{Hi: r.Uint64() >> r.IntN(65), Lo: r.Uint64() >> r.IntN(65)}
		n := r.Uint64() >> r.IntN(65)
		if got, want := whole(a.Plus(b)), held(new(big.Int).Add(whole(a), whole(b))); got.Cmp(want) != 0 {
			t.Fatalf("%v.Plus(%v) = %v; want %v", a, b, got, want)
		}
		if got, want := whole(a.Times(n)), held(new(big.Int).Mul(whole(a), new(big.Int).SetUint64(n))); got.Cmp(want) != 0 {
			t.Fatalf("%v.Times(%d) = %v; want %v", a, n, got, want)
		}
		exact, _ := new(big.Float).SetMantExp(new(big.Float).SetInt(whole(a)), -40).Float64()
		if got := a.Ratio(); math.Abs(got-exact) > math.Nextafter(exact, math.Inf(1))-exact {
			t.Fatalf("%v.Ratio() = %v; want %v", a, got, exact)
		}
	}
}

// The mean of equal samples is their level; raised by k dB they give k dB more.
func TestEnergyMeanOfEquals(t *testing.T) {
	for l := acoustic.Level(0); l <= 14000; l += 137 {
		got, ok := acoustic.EnergyOf(l).Times(86400).Mean(86400)
		if !ok || math.Abs(float64(got-l.Decibel())) > 1e-9 {
			t.Errorf("mean of samples at %v = %v, %v", l, got, ok)
		}
	}
}

func TestLevelOf(t *testing.T) {
	for _, tt := range []struct {
		d    acoustic.Decibel
		want acoustic.Level
		ok   bool
	}{
		{51.2, 5120, true},
		{0.07, 7, true},
		{-0.01, -1, true},
		{200, 20000, true},
		{-50, -5000, true},
		{199.99, 19999, true},
		{51.234, 0, false},
		{200.01, 0, false},
		{-50.01, 0, false},
		{acoustic.Decibel(math.NaN()), 0, false},
		{acoustic.Decibel(math.Inf(1)), 0, false},
		{acoustic.Decibel(math.Inf(-1)), 0, false},
	} {
		if got, ok := acoustic.LevelOf(tt.d); ok != tt.ok || got != tt.want {
			t.Errorf("LevelOf(%v) = %v, %v; want %v, %v", tt.d, got, ok, tt.want, tt.ok)
		}
	}
	for l := acoustic.MinLevel; l <= acoustic.MaxLevel; l++ {
		if got, ok := acoustic.LevelOf(l.Decibel()); !ok || got != l {
			t.Fatalf("LevelOf(%v.Decibel()) = %v, %v", l, got, ok)
		}
	}
}
