package summary_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
)

// highest plans, collects and finds the highest window.
func (l *log) highest(t *testing.T, r summary.Request, window, resolution time.Duration, least float64) (summary.Window, string) {
	t.Helper()
	p, err := summary.PlanWindow(r, l.header, window, resolution)
	if err != nil {
		t.Fatal(err)
	}
	return summary.Highest(p, series.Collect(l.runs, l.header.Interval, p.Ask), least)
}

// The worst hour of an invented day is 17-18 with 66.3 dB.
func TestWorstHour(t *testing.T) {
	t.Parallel()
	vienna := zone(t, "Europe/Vienna")
	day := newLog(t, "LAeq", time.Second)
	for h, l := range hourly {
		from := time.Date(2026, 6, 10, h, 0, 0, 0, vienna)
		day.hold(from, from.Add(time.Hour), l)
	}
	w, why := day.highest(t, request(vienna), time.Hour, time.Hour, 1)
	if why != "" || !w.From.Equal(time.Date(2026, 6, 10, 17, 0, 0, 0, vienna)) || w.To.Sub(w.From) != time.Hour || math.Abs(float64(*w.Figure.Level)-66.3) > 1e-9 || w.Coverage != 1 {
		t.Errorf("%+v, %s", w, why)
	}
	if w.Figure.Symbol != "LAeq" || w.Figure.Basis != summary.Integrated {
		t.Errorf("%+v", w.Figure)
	}
	held := newLog(t, "LAFmax", time.Minute).add(noon, 100, 50_00)
	if _, why := held.highest(t, request(vienna), time.Hour, time.Hour, 1); !strings.Contains(why, "equivalent level") {
		t.Errorf("of maxima: %q", why)
	}
	if _, err := summary.PlanWindow(request(vienna), day.header, time.Hour, 7*time.Minute); err == nil {
		t.Error("a window of no multiple is planned")
	}
}

// A burst across a quarter-hour mark is found by a window that moves by the second, and
// half of it by one on quarter hours: every window is tried in floating point.
func TestRunningWindow(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(8, 8))
	levels := make([]acoustic.Level, 3*3600)
	for i := range levels {
		levels[i] = acoustic.Level(50_00 + rng.IntN(500))
		if i >= 3600-450 && i < 3600+450 {
			levels[i] += 20_00
		}
	}
	l := newLog(t, "LAF", time.Second).addRun(noon, levels[:9000])
	l.addRun(noon.Add(9300*time.Second), levels[9300:]) // and a gap
	for _, resolution := range []time.Duration{time.Second, 5 * time.Minute, 15 * time.Minute} {
		best, at := 0.0, 0
		for from := 0; from+900 <= len(levels); from += int(resolution.Seconds()) {
			sum, n := 0.0, 0.0
			for i := from; i < from+900; i++ {
				if i < 9000 || i >= 9300 {
					sum, n = sum+math.Pow(10, float64(levels[i])/1000), n+1
				}
			}
			if n >= 0.75*900 && sum/n > best {
				best, at = sum/n, from
			}
		}
		w, why := l.highest(t, request(time.UTC), 15*time.Minute, resolution, 0.75)
		if why != "" || math.Abs(float64(*w.Figure.Level)-10*math.Log10(best)) > 1e-9 || !w.From.Equal(noon.Add(time.Duration(at)*time.Second)) {
			t.Errorf("by %v: %+v, %s; want %v from second %d", resolution, w, why, 10*math.Log10(best), at)
		}
	}
	short := newLog(t, "LAF", time.Second).add(noon, 600, 50_00)
	if w, why := short.highest(t, request(time.UTC), 15*time.Minute, time.Minute, 0.75); why == "" {
		t.Errorf("of 10 min there is a window of 15: %+v", w)
	}
}

