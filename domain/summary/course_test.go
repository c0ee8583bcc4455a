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

// course plans and answers the course of logs at one position.
func courseOf(t *testing.T, r summary.Request, window, resolution time.Duration, logs ...*log) (c summary.Course, answers []series.Answer) {
	t.Helper()
	var headers []summary.Header
	for _, l := range logs {
		headers = append(headers, l.header)
	}
	c, err := summary.PlanCourse(r, headers, "LAeq", window, resolution)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range c.Plans {
		l := logs[p.Of]
		answers = append(answers, series.Collect(l.runs, l.header.Interval, p.Ask))
	}
	return c, answers
}

// random makes levels up, most of them between 40 and 60 dB.
func random(rng *rand.Rand, n int) []acoustic.Level {
	levels := make([]acoustic.Level, n)
	for i := range levels {
		levels[i] = acoustic.Level(40_00 + rng.IntN(2000))
		if rng.IntN(2000) == 0 {
			levels[i] += 30_00
		}
	}
	return levels
}

// A primary meter integrates minutes, a second meter is read by the second over part of the
// same time and beyond, and is asked again three months later. Every window is tried second
// by second in floating point.
func TestCourseWindows(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(20, 26))
	first := newLog(t, "LAeq", time.Minute).by(meterA).primary().addRun(noon, random(rng, 120))
	beside := random(rng, 9000)
	for i := range 1800 {
		beside[i] += 60_00 // where the primary meter counts
	}
	second := newLog(t, "LAF", time.Second).by(meterB).addRun(noon.Add(90*time.Minute), beside)
	later := noon.AddDate(0, 3, 0)
	second.addRun(later, random(rng, 5400))
	again := newLog(t, "LAF", time.Second).by(meterB).addRun(later.Add(90*time.Minute+100*time.Second), random(rng, 3500))
	again.add(later.Add(180*time.Minute), 480, 95_00) // too short for a quarter hour
	second.header.Exclusions = []series.Span{{From: noon.Add(150 * time.Minute), To: noon.Add(155 * time.Minute)}}
	r := request(time.UTC)
	r.Within = []series.Span{{From: later, To: later.Add(200 * time.Minute)}, {From: noon, To: noon.Add(4 * time.Hour)}}

	blocks := []struct {
		from  time.Time
		power []float64 // by second; NaN where nothing counts
		basis []summary.Basis
	}{{from: noon, power: make([]float64, 4*3600)}, {from: later, power: make([]float64, 200*60)}}
	for i := range blocks {
		b := &blocks[i]
		b.basis = make([]summary.Basis, len(b.power))
		for s := range b.power {
			b.power[s] = math.NaN()
			at := b.from.Add(time.Duration(s) * time.Second)
			for _, l := range []*log{again, second, first} { // the last counts
				if in(l.header.Exclusions, at) {
					continue
				}
				for _, run := range l.runs {
					if n := int(at.Sub(run.Start) / l.header.Interval); !at.Before(run.Start) && n < len(run.Levels) {
						b.power[s], b.basis[s] = math.Pow(10, float64(run.Levels[n])/1000), summary.Sampled
						if l == first {
							b.basis[s] = summary.Integrated
						}
					}
				}
			}
		}
	}
	for _, resolution := range []time.Duration{time.Minute, 5 * time.Minute, 15 * time.Minute} {
		best, at, basis, share := 0.0, time.Time{}, summary.Basis(""), 0.0
		for _, b := range blocks {
			for from := 0; from+900 <= len(b.power); from += int(resolution.Seconds()) {
				sum, n, integrated := 0.0, 0.0, 0.0
				for s := from; s < from+900; s++ {
					if !math.IsNaN(b.power[s]) {
						sum, n = sum+b.power[s], n+1
						if b.basis[s] == summary.Integrated {
							integrated++
						}
					}
				}
				if n < 0.75*900 || sum/n <= best {
					continue
				}
				best, at, share = sum/n, b.from.Add(time.Duration(from)*time.Second), integrated/n
				switch integrated {
				case 0:
					basis = summary.Sampled
				case n:
					basis = summary.Integrated
				default:
					basis = summary.Mixed
				}
			}
		}
		c, answers := courseOf(t, r, 15*time.Minute, resolution, first, second, again)
		w, why := c.Highest(answers, 0.75)
		if why != "" || math.Abs(float64(*w.Figure.Level)-10*math.Log10(best)) > 1e-9 || !w.From.Equal(at) || w.Figure.Basis != basis {
			t.Errorf("by %v: %+v, %s; want %v %s from %v", resolution, w, why, 10*math.Log10(best), basis, at)
		}
		if basis == summary.Mixed && (len(w.Figure.Shares) != 2 || math.Abs(w.Figure.Shares[0].Share-share) > 1e-12) {
			t.Errorf("by %v: shares %v; want %v integrated", resolution, w.Figure.Shares, share)
		}
		if c.LeftOut != 0 {
			t.Errorf("by %v: %d series are left out", resolution, c.LeftOut)
		}
	}

	// By the second the minutes take no part, and in their meter's time no other counts.
	c, answers := courseOf(t, r, 15*time.Minute, time.Second, first, second, again)
	w, why := c.Highest(answers, 0.75)
	if why != "" || c.LeftOut != 1 || w.Figure.Basis != summary.Sampled || w.From.Before(noon.Add(2*time.Hour)) {
		t.Errorf("by the second: %+v, %s, %d left out", w, why, c.LeftOut)
	}
}

