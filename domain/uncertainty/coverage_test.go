package uncertainty_test

import (
	"bytes"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/uncertainty"
)

var full = flag.Bool("full", false, "simulate with as many runs as COVERAGE.md and write it")

// fine is how many instants are simulated for each reading.
const fine = 8

// signal is a kind of sound, of levels that go with time.
type signal struct {
	correlation float64 // seconds, of the levels of a background that goes like AR(1)
	spread      float64 // dB, standard deviation of its levels
	every       float64 // seconds between events on average; 0 for none
	lasting     float64 // seconds of an event
	above       float64 // dB of events above the middle of the background, on average
}

// differing is the standard deviation of the levels of events, in dB.
const differing = 3.0

const middle = 50.0

// mean returns the energy mean of the signal over all time, in dB.
func (s signal) mean() float64 {
	v := s.spread / 10 * math.Ln10
	w := math.Pow(10, middle/10) * math.Exp(v*v/2)
	if s.every > 0 {
		d := differing / 10 * math.Ln10
		w += math.Pow(10, (middle+s.above)/10) * math.Exp(d*d/2) * s.lasting / s.every
	}
	return 10 * math.Log10(w)
}

// exceeded returns the level exceeded in a share of all time, without events.
func (s signal) exceeded(share float64) float64 {
	return middle + s.spread*math.Sqrt2*math.Erfinv(1-2*share)
}

// powers returns the power ratios of n seconds at all instants.
func (s signal) powers(rng *rand.Rand, n int) []float64 {
	powers := make([]float64, n*fine)
	phi := math.Exp(-1 / (s.correlation * fine))
	noise := s.spread * math.Sqrt(1-phi*phi)
	x := s.spread * rng.NormFloat64()
	next := math.Inf(1)
	if s.every > 0 {
		next = rng.ExpFloat64()*s.every - s.lasting // the first may have begun before
	}
	type event struct{ end, power float64 }
	var events []event
	for i := range powers {
		now := float64(i) / fine
		for next <= now {
			events = append(events, event{next + s.lasting, math.Pow(10, (middle+s.above+differing*rng.NormFloat64())/10)})
			next += rng.ExpFloat64() * s.every
		}
		for len(events) > 0 && events[0].end <= now {
			events = events[1:]
		}
		w := math.Exp((middle + x) * math.Ln10 / 10)
		for _, e := range events {
			w += e.power
		}
		powers[i] = w
		x = phi*x + noise*rng.NormFloat64()
	}
	return powers
}

// levelOf returns the level of a power ratio as it is kept.
func levelOf(w float64) acoustic.Level { return acoustic.Level(math.Round(100 * 10 * math.Log10(w))) }

// make returns readings of n seconds, one a second, and the energy mean of all
// instants, which are counted in all unless it is nil.
func (s signal) make(rng *rand.Rand, n int, all *series.Counts) (levels []acoustic.Level, mean float64) {
	levels = make([]acoustic.Level, n)
	total := 0.0
	for i, w := range s.powers(rng, n) {
		total += w
		if i%fine == 0 {
			levels[i/fine] = levelOf(w)
		}
		if all != nil {
			all.Add(levelOf(w), 1)
		}
	}
	return levels, 10 * math.Log10(total/float64(n*fine))
}

// hits counts intervals and how many hold their target.
type hits struct{ runs, given, held int }

func (h *hits) add(figure acoustic.Decibel, e uncertainty.Estimate, reason string, target float64) {
	h.runs++
	if reason != "" {
		return
	}
	h.given++
	if u, _ := e.Expanded(); math.Abs(float64(figure)-target) <= float64(u)+1e-9 {
		h.held++
	}
}

// within reports whether the share that held lies in [low, high] but for what chance
// explains: three standard deviations.
func (h hits) within(low, high float64) bool {
	share, n := float64(h.held)/float64(h.given), float64(h.given)
	chance := func(p float64) float64 { return 3 * math.Sqrt(p*(1-p)/n) }
	return h.given == 0 || h.given < h.runs/20 || share >= low-chance(low) && share <= high+chance(high)
}

// String returns the percentage that held, and in how many percent of the runs a figure was given.
func (h hits) String() string {
	switch {
	case h.runs == 0: // not asked
		return ""
	case h.given < h.runs/20:
		return fmt.Sprintf("– (%.0f)", math.Round(100*float64(h.given)/float64(h.runs)))
	case h.given < h.runs:
		return fmt.Sprintf("%.1f (%.0f)", 100*float64(h.held)/float64(h.given), 100*float64(h.given)/float64(h.runs))
	}
	return fmt.Sprintf("%.1f", 100*float64(h.held)/float64(h.given))
}

// trial is a signal over a length, and how often intervals of it hold.
type trial struct {
	signal
	length          time.Duration
	gaps, gaps90    hits // the very interval: LAeq, LAF90
	mean, quarters  hits // the longer time: LAeq from samples, from tallies of quarter hours
	l10, l90        hits // the longer time: LAF10, LAF90
	sampling, whole sum  // standard uncertainties of LAeq
}

// sum is a mean in the making.
type sum struct{ total, n float64 }

