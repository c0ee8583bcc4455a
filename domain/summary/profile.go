package summary

import (
	"math"
	"sync"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// Profile is the figures of a series step by step. They are made one step at a time, when
// they are asked for: a year has 8,760 hours.
type Profile struct {
	plan        *Plan
	sums        sums
	percentiles []series.Percent
	names       []string // of percentiles
	doubt       *StepDoubt
	doubted     series.Answer // to the Ask of doubt
}

// Step is one entry of a profile over time.
type Step struct {
	series.Span
	Samples     int64    // measured, flagged ones included
	Coverage    *float64 // nil for spot readings
	Levels      []Figure
	Indices     []Figure // of steps of whole days
	Unavailable []Unavailable
}

// profile returns the profile over time.
func (p *Plan) profile(sums sums) Profile {
	percentiles := p.request.StepPercentiles
	if p.form.exceed == "" {
		percentiles = nil // said once, for the whole
	}
	return Profile{plan: p, sums: sums, percentiles: percentiles, names: p.form.names(percentiles)}
}

// Len returns how many steps there are.
func (p Profile) Len() int { return len(p.sums.steps) }

// At returns the step of index i. It takes the memory of the lists of st, a step that is needed no more.
func (p Profile) At(i int, st Step) Step {
	sc, sum := p.plan.step(i), p.sums.step(i)
	sh := sheet{st.Levels[:0], st.Unavailable[:0]}
	st = Step{Span: series.Span{From: time.UnixMicro(sc.from).UTC(), To: time.UnixMicro(sc.to).UTC()}, Samples: sum.Samples()}
	st.Coverage = p.plan.coverage(&sc, st.Samples)
	if st.Samples > 0 { // else its coverage says why there is nothing
		p.plan.levels(&sh, &sum, p.percentiles, p.names)
		if sc.asked != nil {
			var cannot []Unavailable
			st.Indices, _, cannot = p.plan.periodFigures(&sc, sum.slots)
			sh.cannot = append(sh.cannot, cannot...)
		}
	}
	st.Levels, st.Unavailable = sh.figures, sh.cannot
	if p.doubt != nil {
		p.doubt.enter(i, &st, &sum, p.doubted)
	}
	return st
}

// Means returns the equivalent level of each step, as [Profile.At] does, and nothing else
// of it: NaN where there is none.
func (p Profile) Means() []acoustic.Decibel {
	means := make([]acoustic.Decibel, p.Len())
	const share = 2000 // they are made on all cores, so many at once
	var work sync.WaitGroup
	for from := 0; from < len(means); from += share {
		to := min(from+share, len(means))
		work.Go(func() {
			for i := from; i < to; i++ {
				means[i] = p.plan.mean(&p.sums.steps[i])
			}
		})
	}
	work.Wait()
	return means
}

// mean returns the equivalent level of samples, NaN if there is none.
func (p *Plan) mean(t *series.Tally) acoustic.Decibel {
	s := soundOf(&p.header, t)
	switch {
	case p.form.mean == "" || s.time == 0 || s.unknown:
		return acoustic.Decibel(math.NaN())
	case s.open:
		return acoustic.FromRatio(s.low / s.time)
	}
	return acoustic.FromRatio(s.high / s.time)
}
