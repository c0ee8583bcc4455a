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

// Bounds on what one request may ask (house values), so that none takes a service down.
const (
	maxSpan  = 20 * 366 * 24 * time.Hour
	maxSteps = 100_000
)

// Plan says what is wanted of the samples of one series, and holds what [Of] needs
// to make figures of the answer.
type Plan struct {
	Ask series.Ask

	request    Request
	header     Header
	form       form
	span       series.Span
	coverageOf string
	excluded   int64   // µs of the span
	unasked    int64   // µs of the span
	places     []place // of the cells of Ask, in their order
	slots      []slot
	skipped    []skip
	total      scope
	bounds     []int64 // µs, of the steps: one more than there are steps; empty if there are none
	stepAsked  []int64 // as asked of a scope, of one step after another; nil if steps have no indices
	daily      bool    // steps are whole days, which have indices of their own
	window     int     // steps of a running window, see [PlanWindow]
}

// steps returns how many steps there are.
func (p *Plan) steps() int { return max(0, len(p.bounds)-1) }

// step returns the scope of a step.
func (p *Plan) step(i int) scope {
	s := scope{from: p.bounds[i], to: p.bounds[i+1]}
	if n := len(p.slots); p.stepAsked != nil {
		s.asked = p.stepAsked[i*n:][:n]
	}
	return s
}

// place says what a cell counts towards.
type place struct {
	step      int32 // -1 for none
	slot      int32 // -1 for none
	usable    bool  // the verdict lets it stand, or is not known
	outranked bool  // a better series of the position counts at this time
}

// scope is a span that gets figures of its own: the whole or a step.
type scope struct {
	from, to int64   // µs
	asked    []int64 // µs inside the span, by slot; nil if it has no indices
}

// PlanFor returns the plan of what r asks of the series h. It is an Invalid error
// if the span or the step make no sense.
func PlanFor(r Request, h Header) (Plan, error) { return plan(r, h, nil) }

func plan(r Request, h Header, outranked []series.Span) (Plan, error) {
	if h.Interval == 0 && !h.Extent.From.IsZero() {
		h.Extent.To = h.Extent.To.Add(time.Microsecond) // spans are half-open, and a reading takes no time
	}
	p := Plan{request: r, header: h, form: formOf(h)}
	if err := p.setSpan(); err != nil {
		return Plan{}, err
	}
	from, to := p.span.From.UnixMicro(), p.span.To.UnixMicro()
	p.total = scope{from: from, to: to}
	if from == to {
		return p, nil // an empty series
	}

	clock := stretches(r.Zone, from, to)
	none := []tile{{from, -1}}
	steps, slots := none, none
	if r.Step > 0 && r.Step >= h.Interval {
		steps = p.setSteps(clock)
	}
	if len(r.Periods.Periods) > 0 && p.form.indices {
		p.slots = slotsOf(r.Periods)
		slots, p.skipped = slotTiles(clock, p.slots)
		p.total.asked = make([]int64, len(p.slots))
		if p.daily {
			p.stepAsked = make([]int64, p.steps()*len(p.slots))
		}
	}
	excluded, usable, within := []tile{{from, 0}}, []tile{{from, 1}}, []tile{{from, 1}}
	if r.Within != nil {
		within = spanTiles(r.Within, from)
	}
	if !r.IgnoreExclusions {
		excluded = spanTiles(h.Exclusions, from)
	}
	if h.Verdict != nil {
		usable = spanTiles(h.Verdict.Usable, from)
	}
	p.cut([...][]tile{ofSteps: steps, ofSlots: slots, ofExcluded: excluded, ofUsable: usable, ofOutranked: spanTiles(outranked, from), ofWithin: within})
	return p, nil
}

