package summary_test

import (
	"strings"
	"testing"
	"time"

	"leveltrail/domain/series"
	"leveltrail/domain/summary"
	"leveltrail/domain/uncertainty"
)

// doubtedSteps makes the steps of a summary with uncertainties.
func (l *log) doubtedSteps(t *testing.T, r summary.Request) ([]summary.Step, summary.StepDoubt) {
	t.Helper()
	p, err := summary.PlanFor(r, l.header)
	if err != nil {
		t.Fatal(err)
	}
	s := summary.Of(p, series.Collect(l.runs, l.header.Interval, p.Ask))
	d := summary.StepDoubtOf(&p)
	d.Doubted(&s, series.Collect(l.runs, l.header.Interval, d.Ask))
	return stepsOf(s.Steps), d
}

// wantEstimate fails unless an uncertainty is what the samples give directly.
func wantEstimate(t *testing.T, name string, got *summary.Estimated, want uncertainty.Estimate, why string) {
	t.Helper()
	if got == nil || got.Estimate != want || got.Reason != why {
		t.Errorf("%s: %+v; want %+v %s", name, got, want, why)
	}
}

// Each step has the uncertainties of its own samples: of hours of a broken series, of which
// one is nearly empty, and of no step where nothing was measured.
func TestDoubtOfSteps(t *testing.T) {
	t.Parallel()
	start := noon.Add(500 * time.Millisecond) // off the clock
	levels := wander(7, 6*3600, 3, 4)
	l := newLog(t, "LAF", time.Second).addRun(start, levels[:4000]).addRun(start.Add(5000*time.Second), levels[5000:7300]).addRun(start.Add(4*time.Hour), levels[4*3600:])
	l.header.Exclusions = []series.Span{{From: start.Add(10 * time.Minute), To: start.Add(12 * time.Minute)}}
	r := request(time.UTC)
	r.Step, r.StepPercentiles = time.Hour, []series.Percent{10_000}
	steps, d := l.doubtedSteps(t, r)
	if len(steps) != 7 || d.Ask.Groups != 0 {
		t.Fatalf("%d steps, %d groups", len(steps), d.Ask.Groups)
	}
	given := 0
	for i, st := range steps {
		var runs []series.Run
		for _, run := range l.runs {
			for n, v := range run.Levels {
				at := run.Start.Add(time.Duration(n) * time.Second)
				if at.Before(st.From) || !at.Before(st.To) || in(l.header.Exclusions, at) {
					continue
				}
				if len(runs) == 0 || !runs[len(runs)-1].Start.Add(time.Duration(len(runs[len(runs)-1].Levels))*time.Second).Equal(at) {
					runs = append(runs, series.Run{Start: at})
				}
				last := &runs[len(runs)-1]
				last.Levels = append(last.Levels, v)
			}
		}
		if len(runs) == 0 {
			if len(st.Levels) != 0 {
				t.Errorf("step %d has figures without samples", i)
			}
			continue
		}
		direct := uncertainty.NewStream(time.Second, true)
		for _, run := range runs {
			direct.Add(run)
		}
		f, _ := level(st.Levels, "LAeq")
		e, why := direct.SamplingOfMean()
		wantEstimate(t, "sampling", f.Sampling, e, why)
		e, why = direct.OfMean()
		wantEstimate(t, "representativity", f.Representativity, e, why)
		if why == "" {
			given++
		}
		if f, ok := level(st.Levels, "LAF10"); ok {
			e, why = direct.OfExceedance(10_000)
			wantEstimate(t, "representativity of LAF10", f.Representativity, e, why)
			e, why = uncertainty.SamplingOfExceedance(runs, time.Second, 10_000)
			wantEstimate(t, "sampling of LAF10", f.Sampling, e, why)
		}
		if f, _ := level(st.Levels, "LAFmax"); f.Sampling != nil || f.Representativity != nil {
			t.Error("a maximum has an uncertainty from samples")
		}
	}
	if given < 4 {
		t.Errorf("%d steps have an uncertainty", given)
	}
	// Too few effective samples say so.
	slow, _ := newLog(t, "LAF", time.Second).addRun(noon, wander(8, 3600, 600, 4)).doubtedSteps(t, r)
	f, _ := level(slow[0].Levels, "LAeq")
	if f.Representativity == nil || !strings.HasPrefix(f.Representativity.Reason, "the effective sample size is") {
		t.Errorf("a slow hour: %+v; want a reason", f.Representativity)
	}
}

