package assessment_test

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/assessment"
	"leveltrail/domain/calibration"
	"leveltrail/domain/caution"
	"leveltrail/domain/fault"
	"leveltrail/domain/summary"
)

// night is a limit of 45 dB for the night in the free field.
func night(change func(*assessment.Limit)) assessment.Limit {
	l := assessment.Limit{Symbol: "Lnight", LevelDB: 45_00, Source: "invented"}.Defaults()
	if change != nil {
		change(&l)
	}
	return l
}

// at is an integrated result in the free field whose verdict stands.
func at(level acoustic.Decibel, change func(*assessment.Result)) assessment.Result {
	r := assessment.Result{
		Figure:  summary.Figure{Symbol: "Lnight", Level: &level, Basis: summary.Integrated},
		Setting: assessment.FreeField,
		Verdict: calibration.Valid,
	}
	if change != nil {
		change(&r)
	}
	return r
}

func known(u acoustic.Decibel) func(*assessment.Result) {
	return func(r *assessment.Result) { r.Uncertainty = &assessment.Uncertainty{Standard: u, Expanded: 2 * u} }
}

func TestOutcomes(t *testing.T) {
	t.Parallel()
	rule := func(r assessment.Rule) assessment.Limit {
		return night(func(l *assessment.Limit) { l.Rule = r })
	}
	bound := func(b summary.Bound) func(*assessment.Result) {
		return func(r *assessment.Result) { r.Figure.Bound = b }
	}
	verdict := func(o calibration.Outcome, unusable acoustic.Decibel) func(*assessment.Result) {
		return func(r *assessment.Result) {
			r.Verdict = o
			r.Unusable = &summary.Figure{Symbol: "Lnight", Level: &unusable, Basis: summary.Integrated}
			r.Missing = "no samples"
		}
	}
	tests := []struct {
		name   string
		limit  assessment.Limit
		result assessment.Result
		want   assessment.Outcome
		reason string
	}{
		{"below", night(nil), at(44.99, nil), assessment.Below, ""},
		{"at the limit", night(nil), at(45, nil), assessment.Below, ""},
		{"at the limit, which counts", night(func(l *assessment.Limit) { l.Compare = assessment.GreaterOrEqual }), at(45, nil), assessment.Exceeded, ""},
		{"a hair above is at it", night(nil), at(45.004, nil), assessment.Below, ""},
		{"above", night(nil), at(45.01, nil), assessment.Exceeded, ""},

		{"lower bound above", night(nil), at(46, bound(summary.Lower)), assessment.Exceeded, ""},
		{"lower bound below", night(nil), at(44, bound(summary.Lower)), assessment.NotDecided, "lower bound"},
		{"upper bound below", night(nil), at(44, bound(summary.Upper)), assessment.Below, ""},
		{"upper bound above", night(nil), at(46, bound(summary.Upper)), assessment.NotDecided, "upper bound"},
		{"both ends above", night(nil), at(46, func(r *assessment.Result) {
			r.Figure.Bound, r.Figure.Lowest = summary.Upper, new(acoustic.Decibel(45.5))
		}), assessment.Exceeded, ""},
		{"below the range", night(nil), at(0, func(r *assessment.Result) {
			r.Figure.Level, r.Figure.Below = nil, new(acoustic.Decibel(30))
		}), assessment.Below, ""},
		{"above the range", night(nil), at(0, func(r *assessment.Result) {
			r.Figure.Level, r.Figure.Above = nil, new(acoustic.Decibel(130))
		}), assessment.Exceeded, ""},

		{"guarded, well below", rule(assessment.GuardedLow), at(43, known(1)), assessment.Below, ""},
		{"guarded, just below", rule(assessment.GuardedLow), at(43.5, known(1)), assessment.NotDecided, "uncertainty of 2.0 dB"},
		{"guarded low, just above", rule(assessment.GuardedLow), at(45.5, known(1)), assessment.Exceeded, ""},
		{"guarded high, just above", rule(assessment.GuardedHigh), at(46.5, known(1)), assessment.NotDecided, "uncertainty of 2.0 dB"},
		{"guarded high, well above", rule(assessment.GuardedHigh), at(47.5, known(1)), assessment.Exceeded, ""},
		{"guarded high, just below", rule(assessment.GuardedHigh), at(44.5, known(1)), assessment.Below, ""},
		{"guarded without uncertainty", rule(assessment.GuardedLow), at(20, nil), assessment.NotDecided, "needs the uncertainty"},
		{"more probably above", rule(assessment.Probability), at(45.1, known(1)), assessment.Exceeded, ""},
		{"5 % allowed", night(func(l *assessment.Limit) { l.Rule, l.AllowedChance = assessment.Probability, 0.05 }), at(43.5, known(1)), assessment.Exceeded, ""},
		{"below 5 %", night(func(l *assessment.Limit) { l.Rule, l.AllowedChance = assessment.Probability, 0.05 }), at(43.3, known(1)), assessment.Below, ""},

		{"near a façade", night(nil), at(44, func(r *assessment.Result) { r.Setting = assessment.NearFacade }), assessment.NotDecided, "façade correction"},
		{"setting unknown", night(nil), at(44, func(r *assessment.Result) { r.Setting = "" }), assessment.NotDecided, "not stated"},
		{"corrected for the façade", night(nil), at(47, func(r *assessment.Result) {
			r.Setting, r.Facade = assessment.NearFacade, &assessment.Facade{Correction: -3, Uncertainty: 1, Source: "invented"}
		}), assessment.Below, ""},
		{"a correction without source", night(nil), at(47, func(r *assessment.Result) {
			r.Setting, r.Facade = assessment.NearFacade, &assessment.Facade{Correction: -3}
		}), assessment.NotDecided, "no source"},

		{"yearly, nobody says so", night(func(l *assessment.Limit) { l.Yearly = true }), at(40, nil), assessment.NotDecided, "year"},
		{"yearly above, nobody says so", night(func(l *assessment.Limit) { l.Yearly = true }), at(50, nil), assessment.NotDecided, "year"},
		{"yearly, justified", night(func(l *assessment.Limit) { l.Yearly = true }), at(40, func(r *assessment.Result) { r.YearlyWhy = "52 weeks" }), assessment.Below, "52 weeks"},

		{"not valid and below", night(nil), at(0, verdict(calibration.NotValid, 40)), assessment.NotValid, "verdict"},
		{"not valid and above", night(nil), at(0, verdict(calibration.NotValid, 46)), assessment.IndicatesExceedance, "measure again"},
		{"not valid and at it", night(nil), at(0, verdict(calibration.NotValid, 45)), assessment.IndicatesExceedance, "measure again"},
		{"undetermined and below", night(nil), at(0, verdict(calibration.Undetermined, 40)), assessment.NotDecided, "owed"},
		{"undetermined and above", night(nil), at(0, verdict(calibration.Undetermined, 46)), assessment.IndicatesExceedance, "measure again"},
		{"not valid and at most above", night(nil), at(0, func(r *assessment.Result) {
			verdict(calibration.NotValid, 46)(r)
			r.Unusable.Bound = summary.Upper
		}), assessment.NotValid, "verdict"},
		{"valid in part", night(nil), at(46, func(r *assessment.Result) { r.Verdict = calibration.ValidInPart }), assessment.Exceeded, ""},
		{"no figure", night(nil), at(0, func(r *assessment.Result) { r.Missing = "hour 06-07 not represented" }), assessment.NotDecided, "06-07"},
		{"not valid, no figure", night(nil), at(0, func(r *assessment.Result) { r.Verdict, r.Missing = calibration.NotValid, "no samples" }), assessment.NotValid, "no samples"},

		{"relative to background", night(func(l *assessment.Limit) { l.LevelDB, l.Relative = 5_00, "LAF90" }), at(44, func(r *assessment.Result) {
			r.Reference = &summary.Figure{Symbol: "LAF90", Level: new(acoustic.Decibel(38))}
		}), assessment.Exceeded, ""},
		{"no background", night(func(l *assessment.Limit) { l.LevelDB, l.Relative = 5_00, "LAF90" }), at(44, nil), assessment.NotDecided, "LAF90"},
		{"background below the range", night(func(l *assessment.Limit) { l.LevelDB, l.Relative = 5_00, "LAF90" }), at(44, func(r *assessment.Result) {
			r.Reference = &summary.Figure{Symbol: "LAF90", Below: new(acoustic.Decibel(30))}
		}), assessment.NotDecided, "range"},
	}
	for _, tt := range tests {
		a := assessment.Assess(tt.limit, tt.result)
		if a.Outcome != tt.want || !strings.Contains(a.Reason, tt.reason) || (tt.reason == "") != (a.Reason == "") {
			t.Errorf("%s: %s, %q; want %s, %q", tt.name, a.Outcome, a.Reason, tt.want, tt.reason)
		}
		if !slices.Contains(a.Cautions, caution.LawDecides) {
			t.Errorf("%s: no caution about the law in %v", tt.name, a.Cautions)
		}
		if got := slices.Contains(a.Cautions, caution.ProtectNow); got != (tt.want == assessment.IndicatesExceedance) {
			t.Errorf("%s: caution to protect now: %v", tt.name, got)
		}
	}
}

