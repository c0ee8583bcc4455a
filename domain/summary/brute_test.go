package summary_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
)

// TestBruteForce compares the figures with a computation that shares nothing with
// the planner: it walks the span second by second and the samples one by one, asks
// the time package for every local clock reading and sums in floating point.
func TestBruteForce(t *testing.T) {
	t.Parallel()
	zones := []struct {
		name  string
		shift time.Duration // by which its clocks change
		start time.Time     // a day or so before a change, where there are any
	}{
		{"Europe/Vienna", time.Hour, time.Date(2026, 3, 28, 3, 20, 11, 0, time.UTC)},
		{"Europe/Vienna", time.Hour, time.Date(2026, 10, 23, 17, 0, 0, 0, time.UTC)},
		{"America/New_York", time.Hour, time.Date(2026, 3, 7, 1, 0, 30, 0, time.UTC)},
		{"America/New_York", time.Hour, time.Date(2026, 10, 31, 1, 0, 0, 0, time.UTC)},
		{"Asia/Kolkata", time.Hour, time.Date(2026, 5, 5, 20, 10, 0, 0, time.UTC)},
		{"Australia/Lord_Howe", 30 * time.Minute, time.Date(2026, 10, 2, 20, 0, 0, 0, time.UTC)},
		{"Australia/Lord_Howe", 30 * time.Minute, time.Date(2026, 4, 3, 20, 0, 7, 0, time.UTC)},
		{"America/Havana", time.Hour, time.Date(2026, 10, 30, 20, 0, 0, 0, time.UTC)}, // back from 01 to 00
		{"America/Santiago", time.Hour, time.Date(2026, 4, 3, 11, 0, 0, 0, time.UTC)}, // back from 24 to 23
		{"America/Santiago", time.Hour, time.Date(2026, 9, 4, 11, 0, 0, 0, time.UTC)}, // on from 00 to 01
	}
	kinds := []struct {
		symbol   string
		interval time.Duration
		step     time.Duration
	}{
		{"LAF", time.Second, time.Hour},
		{"LAeq", time.Second, 15 * time.Minute},
		{"LAS", 10 * time.Second, 24 * time.Hour},
		{"LAeq", 15 * time.Minute, 4 * time.Hour},
		{"LAFmax", time.Minute, 7 * time.Hour},
	}
	for i, z := range zones {
		for j, k := range kinds {
			t.Run(fmt.Sprintf("%s %d %s %s by %s", z.name, i, k.symbol, k.interval, k.step), func(t *testing.T) {
				t.Parallel()
				rng := rand.New(rand.NewPCG(uint64(i), uint64(j)))
				b := &brute{
					log:   generate(t, rng, k.symbol, k.interval, z.start),
					zone:  zone(t, z.name),
					shift: z.shift,
				}
				from := z.start.Add(time.Duration(rng.IntN(7200)-3600) * time.Second)
				to := z.start.Add(60*time.Hour + time.Duration(rng.IntN(36_000))*time.Second)
				b.r = request(b.zone)
				b.r.From, b.r.To, b.r.Step = &from, &to, k.step
				b.r.StepPercentiles = []series.Percent{1_000, 50_000, 99_500}
				b.r.UsableOnly = rng.IntN(3) == 0
				b.r.IgnoreExclusions = rng.IntN(3) == 0
				if j%2 == 1 {
					b.r.Periods, _ = acoustic.PeriodSetNamed("day_night")
				}
				b.log.header.Exclusions = spans(rng, z.start)
				b.log.header.Verdict = &summary.Verdict{Outcome: "valid_in_part", Usable: append(spans(rng, z.start), series.Span{From: z.start, To: z.start.Add(50 * time.Hour)})}
				if rng.IntN(2) == 0 {
					b.log.header.Floor = new(acoustic.Level(24_00))
					b.log.header.Ceiling = new(acoustic.Level(137_00))
				}
				b.compare(t)
			})
		}
	}
}

// generate makes three days up: a random walk with gaps and runs of flagged samples.
func generate(t *testing.T, rng *rand.Rand, symbol string, interval time.Duration, start time.Time) *log {
	l := newLog(t, symbol, interval)
	left := int(72 * time.Hour / interval)
	at := start
	value := 55_00.0
	for left > 0 {
		n := min(left, 1+rng.IntN(40_000))
		levels := make([]acoustic.Level, n)
		for i := 0; i < n; {
			if rng.IntN(8) == 0 {
				flag := series.UnderRange
				if rng.IntN(4) == 0 {
					flag = series.OverRange
				}
				for range min(n-i, 1+rng.IntN(400)) {
					levels[i], i = flag, i+1
				}
				continue
			}
			for range min(n-i, 1+rng.IntN(9000)) {
				value = min(max(value+30*rng.NormFloat64(), 28_00), 95_00)
				levels[i], i = acoustic.Level(value), i+1
			}
		}
		l.addRun(at, levels)
		gap := rng.IntN(2000)
		at, left = at.Add(time.Duration(n+gap)*interval), left-n-gap
	}
	return l
}

