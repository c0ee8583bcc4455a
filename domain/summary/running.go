package summary

import (
	"fmt"
	"math"
	"slices"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/fault"
	"leveltrail/domain/series"
)

// Window is the stretch of a given length in which an equivalent level is highest.
type Window struct {
	series.Span
	Figure   Figure
	Coverage float64
}

// PlanWindow returns a plan for the highest level in a running window of that length,
// which moves on by resolution: quarter hours, which aggregates serve, or as little as
// the interval of the samples. A window and a resolution of an hour give the worst clock
// hour. Percentiles and periods of r are left out.
func PlanWindow(r Request, h Header, window, resolution time.Duration) (Plan, error) {
	if window <= 0 || resolution <= 0 || window%resolution != 0 || resolution < h.Interval {
		var bad fault.Fields
		bad.Add("window", "out_of_range", "must be a multiple of what it moves on by, which is at least the interval of the samples")
		return Plan{}, bad.Err("window")
	}
	r.Step, r.Percentiles, r.StepPercentiles, r.Periods = resolution, nil, nil, acoustic.PeriodSet{}
	p, err := PlanFor(r, h)
	p.window = int(window / resolution)
	return p, err
}

// Highest returns the window with the highest level, the first of equals. A window lies
// wholly inside the span, on steps of the local clock, and is measured for least of its
// time. reason is empty, or says why there is none. p comes from [PlanWindow].
func Highest(p Plan, a series.Answer, least float64) (w Window, reason string) {
	if p.form.mean == "" || p.header.Interval == 0 {
		return w, "needs samples with an interval that carry an equivalent level"
	}
	return highestIn([]course{courseOf(&p, a)}, p.request.Step, p.window, least)
}

// highestIn returns the highest of the windows of so many steps in any of the courses. Where
// a window has no upper end, as samples lie over range, no other is surely higher: then it
// is a lower bound, the highest lower end. Else that of the highest upper end counts, an
// upper bound if it may lie below another.
func highestIn(courses []course, step time.Duration, window int, least float64) (w Window, reason string) {
	length := time.Duration(window) * step
	found, open := false, false
	var surest Window // of the highest lower end
	sure := acoustic.Decibel(math.Inf(-1))
	for _, c := range courses {
		queues := make([]queue, len(c.plans))
		for i := range len(c.bounds) - 1 {
			var sum sound
			measured := time.Duration(0)
			for k := range queues {
				q := &queues[k]
				q.push(c.steps[k][i])
				if q.len() > window {
					q.pop()
				}
				t := q.sum()
				sum, measured = sum.plus(soundOf(&c.plans[k].header, &t)), measured+c.plans[k].header.duration(t.Samples())
			}
			if i+1 < window {
				continue
			}
			from, to := c.bounds[i+1-window], c.bounds[i+1]
			if to-from != length.Microseconds() { // an end of the span cut a step short
				continue
			}
			coverage := min(1, float64(measured)/float64(length))
			if coverage < least {
				continue
			}
			f, why := sum.level(sum.time)
			if why != "" {
				reason = why
				continue
			}
			low := *f.Level
			if f.Bound == Upper {
				if low = acoustic.Decibel(math.Inf(-1)); f.Lowest != nil {
					low = *f.Lowest
				}
			}
			open = open || f.Bound == Lower
			higher, surer := !found || *f.Level > *w.Figure.Level, !found || low > sure
			if higher || surer {
				var m mixture
				for k := range queues {
					t := queues[k].sum()
					m.add(c.plans[k].form.meanBasis, soundOf(&c.plans[k].header, &t))
				}
				f.Symbol = c.plans[0].form.mean
				f.Basis, f.Shares = m.basis()
				this := Window{series.Span{From: time.UnixMicro(from).UTC(), To: time.UnixMicro(to).UTC()}, f, coverage}
				if higher {
					w = this
				}
				if surer {
					surest, sure = this, low
				}
				found = true
			}
		}
	}
	switch {
	case found && open:
		if surest.Figure.Bound == Upper { // and there is a lower end, or nothing at all is known
			surest.Figure.Level = surest.Figure.Lowest
		}
		surest.Figure.Bound, surest.Figure.Lowest = Lower, nil
		return surest, ""
	case found:
		if w.Figure.Bound == Upper && !math.IsInf(float64(sure), -1) {
			w.Figure.Lowest = &sure
		}
		return w, ""
	case reason == "":
		reason = fmt.Sprintf("no %s were measured for %s of their time", seconds(length), thousandths(least))
	}
	return Window{}, reason
}

// queue is a sliding sum of tallies: two stacks of running sums, so that nothing has to
// be taken off a sum again.
type queue struct {
	in, out []series.Tally // out holds sums from its top to the end
	front   series.Tally   // sum of in
}

func (q *queue) len() int { return len(q.in) + len(q.out) }

func (q *queue) push(t series.Tally) {
	q.in = append(q.in, t)
	q.front = q.front.Plus(t)
}

func (q *queue) pop() {
	if len(q.out) == 0 {
		var sum series.Tally
		for _, v := range slices.Backward(q.in) {
			sum = sum.Plus(v)
			q.out = append(q.out, sum)
		}
		q.in, q.front = q.in[:0], series.Tally{}
	}
	q.out = q.out[:len(q.out)-1]
}

func (q *queue) sum() series.Tally {
	if len(q.out) == 0 {
		return q.front
	}
	return q.front.Plus(q.out[len(q.out)-1])
}
