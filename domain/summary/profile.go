package summary

import (
	"time"

	"leveltrail/domain/series"
)

// Profile is the figures of a series step by step. They are made one step at a time, when
// they are asked for: a year has 8,760 hours.
type Profile struct {
	plan        *Plan
	sums        []scopeSum
	percentiles []series.Percent
	names       []string // of percentiles
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
func (p *Plan) profile(sums []scopeSum) Profile {
	percentiles := p.request.StepPercentiles
	if p.form.exceed == "" {
		percentiles = nil // said once, for the whole
	}
	return Profile{p, sums, percentiles, p.form.names(percentiles)}
}

// Len returns how many steps there are.
func (p Profile) Len() int { return len(p.sums) }

// At returns the step of index i. It takes the memory of the lists of st, a step that is needed no more.
func (p Profile) At(i int, st Step) Step {
	sc, sum := &p.plan.steps[i], &p.sums[i]
	sh := sheet{st.Levels[:0], st.Unavailable[:0]}
	st = Step{Span: series.Span{From: time.UnixMicro(sc.from).UTC(), To: time.UnixMicro(sc.to).UTC()}, Samples: sum.Samples()}
	st.Coverage = p.plan.coverage(sc, st.Samples)
	if st.Samples > 0 { // else its coverage says why there is nothing
		p.plan.levels(&sh, sum, p.percentiles, p.names)
		if sc.asked != nil {
			var cannot []Unavailable
			st.Indices, _, cannot = p.plan.periodFigures(sc, sum.slots)
			sh.cannot = append(sh.cannot, cannot...)
		}
	}
	st.Levels, st.Unavailable = sh.figures, sh.cannot
	return st
}

// Mean returns the equivalent level of the step of index i, as [Profile.At] does, and
// nothing else of it. reason is empty, or says why there is none.
func (p Profile) Mean(i int) (f Figure, reason string) { return p.plan.mean(&p.sums[i].Tally) }
