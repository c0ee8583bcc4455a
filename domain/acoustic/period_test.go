package acoustic_test

import (
	"errors"
	"math"
	"testing"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/fault"
)

func named(t *testing.T, name string) acoustic.PeriodSet {
	t.Helper()
	s, ok := acoustic.PeriodSetNamed(name)
	if !ok {
		t.Fatalf("no period set %q", name)
	}
	return s
}

func TestPeriodSetRate(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name, set string
		levels    []acoustic.Decibel
		want      float64
		tolerance float64
	}{
		// RIVM (Netherlands), worked examples of Lden, printed to one decimal.
		{"RIVM 1", "day_evening_night", []acoustic.Decibel{48, 46, 36}, 48.2, 0.05},
		{"RIVM 2", "day_evening_night", []acoustic.Decibel{50, 46, 40}, 50.2, 0.05},
		{"RIVM 3", "day_evening_night", []acoustic.Decibel{50, 45, 40}, 50, 0.005},
		// D. R. Raichel, The Science and Applications of Acoustics, example 9, printed as a whole number.
		{"Raichel 9", "day_night", []acoustic.Decibel{82, 76}, 84, 0.5},
		// An engineers' web handbook, page on Ldn, one decimal.
		{"handbook", "day_night", []acoustic.Decibel{70, 50}, 68.2, 0.05},
		// Environmental assessment quoting the US transit authority's formula of 2006, constant 13.8.
		{"transit", "day_night", []acoustic.Decibel{55, 54.6}, 61.1, 0.05},
		// A constant level raised by the penalties alone; derived from the definitions, not published.
		{"constant Lden", "day_evening_night", []acoustic.Decibel{60, 60, 60}, 66.3952, 5e-5},
		{"constant Ldn", "day_night", []acoustic.Decibel{60, 60}, 66.4098, 5e-5},
		{"constant Lden 14/2/8", "day_evening_night_06_20_22", []acoustic.Decibel{60, 60, 60}, 66.2120, 5e-5},
		{"constant CNEL, energy times 3", "cnel_times_3", []acoustic.Decibel{60, 60, 60}, 66.6511, 5e-5},
		{"constant CNEL, 5 dB", "cnel_5_db", []acoustic.Decibel{60, 60, 60}, 66.6701, 5e-5},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			got := named(t, tt.set).Rate(tt.levels)
			if !(math.Abs(float64(got)-tt.want) <= tt.tolerance) {
				t.Errorf("Rate(%v) = %v; want %v within %v", tt.levels, got, tt.want, tt.tolerance)
			}
		})
	}
}

func TestPeriodSetAt(t *testing.T) {
	t.Parallel()
	// Directive 2002/49/EC, Annex I: day 07-19, evening 19-23, night 23-07.
	s := named(t, "day_evening_night")
	for minute, want := range map[int]int{0: 2, 6*60 + 59: 2, 7 * 60: 0, 19*60 - 1: 0, 19 * 60: 1, 23 * 60: 2, 24*60 - 1: 2} {
		if got := s.At(minute); got != want {
			t.Errorf("At(%d) = %d; want %d", minute, got, want)
		}
	}
	quiet := acoustic.PeriodSet{Periods: []acoustic.Period{{Symbol: "Lrest", From: 13 * 60, To: 15 * 60}}}
	if got := quiet.At(15 * 60); got != -1 {
		t.Errorf("At(15:00) = %d; want -1 outside all periods", got)
	}
}

func TestPeriodSetValidate(t *testing.T) {
	t.Parallel()
	for _, name := range acoustic.PeriodSetNames() {
		if err := named(t, name).Validate(); err != nil {
			t.Errorf("Validate(%s) = %v", name, err)
		}
	}
	tests := []struct {
		name string
		set  acoustic.PeriodSet
		path string
	}{
		{"no name", acoustic.PeriodSet{Periods: []acoustic.Period{{Symbol: "L", From: 0, To: 0}}}, "name"},
		{"no periods", acoustic.PeriodSet{Name: "n"}, "periods"},
		{"beyond the day", acoustic.PeriodSet{Name: "n", Periods: []acoustic.Period{{Symbol: "L", From: 0, To: 1440}}}, "periods/0"},
		{"overlap", acoustic.PeriodSet{Name: "n", Periods: []acoustic.Period{{Symbol: "L", From: 420, To: 1320}, {Symbol: "M", From: 1200, To: 420}}}, "periods"},
		{"gap in an index", acoustic.PeriodSet{Name: "n", Index: "I", Periods: []acoustic.Period{{Symbol: "L", From: 420, To: 1140}, {Symbol: "M", From: 1200, To: 420}}}, "periods"},
		{"end missing in an index", acoustic.PeriodSet{Name: "n", Index: "I", Periods: []acoustic.Period{{Symbol: "L", From: 420, To: 1140}}}, "periods"},
		{"no symbol", acoustic.PeriodSet{Name: "n", Periods: []acoustic.Period{{From: 0, To: 60}}}, "periods/0/symbol"},
	}
	for _, tt := range tests {
		e, ok := errors.AsType[*fault.Error](tt.set.Validate())
		if !ok || len(e.Fields) != 1 || e.Fields[0].Path != tt.path {
			t.Errorf("%s: Validate() = %v; want one field, %s", tt.name, tt.set.Validate(), tt.path)
		}
	}
}

// Sensitivities are the derivatives of the index by each level.
func TestPeriodSetSensitivities(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		set    string
		levels []acoustic.Decibel
	}{
		{"day_evening_night", []acoustic.Decibel{55, 52, 49}},
		{"day_evening_night", []acoustic.Decibel{40, 60, 30}},
		{"day_night", []acoustic.Decibel{82, 76}},
		{"day_evening_night_highest", []acoustic.Decibel{48, 46, 36}},
		{"cnel_times_3", []acoustic.Decibel{60, 61, 62}},
	} {
		set := named(t, tt.set)
		got := set.Sensitivities(tt.levels)
		for i := range tt.levels {
			const h = 1e-5
			up, down := append([]acoustic.Decibel{}, tt.levels...), append([]acoustic.Decibel{}, tt.levels...)
			up[i], down[i] = up[i]+h, down[i]-h
			if want := float64(set.Rate(up)-set.Rate(down)) / (2 * h); math.Abs(got[i]-want) > 1e-6 {
				t.Errorf("%s of %v by the level of %d = %v; want %v", tt.set, tt.levels, i, got[i], want)
			}
		}
	}
}

// A period that ends when it begins is the whole day.
func TestPeriodMinutes(t *testing.T) {
	t.Parallel()
	for want, p := range map[int]acoustic.Period{
		1440: {From: 7 * 60, To: 7 * 60},
		480:  {From: 23 * 60, To: 7 * 60},
		720:  {From: 7 * 60, To: 19 * 60},
		1:    {From: 1439, To: 0},
	} {
		if got := p.Minutes(); got != want {
			t.Errorf("from %d to %d = %d minutes; want %d", p.From, p.To, got, want)
		}
	}
}