// spans makes up to six spans in three days, in no order and perhaps overlapping.
func spans(rng *rand.Rand, start time.Time) []series.Span {
	all := make([]series.Span, rng.IntN(7))
	for i := range all {
		from := start.Add(time.Duration(rng.IntN(72*3600)) * time.Second)
		all[i] = series.Span{From: from, To: from.Add(time.Duration(1+rng.IntN(9000)) * time.Second)}
	}
	return all
}

// brute computes the figures of a log the long way.
type brute struct {
	log   *log
	zone  *time.Location
	shift time.Duration
	r     summary.Request
}

// lot is what one scope holds.
type lot struct {
	from, to time.Time
	asked    float64 // s
	samples  []acoustic.Level
	periods  []periodLot
}

type periodLot struct {
	asked   float64
	samples []acoustic.Level
	hours   map[string]*[2]float64 // asked and measured s, by the clock hour
}

func in(spans []series.Span, t time.Time) bool {
	return slices.ContainsFunc(spans, func(s series.Span) bool { return !t.Before(s.From) && t.Before(s.To) })
}

// wall returns what a clock in the zone shows, as if it were UTC.
func (b *brute) wall(t time.Time) time.Time {
	l := t.In(b.zone)
	return time.Date(l.Year(), l.Month(), l.Day(), l.Hour(), l.Minute(), l.Second(), l.Nanosecond(), time.UTC)
}

// stepKey names the step that an instant lies in.
func (b *brute) stepKey(t time.Time) string {
	switch b.r.Step {
	case 24 * time.Hour: // the day begins with its day period, at 07
		return b.wall(t).Add(-7 * time.Hour).Format(time.DateOnly)
	case 7 * time.Hour: // divides no day
		return fmt.Sprint(int(t.Sub(*b.r.From) / b.r.Step))
	}
	w := b.wall(t)
	key := fmt.Sprint(w.Format(time.DateOnly), " ", (w.Hour()*3600+w.Minute()*60+w.Second())/int(b.r.Step.Seconds()))
	if b.shift%b.r.Step == 0 {
		_, offset := t.In(b.zone).Zone()
		key += fmt.Sprint(" ", offset)
	}
	return key
}

// period returns the period of an instant and its clock hour.
func (b *brute) period(t time.Time) (int, string) {
	h := t.In(b.zone).Hour()
	switch {
	case b.r.Periods.Index == "Ldn" && (h < 7 || h >= 22):
		return 1, fmt.Sprint(h)
	case h >= 7 && h < 19, b.r.Periods.Index == "Ldn":
		return 0, fmt.Sprint(h)
	case h >= 19 && h < 23:
		return 1, fmt.Sprint(h)
	}
	return 2, fmt.Sprint(h)
}

func (b *brute) newLot(from time.Time) *lot {
	l := &lot{from: from, periods: make([]periodLot, len(b.r.Periods.Periods))}
	for i := range l.periods {
		l.periods[i].hours = map[string]*[2]float64{}
	}
	return l
}

