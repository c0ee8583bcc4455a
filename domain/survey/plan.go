package survey

import (
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/fault"
	"leveltrail/domain/series"
)

// Plan is what a survey plans to measure with, where and how much.
type Plan struct {
	From        *time.Time `json:",omitempty"` // nil: the survey's own beginning
	To          *time.Time `json:",omitempty"` // nil: the survey's own end
	Instruments []uuid.UUID
	Bands       bool `json:",omitempty"` // spectra will be measured: filters must be covered
	Positions   []PlannedPosition
}

// PlannedPosition is what is planned at a position. Without readings and duration it is to be measured at all.
type PlannedPosition struct {
	PositionID uuid.UUID
	Readings   int           `json:",omitempty"` // spot readings, or separate measurements; 0: none are asked for
	Duration   time.Duration `json:",omitempty"` // measured time in nanoseconds; 0: none is asked for
}

const maxPlanned = 366 * 24 * time.Hour

// Validate reports every member of p that is unfit to store.
func (p Plan) Validate() error {
	var bad fault.Fields
	for path, t := range map[string]*time.Time{"from": p.From, "to": p.To} {
		bad.Check(t == nil || plausible(*t), path, "out_of_range", "must lie between 1970 and 2200")
	}
	if p.From != nil && p.To != nil {
		bad.Check(p.To.After(*p.From), "to", "out_of_order", "must be later than from")
		bad.Check(p.To.Sub(*p.From) <= maxPlanned, "to", "out_of_range", "must lie at most 366 days after from")
	}
	bad.Check(len(p.Instruments) <= 200, "instrument_ids", "too_many", "must be at most 200")
	for i, id := range p.Instruments {
		bad.Check(!slices.Contains(p.Instruments[:i], id), fmt.Sprintf("instrument_ids/%d", i), "duplicate", "must not repeat")
	}
	bad.Check(len(p.Positions) <= 1000, "positions", "too_many", "must be at most 1000")
	for i, q := range p.Positions {
		at := fmt.Sprintf("positions/%d/", i)
		bad.Check(!slices.ContainsFunc(p.Positions[:i], func(o PlannedPosition) bool { return o.PositionID == q.PositionID }),
			at+"position_id", "duplicate", "must not repeat")
		bad.Check(q.Readings >= 0 && q.Readings <= 1_000_000, at+"readings", "out_of_range", "must lie between 0 and 1000000")
		bad.Check(q.Duration >= 0 && q.Duration <= maxPlanned, at+"duration_s", "out_of_range", "must lie between 0 and 31622400")
	}
	return bad.Err("plan")
}

// PlannedTime returns when s is planned to measure: what its plan says, else its own
// time. A survey whose end nobody knows is planned for the local day of zone on which it begins.
func (s Survey) PlannedTime(zone *time.Location) series.Span {
	t := series.Span{From: s.StartedAt}
	if s.EndedAt != nil {
		t.To = *s.EndedAt
	}
	if p := s.Planned; p != nil {
		if p.From != nil {
			t.From = *p.From
		}
		if p.To != nil {
			t.To = *p.To
		}
	}
	if !t.To.After(t.From) {
		day := t.From.In(zone)
		t.To = time.Date(day.Year(), day.Month(), day.Day()+1, 0, 0, 0, 0, zone).UTC()
	}
	if t.To.Sub(t.From) > maxPlanned {
		t.To = t.From.Add(maxPlanned)
	}
	return t
}