// setSpan decides which span is asked.
func (p *Plan) setSpan() error {
	r, h := p.request, p.header
	p.span, p.coverageOf = h.Extent, "series_extent"
	if r.Asked != nil {
		p.span, p.coverageOf = *r.Asked, "survey"
		if p.span.To.IsZero() {
			p.span.To = later(p.span.From, h.Extent.To)
		}
	}
	if r.From != nil {
		p.span.From, p.coverageOf = *r.From, "request"
	}
	if r.To != nil {
		p.span.To, p.coverageOf = *r.To, "request"
	}
	known := !h.Extent.From.IsZero() || r.Asked != nil || r.From != nil && r.To != nil
	if !known { // nothing says how long an empty series was meant to be
		p.span.From = later(p.span.From, p.span.To)
		p.span.To = p.span.From
	}
	p.span.From = p.span.From.UTC().Truncate(time.Microsecond)
	p.span.To = p.span.To.UTC().Truncate(time.Microsecond)

	var bad fault.Fields
	length := p.span.To.Sub(p.span.From)
	if length < 0 || length == 0 && known && (r.From != nil || r.To != nil) {
		if r.To != nil {
			bad.Add("to", "out_of_range", "must be later than the beginning of the span")
		} else {
			bad.Add("from", "out_of_range", "must be earlier than the end of the span")
		}
	}
	bad.Check(length <= maxSpan, "from", "out_of_range", "must lie within 20 years of the end of the span")
	bad.Check(r.Step >= 0 && r.Step%time.Microsecond == 0, "step", "out_of_range", "must be a positive number of microseconds")
	bad.Check(r.Step <= 0 || length/max(r.Step, 1) < maxSteps, "step", "out_of_range", fmt.Sprintf("must cut the span into at most %d steps", maxSteps))
	bad.Check(!r.UsableOnly || h.Verdict != nil, "windows", "unavailable", "usable windows are not known without a verdict")
	bad.Check(r.Zone != nil, "time_zone", "required", "must be given")
	outside := func(n series.Percent) bool { return n <= 0 || n >= 100_000 }
	bad.Check(!slices.ContainsFunc(r.Percentiles, outside), "percentiles", "out_of_range", "must lie between 0 and 100")
	bad.Check(!slices.ContainsFunc(r.StepPercentiles, outside), "step_percentiles", "out_of_range", "must lie between 0 and 100")
	return bad.Err("summary request")
}

// later returns the later of two instants.
func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// setSteps cuts the span into steps: on the local clock where they divide the
// day, from the start of the local day where they are whole days (which is that
// of the first period, so that a night lies in the day on which it begins), and
// from the beginning of the span otherwise.
func (p *Plan) setSteps(clock []stretch) []tile {
	from, to := p.total.from, p.total.to
	step := p.request.Step.Microseconds()
	var origin int64
	switch {
	case step%day == 0:
		p.daily = true
		if ps := p.request.Periods.Periods; len(ps) > 0 {
			origin = int64(ps[0].From) * hour / 60
		}
		origin += floorDiv(from+clock[0].offset-origin, day) * day
	case day%step != 0:
		clock, origin = []stretch{{from: from, to: to}}, from
	}
	tiles := stepTiles(clock, origin, step)
	p.bounds = make([]int64, len(tiles)+1)
	for i, t := range tiles {
		p.bounds[i] = t.at
	}
	p.bounds[len(tiles)] = to
	return tiles
}

// slotsOf cuts the day at its whole hours and at the bounds of periods.
func slotsOf(set acoustic.PeriodSet) []slot {
	var marks []int
	for h := range 24 {
		marks = append(marks, h*60)
	}
	for _, p := range set.Periods {
		marks = append(marks, p.From, p.To)
	}
	slices.Sort(marks)
	marks = slices.Compact(marks)
	slots := make([]slot, len(marks))
	for i, m := range marks {
		slots[i] = slot{from: int64(m) * hour / 60, to: day, period: set.At(m)}
		if i > 0 {
			slots[i-1].to = slots[i].from
		}
	}
	return slots
}