// The steps of a long series are done by stretches: hours by 16 seconds, days by six
// minutes, each period of a day by its own, and its index by propagation.
func TestDoubtOfLongSteps(t *testing.T) {
	t.Parallel()
	start := time.Date(2026, 3, 3, 7, 0, 0, 0, time.UTC)
	const interval = 2 * time.Second
	levels := wander(9, 5*43200, 4, 4)
	l := newLog(t, "LAS", interval).addRun(start, levels)
	tallies := func(from, to, unit time.Duration) (ts []series.Tally) {
		for at := from; at < to; at += unit {
			ts = append(ts, series.TallyOf(levels[at/interval:(at+unit)/interval]))
		}
		return ts
	}
	r := request(time.UTC)
	r.Step = time.Hour
	steps, d := l.doubtedSteps(t, r)
	if len(d.Ask.Cells) != 5*24*225 || len(steps) != 120 {
		t.Fatalf("%d cells, %d steps; want a cell for each 16 s", len(d.Ask.Cells), len(steps))
	}
	for i, st := range steps {
		of := tallies(time.Duration(i)*time.Hour, time.Duration(i+1)*time.Hour, 16*time.Second)
		f, _ := level(st.Levels, "LAeq")
		e, why := uncertainty.OfMean(of)
		wantEstimate(t, "an hour", f.Representativity, e, why)
		e, why = uncertainty.GapsAtMostOfTallies(of)
		wantEstimate(t, "sampling of an hour", f.Sampling, e, why)
	}
	r.StepPercentiles = []series.Percent{50_000}
	steps, _ = l.doubtedSteps(t, r)
	var c series.Counts
	for _, v := range levels[:1800] {
		c.Add(v, 1)
	}
	f, _ := level(steps[0].Levels, "LAeq")
	e, why := uncertainty.GapsAtMost(c.Histogram())
	wantEstimate(t, "sampling by distribution", f.Sampling, e, why)
	f, _ = level(steps[0].Levels, "LAS50")
	e, why = uncertainty.GapsAtMostOf(c.Histogram(), 50_000)
	wantEstimate(t, "sampling of LAS50", f.Sampling, e, why)
	if f.Representativity == nil || !strings.Contains(f.Representativity.Reason, "no distributions are kept") {
		t.Errorf("LAS50: %+v; want a reason", f.Representativity)
	}

	r.Step, r.StepPercentiles = 24*time.Hour, nil
	steps, d = l.doubtedSteps(t, r)
	for _, cell := range d.Ask.Cells {
		if cell.To.Sub(cell.From) != 6*time.Minute {
			t.Fatalf("a stretch from %v to %v; want six minutes", cell.From, cell.To)
		}
	}
	night := tallies(24*time.Hour+16*time.Hour, 48*time.Hour, 6*time.Minute)
	f, _ = level(steps[1].Indices, "Lnight")
	e, why = uncertainty.OfMean(append(make([]series.Tally, 160), night...))
	wantEstimate(t, "a night", f.Representativity, e, why)
	f, _ = level(steps[1].Indices, "Lden")
	if f.Representativity == nil || f.Sampling == nil {
		t.Errorf("Lden of a day: %+v", f)
	}
	f, _ = level(steps[1].Levels, "LAeq")
	e, why = uncertainty.OfMean(tallies(24*time.Hour, 48*time.Hour, 6*time.Minute))
	wantEstimate(t, "a day", f.Representativity, e, why)

	// So many steps that their stretches would be too many say so.
	r.Step = time.Minute
	steps, d = l.doubtedSteps(t, r)
	f, _ = level(steps[0].Levels, "LAeq")
	if len(d.Ask.Cells) != 0 || f.Representativity == nil || !strings.Contains(f.Representativity.Reason, "ask for a shorter span") {
		t.Errorf("%d cells, %+v; want a reason", len(d.Ask.Cells), f.Representativity)
	}
	// Nothing is asked of peaks or without steps.
	r.Step = 0
	if _, d = l.doubtedSteps(t, r); len(d.Ask.Cells) != 0 {
		t.Errorf("%d cells without steps", len(d.Ask.Cells))
	}
	r.Step = time.Hour
	if _, d = newLog(t, "LCpeak", time.Second).add(noon, 7200, 90_00).doubtedSteps(t, r); len(d.Ask.Cells) != 0 {
		t.Errorf("%d cells of peaks", len(d.Ask.Cells))
	}
}

// Over many days each day is one stretch of the level of a period, a night that of the day
// on which it begins, also where the clock is set forward.
func TestDoubtOfPeriodsOverDays(t *testing.T) {
	t.Parallel()
	vienna := zone(t, "Europe/Vienna")
	start := time.Date(2026, 2, 20, 0, 0, 0, 0, vienna)
	const interval = 15 * time.Second
	levels := wander(10, 80*24*240, 8, 3)
	l := newLog(t, "LAS", interval).addRun(start.UTC(), levels)
	r := request(vienna)
	s, _ := l.doubted(t, r)
	night := make([]series.Tally, 81) // the first begins on the day before
	daytime := make([]series.Tally, 81)
	var hours []series.Tally
	lastHour := -1
	for i, v := range levels {
		at := start.Add(time.Duration(i) * interval).In(vienna)
		of := at.YearDay() - start.YearDay() + 1
		if at.Hour() >= 7 && at.Hour() < 19 {
			daytime[of].Add(v)
		}
		if at.Hour() >= 7 && at.Hour() < 23 {
			continue
		}
		if at.Hour() < 7 {
			of--
		}
		night[of].Add(v)
		if at.Hour() != lastHour {
			hours, lastHour = append(hours, series.Tally{}), at.Hour()
		}
		hours[len(hours)-1].Add(v)
	}
	f, _ := level(s.Indices, "Lnight")
	e, why := uncertainty.OfMean(night)
	wantEstimate(t, "Lnight", f.Representativity, e, why)
	if why != "" || e.Standard <= 0 {
		t.Errorf("of 80 nights: %+v %s", e, why)
	}
	f, _ = level(s.Indices, "Lday")
	e, why = uncertainty.OfMean(daytime)
	wantEstimate(t, "Lday", f.Representativity, e, why)
	f, _ = level(s.Indices, "Lnight")
	e, why = uncertainty.GapsAtMostOfTallies(hours)
	wantEstimate(t, "sampling of Lnight", f.Sampling, e, why)
	if f, _ := level(s.Indices, "Lden"); f.Representativity == nil || f.Representativity.Reason != "" || f.Representativity.Standard <= 0 {
		t.Errorf("Lden: %+v", f.Representativity)
	}
}
