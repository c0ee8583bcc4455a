package summary_test

import (
	"math"
	"strings"
	"testing"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/summary"
)

// The ends of the index are those of the periods' ends: 12, 4 and 8 h of Directive
// 2002/49/EC, Annex I, put in by hand.
func TestCorrectIndex(t *testing.T) {
	t.Parallel()
	power := func(l float64) float64 { return math.Pow(10, l/10) }
	part := func(l acoustic.Decibel, b summary.Bound, o acoustic.ResidualOutcome) summary.Corrected {
		return summary.Corrected{Figure: summary.Figure{Level: &l, Bound: b}, Correction: acoustic.Correction{Outcome: o, Level: l}}
	}
	day := part(50, "", acoustic.ResidualCorrected)
	evening := part(45, "", acoustic.ResidualNotNeeded)
	night := part(40, "", acoustic.ResidualNotNeeded)
	nightMost := part(40, summary.Upper, acoustic.ResidualNotAllowed)
	nightLeast := part(40, summary.Lower, acoustic.ResidualNotNeeded)
	eveningMost := part(45, summary.Upper, acoustic.ResidualNotMeasured)
	highest, _ := acoustic.PeriodSetNamed("day_evening_night_highest")
	all := 10 * math.Log10((12*power(50)+4*power(50)+8*power(50))/24) // 50, DEN-3 of the RIVM's worked examples
	for _, tt := range []struct {
		name    string
		set     acoustic.PeriodSet
		periods []summary.Corrected
		level   float64
		bound   summary.Bound
		lowest  float64 // zero: none
		outcome acoustic.ResidualOutcome
	}{
		{"exact", acoustic.DefaultPeriods, []summary.Corrected{day, evening, night}, all, "", 0, acoustic.ResidualCorrected},
		{"an upper bound", acoustic.DefaultPeriods, []summary.Corrected{day, evening, nightMost}, all, summary.Upper, 10 * math.Log10(16*power(50)/24), acoustic.ResidualNotAllowed},
		{"two upper bounds", acoustic.DefaultPeriods, []summary.Corrected{day, eveningMost, nightMost}, all, summary.Upper, 10 * math.Log10(12*power(50)/24), acoustic.ResidualNotMeasured},
		{"a lower bound", acoustic.DefaultPeriods, []summary.Corrected{day, evening, nightLeast}, all, summary.Lower, 0, acoustic.ResidualCorrected},
		{"both", acoustic.DefaultPeriods, []summary.Corrected{day, eveningMost, nightLeast}, 10 * math.Log10(20*power(50)/24), summary.Lower, 0, acoustic.ResidualNotMeasured},
		{"a bound under the highest", highest, []summary.Corrected{part(60, "", acoustic.ResidualNotNeeded), evening, nightMost}, 60, "", 0, acoustic.ResidualNotAllowed},
		{"a bound over the highest", highest, []summary.Corrected{part(48, "", acoustic.ResidualNotNeeded), part(40, "", acoustic.ResidualNotNeeded), nightMost}, 50, summary.Upper, 48, acoustic.ResidualNotAllowed},
	} {
		c, why := summary.CorrectIndex(tt.set, summary.Figure{Symbol: tt.set.Index, Level: new(acoustic.Decibel(99)), Bound: summary.Lower}, tt.periods)
		if why != "" || math.Abs(float64(*c.Figure.Level)-tt.level) > 1e-9 || c.Figure.Bound != tt.bound || c.Correction.Outcome != tt.outcome || c.Figure.Symbol != tt.set.Index {
			t.Errorf("%s: %+v, %s; want %v %s %s", tt.name, c, why, tt.level, tt.bound, tt.outcome)
			continue
		}
		if (c.Figure.Lowest != nil) != (tt.lowest != 0) || tt.lowest != 0 && math.Abs(float64(*c.Figure.Lowest)-tt.lowest) > 1e-9 {
			t.Errorf("%s: at least %v; want %v", tt.name, c.Figure.Lowest, tt.lowest)
		}
	}
	most := part(50, summary.Upper, acoustic.ResidualNotAllowed)
	if c, why := summary.CorrectIndex(acoustic.DefaultPeriods, summary.Figure{}, []summary.Corrected{most, most, most}); why != "" || c.Figure.Bound != summary.Upper || c.Figure.Lowest != nil {
		t.Errorf("all upper bounds: %+v, %s", c.Figure, why)
	}
	if c, why := summary.CorrectIndex(highest, summary.Figure{}, []summary.Corrected{most, most, nightLeast}); why != "" || c.Figure.Bound != summary.Lower || *c.Figure.Level != 50 {
		t.Errorf("the highest of a lower bound: %+v, %s", c.Figure, why)
	}
}

// A residual level that is only a lower bound leaves even a clear total an upper bound, and
// a total without one is at most what it is.
func TestResidualBounds(t *testing.T) {
	t.Parallel()
	total, residual := summary.Figure{Symbol: "LAeq", Level: new(acoustic.Decibel(52))}, summary.Figure{Symbol: "LAeq", Level: new(acoustic.Decibel(40)), Bound: summary.Lower}
	if c, why := summary.CorrectResidual(total, residual, acoustic.DefaultResidualLimits); why != "" || c.Figure.Bound != summary.Upper || *c.Figure.Level != 52 {
		t.Errorf("residual at least 40: %+v, %s; want at most 52", c.Figure, why)
	}
	c, why := summary.WithoutResidual(total, acoustic.DefaultResidualLimits)
	if why != "" || c.Figure.Bound != summary.Upper || *c.Figure.Level != 52 || c.Correction.Outcome != acoustic.ResidualNotMeasured {
		t.Errorf("none measured: %+v, %s", c, why)
	}
	total.Bound = summary.Lower
	if _, why := summary.CorrectResidual(total, residual, acoustic.DefaultResidualLimits); !strings.Contains(why, "nothing is known") {
		t.Errorf("total and residual at least: %q", why)
	}
	if _, why := summary.WithoutResidual(total, acoustic.DefaultResidualLimits); !strings.Contains(why, "lower bound") {
		t.Errorf("a lower bound without residual: %q", why)
	}
}
