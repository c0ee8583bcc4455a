package api

import (
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/calibration"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
)

// inquiry is what is asked of series, all answered on one snapshot. The first Ask of a
// series gives its figures of the span.
type inquiry struct {
	facts   []series.Facts
	asks    [][]series.Ask
	answers [][]series.Answer
	steps   bool // the uncertainties of steps are wanted too
}

func (q *inquiry) start(facts []series.Facts) {
	q.facts, q.asks = facts, make([][]series.Ask, len(facts))
}

// ask adds what is asked of the n-th series. The answer is there when all is answered.
func (q *inquiry) ask(n int, a series.Ask) (answer func() series.Answer) {
	i := len(q.asks[n])
	q.asks[n] = append(q.asks[n], a)
	return func() series.Answer { return q.answers[n][i] }
}

// figures asks what a plan asks of the n-th series, and with doubt what the
// uncertainties of its span take. part and of are there when all is answered.
func (q *inquiry) figures(n int, p summary.Plan, doubt bool) (part func() summary.Part, of func() summary.Summary) {
	answer := q.ask(n, p.Ask)
	part = func() summary.Part { return summary.Part{Plan: p, Answer: answer()} }
	var enter []func(*summary.Summary)
	if doubt {
		d := summary.DoubtOf(&p)
		more := q.ask(n, d.Ask)
		enter = append(enter, func(s *summary.Summary) { d.Doubted(s, answer(), more()) })
	}
	if q.steps {
		d := summary.StepDoubtOf(&p)
		more := q.ask(n, d.Ask)
		enter = append(enter, func(s *summary.Summary) { d.Doubted(s, more()) })
	}
	return part, func() summary.Summary {
		s := summary.Of(p, answer())
		for _, e := range enter {
			e(&s)
		}
		return s
	}
}

// plannedOf returns what planning figures takes to know of a series.
func plannedOf(f series.Facts, v calibration.Verdict) summary.Header {
	q, _ := series.ParseQuantity(f.Series.Quantity)
	h := summary.Header{
		SeriesID: f.Series.ID, InstrumentID: f.Series.InstrumentID, Primary: f.Primary, Quantity: q, Interval: f.Series.Interval(),
		Extent: f.Content.Extent, Floor: f.Series.RangeFromDB, Ceiling: f.Series.RangeToDB,
	}
	if f.Content.Numbers > 0 {
		h.Lowest, h.Highest = &f.Content.Lowest, &f.Content.Highest
	}
	for _, x := range f.Exclusions {
		h.Exclusions = append(h.Exclusions, series.Span{From: x.StartsAt, To: x.EndsAt})
	}
	for _, s := range v.Series {
		if s.SeriesID == f.Series.ID {
			h.Verdict = &summary.Verdict{Outcome: string(s.Outcome), Usable: s.Usable}
		}
	}
	return h
}

// residualOf returns the header of what a series tells of the residual sound: all of a
// series measured with the sound off, or the spans of another that are marked so. ok is
// false if it tells nothing.
func residualOf(f series.Facts, v calibration.Verdict) (h summary.Header, ok bool) {
	h = plannedOf(f, v)
	if f.Series.Residual || f.Content.Extent.From.IsZero() {
		return h, f.Series.Residual && !f.Content.Extent.From.IsZero()
	}
	var marked []series.Span
	h.Exclusions = nil
	for _, x := range f.Exclusions { // in time order
		if span := (series.Span{From: x.StartsAt, To: x.EndsAt}); x.Residual {
			marked = append(marked, span)
		} else {
			h.Exclusions = append(h.Exclusions, span)
		}
	}
	h.Exclusions = append(h.Exclusions, series.Subtract([]series.Span{f.Content.Extent}, marked)...)
	return h, len(marked) > 0
}

// byPosition groups the indices of series by position, in the order of their first.
func byPosition(fs []series.Facts) [][]int {
	var groups [][]int
	at := map[uuid.UUID]int{}
	for i, f := range fs {
		n, ok := at[f.Series.PositionID]
		if !ok {
			n = len(groups)
			at[f.Series.PositionID] = n
			groups = append(groups, nil)
		}
		groups[n] = append(groups[n], i)
	}
	return groups
}

// asked returns the span of a request, its ends left open those of what was measured.
func asked(r summary.Request, facts []series.Facts) series.Span {
	var s series.Span
	for _, f := range facts {
		e := f.Content.Extent
		if e.From.IsZero() {
			continue
		}
		if s.From.IsZero() || e.From.Before(s.From) {
			s.From = e.From
		}
		if e.To.After(s.To) {
			s.To = e.To
		}
	}
	replace := func(at, by *time.Time) {
		if by != nil && !by.IsZero() {
			*at = *by
		}
	}
	if r.Asked != nil {
		replace(&s.From, &r.Asked.From)
		replace(&s.To, &r.Asked.To)
	}
	replace(&s.From, r.From)
	replace(&s.To, r.To)
	return s
}
