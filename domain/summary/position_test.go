package summary_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
)

var (
	meterA = uuid.MustParse("00000000-0000-4000-8000-00000000000a")
	meterB = uuid.MustParse("00000000-0000-4000-8000-00000000000b")
	noon   = time.Date(2026, 6, 10, 12, 0, 0, 0, time.UTC)
)

// by sets the meter.
func (l *log) by(meter uuid.UUID) *log {
	l.header.InstrumentID = meter
	return l
}

// primary names the meter primary.
func (l *log) primary() *log {
	l.header.Primary = true
	return l
}

// answeredParts plans the figures of a position and answers from the logs.
func answeredParts(t *testing.T, r summary.Request, logs ...*log) (plans []summary.Plan, parts []summary.Part) {
	t.Helper()
	var headers []summary.Header
	for _, l := range logs {
		headers = append(headers, l.header)
	}
	plans, err := summary.PlanPosition(r, headers)
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range plans {
		parts = append(parts, summary.Part{Plan: p, Answer: series.Collect(logs[i].runs, logs[i].header.Interval, p.Ask)})
	}
	return plans, parts
}

// combine returns the figures of a position over a span of hours from noon.
func combine(t *testing.T, hours int, logs ...*log) summary.PositionFigures {
	t.Helper()
	r := request(time.UTC)
	r.Asked = &series.Span{From: noon, To: noon.Add(time.Duration(hours) * time.Hour)}
	_, parts := answeredParts(t, r, logs...)
	for i, p := range parts {
		// Being outranked alters nothing of a series' own summary.
		sameZone := cmp.Comparer(func(a, b *time.Location) bool { return a == b })
		if diff := cmp.Diff(logs[i].summarize(t, r), summary.Of(p.Plan, p.Answer), sameZone, cmp.Transformer("steps", stepsOf)); diff != "" {
			t.Errorf("summary of series %d (-alone +at the position):\n%s", i, diff)
		}
	}
	return summary.Position(parts)
}

// wantWhy fails unless a figure of a position is missing for a reason.
func wantWhy(t *testing.T, p summary.PositionFigures, symbol, reason string) {
	t.Helper()
	wantUnavailable(t, summary.Summary{Levels: p.Levels, Unavailable: p.Unavailable}, symbol, reason)
}

// TestCompanions: each figure comes from the series that carries it.
func TestCompanions(t *testing.T) {
	t.Parallel()
	p := combine(t, 1,
		newLog(t, "LAeq", 15*time.Minute).by(meterA).add(noon, 4, 60_00),
		newLog(t, "LAFmax", 15*time.Minute).by(meterA).add(noon, 4, 80_00),
		newLog(t, "LAFmin", 15*time.Minute).by(meterA).add(noon, 4, 41_00),
		newLog(t, "LAF", time.Second).by(meterA).add(noon, 3600, 55_00),
		newLog(t, "LCpeak", 15*time.Minute).by(meterA).add(noon, 4, 101_00),
	)
	for symbol, want := range map[string]struct {
		level float64
		basis summary.Basis
	}{
		"LAeq":   {60, summary.Integrated},
		"LAE":    {60 + 35.5630, summary.Integrated}, // 10 lg 3600, a US transit authority's constant to four places
		"LAFmax": {80, summary.Instrument},
		"LAFmin": {41, summary.Instrument},
		"LAF90":  {55, summary.Sampled},
		"LCpeak": {101, summary.Instrument},
	} {
		f := wantLevel(t, p.Levels, symbol, want.level, 5e-5)
		if f.Basis != want.basis || f.Bound != "" {
			t.Errorf("%s has basis %s, bound %q; want %s and none", symbol, f.Basis, f.Bound, want.basis)
		}
	}
	for _, u := range p.Unavailable {
		switch u.Symbol {
		case "LA10", "LA50", "LA90":
		case "Lday", "Levening", "Lnight", "Lden": // an hour is none of them
		default:
			t.Errorf("unavailable: %+v", u)
		}
	}

	alone := combine(t, 1, newLog(t, "LAF", time.Second).by(meterA).add(noon, 3600, 55_00))
	if f := wantLevel(t, alone.Levels, "LAeq", 55, 1e-9); f.Basis != summary.Sampled {
		t.Errorf("LAeq has basis %s; want sampled", f.Basis)
	}
	if f := wantLevel(t, alone.Levels, "LAFmax", 55, 0); f.Bound != summary.Lower {
		t.Errorf("LAFmax has bound %q; want lower", f.Bound)
	}
	wantWhy(t, alone, "LCpeak", "no peak series was recorded")
}

