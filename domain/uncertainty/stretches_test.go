package uncertainty_test

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/uncertainty"
)

// pieces is a signal measured in pieces, and how often intervals hold.
type pieces struct {
	signal
	nights                int  // measured each from 23 to 07, of readings every 15 s; zero: an hour of seconds
	mixed                 bool // an hour of integrated minutes and an hour of readings
	gaps, whole           hits
	gapsMeant, wholeMeant sum
	effective             float64
}

// perNight is how many readings a night has.
const perNight = 8 * 240

func (p *pieces) run(seed uint64, runs int) {
	rng := rand.New(rand.NewPCG(seed, 2))
	for range runs {
		switch {
		case p.nights > 0:
			p.ofNights(rng)
		case p.mixed:
			p.ofBoth(rng)
		default:
			p.ofQuarters(rng)
		}
	}
}

func (p *pieces) add(figure float64, sampling uncertainty.Estimate, why string, target float64) {
	p.gaps.add(acoustic.Decibel(figure), sampling, why, target)
	if why == "" {
		p.gapsMeant.add(float64(sampling.Standard))
	}
}

func (p *pieces) addWhole(figure float64, e uncertainty.Estimate, why string) {
	p.whole.add(acoustic.Decibel(figure), e, why, p.mean())
	if why == "" {
		p.wholeMeant.add(float64(e.Standard))
	}
}

// ofQuarters is an hour in quarter minutes, as steps of long series are done.
func (p *pieces) ofQuarters(rng *rand.Rand) {
	levels, truth := p.make(rng, 3600, nil)
	quarters := tallied(levels, 15)
	leq, _ := series.TallyOf(levels).Energy.Mean(3600)
	e, why := uncertainty.GapsAtMostOfTallies(quarters)
	p.add(float64(leq), e, why, truth)
	e, why = uncertainty.OfMean(quarters)
	p.addWhole(float64(leq), e, why)
}

// ofNights is the nights of many days, each of which is a stretch. Of the gaps, hours tell.
func (p *pieces) ofNights(rng *rand.Rand) {
	phi := math.Exp(-15 / p.correlation)
	noise := p.spread * math.Sqrt(1-phi*phi)
	days := math.Exp(-16 * 3600 / p.correlation) // what is left of a night's end at the next one's beginning
	x := p.spread * rng.NormFloat64()
	var levels []acoustic.Level
	for range p.nights {
		for range perNight {
			levels = append(levels, levelOf(math.Exp((middle+x)*math.Ln10/10)))
			x = phi*x + noise*rng.NormFloat64()
		}
		x = days*x + p.spread*math.Sqrt(1-days*days)*rng.NormFloat64()
	}
	leq, _ := series.TallyOf(levels).Energy.Mean(int64(len(levels)))
	e, why := uncertainty.OfMean(tallied(levels, perNight))
	p.addWhole(float64(leq), e, why)
}

// ofBoth is an hour of minutes that the meter integrated and an hour of readings: what
// several series of a position make together.
func (p *pieces) ofBoth(rng *rand.Rand) {
	powers := p.powers(rng, 7200)
	var energies, times []float64
	all, integrated, read := 0.0, 0.0, 0.0
	var readings []acoustic.Level
	for i := 0; i < len(powers); i += 60 * fine {
		minute := 0.0
		for j, w := range powers[i : i+60*fine] {
			all += w / fine
			switch {
			case i < len(powers)/2:
				minute += w / fine
			case j%fine == 0:
				readings = append(readings, levelOf(w))
				minute += readings[len(readings)-1].Decibel().Ratio()
			}
		}
		if i < len(powers)/2 {
			minute = 60 * levelOf(minute/60).Decibel().Ratio()
			integrated += minute
		} else {
			read += minute
		}
		energies, times = append(energies, minute), append(times, 60)
	}
	leq := 10 * math.Log10((integrated+read)/7200)
	s := uncertainty.NewStream(time.Second, false)
	s.Add(series.Run{Start: time.Unix(0, 0), Levels: readings})
	e, why := s.SamplingOfMean()
	if why == "" {
		e = uncertainty.Combined([]uncertainty.Estimate{e}, []float64{read / (integrated + read)})
	}
	p.add(leq, e, why, 10*math.Log10(all/7200))
	e, why = uncertainty.OfEnergies(energies, times)
	p.addWhole(leq, e, why)
}

