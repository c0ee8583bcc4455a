package summary

import (
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// Common is a difference of two equivalent levels over the time that both were measured.
type Common struct {
	Figure Figure        // Symbol "LCeq-LAeq"
	Over   time.Duration // that both were measured
}

// PlanCommon returns plans of the same steps for [CommonDifference]: of a minute, beyond
// a week of a quarter hour, which aggregates serve, or of the longer interval of the two.
func PlanCommon(r Request, a, b Header) (pa, pb Plan, err error) {
	span := series.Span{From: later(a.Extent.From, b.Extent.From), To: a.Extent.To}
	if b.Extent.To.Before(span.To) {
		span.To = b.Extent.To
	}
	if r.From == nil || r.From.Before(span.From) {
		r.From = &span.From
	}
	if r.To == nil || r.To.After(span.To) {
		r.To = &span.To
	}
	step := time.Minute
	if r.To.Sub(*r.From) > 7*24*time.Hour {
		step = 15 * time.Minute
	}
	step = max(step, a.Interval, b.Interval)
	if pa, err = PlanWindow(r, a, step, step); err != nil {
		return pa, pb, err
	}
	pb, err = PlanWindow(r, b, step, step)
	return pa, pb, err
}

// CommonDifference returns the equivalent level of the first less that of the second,
// such as LCeq − LAeq, over the steps that were measured in full in both. Bounds carry
// over: the difference is a lower bound where the first is one or the second an upper
// one. reason is empty, or says why there is none. The plans come from [PlanCommon].
func CommonDifference(first Plan, ofFirst series.Answer, second Plan, ofSecond series.Answer) (c Common, reason string) {
	if first.form.mean == "" || second.form.mean == "" || first.header.Interval == 0 || second.header.Interval == 0 {
		return c, "needs two series with an interval that carry an equivalent level"
	}
	x, y := first.sum(ofFirst).steps, second.sum(ofSecond).steps
	var tx, ty series.Tally
	for i := range min(len(x), len(y)) {
		full := func(p *Plan, t series.Tally) bool {
			return p.header.duration(t.Samples()).Microseconds() >= p.bounds[i+1]-p.bounds[i]
		}
		if full(&first, x[i]) && full(&second, y[i]) {
			tx, ty = tx.Plus(x[i]), ty.Plus(y[i])
			c.Over += time.Duration(first.bounds[i+1]-first.bounds[i]) * time.Microsecond
		}
	}
	sx, sy := lot{&first.header, tx}.sound(), lot{&second.header, ty}.sound()
	fx, why := sx.level(sx.time)
	if why != "" {
		return Common{}, inBoth(why)
	}
	fy, why := sy.level(sy.time)
	if why != "" {
		return Common{}, inBoth(why)
	}
	up, down := fx.Bound == Lower || fy.Bound == Upper, fx.Bound == Upper || fy.Bound == Lower
	if up && down {
		return Common{}, "both levels are bounds, and of their difference nothing is known"
	}
	c.Figure = Figure{
		Symbol: first.form.mean + "-" + second.form.mean, Level: new(acoustic.Decibel(*fx.Level - *fy.Level)),
		Basis: first.form.meanBasis, Range: fx.Range.and(fy.Range),
	}
	if first.form.meanBasis != second.form.meanBasis {
		c.Figure.Basis = Mixed
	}
	switch {
	case up:
		c.Figure.Bound = Lower
	case down:
		c.Figure.Bound = Upper
	}
	return c, ""
}

// inBoth says what is missing of a common time.
func inBoth(why string) string {
	if why == noSamples {
		return "the two were not measured over the same time"
	}
	return why
}