func (b *brute) compare(t *testing.T) {
	h := b.log.header
	from, to := *b.r.From, *b.r.To
	total := b.newLot(from)
	total.to = to
	var steps []*lot
	byKey := map[string]*lot{}
	excluded := 0.0
	for at := from; at.Before(to); at = at.Add(time.Second) {
		key := b.stepKey(at)
		if byKey[key] == nil {
			byKey[key] = b.newLot(at)
			steps = append(steps, byKey[key])
		}
		p, hour := b.period(at)
		for _, l := range []*lot{total, byKey[key]} {
			l.asked++
			l.to = at.Add(time.Second)
			l.periods[p].asked++
			if l.periods[p].hours[hour] == nil {
				l.periods[p].hours[hour] = new([2]float64)
			}
			l.periods[p].hours[hour][0]++
		}
		if !b.r.IgnoreExclusions && in(h.Exclusions, at) {
			excluded++
		}
	}
	interval := h.Interval.Seconds()
	usable := 0.0
	for _, run := range b.log.runs {
		for i, v := range run.Levels {
			at := run.Start.Add(time.Duration(i) * h.Interval)
			good := in(h.Verdict.Usable, at)
			if at.Before(from) || !at.Before(to) || !b.r.IgnoreExclusions && in(h.Exclusions, at) || b.r.UsableOnly && !good {
				continue
			}
			if good {
				usable += interval
			}
			p, hour := b.period(at)
			for _, l := range []*lot{total, byKey[b.stepKey(at)]} {
				l.samples = append(l.samples, v)
				l.periods[p].samples = append(l.periods[p].samples, v)
				l.periods[p].hours[hour][1] += interval
			}
		}
	}

	s := b.log.summarize(t, b.r)
	if got := s.Excluded.Seconds(); got != excluded {
		t.Errorf("excluded %v s; want %v", got, excluded)
	}
	if got := s.Usable.Seconds(); got != usable {
		t.Errorf("usable %v s; want %v", got, usable)
	}
	if got := s.Samples + s.UnderRange + s.OverRange; got != int64(len(total.samples)) {
		t.Errorf("%d samples; want %d", got, len(total.samples))
	}
	b.compareLevels(t, "whole", total, s.Levels, s.Coverage, b.r.Percentiles)
	if h.Quantity.Statistic != series.Maximum {
		b.compareIndices(t, "whole", total, s.Indices)
		for i, p := range s.Periods {
			if got, want := p.Measured.Seconds(), interval*float64(len(total.periods[i].samples)); got != want {
				t.Errorf("%s measured %v s; want %v", p.Symbol, got, want)
			}
			if got, want := p.Asked.Seconds(), total.periods[i].asked; got != want {
				t.Errorf("%s asked %v s; want %v", p.Symbol, got, want)
			}
		}
	}
	if s.Steps.Len() != len(steps) {
		t.Fatalf("%d steps; want %d", s.Steps.Len(), len(steps))
	}
	for i, st := range stepsOf(s.Steps) {
		want := steps[i]
		if !st.From.Equal(want.from) || !st.To.Equal(want.to) {
			t.Errorf("step %d is %v to %v; want %v to %v", i, st.From, st.To, want.from, want.to)
		}
		name := "step from " + st.From.In(b.zone).Format(time.DateTime)
		b.compareLevels(t, name, want, st.Levels, st.Coverage, b.r.StepPercentiles)
		if b.r.Step == 24*time.Hour {
			b.compareIndices(t, name, want, st.Indices)
		}
	}
}

// check compares one figure: levels of energy to 1e-9 dB, those of samples and the rest exactly.
func check(t *testing.T, scope string, got []summary.Figure, symbol string, want summary.Figure, ok bool) {
	t.Helper()
	f, found := level(got, symbol)
	if g, w := figure(f, found), figure(want, ok); g != w {
		t.Errorf("%s: %s = %s; want %s", scope, symbol, g, w)
		return
	}
	tolerance := 0.0
	if slices.Contains([]string{"LAeq", "Lday", "Levening", "Lnight", "Lden", "Ldn"}, symbol) {
		tolerance = 1e-9
	}
	for _, d := range [][2]*acoustic.Decibel{{f.Level, want.Level}, {f.Lowest, want.Lowest}, {f.Below, want.Below}, {f.Above, want.Above}} {
		if d[0] != nil && !(math.Abs(float64(*d[0]-*d[1])) <= tolerance) {
			t.Errorf("%s: %s = %v; want %v", scope, symbol, *d[0], *d[1])
		}
	}
}

// figure writes a figure so that a difference can be read.
func figure(f summary.Figure, found bool) string {
	if !found {
		return "none"
	}
	text := string(f.Bound) + " " + string(f.Range)
	for _, d := range []*acoustic.Decibel{f.Level, f.Lowest, f.Below, f.Above} {
		if d == nil {
			text += " -"
		} else {
			text += fmt.Sprintf(" %.6f", *d)
		}
	}
	return text
}

func (b *brute) compareLevels(t *testing.T, name string, l *lot, got []summary.Figure, coverage *float64, percentiles []series.Percent) {
	t.Helper()
	interval := b.log.header.Interval.Seconds()
	if want := min(1, float64(len(l.samples))*(interval*1e6)/(l.asked*1e6)); *coverage != want {
		t.Errorf("%s: coverage %v; want %v", name, *coverage, want)
	}
	q := b.log.header.Quantity
	sorted := slices.Clone(l.samples) // flags sort below and above all numbers
	slices.Sort(sorted)
	slices.Reverse(sorted)
	n := len(sorted)
	at := func(rank int) summary.Figure { return b.read(sorted[min(rank, n)-1]) }
	if n == 0 {
		if len(got) > 0 {
			t.Errorf("%s: figures %v without samples", name, got)
		}
		return
	}
	switch q.Statistic {
	case series.Maximum:
		check(t, name, got, q.Symbol, at(1), true)
		return
	case series.Instant:
		maximum, minimum := at(1), at(n)
		maximum.Bound, minimum.Bound = summary.Lower, summary.Upper
		check(t, name, got, q.Symbol+"max", maximum, true)
		check(t, name, got, q.Symbol+"min", minimum, true)
	}
	mean, ok := b.mean(l.samples)
	check(t, name, got, "LAeq", mean.figure(), ok)
	prefix := q.Symbol
	if q.Symbol == "LAeq" {
		prefix = "LA"
	}
	for _, p := range percentiles {
		symbol := fmt.Sprintf("%s%g", prefix, float64(p)/1000)
		enough := float64(n)*min(float64(p), 100_000-float64(p))/100_000 >= 5
		if q.Symbol == "LAeq" && interval > 1 || !enough {
			check(t, name, got, symbol, summary.Figure{}, false)
			continue
		}
		check(t, name, got, symbol, at(n*int(p)/100_000+1), true)
	}
}

