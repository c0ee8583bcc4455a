package summary

import (
	"slices"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// Part is what one series adds to the figures of its position.
type Part struct {
	Plan   Plan
	Answer series.Answer
}

// PositionFigures are the figures of a position, from all its series in a survey.
type PositionFigures struct {
	Levels      []Figure
	Indices     []Figure
	Periods     []PeriodTime
	Reference   Reference
	Unavailable []Unavailable
}

// PlanPosition returns a plan for each of the series of one position, in their
// order. The plans give the same summaries as those of [PlanFor]; beyond that
// they tell at which times another series of the position counts instead.
func PlanPosition(r Request, headers []Header) ([]Plan, error) {
	plans := make([]Plan, len(headers))
	for i, h := range headers {
		var outranked []series.Span
		for j, other := range headers {
			if i != j && formOf(h).mean == formOf(other).mean && outranks(other, h) {
				outranked = append(outranked, other.Extent)
			}
		}
		var err error
		if plans[i], err = plan(r, h, outranked); err != nil {
			return nil, err
		}
	}
	return plans, nil
}

// rank orders series that carry the same equivalent level: integrated before
// short equivalent levels before samples before spot readings.
func rank(h Header) int {
	switch {
	case h.Interval == 0:
		return 0
	case h.Quantity.Kind == series.Sampled:
		return 1
	case h.Interval <= shortLeq:
		return 2
	}
	return 3
}

// outranks reports whether a counts instead of b where both measured the same
// equivalent level: the primary meter, and of one meter's series the better one.
func outranks(a, b Header) bool {
	if a.InstrumentID != b.InstrumentID {
		return a.Primary && !b.Primary
	}
	return rank(a) > rank(b)
}

// ranked reports whether it is known which of two counts.
func ranked(a, b Header) bool { return outranks(a, b) || outranks(b, a) }

// headersOf returns the headers of parts.
func headersOf(parts []Part) []Header {
	hs := make([]Header, len(parts))
	for i, p := range parts {
		hs[i] = p.Plan.header
	}
	return hs
}

// overlap reports whether two series measured at the same time.
func overlap(a, b Header) bool {
	return a.Extent.From.Before(b.Extent.To) && b.Extent.From.Before(a.Extent.To)
}

// Position combines the series of one position. At each instant one series
// counts towards an equivalent level; of two meters at the same time it is the one
// named primary, else there is no figure. Extremes are those of all series.
// Distributions merge only where they are of one kind and interval.
// The parts come from plans of [PlanPosition].
func Position(parts []Part) PositionFigures {
	var sh sheet
	for _, mean := range symbols(parts, func(f *form) string { return f.mean }) {
		equivalent(&sh, mean, parts)
	}
	for _, symbol := range symbols(parts, func(f *form) string { return f.max }) {
		extreme(&sh, symbol, parts, maximum, func(f *form) (string, Bound) { return f.max, f.maxBound })
	}
	for _, symbol := range symbols(parts, func(f *form) string { return f.min }) {
		extreme(&sh, symbol, parts, minimum, func(f *form) (string, Bound) { return f.min, f.minBound })
	}
	for _, prefix := range symbols(parts, func(f *form) string { return f.exceed }) {
		distribution(&sh, prefix, parts)
	}

	out := PositionFigures{Levels: sh.figures}
	listed := func(symbol string) bool {
		return slices.ContainsFunc(out.Levels, func(f Figure) bool { return f.Symbol == symbol }) ||
			slices.ContainsFunc(out.Unavailable, func(u Unavailable) bool { return u.Symbol == symbol })
	}
	for _, p := range parts {
		f := &p.Plan.form
		sh.cannot = append(sh.cannot, f.cannot...)
		if f.percentiles.Reason != "" {
			for _, name := range f.names(p.Plan.request.Percentiles) {
				sh.cannot = append(sh.cannot, Unavailable{name, f.percentiles.Reason})
			}
		}
	}
	for _, u := range sh.cannot {
		if !listed(u.Symbol) {
			out.Unavailable = append(out.Unavailable, u)
		}
	}
	out.periods(parts)
	return out
}

// periods enters the levels of the periods and the index over the day, of the series
// that count at each instant.
func (out *PositionFigures) periods(parts []Part) {
	parts = carriers(parts, func(f *form) bool { return f.indices })
	parts = slices.DeleteFunc(parts, func(p Part) bool { return p.Plan.slots == nil })
	if len(parts) == 0 {
		return
	}
	reason := ""
	if contest(headersOf(parts), ranked) {
		reason = contested(headersOf(parts))
	}
	longest := parts[0].Plan
	tallies := make([]series.Tally, len(longest.slots))
	var counted []Plan
	flagged := false
	for _, p := range parts {
		if t := p.Plan.total; t.to-t.from > longest.total.to-longest.total.from {
			longest = p.Plan
		}
		samples := int64(0)
		for i, cell := range p.Answer.Tallies {
			if pl := p.Plan.places[i]; !pl.outranked && pl.slot >= 0 {
				tallies[pl.slot] = tallies[pl.slot].Plus(cell)
				samples += cell.Samples()
				flagged = flagged || cell.Under+cell.Over > 0
			}
		}
		if samples > 0 {
			counted = append(counted, p.Plan)
		}
	}
	for _, p := range counted {
		switch {
		case p.header.Interval != counted[0].header.Interval:
			reason = "series of different intervals make no index: " + seconds(counted[0].header.Interval) + " and " + seconds(p.header.Interval)
		case flagged && len(counted) > 1:
			reason = "several series, of which samples lie outside their measuring ranges, make no index"
		case p.form.meanBasis != counted[0].form.meanBasis:
			reason = "series of different kinds make no index"
		}
	}
	if len(counted) > 0 {
		longest.header, longest.form = counted[0].header, counted[0].form
	}
	set := longest.request.Periods
	if reason != "" {
		for _, period := range set.Periods {
			out.Unavailable = append(out.Unavailable, Unavailable{period.Symbol, reason})
		}
		if set.Index != "" {
			out.Unavailable = append(out.Unavailable, Unavailable{set.Index, reason})
		}
		return
	}
	var cannot []Unavailable
	out.Indices, out.Periods, cannot = longest.periodFigures(&longest.total, tallies)
	out.Unavailable = append(out.Unavailable, cannot...)
	last := len(out.Periods) - 1
	out.Reference = Reference{Days: longest.wholes(0, out.Periods[0].Measured), Nights: longest.wholes(last, out.Periods[last].Measured)}
}

// equivalent enters the equivalent level, and the exposure level of the span if all of it was measured.
func equivalent(sh *sheet, mean string, parts []Part) {
	parts = carriers(parts, func(f *form) bool { return f.mean == mean })
	if slices.ContainsFunc(parts, func(p Part) bool { return p.Plan.header.Interval > 0 }) {
		parts = slices.DeleteFunc(parts, func(p Part) bool { return p.Plan.header.Interval == 0 }) // readings have no time to weigh with
	}
	if contest(headersOf(parts), ranked) {
		sh.give(mean, "", "", Figure{}, contested(headersOf(parts)))
		return
	}
	var m mixture
	for _, p := range parts {
		var t series.Tally
		for i, cell := range p.Answer.Tallies {
			if !p.Plan.places[i].outranked {
				t = t.Plus(cell)
			}
		}
		m.add(p.Plan.form.meanBasis, lot{&p.Plan.header, t}.sound())
	}
	total := m.total
	f, reason := total.level(total.time)
	basis, shares := m.basis()
	f.Shares = shares
	sh.give(mean, basis, "", f, reason)
	exposure := parts[0].Plan.form.exposure
	if exposure == "" {
		return
	}
	f, reason = total.exposure(total.time / asked(parts).Seconds())
	f.Shares = shares
	sh.give(exposure, basis, "", f, reason)
}

// extreme enters a maximum or minimum. What was read at instants counts beside what the
// meter held over the same time only where it lies further out, as in a gap of the held.
func extreme(sh *sheet, symbol string, parts []Part, find func([]lot) (Figure, string), of func(*form) (string, Bound)) {
	parts = carriers(parts, func(f *form) bool { s, _ := of(f); return s == symbol })
	var spans []series.Span
	var held []lot
	for _, p := range parts {
		if p.Plan.form.extreme == Instrument {
			spans, held = append(spans, p.Plan.header.Extent), append(held, lot{&p.Plan.header, p.total()})
		}
	}
	alone, _ := find(held)
	parts = slices.DeleteFunc(parts, func(p Part) bool {
		if held == nil || p.Plan.form.extreme == Instrument || !covers(spans, p.Plan.header.Extent) {
			return false
		}
		both, _ := find(append(slices.Clone(held), lot{&p.Plan.header, p.total()}))
		return same(alone.Level, both.Level) && same(alone.Above, both.Above) && same(alone.Below, both.Below)
	})
	var lots []lot
	var bound Bound
	for _, p := range parts {
		lots = append(lots, lot{&p.Plan.header, p.total()})
		if _, b := of(&p.Plan.form); b != "" {
			bound = b
		}
	}
	f, reason := find(lots)
	basis := parts[0].Plan.form.extreme
	for i, p := range parts { // that of the series in which it was found
		if g, _ := find(lots[i : i+1]); f.Level != nil && g.Level != nil && *f.Level == *g.Level {
			basis = p.Plan.form.extreme
			break
		}
	}
	sh.give(symbol, basis, bound, f, reason)
}

// distribution enters the exceedance levels that stand after one prefix.
func distribution(sh *sheet, prefix string, parts []Part) {
	plans := make([]Plan, len(parts))
	for i := range parts {
		plans[i] = parts[i].Plan
	}
	of, reason := distributed(plans, prefix)
	var counts series.Counts
	var lots []lot
	for _, i := range of {
		lots = append(lots, lot{&parts[i].Plan.header, parts[i].total()})
		for _, h := range parts[i].Answer.Histograms {
			counts.AddHistogram(h)
		}
	}
	h := counts.Histogram()
	form, percentiles := &plans[of[0]].form, plans[of[0]].request.Percentiles
	for i, name := range form.names(percentiles) {
		f, why := exceeded(h, percentiles[i], lots)
		if reason != "" {
			why = reason
		}
		sh.give(name, form.exceedBasis, "", f, why)
	}
}

// distributed returns which plans make the exceedance levels that stand after a prefix
// that some carry, and the reason why they make none together.
func distributed(plans []Plan, prefix string) (of []int, reason string) {
	best := -1
	for i := range plans {
		if p := &plans[i]; p.form.exceed == prefix {
			of, best = append(of, i), max(best, rank(p.header))
		}
	}
	header := func(i int) Header { return plans[i].header }
	of = slices.DeleteFunc(of, func(i int) bool { return rank(header(i)) != best })
	// Where a primary meter measured too, a secondary counts only where it measured alone.
	all := slices.Clone(of)
	of = slices.DeleteFunc(of, func(i int) bool {
		return !header(i).Primary && slices.ContainsFunc(all, func(j int) bool { return header(j).Primary && overlap(header(i), header(j)) })
	})
	var hs []Header
	for _, i := range of {
		hs = append(hs, header(i))
	}
	if contest(hs, func(_, _ Header) bool { return false }) {
		reason = contested(hs)
	}
	for _, h := range hs {
		if h.Interval != hs[0].Interval {
			reason = "series of different intervals do not merge: " + seconds(hs[0].Interval) + " and " + seconds(h.Interval)
		}
	}
	return of, reason
}

// symbols returns what the forms of parts carry of one kind, each once, in the order found.
func symbols(parts []Part, of func(*form) string) []string {
	var all []string
	for _, p := range parts {
		if s := of(&p.Plan.form); s != "" && !slices.Contains(all, s) {
			all = append(all, s)
		}
	}
	return all
}

// carriers returns the parts whose form can carry a figure, in a slice of its own.
func carriers(parts []Part, can func(*form) bool) []Part {
	var some []Part
	for _, p := range parts {
		if can(&p.Plan.form) {
			some = append(some, p)
		}
	}
	return some
}

// asked returns the time from the beginning of the earliest span to the end of the latest.
func asked(parts []Part) time.Duration {
	s := parts[0].Plan.span
	for _, p := range parts[1:] {
		if p.Plan.span.From.Before(s.From) {
			s.From = p.Plan.span.From
		}
		s.To = later(s.To, p.Plan.span.To)
	}
	return s.To.Sub(s.From)
}

// total returns the tally of all cells.
func (p Part) total() series.Tally {
	var t series.Tally
	for _, cell := range p.Answer.Tallies {
		t = t.Plus(cell)
	}
	return t
}

// contest reports whether two series measured at the same time and none is known to count before the other.
func contest(hs []Header, decided func(a, b Header) bool) bool {
	for i, h := range hs {
		for _, g := range hs[:i] {
			if overlap(h, g) && !decided(h, g) {
				return true
			}
		}
	}
	return false
}

// contested says why series that measured at the same time give no figure.
func contested(hs []Header) string {
	meters := map[uuid.UUID]bool{}
	for _, h := range hs {
		meters[h.InstrumentID] = true
	}
	if len(meters) > 1 {
		return "two meters measured at the same time and none is named primary"
	}
	return "two series of one meter measured the same at the same time"
}

// same reports whether two ends of a figure are both absent or equal.
func same(a, b *acoustic.Decibel) bool { return a == b || a != nil && b != nil && *a == *b }

// covers reports whether spans together hold all of s.
func covers(spans []series.Span, s series.Span) bool {
	sorted := slices.SortedFunc(slices.Values(spans), func(a, b series.Span) int { return a.From.Compare(b.From) })
	reached := s.From
	for _, c := range sorted {
		if c.From.After(reached) {
			break
		}
		reached = later(reached, c.To)
	}
	return !reached.Before(s.To.Truncate(time.Microsecond))
}