// tallied returns the tallies of so many levels each.
func tallied(levels []acoustic.Level, n int) (ts []series.Tally) {
	for i := 0; i < len(levels); i += n {
		ts = append(ts, series.TallyOf(levels[i:min(i+n, len(levels))]))
	}
	return ts
}

func piecewise() []*pieces {
	var all []*pieces
	for _, spread := range []float64{2, 5, 8} {
		for _, correlation := range []float64{1, 10, 60} {
			for _, mixed := range []bool{false, true} {
				hours := 1.0
				if mixed {
					hours = 2
				}
				all = append(all, &pieces{signal: signal{correlation: correlation, spread: spread}, mixed: mixed, effective: hours * 1800 / correlation})
			}
		}
		for _, correlation := range []float64{60, 3600, 24 * 3600} {
			all = append(all, &pieces{signal: signal{correlation: correlation, spread: spread}, nights: 90, effective: 90 * 4 * 3600 / correlation})
		}
	}
	for _, e := range []signal{{every: 30, lasting: 5, above: 15}, {every: 300, lasting: 20, above: 20}, {every: 20, lasting: 0.25, above: 25}} {
		e.correlation, e.spread = 10, 2
		all = append(all, &pieces{signal: e}, &pieces{signal: e, mixed: true})
	}
	return all
}

// TestCoverageOfPieces is as [TestCoverage] of what long steps, periods over many days and
// several series of a position are estimated from.
func TestCoverageOfPieces(t *testing.T) {
	t.Parallel()
	all := piecewise()
	t.Run("signals", func(t *testing.T) {
		for i, p := range all {
			t.Run(fmt.Sprint(p.signal, p.nights, p.mixed), func(t *testing.T) {
				t.Parallel()
				runs := 200
				switch {
				case *full:
					runs = 2000
				case p.nights > 0:
					runs = 50
				}
				p.run(uint64(i), runs)
				for name, h := range map[string]hits{"sampling": p.gaps, "representativity": p.whole} {
					if !h.within(0.90, 1) {
						t.Errorf("%+v, %s: %v %% of intervals of 95 %% hold; want at least 90", *p, name, h)
					}
				}
			})
		}
	})
	if *full {
		rewrite(t, func(signals, _ []byte) [][]byte { return [][]byte{signals, reportPieces(all)} })
	}
}

// reportPieces writes the second part of the document.
func reportPieces(all []*pieces) []byte {
	var out bytes.Buffer
	out.WriteString("\n" + stretchesBegin + `
Simulated by ` + "`go test ./domain/uncertainty -run CoverageOfPieces -full`" + `, 2,000 runs of each; at least 90 % are promised wherever a
figure is given. *Quarter minutes*: an hour of readings once a second, of which only the tallies of quarter minutes are used, as for the steps of
long series; of the very interval they tell an upper bound. *Nights*: 90 nights of 8 h, each of them a stretch, as periods over
60 days and more are done; of readings every 15 s, so that nothing is said of gaps. *Both*: an hour of integrated minutes and an
hour of readings, as several series of a position are put together.

| measured | τ, s | s, dB | effective | u | LAeq, very interval | u | LAeq, longer time |
|---|---|---|---|---|---|---|---|
`)
	kind := func(p *pieces) string {
		switch {
		case p.nights > 0:
			return "nights"
		case p.mixed:
			return "both"
		}
		return "quarter minutes"
	}
	for _, p := range all {
		if p.every == 0 {
			fmt.Fprintf(&out, "| %s | %g | %g | %.0f | %v | %v | %v | %v |\n", kind(p), p.correlation, p.spread, p.effective, p.gapsMeant, p.gaps, p.wholeMeant, p.whole)
		}
	}
	out.WriteString(`
| measured | every, s | lasting, s | above, dB | u | LAeq, very interval | u | LAeq, longer time |
|---|---|---|---|---|---|---|---|
`)
	for _, p := range all {
		if p.every > 0 {
			fmt.Fprintf(&out, "| %s | %g | %g | %g | %v | %v | %v | %v |\n", kind(p), p.every, p.lasting, p.above, p.gapsMeant, p.gaps, p.wholeMeant, p.whole)
		}
	}
	return out.Bytes()
}