// A window of which the level is only a bound bounds the highest: of what lies over range
// no other is surely higher, and what lies under range may be lower than another.
func TestHighestOfBounds(t *testing.T) {
	t.Parallel()
	hour := func(n int) time.Time { return noon.Add(time.Duration(n) * time.Hour) }
	l := newLog(t, "LAeq", time.Minute).hold(hour(0), hour(1), 60_00)
	l.add(hour(1), 30, series.OverRange).add(hour(1).Add(30*time.Minute), 30, 40_00)
	l.header.Ceiling, l.header.Floor = new(acoustic.Level(62_00)), new(acoustic.Level(30_00))
	// Half an hour at 62 dB or above: 59.0 dB or above, perhaps more than the hour at 60.
	w, why := l.highest(t, request(time.UTC), time.Hour, time.Hour, 1)
	if why != "" || !w.From.Equal(hour(0)) || math.Abs(float64(*w.Figure.Level)-60) > 1e-9 || w.Figure.Bound != summary.Lower {
		t.Errorf("beside over range: %+v, %s; want at least 60", w, why)
	}
	l.header.Ceiling = new(acoustic.Level(64_00))
	if w, why = l.highest(t, request(time.UTC), time.Hour, time.Hour, 1); why != "" || !w.From.Equal(hour(1)) || w.Figure.Bound != summary.Lower || math.Abs(float64(*w.Figure.Level)-61.0069) > 1e-4 {
		t.Errorf("over range higher: %+v, %s; want at least 61.01", w, why) // 10 lg((10^6.4 + 10^4)/2)
	}
	under := newLog(t, "LAeq", time.Minute).hold(hour(0), hour(1), 50_00)
	under.add(hour(1), 50, series.UnderRange).add(hour(1).Add(50*time.Minute), 10, 56_00)
	under.header.Floor = new(acoustic.Level(48_00))
	// 10 lg((50·10^4.8 + 10·10^5.6)/60) = 50.75 at most, 10 lg(10·10^5.6/60) = 48.22 at least, and 50 of the hour before.
	w, why = under.highest(t, request(time.UTC), time.Hour, time.Hour, 1)
	if why != "" || !w.From.Equal(hour(1)) || w.Figure.Bound != summary.Upper || math.Abs(float64(*w.Figure.Level)-50.7529) > 1e-4 || w.Figure.Lowest == nil || math.Abs(float64(*w.Figure.Lowest)-50) > 1e-9 {
		t.Errorf("under range: %+v, %v, %s; want between 50 and 50.75", w, w.Figure.Lowest, why)
	}
	under.header.Floor = new(acoustic.Level(40_00))
	if w, why = under.highest(t, request(time.UTC), time.Hour, time.Hour, 1); why != "" || !w.From.Equal(hour(0)) || w.Figure.Bound != "" {
		t.Errorf("under range below: %+v, %s; want 50, no bound", w, why)
	}
	under.add(hour(2), 60, series.OverRange)
	under.header.Ceiling = new(acoustic.Level(49_00))
	if w, why = under.highest(t, request(time.UTC), time.Hour, time.Hour, 1); why != "" || w.Figure.Bound != summary.Lower || math.Abs(float64(*w.Figure.Level)-50) > 1e-9 || w.Figure.Lowest != nil {
		t.Errorf("both: %+v, %s; want at least 50", w, why)
	}
}

// Three days at 40, 46 and 50 dB with an hour missing on one and mostly on another.
func TestTypicalDay(t *testing.T) {
	t.Parallel()
	vienna := zone(t, "Europe/Vienna")
	l := newLog(t, "LAeq", time.Minute)
	at := func(day, hour, minute int) time.Time { return time.Date(2026, 6, 10+day, hour, minute, 0, 0, vienna) }
	for i, level := range []acoustic.Level{40_00, 46_00, 50_00} {
		to := at(i, 5, 0)
		if i == 2 {
			to = at(i, 4, 0)
		}
		l.hold(at(i, 3, 0), to, level)
		if i == 2 {
			l.hold(at(i, 4, 0), at(i, 4, 29), level) // less than half of the hour
		}
	}
	p, err := summary.PlanTypicalDay(request(vienna), l.header)
	if err != nil {
		t.Fatal(err)
	}
	hours, why := summary.TypicalDay(p, series.Collect(l.runs, l.header.Interval, p.Ask))
	if why != "" || len(hours) != 24 {
		t.Fatalf("%v, %s", hours, why)
	}
	check := func(h summary.HourOfDay, days, out int, levels ...float64) {
		t.Helper()
		mean, power := 0.0, 0.0
		for _, x := range levels {
			mean, power = mean+x/float64(len(levels)), power+math.Pow(10, x/10)/float64(len(levels))
		}
		squares := 0.0
		for _, x := range levels {
			squares += (x - mean) * (x - mean)
		}
		spread := math.Sqrt(squares / float64(len(levels)-1))
		if h.Days != days || h.LeftOut != out || math.Abs(float64(*h.Figure.Level)-10*math.Log10(power)) > 1e-9 ||
			math.Abs(*h.Spread-spread) > 1e-9 || float64(h.Lowest) != levels[0] || float64(h.Highest) != levels[len(levels)-1] {
			t.Errorf("hour %d: %+v; want the mean of %v", h.Hour, h, levels)
		}
	}
	check(hours[3], 3, 0, 40, 46, 50)
	check(hours[4], 2, 1, 40, 46)
	if hours[5].Days != 0 || hours[5].Figure != nil {
		t.Errorf("hour 5: %+v", hours[5])
	}
	empty := newLog(t, "LAeq", time.Minute)
	if p, err = summary.PlanTypicalDay(request(vienna), empty.header); err != nil {
		t.Fatal(err)
	}
	if _, why := summary.TypicalDay(p, series.Answer{}); why != "no samples" {
		t.Errorf("of nothing: %q", why)
	}
}