// Rounding rules: whole decibels, halves up (Hong Kong EPD Technical Memorandum, annex
// D.3.3, read); to 0.5 dB (Italy, DPCM 1 March 1991, annex B no 3, read); always up to
// whole decibels (Germany, 16. BImSchV, annex 2 no 8.2.2, read). Add 0.5 and cut (Spain,
// RD 1367/2007, memory) is the first.
func TestRounding(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		l                acoustic.Decibel
		whole, half, ups acoustic.Decibel
	}{
		{44.49, 44, 44.5, 45},
		{44.50, 45, 44.5, 45},
		{44.25, 44, 44.5, 45},
		{44.24, 44, 44, 45},
		{44.75, 45, 45, 45},
		{45, 45, 45, 45},
		{45.01, 45, 45, 46},
		{44.495, 45, 44.5, 45},
		{-0.5, 0, -0.5, 0},
		{-0.51, -1, -0.5, 0},
		{-0.2, 0, 0, 0},
	} {
		for rounding, want := range map[assessment.Rounding]acoustic.Decibel{
			assessment.HalfUp1: tt.whole, assessment.HalfUp05: tt.half, assessment.Up1: tt.ups, assessment.NoRounding: tt.l,
		} {
			if got := rounding.Apply(tt.l); got != want {
				t.Errorf("%s of %v = %v; want %v", rounding, tt.l, got, want)
			}
		}
	}
	l := night(func(l *assessment.Limit) { l.Rounding = assessment.Up1 })
	a := assessment.Assess(l, at(45.01, nil))
	if a.Outcome != assessment.Exceeded || *a.Level != 46 || *a.Unrounded != 45.01 || a.Limit.Rounding != assessment.Up1 {
		t.Errorf("rounded up: %+v", a)
	}
	if a := assessment.Assess(night(func(l *assessment.Limit) { l.Rounding = assessment.HalfUp1 }), at(45.49, nil)); a.Outcome != assessment.Below {
		t.Errorf("45.49 rounded to whole decibels: %s; want below", a.Outcome)
	}
}