// A loud quarter hour that lies on both meters is found whole, of both bases.
func TestCourseMixedWindow(t *testing.T) {
	t.Parallel()
	a := newLog(t, "LAeq", time.Minute).by(meterA).add(noon, 50, 50_00).add(noon.Add(50*time.Minute), 10, 70_00)
	half := newLog(t, "LAF", time.Second).by(meterA).add(noon.Add(time.Hour), 150, 74_00)
	b := newLog(t, "LAF", time.Second).by(meterA).add(noon.Add(time.Hour+150*time.Second), 150, 74_00).add(noon.Add(65*time.Minute), 3300, 50_00)
	c, answers := courseOf(t, request(time.UTC), 15*time.Minute, time.Minute, a, half, b)
	w, why := c.Highest(answers, 1)
	want := 10 * math.Log10((10*math.Pow(10, 7)+5*math.Pow(10, 7.4))/15)
	if why != "" || !w.From.Equal(noon.Add(50*time.Minute)) || math.Abs(float64(*w.Figure.Level)-want) > 1e-9 ||
		w.Figure.Basis != summary.Mixed || len(w.Figure.Shares) != 2 || math.Abs(w.Figure.Shares[0].Share-2./3) > 1e-12 || math.Abs(w.Figure.Shares[1].Share-1./3) > 1e-12 {
		t.Errorf("%+v, %s; want %v, two thirds integrated", w, why, want)
	}
	// A flag of either bounds the window.
	b.add(noon.Add(2*time.Hour), 300, series.OverRange).add(noon.Add(125*time.Minute), 600, 80_00)
	b.header.Ceiling = new(acoustic.Level(110_00))
	c, answers = courseOf(t, request(time.UTC), 15*time.Minute, time.Minute, a, half, b)
	if w, why := c.Highest(answers, 1); why != "" || w.Figure.Bound != summary.Lower || !w.From.Equal(noon.Add(110*time.Minute)) && !w.From.Equal(noon.Add(2*time.Hour)) {
		t.Errorf("over range: %+v, %s", w, why)
	}
}

// Two meters at once give no window unless one is primary, and coarse samples none that moves finely.
func TestCourseReasons(t *testing.T) {
	t.Parallel()
	a := newLog(t, "LAeq", 15*time.Minute).by(meterA).add(noon, 8, 50_00)
	b := newLog(t, "LAF", time.Second).by(meterB).add(noon, 3600, 60_00)
	reason := func(want string, logs ...*log) {
		t.Helper()
		c, answers := courseOf(t, request(time.UTC), 15*time.Minute, time.Minute, logs...)
		if w, why := c.Highest(answers, 0.75); !strings.Contains(why, want) {
			t.Errorf("%+v, %q; want %q", w, why, want)
		}
		if hours, why := c.TypicalDay(answers); hours != nil || why == "" {
			t.Errorf("a typical day: %v, %q", hours, why)
		}
	}
	reason("two meters", a, b)
	reason("the samples are of 900 s, longer than the 60 s", a)
	reason("no samples", newLog(t, "LAeq", time.Second))
	reason("no samples", newLog(t, "LAF", 0).add(noon, 20, 50_00))
	if _, err := summary.PlanCourse(request(time.UTC), nil, "LAeq", time.Hour, 7*time.Minute); err == nil {
		t.Error("a window of no multiple is planned")
	}
	symbols := summary.EquivalentSymbols([]summary.Header{newLog(t, "LCeq", time.Second).header, newLog(t, "LAFmax", time.Second).header, b.header, newLog(t, "LAF", 0).header})
	if len(symbols) != 2 || symbols[0] != "LAeq" || symbols[1] != "LCeq" {
		t.Errorf("symbols %v; want LAeq, LCeq", symbols)
	}
}

// Two surveys weeks apart make one typical day: 03-04 is of the integrated minutes of one
// day and of the readings of another, 04-05 of half an hour of each meter.
func TestCourseTypicalDay(t *testing.T) {
	t.Parallel()
	at := func(day, hour, minute int) time.Time { return time.Date(2026, 6, 10+day, hour, minute, 0, 0, time.UTC) }
	a := newLog(t, "LAeq", time.Minute).by(meterA).hold(at(0, 3, 0), at(0, 4, 0), 40_00).hold(at(0, 4, 0), at(0, 4, 20), 50_00)
	b := newLog(t, "LAF", time.Second).by(meterB).hold(at(0, 4, 20), at(0, 4, 40), 60_00).hold(at(20, 3, 0), at(20, 4, 0), 46_00).hold(at(20, 4, 0), at(20, 4, 20), 70_00)
	r := request(time.UTC)
	r.Within = []series.Span{{From: at(0, 0, 0), To: at(1, 0, 0)}, {From: at(20, 0, 0), To: at(21, 0, 0)}}
	c, answers := courseOf(t, r, time.Hour, time.Hour, a, b)
	hours, why := c.TypicalDay(answers)
	if why != "" || len(hours) != 24 {
		t.Fatalf("%v, %s", hours, why)
	}
	power := func(l float64) float64 { return math.Pow(10, l/10) }
	three, four := hours[3], hours[4]
	if three.Days != 2 || math.Abs(float64(*three.Figure.Level)-10*math.Log10((power(40)+power(46))/2)) > 1e-9 ||
		three.Figure.Basis != summary.Mixed || math.Abs(three.Figure.Shares[0].Share-0.5) > 1e-12 || math.Abs(*three.Spread-6/math.Sqrt2) > 1e-9 {
		t.Errorf("03-04: %+v, %+v", three, three.Figure)
	}
	// 40 min of the first day count, 20 min of the other are too little.
	if four.Days != 1 || four.LeftOut != 1 || math.Abs(float64(*four.Figure.Level)-10*math.Log10((power(50)+power(60))/2)) > 1e-9 {
		t.Errorf("04-05: %+v, %+v", four, four.Figure)
	}
}
