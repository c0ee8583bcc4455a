package summary_test

import (
	"math"
	"testing"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
	"leveltrail/domain/uncertainty"
)

// doubtedPosition makes the figures of a position with the uncertainties that several of
// its series make together.
func doubtedPosition(t *testing.T, r summary.Request, logs ...*log) (summary.PositionFigures, summary.PositionDoubt) {
	t.Helper()
	plans, parts := answeredParts(t, r, logs...)
	d := summary.PositionDoubtOf(plans)
	var answers []series.Answer
	for _, a := range d.Asks {
		answers = append(answers, series.Collect(logs[a.Of].runs, logs[a.Of].header.Interval, a.Ask))
	}
	f := summary.Position(parts)
	d.Doubted(&f, parts, answers)
	return f, d
}

// power is that of a level in hundredths.
func power(l acoustic.Level) float64 { return math.Pow(10, float64(l)/1000) }

func near(t *testing.T, name string, got *summary.Estimated, want uncertainty.Estimate, why string) {
	t.Helper()
	if got == nil || why != "" || got.Reason != "" || want.Standard <= 0 || math.Abs(float64(got.Standard/want.Standard)-1) > 1e-9 || math.Abs(got.Freedom/want.Freedom-1) > 1e-9 {
		t.Errorf("%s: %+v; want %+v %s", name, got, want, why)
	}
}

// An hour of integrated minutes is followed by an hour of readings at half the interval of
// their own: the mean has the uncertainty of the energies of its minutes, and of gaps what
// the readings leave open, by their share of the energy.
func TestDoubtOfMixedPosition(t *testing.T) {
	t.Parallel()
	minutes, readings := wander(11, 60, 1, 3), wander(12, 1800, 5, 4)
	a := newLog(t, "LAeq", time.Minute).by(meterA).addRun(noon, minutes)
	// The first 20 min of the second meter count no more than the primary meter's lets them.
	b := newLog(t, "LAF", 2*time.Second).by(meterB).addRun(noon.Add(40*time.Minute), append(wander(13, 600, 5, 4), readings...))
	a.primary()
	r := request(time.UTC)
	f, _ := doubtedPosition(t, r, a, b)
	level, ok := level(f.Levels, "LAeq")
	if !ok || level.Basis != summary.Mixed {
		t.Fatalf("LAeq %+v, %v", level, f.Unavailable)
	}
	var energies, times []float64
	total, read := 0.0, 0.0
	for _, l := range minutes {
		energies, times, total = append(energies, 60*power(l)), append(times, 60), total+60*power(l)
	}
	for i := 0; i < len(readings); i += 30 {
		sum := 0.0
		for _, l := range readings[i : i+30] {
			sum += 2 * power(l)
		}
		energies, times, total, read = append(energies, sum), append(times, 60), total+sum, read+sum
	}
	e, why := uncertainty.OfEnergies(energies, times)
	near(t, "representativity", level.Representativity, e, why)
	direct := uncertainty.NewStream(2*time.Second, false)
	direct.Add(series.Run{Start: noon.Add(time.Hour), Levels: readings})
	e, why = direct.SamplingOfMean()
	e.Standard *= acoustic.Decibel(read / total)
	near(t, "sampling", level.Sampling, e, why)

	// Alone at all times a series keeps its own, and nothing is asked.
	if _, d := doubtedPosition(t, r, a); len(d.Asks) != 0 {
		t.Errorf("of one series %d asks", len(d.Asks))
	}
	companion := newLog(t, "LAF", time.Second).by(meterA).addRun(noon, wander(14, 3600, 5, 4))
	if _, d := doubtedPosition(t, r, a, companion); len(d.Asks) != 0 {
		t.Errorf("beside a companion %d asks", len(d.Asks))
	}
	// Over range there is none, and it is said.
	b.addRun(noon.Add(2*time.Hour), []acoustic.Level{series.OverRange})
	f, _ = doubtedPosition(t, r, a, b)
	for _, l := range f.Levels {
		if l.Symbol == "LAeq" && (l.Representativity == nil || l.Representativity.Reason == "") {
			t.Errorf("over range: %+v; want a reason", l.Representativity)
		}
	}
}