// JCGM 106:2012, conformance probability Φ((TU−y)/u) − Φ((TL−y)/u), for ±0.25 dB and
// u = 0.05 dB: values computed for this project by another program, to four decimals.
func TestConformance(t *testing.T) {
	t.Parallel()
	for y, want := range map[float64]float64{0: 1, 0.10: 0.9987, 0.15: 0.9772, 0.20: 0.8413, 0.25: 0.5, 0.28: 0.2743, 0.35: 0.0228, 0.36: 0.0139} {
		if p := assessment.ConformanceProbability(y, -0.25, 0.25, 0.05); math.Abs(p-want) > 6e-5 {
			t.Errorf("p(%v) = %v; want %v", y, p, want)
		}
		if p := 1 - assessment.ExceedanceProbability(acoustic.Decibel(y), 0.25, 0.05); math.Abs(p-want) > 6e-5 {
			t.Errorf("1 − p(%v > 0.25) = %v; want %v", y, p, want)
		}
	}
	// Drift of 0.45 with u = 0.1 against ±0.5: 0.69, and 84.6 with u = 1.6 above 85: 40 %.
	if p := assessment.ConformanceProbability(0.45, -0.5, 0.5, 0.1); math.Abs(p-0.69) > 0.005 {
		t.Errorf("drift: %v; want 0.69", p)
	}
	if p := assessment.ExceedanceProbability(84.6, 85, 1.6); math.Abs(p-0.40) > 0.005 {
		t.Errorf("84.6: %v; want 0.40", p)
	}
	for d, want := range map[acoustic.Decibel]float64{-0.1: 0, 0: 0.5, 0.1: 1} {
		if p := assessment.ExceedanceProbability(45+d, 45, 0); p != want {
			t.Errorf("without uncertainty, %v beside the limit: %v; want %v", d, p, want)
		}
	}
}

