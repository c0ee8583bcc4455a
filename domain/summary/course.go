package summary

import (
	"fmt"
	"slices"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/fault"
	"leveltrail/domain/series"
)

// course is the samples of series step by step, over one time asked that nothing interrupts.
type course struct {
	plans  []*Plan
	of     []int            // by plan: which series it is of
	steps  [][]series.Tally // by plan
	bounds []int64          // µs, of the steps: those of every plan
}

// courseOf returns the course of one series.
func courseOf(p *Plan, a series.Answer) course {
	return course{[]*Plan{p}, []int{0}, [][]series.Tally{p.sum(a).steps}, p.bounds}
}

// Course is what the highest windows and the typical day of a position take: of its series
// that carry one equivalent level one counts at each instant, as for [Position].
type Course struct {
	Symbol  string // of the level
	Plans   []CoursePlan
	LeftOut int // series that do not take part, as their samples are longer than a step

	step   time.Duration
	window int // steps
	zone   *time.Location
	reason string
}

// CoursePlan asks the samples of one series over one time asked.
type CoursePlan struct {
	Plan
	Of    int // index of the header
	block int
}

// EquivalentSymbols returns the symbols of the equivalent levels that series with an interval
// carry, each once, LAeq first.
func EquivalentSymbols(headers []Header) (all []string) {
	for _, h := range headers {
		switch s := formOf(h).mean; {
		case s == "" || h.Interval == 0 || slices.Contains(all, s):
		case s == "LAeq":
			all = slices.Insert(all, 0, s)
		default:
			all = append(all, s)
		}
	}
	return all
}

// PlanCourse returns the course of the series of one position that carry the level of a
// symbol, for windows that move on by resolution. The time asked between surveys is left
// out, so that a window lies in one time asked. A series of longer samples than resolution
// takes no part, but where it is the primary meter's no other counts in its time.
// Percentiles and periods of r are left out.
func PlanCourse(r Request, headers []Header, symbol string, window, resolution time.Duration) (Course, error) {
	c := Course{Symbol: symbol, step: resolution, zone: r.Zone}
	if window <= 0 || resolution <= 0 || window%resolution != 0 {
		var bad fault.Fields
		bad.Add("window", "out_of_range", "must be a multiple of what it moves on by")
		return c, bad.Err("window")
	}
	c.window = int(window / resolution)
	var carriers []int
	var hs []Header
	var extent series.Span
	for i, h := range headers {
		if formOf(h).mean != symbol || h.Interval == 0 || h.Extent.From.IsZero() {
			continue
		}
		if len(hs) == 0 || h.Extent.From.Before(extent.From) {
			extent.From = h.Extent.From
		}
		extent.To = later(extent.To, h.Extent.To)
		carriers, hs = append(carriers, i), append(hs, h)
	}
	fine := func(h Header) bool { return h.Interval <= resolution }
	switch {
	case len(hs) == 0:
		c.reason = noSamples
	case contest(hs, ranked):
		c.reason = contested(hs)
	case !slices.ContainsFunc(hs, fine):
		c.reason = fmt.Sprintf("the samples are of %s, longer than the %s that stretches move on by", seconds(hs[0].Interval), seconds(resolution))
	}
	if c.reason != "" {
		return c, nil
	}
	r.Step, r.Percentiles, r.StepPercentiles, r.Periods = resolution, nil, nil, acoustic.PeriodSet{}
	for block, span := range timesAsked(r, extent) {
		r.From, r.To = &span.From, &span.To
		for i, h := range hs {
			if !fine(h) {
				continue
			}
			var outranked []series.Span
			for _, other := range hs {
				if outranks(other, h) && (fine(other) || other.InstrumentID != h.InstrumentID) {
					outranked = append(outranked, other.Extent)
				}
			}
			p, err := plan(r, h, outranked)
			if err != nil {
				return c, err
			}
			c.Plans = append(c.Plans, CoursePlan{p, carriers[i], block})
		}
	}
	for _, h := range hs {
		if !fine(h) {
			c.LeftOut++
		}
	}
	return c, nil
}

// timesAsked returns the times that r asks of series of that extent, in time order, what
// overlaps or meets joined.
func timesAsked(r Request, extent series.Span) []series.Span {
	whole := extent
	if r.Asked != nil {
		whole.From = r.Asked.From
		if !r.Asked.To.IsZero() {
			whole.To = r.Asked.To
		}
	}
	if r.From != nil {
		whole.From = *r.From
	}
	if r.To != nil {
		whole.To = *r.To
	}
	if r.Within == nil {
		return []series.Span{whole}
	}
	var all []series.Span
	for _, s := range slices.SortedFunc(slices.Values(r.Within), func(a, b series.Span) int { return a.From.Compare(b.From) }) {
		s.From = later(s.From, whole.From)
		if s.To.After(whole.To) {
			s.To = whole.To
		}
		switch n := len(all); {
		case !s.From.Before(s.To):
		case n > 0 && !s.From.After(all[n-1].To):
			all[n-1].To = later(all[n-1].To, s.To)
		default:
			all = append(all, s)
		}
	}
	return all
}

// courses returns the courses that the answers to the plans make, in their order. What a
// better series outranks does not count.
func (c Course) courses(answers []series.Answer) (all []course) {
	for i := range c.Plans {
		p := &c.Plans[i]
		if i == 0 || p.block != c.Plans[i-1].block {
			all = append(all, course{bounds: p.bounds})
		}
		last := &all[len(all)-1]
		steps := make([]series.Tally, p.steps())
		for j := range answers[i].Tallies {
			if pl := &p.places[j]; pl.step >= 0 && !pl.outranked {
				steps[pl.step].Include(&answers[i].Tallies[j])
			}
		}
		last.plans, last.of, last.steps = append(last.plans, &p.Plan), append(last.of, p.Of), append(last.steps, steps)
	}
	return all
}

// Highest returns the window with the highest level, as [Highest] does of one series. The
// answers are to the plans of c.
func (c Course) Highest(answers []series.Answer, least float64) (w Window, reason string) {
	if c.reason != "" {
		return w, c.reason
	}
	return highestIn(c.courses(answers), c.step, c.window, least)
}

// TypicalDay returns the hours of the local day, as [TypicalDay] does of one series, of a
// course in steps of an hour.
func (c Course) TypicalDay(answers []series.Answer) (hours []HourOfDay, reason string) {
	if c.reason != "" {
		return nil, c.reason
	}
	return typicalOf(c.courses(answers), c.zone)
}

// mixture is sound of several bases, one after the other.
type mixture struct {
	total  sound
	shares []Share // seconds, or readings, of each basis
}

// add adds sound of a basis.
func (m *mixture) add(basis Basis, s sound) {
	if s.time == 0 {
		return
	}
	m.total = m.total.plus(s)
	i := slices.IndexFunc(m.shares, func(sh Share) bool { return sh.Basis == basis })
	if i < 0 {
		m.shares = append(m.shares, Share{basis, s.time})
		return
	}
	m.shares[i].Share += s.time
}

// basis returns the basis of the whole and, where it is mixed, the share of the time of each.
func (m *mixture) basis() (b Basis, shares []Share) {
	if len(m.shares) == 1 {
		return m.shares[0].Basis, nil
	}
	for _, s := range m.shares {
		shares = append(shares, Share{s.Basis, s.Share / m.total.time})
	}
	return Mixed, shares
}