// read returns what is known of one sample.
func (b *brute) read(v acoustic.Level) summary.Figure {
	h := b.log.header
	switch v {
	case series.UnderRange:
		if h.Floor != nil {
			return summary.Figure{Below: new(h.Floor.Decibel()), Range: summary.Declared}
		}
		return summary.Figure{Below: new(h.Lowest.Decibel()), Range: summary.Inferred}
	case series.OverRange:
		if h.Ceiling != nil {
			return summary.Figure{Above: new(h.Ceiling.Decibel()), Range: summary.Declared}
		}
		return summary.Figure{Above: new(h.Highest.Decibel()), Range: summary.Inferred}
	}
	return summary.Figure{Level: new(v.Decibel())}
}

// mean is a mean power ratio between two ends.
type mean struct {
	low, high float64
	over      bool
	source    summary.RangeSource
}

func (b *brute) mean(samples []acoustic.Level) (m mean, ok bool) {
	m.over = slices.Contains(samples, series.OverRange)
	for _, v := range samples {
		r := b.read(v)
		switch {
		case r.Level != nil:
			m.low += math.Pow(10, float64(*r.Level)/10)
			m.high += math.Pow(10, float64(*r.Level)/10)
		case r.Above != nil:
			m.low += math.Pow(10, float64(*r.Above)/10)
			m.source = r.Range
		case !m.over:
			m.high += math.Pow(10, float64(*r.Below)/10)
			m.source = r.Range
		}
	}
	m.low /= float64(len(samples))
	m.high /= float64(len(samples))
	return m, len(samples) > 0
}

func (m mean) figure() summary.Figure {
	low, high := acoustic.Decibel(10*math.Log10(m.low)), acoustic.Decibel(10*math.Log10(m.high))
	switch {
	case m.over:
		return summary.Figure{Level: &low, Bound: summary.Lower, Range: m.source}
	case high-low < 0.05:
		return summary.Figure{Level: &high, Range: m.source}
	case m.low == 0:
		return summary.Figure{Level: &high, Bound: summary.Upper, Range: m.source}
	}
	return summary.Figure{Level: &high, Lowest: &low, Bound: summary.Upper, Range: m.source}
}

func (b *brute) compareIndices(t *testing.T, name string, l *lot, got []summary.Figure) {
	t.Helper()
	interval := b.log.header.Interval.Seconds()
	hours, penalties := []float64{12, 4, 8}, []float64{0, 5, 10}
	if b.r.Periods.Index == "Ldn" {
		hours, penalties = []float64{15, 9}, []float64{0, 10}
	}
	var day mean
	all := true
	for i, p := range b.r.Periods.Periods {
		pl := l.periods[i]
		ok := float64(len(pl.samples))*interval/max(pl.asked, 3600*hours[i]) >= 0.75
		for h := range 24 {
			of, _ := b.period(time.Date(2026, 7, 1, h, 0, 0, 0, b.zone))
			if of != i {
				continue
			}
			switch at := pl.hours[fmt.Sprint(h)]; {
			case at == nil:
				ok = ok && b.skips(l, h)
			case at[1] < at[0]/2:
				ok = false
			}
		}
		m, some := b.mean(pl.samples)
		ok = ok && some
		all = all && ok
		check(t, name, got, p.Symbol, m.figure(), ok)
		if m.source != "" {
			day.source = m.source
		}
		raised := hours[i] / 24 * math.Pow(10, penalties[i]/10)
		day.low, day.high, day.over = day.low+raised*m.low, day.high+raised*m.high, day.over || m.over
	}
	check(t, name, got, b.r.Periods.Index, day.figure(), all)
}

// skips reports whether the clocks of a scope jump over an hour of the day.
func (b *brute) skips(l *lot, hour int) bool {
	for at := l.from.Add(time.Second); at.Before(l.to); at = at.Add(time.Second) {
		before, after := b.wall(at.Add(-time.Second)), b.wall(at)
		if after.Sub(before) > time.Second {
			jumped := before.Add(time.Second)
			return jumped.Hour() == hour && after.Sub(jumped) >= time.Hour && jumped.Minute() == 0
		}
	}
	return false
}