func (s *sum) add(x float64) { s.total, s.n = s.total+x, s.n+1 }

func (s sum) String() string {
	if s.n == 0 {
		return ""
	}
	return fmt.Sprintf("%.3f", s.total/s.n)
}

func (tr *trial) run(seed uint64, runs int) {
	rng := rand.New(rand.NewPCG(seed, 1))
	start := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)
	for range runs {
		var all *series.Counts
		if tr.length <= time.Hour {
			all = new(series.Counts)
		}
		levels, truth := tr.make(rng, int(tr.length.Seconds()), all)
		rs := []series.Run{{Start: start, Levels: levels}}
		s := uncertainty.NewStream(time.Second, true)
		s.Add(rs[0])
		t := series.TallyOf(levels)
		leq, _ := t.Energy.Mean(t.Count)
		e, why := s.SamplingOfMean()
		tr.gaps.add(leq, e, why, truth)
		if why == "" {
			tr.sampling.add(float64(e.Standard))
		}
		e, why = s.OfMean()
		tr.mean.add(leq, e, why, tr.signal.mean())
		if why == "" {
			tr.whole.add(float64(e.Standard))
		}
		var c series.Counts
		for _, l := range levels {
			c.Add(l, 1)
		}
		h := c.Histogram()
		if tr.every == 0 {
			for p, into := range map[series.Percent]*hits{10_000: &tr.l10, 90_000: &tr.l90} {
				l, _ := h.Exceedance(p)
				e, why := s.OfExceedance(p)
				into.add(l.Decibel(), e, why, tr.exceeded(float64(p)/100_000))
			}
		}
		if all != nil {
			target, _ := all.Histogram().Exceedance(90_000)
			l, _ := h.Exceedance(90_000)
			e, why := uncertainty.SamplingOfExceedance(rs, time.Second, 90_000)
			tr.gaps90.add(l.Decibel(), e, why, float64(target.Decibel()))
		}
		if tr.length >= 24*time.Hour {
			var quarters []series.Tally
			for i := 0; i < len(levels); i += 900 {
				quarters = append(quarters, series.TallyOf(levels[i:min(i+900, len(levels))]))
			}
			e, why := uncertainty.OfMean(quarters)
			tr.quarters.add(leq, e, why, tr.signal.mean())
		}
	}
}

// effective is the effective sample size of the levels of AR(1): length over twice the correlation time.
func (tr *trial) effective() float64 { return tr.length.Seconds() / (2 * tr.correlation) }

// heard is how many events are read on average, of short ones not every one.
func (tr *trial) heard() float64 { return tr.length.Seconds() / tr.every * min(1, tr.lasting) }

// fewestHeard is how many events must come on average for intervals to be held to their promise.
const fewestHeard = 7

func trials() []*trial {
	var all []*trial
	for _, length := range []time.Duration{15 * time.Minute, time.Hour, 8 * time.Hour, 24 * time.Hour} {
		for _, correlation := range []float64{1, 10, 60} {
			for _, spread := range []float64{2, 5, 8} {
				all = append(all, &trial{signal: signal{correlation: correlation, spread: spread}, length: length})
			}
		}
		for _, e := range []signal{
			{every: 30, lasting: 5, above: 15},
			{every: 300, lasting: 20, above: 20},
			{every: 3600, lasting: 20, above: 30},
			{every: 20, lasting: 0.25, above: 25},
			{every: 60, lasting: 0.25, above: 25},
		} {
			e.correlation, e.spread = 10, 2
			all = append(all, &trial{signal: e, length: length})
		}
	}
	return all
}

// closelyHeld reports whether intervals are held to 93 % to 97 %.
func (tr *trial) closelyHeld() bool {
	return tr.spread <= 5 && tr.effective() >= 1000 && tr.every == 0
}

// rounds is how often a trial is run with -full: as often as leaves ±0.3 % of chance
// where intervals are closely held.
func (tr *trial) rounds() int {
	switch {
	case tr.closelyHeld() || tr.length == time.Hour:
		return 4000
	case tr.length < time.Hour:
		return 3000
	}
	return 1000
}

// check holds a trial to what is promised.
func (tr *trial) check(t *testing.T) {
	low, high := 0.90, 1.0
	if tr.closelyHeld() {
		low, high = 0.93, 0.97
	}
	for name, h := range map[string]hits{"sampling": tr.gaps, "mean": tr.mean, "quarters": tr.quarters, "L10": tr.l10, "L90": tr.l90, "sampling L90": tr.gaps90} {
		from, to := low, high
		switch name {
		case "quarters", "sampling L90": // bounded below alone: stretches hide the shortest memories, readings are rounded
			from, to = 0.90, 1
		}
		if !h.within(from, to) {
			t.Errorf("%v of %+v, %s: %v %% of intervals of 95 %% hold; want %v to %v", tr.length, tr.signal, name, h, 100*from, 100*to)
		}
	}
}