// TestFastAndSlow: maxima come from their own time weighting, never across.
func TestFastAndSlow(t *testing.T) {
	t.Parallel()
	p := combine(t, 1,
		newLog(t, "LAS", time.Second).by(meterA).add(noon, 3600, 55_00),
		newLog(t, "LAFmax", time.Minute).by(meterA).add(noon, 60, 80_00),
	)
	wantLevel(t, p.Levels, "LASmax", 55, 0)
	wantLevel(t, p.Levels, "LAFmax", 80, 0)
	if _, ok := level(p.Levels, "LAFmin"); ok {
		t.Error("LAFmin from Slow samples")
	}
}

// TestMixedBasis: at each instant one series counts, and a mixed basis names its shares.
func TestMixedBasis(t *testing.T) {
	t.Parallel()
	p := combine(t, 4,
		newLog(t, "LAF", time.Second).by(meterA).hold(noon, noon.Add(2*time.Hour), 90_00).hold(noon.Add(2*time.Hour), noon.Add(4*time.Hour), 50_00),
		newLog(t, "LAeq", 15*time.Minute).by(meterA).add(noon, 8, 60_00), // the first two hours
	)
	f := wantLevel(t, p.Levels, "LAeq", 10*math.Log10((1e6+1e5)/2), 1e-9)
	if f.Basis != summary.Mixed || len(f.Shares) != 2 || f.Shares[0] != (summary.Share{Basis: summary.Sampled, Share: 0.5}) || f.Shares[1].Share != 0.5 {
		t.Errorf("basis %s of %v; want half and half", f.Basis, f.Shares)
	}
	// The samples still give the exceedance levels and maxima of all four hours.
	wantLevel(t, p.Levels, "LAF10", 90, 0)
	wantLevel(t, p.Levels, "LAFmax", 90, 0)
}

// TestConsecutive: parts of one recording add up, weighted by time.
func TestConsecutive(t *testing.T) {
	t.Parallel()
	first := newLog(t, "LAF", time.Second).by(meterA).hold(noon, noon.Add(time.Hour), 60_00)
	second := newLog(t, "LAF", time.Second).by(meterA).hold(noon.Add(time.Hour), noon.Add(4*time.Hour), 50_00)
	p := combine(t, 4, first, second)
	wantLevel(t, p.Levels, "LAeq", 10*math.Log10((1e6+3e5)/4), 1e-9)
	wantLevel(t, p.Levels, "LAF10", 60, 0)
	wantLevel(t, p.Levels, "LAF50", 50, 0)

	other := newLog(t, "LAF", 2*time.Second).by(meterA).hold(noon.Add(time.Hour), noon.Add(4*time.Hour), 50_00)
	p = combine(t, 4, first, other)
	wantLevel(t, p.Levels, "LAeq", 10*math.Log10((1e6+3e5)/4), 1e-9)
	wantWhy(t, p, "LAF90", "series of different intervals do not merge: 1 s and 2 s")
}

// TestTwoMeters: at the same time and place the one named primary counts.
func TestTwoMeters(t *testing.T) {
	t.Parallel()
	const why = "two meters measured at the same time and none is named primary"
	hour := func(meter uuid.UUID, l acoustic.Level) *log {
		return newLog(t, "LAF", time.Second).by(meter).hold(noon, noon.Add(time.Hour), l)
	}
	p := combine(t, 1, hour(meterA, 60_00), hour(meterB, 61_00))
	wantWhy(t, p, "LAeq", why)
	wantWhy(t, p, "LAF90", why)
	wantLevel(t, p.Levels, "LAFmax", 61, 0) // the maximum of all

	p = combine(t, 1, hour(meterA, 60_00), hour(meterB, 61_00).primary())
	wantLevel(t, p.Levels, "LAeq", 61, 1e-9)
	wantLevel(t, p.Levels, "LAF90", 61, 0)

	p = combine(t, 1, hour(meterA, 60_00), hour(meterA, 61_00))
	wantWhy(t, p, "LAeq", "two series of one meter measured the same at the same time")
}