// Two series of one kind, five weeks apart, make exceedance levels and periods together.
func TestDoubtOfPositionOverSurveys(t *testing.T) {
	t.Parallel()
	const interval = 10 * time.Second
	start := time.Date(2026, 3, 3, 7, 0, 0, 0, time.UTC)
	later := start.AddDate(0, 0, 35)
	one, two := wander(15, 8640, 4, 3), wander(16, 8640, 4, 3)
	a, b := newLog(t, "LAS", interval).addRun(start, one), newLog(t, "LAS", interval).addRun(later, two)
	r := request(time.UTC)
	day := 24 * time.Hour
	r.Within = []series.Span{{From: start, To: start.Add(day)}, {From: later, To: later.Add(day)}}
	r.Asked = &series.Span{From: start, To: later.Add(day)}
	f, d := doubtedPosition(t, r, a, b)
	cells := 0
	for _, ask := range d.Asks {
		cells = max(cells, len(ask.Cells))
	}
	if cells > 8640 {
		t.Errorf("%d cells", cells)
	}
	// 48 h in stretches of a quarter hour, with 64 for the weeks between.
	unit := 90 // samples
	tallies := func(ls []acoustic.Level) (ts []series.Tally) {
		for i := 0; i < len(ls); i += unit {
			ts = append(ts, series.TallyOf(ls[i:i+unit]))
		}
		return ts
	}
	between := make([]series.Tally, 63)
	all := append(append(tallies(one), between...), tallies(two)...)
	level1, _ := level(f.Levels, "LAeq")
	e, why := uncertainty.OfMean(all)
	near(t, "LAeq", level1.Representativity, e, why)

	nights := make([]series.Tally, len(all))
	for i := range nights {
		if i >= 64 && i < 96 || i >= 96+63+64 {
			nights[i] = all[i]
		}
	}
	night, ok := level(f.Indices, "Lnight")
	if !ok {
		t.Fatalf("no Lnight: %v", f.Unavailable)
	}
	e, why = uncertainty.OfMean(nights[64:])
	near(t, "Lnight", night.Representativity, e, why)
	if index, _ := level(f.Indices, "Lden"); index.Representativity == nil || index.Representativity.Standard <= 0 || index.Sampling == nil || index.Sampling.Standard <= 0 {
		t.Errorf("Lden: %+v, %+v", index.Sampling, index.Representativity)
	}
	gaps := func(ls []acoustic.Level) (e uncertainty.Estimate, energy float64) {
		s := uncertainty.NewStream(interval, false)
		s.Add(series.Run{Start: start, Levels: ls})
		e, _ = s.SamplingOfMean()
		for _, l := range ls {
			energy += power(l)
		}
		return e, energy
	}
	ea, wa := gaps(one)
	eb, wb := gaps(two)
	e = uncertainty.Combined([]uncertainty.Estimate{ea, eb}, []float64{wa / (wa + wb), wb / (wa + wb)})
	near(t, "sampling of LAeq", level1.Sampling, e, "")

	histograms := make([]series.Histogram, len(all))
	var c series.Counts
	for i := range all {
		ls := one
		k := i
		switch {
		case i >= 96+63:
			ls, k = two, i-96-63
		case i >= 96:
			continue
		}
		var own series.Counts
		for _, l := range ls[k*unit : (k+1)*unit] {
			own.Add(l, 1)
			c.Add(l, 1)
		}
		histograms[i] = own.Histogram()
	}
	l90, _ := level(f.Levels, "LAS90")
	e, why = uncertainty.OfExceedance(histograms, 90_000)
	near(t, "LAS90", l90.Representativity, e, why)
	e, why = uncertainty.GapsAtMostOf(c.Histogram(), 90_000)
	near(t, "sampling of LAS90", l90.Sampling, e, why)
}