// TestCoverage simulates signals of known mean and says how often intervals of 95 %
// hold it; with -full as often as COVERAGE.md tells, which is then written. The targets
// are those of the model, so that nothing of the package judges itself.
func TestCoverage(t *testing.T) {
	t.Parallel()
	all := trials()
	t.Run("signals", func(t *testing.T) {
		for i, tr := range all {
			if !*full && tr.length > time.Hour {
				continue
			}
			t.Run(fmt.Sprint(tr.length, tr.signal), func(t *testing.T) {
				t.Parallel()
				runs := 200
				if *full {
					runs = tr.rounds()
				}
				tr.run(uint64(i), runs)
				if tr.every == 0 || tr.heard() >= fewestHeard {
					tr.check(t)
				}
			})
		}
	})
	if *full {
		rewrite(t, func(_, stretches []byte) [][]byte { return [][]byte{report(all), stretches} })
	}
}

// stretchesBegin is the heading of the second part of COVERAGE.md.
const stretchesBegin = "## By stretches, by days, by several series\n"

// rewrite writes COVERAGE.md anew, of which each test makes a part.
func rewrite(t *testing.T, parts func(signals, stretches []byte) [][]byte) {
	t.Helper()
	old, err := os.ReadFile("COVERAGE.md")
	if err != nil {
		t.Fatal(err)
	}
	signals, stretches, found := bytes.Cut(old, []byte("\n"+stretchesBegin))
	if found {
		stretches = append([]byte("\n"+stretchesBegin), stretches...)
	}
	if err := os.WriteFile("COVERAGE.md", bytes.Join(parts(signals, stretches), nil), 0o644); err != nil {
		t.Fatal(err)
	}
}

// report writes the trials as a document.
func report(all []*trial) []byte {
	var out bytes.Buffer
	out.WriteString(`# How often intervals of 95 % hold their target

Simulated by ` + "`go test ./domain/uncertainty -run Coverage -full`" + `: 4,000 runs of 1 h and of what is held to 93 % to
97 %, 3,000 of 15 min, 1,000 of the others, each of readings once a second, kept to 0.01 dB, of a signal made eight
times a second. Each cell: percentage of the intervals given that hold their target, and in brackets in what percentage
of the runs one was given, where not in all. No percentage stands where fewer than 5 % were given. 4,000 runs leave ±0.3
of chance (one standard deviation), 1,000 leave ±0.7, and cells with brackets more.

Promised, and held by the test but for three times that chance: 93 % to 97 % of AR(1) with s up to 5 dB and 1,000
effective samples or more (LAF90 of the very interval, which is rounded to 0.01 dB, and quarter hours at least 90 %); at
least 90 % wherever a figure is given. Quarter hours stand in for samples from 100,000 samples on: a day of them, as here,
is the fewest, and with their memory hidden they are on the safe side.

*Very interval*: LAeq, LAF90 of all instants between the first reading and the last. *Longer time*: that of the
endless signal. *Quarter hours*: the same from tallies of quarter hours, as long spans are done. u is the mean
standard uncertainty of LAeq in dB. τ: correlation time of the levels, s: their standard deviation, effective:
length/2τ.

## Levels that go like AR(1)

| length | τ, s | s, dB | effective | u | LAeq, very interval | LAF90, very interval | u | LAeq, longer time | quarter hours | LAF10, longer time | LAF90, longer time |
|---|---|---|---|---|---|---|---|---|---|---|---|
`)
	for _, tr := range all {
		if tr.every == 0 {
			fmt.Fprintf(&out, "| %s | %g | %g | %.0f | %v | %v | %v | %v | %v | %v | %v | %v |\n",
				hours(tr.length), tr.correlation, tr.spread, tr.effective(), tr.sampling, tr.gaps, tr.gaps90, tr.whole, tr.mean, tr.quarters, tr.l10, tr.l90)
		}
	}
	const head = `
| length | every, s | lasting, s | above, dB | heard on average | u | LAeq, very interval | u | LAeq, longer time | quarter hours |
|---|---|---|---|---|---|---|---|---|---|
`
	out.WriteString(`
## Rare events

Events come at random, their levels with a standard deviation of 3 dB, above a background of s = 2 dB and τ = 10 s. An event shorter than a second is not always read.
` + head)
	events(&out, all, true)
	fmt.Fprintf(&out, `
## Too rare to be heard

With fewer than %d events on average a time may well have none, and then is what it is without them. No method can
tell, so that these uncertainties say nothing of sounds that did not come while measuring: choose times in which they do.
`, fewestHeard)
	out.WriteString(head)
	events(&out, all, false)
	return out.Bytes()
}

// events writes the trials with events, those in which enough are heard or the others.
func events(out *bytes.Buffer, all []*trial, enough bool) {
	for _, tr := range all {
		if tr.every > 0 && tr.heard() >= fewestHeard == enough {
			fmt.Fprintf(out, "| %s | %g | %g | %g | %.1f | %v | %v | %v | %v | %v |\n",
				hours(tr.length), tr.every, tr.lasting, tr.above, tr.heard(), tr.sampling, tr.gaps, tr.whole, tr.mean, tr.quarters)
		}
	}
}

// hours writes a length.
func hours(d time.Duration) string {
	if d < time.Hour {
		return fmt.Sprintf("%.0f min", d.Minutes())
	}
	return fmt.Sprintf("%.0f h", d.Hours())
}