// TestHeldMaximaOfHalf: where the meter held maxima for only half of the time,
// the samples of the other half may have missed one.
func TestHeldMaximaOfHalf(t *testing.T) {
	t.Parallel()
	p := combine(t, 24,
		newLog(t, "LAF", time.Second).by(meterA).hold(noon, noon.Add(2*time.Hour), 70_00),
		newLog(t, "LAFmax", time.Minute).by(meterA).hold(noon, noon.Add(time.Hour), 80_00),
	)
	if f := wantLevel(t, p.Levels, "LAFmax", 80, 0); f.Bound != summary.Lower || f.Basis != summary.Instrument {
		t.Errorf("LAFmax = %+v; want a lower bound from the instrument", f)
	}
}

// TestMaximumInGapOfHeldMaxima: what the samples show counts where the meter held nothing.
func TestMaximumInGapOfHeldMaxima(t *testing.T) {
	t.Parallel()
	gap := noon.Add(20 * time.Minute)
	p := combine(t, 1,
		newLog(t, "LAF", time.Second).by(meterA).hold(noon, gap, 60_00).hold(gap, gap.Add(time.Minute), 92_00).hold(gap.Add(time.Minute), noon.Add(time.Hour), 60_00),
		newLog(t, "LAFmax", time.Minute).by(meterA).hold(noon, gap, 80_00).hold(gap.Add(time.Minute), noon.Add(time.Hour), 80_00),
		newLog(t, "LAFmin", time.Minute).by(meterA).hold(noon, noon.Add(time.Hour), 50_00),
	)
	if f := wantLevel(t, p.Levels, "LAFmax", 92, 0); f.Bound != summary.Lower || f.Basis != summary.Sampled {
		t.Errorf("LAFmax = %+v; want the sample as a lower bound", f)
	}
	if f := wantLevel(t, p.Levels, "LAFmin", 50, 0); f.Bound != "" || f.Basis != summary.Instrument {
		t.Errorf("LAFmin = %+v; want what the meter held", f)
	}
}

// TestPositionOfEmptySeries: a series without samples has no figures, and takes none from another.
func TestPositionOfEmptySeries(t *testing.T) {
	t.Parallel()
	for _, symbol := range []string{"LAF", "LAeq", "LAFmax", "LCpeak", "LAE"} {
		p := combine(t, 1, newLog(t, symbol, time.Second).by(meterA))
		if len(p.Levels)+len(p.Indices) != 0 {
			t.Errorf("%s without samples: %v, %v", symbol, p.Levels, p.Indices)
		}
	}
	wantWhy(t, combine(t, 1, newLog(t, "LAF", time.Second).by(meterA)), "LAFmax", "no samples")
	p := combine(t, 1, newLog(t, "LAF", time.Second).by(meterA), newLog(t, "LAF", time.Second).by(meterA).hold(noon, noon.Add(time.Hour), 60_00))
	wantLevel(t, p.Levels, "LAFmax", 60, 0)
	wantLevel(t, p.Levels, "LAeq", 60, 1e-9)
}

// TestSpotBesideSeries: readings have no time to weigh them with.
func TestSpotBesideSeries(t *testing.T) {
	t.Parallel()
	spots := newLog(t, "LAF", 0).by(meterB).add(noon, 30, 90_00)
	p := combine(t, 1, newLog(t, "LAeq", time.Minute).by(meterA).add(noon, 60, 60_00), spots)
	wantLevel(t, p.Levels, "LAeq", 60, 1e-9)

	p = combine(t, 1, spots)
	if f := wantLevel(t, p.Levels, "LAeq", 90, 1e-9); f.Basis != summary.Spot {
		t.Errorf("LAeq has basis %s; want spot", f.Basis)
	}
	wantWhy(t, p, "LAE", "spot readings have no duration")
}