// A louder result is never nearer to being below, under no rule; probability rises.
func TestLouderIsNoBetter(t *testing.T) {
	t.Parallel()
	order := map[assessment.Outcome]int{assessment.Below: 0, assessment.NotDecided: 1, assessment.Exceeded: 2}
	rapid.Check(t, func(t *rapid.T) {
		l := night(func(l *assessment.Limit) {
			l.Rule = rapid.SampledFrom([]assessment.Rule{assessment.Simple, assessment.GuardedLow, assessment.GuardedHigh, assessment.Probability}).Draw(t, "rule")
			l.Rounding = rapid.SampledFrom([]assessment.Rounding{assessment.NoRounding, assessment.HalfUp1, assessment.HalfUp05, assessment.Up1}).Draw(t, "rounding")
			l.Compare = rapid.SampledFrom([]assessment.Compare{assessment.Greater, assessment.GreaterOrEqual}).Draw(t, "compare")
		})
		u := acoustic.Decibel(rapid.IntRange(1, 300).Draw(t, "u")) / 100
		low := acoustic.Decibel(rapid.IntRange(4000, 5000).Draw(t, "low")) / 100
		high := low + acoustic.Decibel(rapid.IntRange(0, 500).Draw(t, "more"))/100
		a, b := assessment.Assess(l, at(low, known(u))), assessment.Assess(l, at(high, known(u)))
		if order[a.Outcome] > order[b.Outcome] || *a.Probability > *b.Probability {
			t.Fatalf("%v: %s, %v; %v: %s, %v", low, a.Outcome, *a.Probability, high, b.Outcome, *b.Probability)
		}
	})
}

func TestFacadeUncertainty(t *testing.T) {
	t.Parallel()
	l := night(func(l *assessment.Limit) { l.Rule = assessment.GuardedLow })
	r := at(46, known(0.6))
	r.Setting, r.Facade = assessment.NearFacade, &assessment.Facade{Correction: -3, Uncertainty: 0.8, Source: "invented"}
	a := assessment.Assess(l, r) // 43 with u = √(0.6² + 0.8²) = 1, U = 2: at the limit with it
	if a.Outcome != assessment.Below || math.Abs(*a.Probability-0.02275) > 1e-5 || a.Facade == nil {
		t.Errorf("%+v", a)
	}
	if *r.Figure.Level != 46 {
		t.Error("the level measured was altered")
	}
	// About 3 dB from 0.5 m to 2 m, 5.7 dB flush: memory of ISO 1996-2 annex B.
	for setting, want := range map[assessment.Setting]acoustic.Decibel{assessment.NearFacade: -3, assessment.FacadeFlush: -5.7} {
		if f, ok := assessment.TypicalFacade(setting); !ok || f.Correction != want || f.Source == "" {
			t.Errorf("%s: %+v, %v", setting, f, ok)
		}
	}
	if _, ok := assessment.TypicalFacade(assessment.Indoors); ok {
		t.Error("indoors has a façade correction")
	}
}

func TestCautionsOfSamples(t *testing.T) {
	t.Parallel()
	r := at(44, func(r *assessment.Result) {
		r.Figure.Basis, r.Days = summary.Sampled, summary.Reference{Days: 3, Nights: 2}
	})
	a := assessment.Assess(night(nil), r)
	if !slices.Contains(a.Cautions, caution.NotForCompliance) || !slices.Contains(a.Cautions, caution.Days(3, 2)) {
		t.Errorf("cautions %v", a.Cautions)
	}
	if a := assessment.Assess(night(nil), at(44, nil)); slices.Contains(a.Cautions, caution.NotForCompliance) {
		t.Error("an integrated level is called an estimate")
	}
}