// LCeq − LAeq counts only minutes that both measured: 12 dB, not what the C series saw alone.
func TestCommonDifference(t *testing.T) {
	t.Parallel()
	difference := func(c, a *log) (summary.Common, string) {
		pc, pa, err := summary.PlanCommon(request(time.UTC), c.header, a.header)
		if err != nil {
			t.Fatal(err)
		}
		return summary.CommonDifference(pc, series.Collect(c.runs, c.header.Interval, pc.Ask), pa, series.Collect(a.runs, a.header.Interval, pa.Ask))
	}
	a := newLog(t, "LAeq", time.Second).add(noon, 1200, 50_00).add(noon.Add(30*time.Minute), 1200, 50_00)
	c := newLog(t, "LCeq", time.Second).add(noon.Add(10*time.Minute), 600, 62_00).add(noon.Add(20*time.Minute), 600, 90_00).add(noon.Add(30*time.Minute), 630, 62_00)
	d, why := difference(c, a)
	if why != "" || d.Figure.Symbol != "LCeq-LAeq" || math.Abs(float64(*d.Figure.Level)-12) > 1e-9 || d.Over != 20*time.Minute+30*time.Second || d.Figure.Bound != "" {
		t.Errorf("%+v over %v, %s; want 12 dB over 20.5 min", d.Figure, d.Over, why)
	}
	apart := newLog(t, "LCeq", time.Second).add(noon.Add(21*time.Minute), 300, 62_00)
	if _, why := difference(apart, a); why != "the two were not measured over the same time" {
		t.Errorf("apart: %q", why)
	}
	over := newLog(t, "LCeq", time.Second).add(noon, 600, 62_00).add(noon.Add(10*time.Minute), 600, series.OverRange)
	if d, why := difference(over, a); why != "" || d.Figure.Bound != summary.Lower {
		t.Errorf("C over range: %+v, %s", d.Figure, why)
	}
	under := newLog(t, "LAeq", time.Second).add(noon, 600, 40_00).add(noon.Add(10*time.Minute), 600, series.UnderRange)
	if d, why := difference(newLog(t, "LCeq", time.Second).add(noon, 1200, 62_00), under); why != "" || d.Figure.Bound != summary.Lower {
		t.Errorf("A under range: %+v, %s", d.Figure, why)
	}
	if d, why := difference(newLog(t, "LCeq", time.Second).add(noon, 600, 40_00).add(noon.Add(10*time.Minute), 600, series.UnderRange), under); why == "" {
		t.Errorf("both under range: %+v", d.Figure)
	}
}

func TestCorrectResidualFigure(t *testing.T) {
	t.Parallel()
	figure := func(symbol string, l acoustic.Decibel, b summary.Bound) summary.Figure {
		return summary.Figure{Symbol: symbol, Level: &l, Basis: summary.Integrated, Bound: b}
	}
	for _, tt := range []struct {
		name            string
		total, residual summary.Figure
		want            float64
		bound           summary.Bound
		reason          string
	}{
		// 10 lg(10^5.2 − 10^4.8) = 49.7952.
		{"4 dB", figure("LAeq", 52, ""), figure("LAeq", 48, ""), 49.7952, "", ""},
		{"a background level is no residual level", figure("LAeq", 52, ""), figure("LA90", 42, ""), 0, "", "LA90 is no residual level"},
		{"a maximum", figure("LAeq", 52, ""), figure("LAFmax", 42, ""), 0, "", "no residual level"},
		{"a mean of maxima", figure("LAFT5eq", 52, ""), figure("LAFT5eq", 42, ""), 0, "", "no residual level"},
		{"a peak", figure("LAeq", 52, ""), figure("LCpeak", 42, ""), 0, "", "no residual level"},
		{"another weighting", figure("LAeq", 52, ""), figure("LCeq", 48, ""), 0, "", "residual level is LCeq"},
		{"too near", figure("LAeq", 52, ""), figure("LAeq", 50, ""), 52, summary.Upper, ""},
		{"too near and a lower bound", figure("LAeq", 52, summary.Lower), figure("LAeq", 50, ""), 0, "", "lower bound"},
		{"residual at least", figure("LAeq", 52, ""), figure("LAeq", 48, summary.Lower), 49.7952, summary.Upper, ""},
		{"residual at most", figure("LAeq", 52, ""), figure("LAeq", 48, summary.Upper), 49.7952, summary.Lower, ""},
		{"both at least", figure("LAeq", 52, summary.Lower), figure("LAeq", 48, summary.Lower), 0, "", "nothing is known"},
		{"not needed", figure("LAeq", 52, summary.Lower), figure("LAeq", 40, ""), 52, summary.Lower, ""},
		{"beyond the range", figure("LAeq", 52, ""), summary.Figure{Symbol: "LAeq", Below: new(acoustic.Decibel(30))}, 0, "", "beyond"},
	} {
		c, why := summary.CorrectResidual(tt.total, tt.residual, acoustic.DefaultResidualLimits)
		if !strings.Contains(why, tt.reason) || (why == "") != (tt.reason == "") {
			t.Errorf("%s: %q; want %q", tt.name, why, tt.reason)
			continue
		}
		if why == "" && (math.Abs(float64(*c.Figure.Level)-tt.want) > 6e-5 || c.Figure.Bound != tt.bound) {
			t.Errorf("%s: %v %q; want %v %q", tt.name, *c.Figure.Level, c.Figure.Bound, tt.want, tt.bound)
		}
	}
}