// TestDifferentRanges: what one series calls out of range the other may give a number to.
func TestDifferentRanges(t *testing.T) {
	t.Parallel()
	narrow := newLog(t, "LAF", time.Second).by(meterA).add(noon, 600, 60_00).add(noon.Add(10*time.Minute), 600, series.UnderRange).add(noon.Add(20*time.Minute), 600, series.OverRange)
	narrow.header.Floor, narrow.header.Ceiling = new(acoustic.Level(40_00)), new(acoustic.Level(90_00))
	wide := newLog(t, "LAF", time.Second).by(meterA).add(noon.Add(time.Hour), 600, 30_00).add(noon.Add(70*time.Minute), 600, 100_00)
	p := combine(t, 2, narrow, wide)
	// A flagged sample may lie above 100 or below 30.
	if f := wantLevel(t, p.Levels, "LAFmax", 100, 0); f.Bound != summary.Lower || f.Range != summary.Declared {
		t.Errorf("LAFmax = %+v; want a lower bound", f)
	}
	if f := wantLevel(t, p.Levels, "LAFmin", 30, 0); f.Bound != summary.Upper || f.Range != summary.Declared {
		t.Errorf("LAFmin = %+v; want an upper bound", f)
	}
	// 40 % lie above 90 dB, 20 % at 60 dB, 40 % below 40 dB; how they rank among themselves is unknown.
	if f, _ := level(p.Levels, "LAF10"); f.Level != nil || f.Above == nil || *f.Above != 90 {
		t.Errorf("LAF10 = %+v; want above 90", f)
	}
	wantLevel(t, p.Levels, "LAF50", 60, 0)
	if f, _ := level(p.Levels, "LAF90"); f.Level != nil || f.Below == nil || *f.Below != 40 {
		t.Errorf("LAF90 = %+v; want below 40", f)
	}
}

// Of the companions that carry the level of a night the integrated one counts, once.
func TestIndicesOfCompanions(t *testing.T) {
	t.Parallel()
	evening := time.Date(2026, 6, 10, 23, 0, 0, 0, time.UTC)
	p := combine(t, 24,
		newLog(t, "LAeq", 15*time.Minute).by(meterA).add(evening, 32, 45_00),
		newLog(t, "LAF", time.Second).by(meterA).add(evening, 8*3600, 44_00),
	)
	f := wantLevel(t, p.Indices, "Lnight", 45, 1e-9)
	if f.Basis != summary.Integrated || p.Reference != (summary.Reference{Nights: 1}) {
		t.Errorf("Lnight has basis %s and rests on %+v; want integrated, one night", f.Basis, p.Reference)
	}
	halves := combine(t, 24,
		newLog(t, "LAeq", 15*time.Minute).by(meterA).add(evening, 16, 45_00),
		newLog(t, "LAeq", 15*time.Minute).by(meterA).add(evening.Add(4*time.Hour), 16, 55_00),
	)
	// 10 lg((10^4.5 + 10^5.5)/2)
	wantLevel(t, halves.Indices, "Lnight", 52.403627, 1e-6)
	two := combine(t, 24,
		newLog(t, "LAeq", 15*time.Minute).by(meterA).add(evening, 32, 45_00),
		newLog(t, "LAeq", 15*time.Minute).by(meterB).add(evening, 32, 46_00),
	)
	if len(two.Indices) != 0 {
		t.Errorf("two meters, none primary: %v", two.Indices)
	}
	mixed := combine(t, 24,
		newLog(t, "LAeq", 15*time.Minute).by(meterA).add(evening, 16, 45_00),
		newLog(t, "LAeq", time.Minute).by(meterA).add(evening.Add(4*time.Hour), 240, 55_00),
	)
	if len(mixed.Indices) != 0 || !slices.ContainsFunc(mixed.Unavailable, func(u summary.Unavailable) bool { return u.Symbol == "Lnight" && u.Reason != "" }) {
		t.Errorf("different intervals: %v, %v", mixed.Indices, mixed.Unavailable)
	}
}

// Readings at instants add nothing to the distribution of readings at intervals.
func TestDistributionBesideSpot(t *testing.T) {
	t.Parallel()
	p := combine(t, 2,
		newLog(t, "LAF", 0).by(meterA).add(noon.Add(30*time.Minute), 30, 80_00),
		newLog(t, "LAF", time.Second).by(meterA).add(noon.Add(time.Hour), 3600, 55_00),
	)
	for _, symbol := range []string{"LAF10", "LAF90"} {
		if f, ok := level(p.Levels, symbol); !ok || *f.Level != 55 || f.Basis != summary.Sampled {
			t.Errorf("%s = %+v, %v; want 55 of the readings at intervals", symbol, f, p.Unavailable)
		}
	}
}