func TestNthHighest(t *testing.T) {
	t.Parallel()
	minute := func(m int) time.Time { return time.Date(2026, 3, 2, 23, m, 0, 0, time.UTC) }
	maxima := []assessment.Maximum{{minute(1), 60_00}, {minute(2), 62_00}, {minute(10), 61_00}, {minute(12), 58_00}, {minute(20), 59_00}}
	for _, tt := range []struct {
		n          int
		separation time.Duration
		want       acoustic.Level
		ok         bool
	}{
		{1, 0, 62_00, true},
		{2, 0, 61_00, true},
		{3, 0, 60_00, true},
		{5, 0, 58_00, true},
		{6, 0, 0, false},
		{2, 5 * time.Minute, 61_00, true},
		{3, 5 * time.Minute, 59_00, true},
		{4, 5 * time.Minute, 0, false},
		{3, time.Minute, 60_00, true}, // exactly a minute away is away
		{0, 0, 0, false},
	} {
		if got, ok := assessment.NthHighest(maxima, tt.n, tt.separation); got != tt.want || ok != tt.ok {
			t.Errorf("%d-th highest, %v apart = %v, %v; want %v, %v", tt.n, tt.separation, got, ok, tt.want, tt.ok)
		}
	}
	l := assessment.Limit{Symbol: "LAFmax", LevelDB: 59_50, Nth: 3, SeparationUS: (5 * time.Minute).Microseconds(), Source: "invented"}.Defaults()
	held := at(0, func(r *assessment.Result) { r.Figure = summary.Figure{Symbol: "LAFmax", Basis: summary.Instrument} })
	if a := assessment.AssessCount(l, maxima, held); a.Outcome != assessment.Below || *a.Level != 59 {
		t.Errorf("third highest: %+v", a)
	}
	l.LevelDB = 58_00
	if a := assessment.AssessCount(l, maxima, held); a.Outcome != assessment.Exceeded {
		t.Errorf("third highest against 58: %+v", a)
	}
	l.Nth = 10
	if a := assessment.AssessCount(l, maxima, held); a.Outcome != assessment.Below || !strings.Contains(a.Reason, "fewer than 10") {
		t.Errorf("tenth of three: %+v", a)
	}
	if a := assessment.AssessCount(l, nil, held); a.Outcome != assessment.Below {
		t.Errorf("tenth of none: %+v", a)
	}
	held.Figure.Bound, held.Figure.Basis = summary.Lower, summary.Sampled
	if a := assessment.AssessCount(l, maxima, held); a.Outcome != assessment.NotDecided {
		t.Errorf("tenth of three between readings: %+v", a)
	}
}

func TestLimitValidate(t *testing.T) {
	t.Parallel()
	if err := night(nil).Validate(); err != nil {
		t.Errorf("Validate() = %v", err)
	}
	for path, change := range map[string]func(*assessment.Limit){
		"symbol":         func(l *assessment.Limit) { l.Symbol = " " },
		"level_db":       func(l *assessment.Limit) { l.LevelDB = 200_01 },
		"source":         func(l *assessment.Limit) { l.Source = "" },
		"relative_to":    func(l *assessment.Limit) { l.Relative = l.Symbol },
		"nth":            func(l *assessment.Limit) { l.Nth, l.Symbol = 1001, "LAFmax" },
		"separation_s":   func(l *assessment.Limit) { l.SeparationUS = 1 },
		"allowed_chance": func(l *assessment.Limit) { l.AllowedChance = 0.05 },
		"at":             func(l *assessment.Limit) { l.At = "roof" },
		"rule":           func(l *assessment.Limit) { l.Rule = "strict" },
		"compare":        func(l *assessment.Limit) { l.Compare = "less" },
		"rounding":       func(l *assessment.Limit) { l.Rounding = "down" },
	} {
		e, ok := errors.AsType[*fault.Error](night(change).Validate())
		if !ok || len(e.Fields) != 1 || e.Fields[0].Path != path {
			t.Errorf("%s: Validate() = %v", path, e)
		}
	}
}