// The tilings that [Plan.cut] walks.
const (
	ofSteps = iota
	ofSlots
	ofExcluded
	ofUsable
	ofOutranked
	ofWithin
	tilings
)

// walk goes over tilings of one span side by side.
type walk struct {
	rest [tilings][]tile
	ids  [tilings]int32 // of the tiles under way
	next [tilings]int64 // when the next ones begin
}

// enter goes on to the tile of a tiling that is under way at an instant.
func (w *walk) enter(k int, at int64) {
	w.next[k] = math.MaxInt64
	for rest := w.rest[k]; len(rest) > 0; rest = rest[1:] {
		if rest[0].at > at {
			w.rest[k], w.next[k] = rest, rest[0].at
			return
		}
		w.ids[k] = rest[0].id
	}
}

// cut walks the tilings side by side, adds up what time is asked and writes the cells.
func (p *Plan) cut(tiles [tilings][]tile) {
	w := walk{rest: tiles}
	for k := range tilings {
		w.enter(k, p.total.from)
	}
	extent := [2]int64{p.header.Extent.From.UnixMicro(), p.header.Extent.To.UnixMicro()}
	p.setGroups()
	p.Ask.Cells = make([]series.Cell, 0, max(len(tiles[ofSteps]), len(tiles[ofSlots])))
	p.places = make([]place, 0, cap(p.Ask.Cells))

	end := int64(-1) // of the last cell
	for from := p.total.from; from < p.total.to; {
		to := p.total.to
		for k := range tilings {
			if w.next[k] <= from {
				w.enter(k, from)
			}
			to = min(to, w.next[k])
		}
		length := to - from
		if w.ids[ofWithin] == 0 {
			p.unasked += length
			from = to
			continue
		}
		pl := place{step: w.ids[ofSteps], slot: w.ids[ofSlots], usable: w.ids[ofUsable] == 1, outranked: w.ids[ofOutranked] == 1}
		if pl.slot >= 0 {
			p.total.asked[pl.slot] += length
			if pl.step >= 0 && p.daily {
				p.stepAsked[int(pl.step)*len(p.slots)+int(pl.slot)] += length
			}
		}
		out := w.ids[ofExcluded] == 1
		if out {
			p.excluded += length
		}
		if a, b := max(from, extent[0]), min(to, extent[1]); a < b && !out && (pl.usable || !p.request.UsableOnly) {
			p.add(pl, a, b, end == a)
			end = b
		}
		from = to
	}
}

// add adds a cell from a to b, which goes on where the last one ended or begins anew.
func (p *Plan) add(pl place, a, b int64, goesOn bool) {
	length := time.Duration(b-a) * time.Microsecond
	n := len(p.places) - 1
	if goesOn && p.places[n] == pl {
		p.Ask.Cells[n].To = p.Ask.Cells[n].To.Add(length)
		return
	}
	cell := series.Cell{Group: p.groupOf(pl.step)}
	if goesOn {
		cell.From = p.Ask.Cells[n].To
	} else {
		cell.From = time.UnixMicro(a).UTC()
	}
	cell.To = cell.From.Add(length)
	p.places, p.Ask.Cells = append(p.places, pl), append(p.Ask.Cells, cell)
}

// perStep reports whether steps have histograms of their own. That of the whole is then their sum.
func (p *Plan) perStep() bool {
	return p.form.exceed != "" && p.steps() > 0 && len(p.request.StepPercentiles) > 0
}

// setGroups decides how many histograms are needed.
func (p *Plan) setGroups() {
	switch {
	case p.perStep():
		p.Ask.Groups = p.steps()
	case p.form.exceed != "" && len(p.request.Percentiles) > 0:
		p.Ask.Groups = 1
	}
}

// groupOf returns the histogram of a cell in the step.
func (p *Plan) groupOf(step int32) int {
	switch {
	case p.perStep():
		return int(step)
	case p.Ask.Groups == 1:
		return 0
	}
	return -1
}
