package summary_test

import (
	"math"
	"testing"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
)

func exposures(bound summary.Bound, levels ...acoustic.Decibel) []summary.Figure {
	var all []summary.Figure
	for _, l := range levels {
		all = append(all, summary.Figure{Symbol: "LAE", Level: &l, Basis: summary.Integrated, Bound: bound})
	}
	return all
}

func TestSumExposures(t *testing.T) {
	t.Parallel()
	many := func(n int, l acoustic.Decibel) (ls []acoustic.Decibel) {
		for range n {
			ls = append(ls, l)
		}
		return ls
	}
	mixed := append(exposures(summary.Lower, 80), exposures(summary.Upper, 80)...)
	beyond := append(exposures("", 80), summary.Figure{Symbol: "LAE", Below: new(acoustic.Decibel(30))})
	const day = 24 * time.Hour
	tests := []struct {
		name    string
		of      []summary.Figure
		events  int
		rating  time.Duration
		over    acoustic.Decibel // NaN: none
		bound   summary.Bound
		counted int
	}{
		// Inputs read in a textbook reprint, ch. 6, examples 6.6 and 6.7; results derived.
		{"500 of 105 in 8 h", exposures("", many(500, 105)...), 500, 8 * time.Hour, 87.3958, "", 500},
		{"2,000 of 80 and 18,000 of 65 in 24 h", append(exposures("", many(2000, 80)...), exposures("", many(18000, 65)...)...), 20000, day, 64.7329, "", 20000},
		// 1 h is 35.563 dB: Leq(h) = SEL + 10 lg V − 35.6 (FTA, read second-hand).
		{"one in an hour", exposures("", 80), 1, time.Hour, 80 - 35.5630, "", 1},
		{"one of two not known", exposures("", 80), 2, time.Hour, 80 - 35.5630, summary.Lower, 1},
		{"lower bounds", exposures(summary.Lower, 80), 1, time.Hour, 80 - 35.5630, summary.Lower, 1},
		{"upper bounds", exposures(summary.Upper, 80), 1, time.Hour, 80 - 35.5630, summary.Upper, 1},
		{"an upper bound, one not known", exposures(summary.Upper, 80), 2, time.Hour, acoustic.Decibel(math.NaN()), "", 1},
		{"bounds both ways", mixed, 2, time.Hour, acoustic.Decibel(math.NaN()), "", 2},
		{"beyond the range", beyond, 2, time.Hour, acoustic.Decibel(math.NaN()), "", 1},
		{"no rating time", exposures("", 80), 1, 0, acoustic.Decibel(math.NaN()), "", 1},
		{"none known", nil, 3, time.Hour, acoustic.Decibel(math.NaN()), "", 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got := summary.SumExposures(tt.of, tt.events, tt.rating, "LAeq")
			if got.Counted != tt.counted || got.Events != tt.events {
				t.Errorf("%d of %d counted; want %d of %d", got.Counted, got.Events, tt.counted, tt.events)
			}
			if math.IsNaN(float64(tt.over)) {
				if got.Over != nil || got.Reason == "" && tt.rating > 0 {
					t.Errorf("%v, %q; want none with a reason", got.Over, got.Reason)
				}
				return
			}
			if got.Over == nil || math.Abs(float64(*got.Over.Level-tt.over)) > 6e-5 || got.Over.Bound != tt.bound || got.Over.Symbol != "LAeq" || (got.Reason == "") != (got.Counted == tt.events) {
				t.Errorf("%+v; want %v %s", got, tt.over, tt.bound)
			}
			if sum := got.Sum; math.Abs(float64(*sum.Level-acoustic.FromRatio(tt.rating.Seconds())-tt.over)) > 6e-5 || sum.Symbol != "LAE" {
				t.Errorf("sum = %+v", sum)
			}
		})
	}
	mean := summary.SumExposures(exposures("", 60, 70), 3, 0, "LAeq").Mean
	if math.Abs(float64(*mean.Level)-67.403627) > 1e-6 || mean.Bound != "" { // 10 lg((10^6 + 10^7)/2), of those counted
		t.Errorf("mean = %+v", mean)
	}
}

// Readings of sound exposure levels add up to what they add up to one by one.
func TestExposureReadings(t *testing.T) {
	t.Parallel()
	var tally, more series.Tally
	levels := []acoustic.Level{81_25, 79_50, 90_10}
	for _, l := range levels[:2] {
		tally.Add(l)
	}
	more.Add(levels[2])
	more.Add(series.OverRange)
	of, events := summary.ExposureReadings(series.Answer{Tallies: []series.Tally{tally, more}})
	got := summary.SumExposures(of, events, time.Hour, "LAeq")
	want := acoustic.FromRatio(math.Pow(10, 8.125) + math.Pow(10, 7.95) + math.Pow(10, 9.01))
	if events != 4 || got.Counted != 3 || math.Abs(float64(*got.Sum.Level-want)) > 1e-9 || got.Sum.Bound != summary.Lower {
		t.Errorf("%d events, sum %v; want 4, of which 3 make at least %v", events, *got.Sum.Level, want)
	}
}
