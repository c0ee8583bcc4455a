package api

import (
	"math"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/survey"
)

// Plan is what a survey plans to measure with, where and how much. Readiness and
// what is outstanding are told from it.
type Plan struct {
	From          *time.Time        `json:"from,omitempty" extensions:"x-nullable"` // Beginning of the planned time; absent: that of the survey
	To            *time.Time        `json:"to,omitempty" extensions:"x-nullable"`   // End of the planned time; absent: that of the survey, else of the local day
	InstrumentIDs []uuid.UUID       `json:"instrument_ids,omitempty"`               // Meters and calibrators, and parts that will be fitted
	Bands         bool              `json:"bands,omitempty"`                        // Spectra will be measured: filters must be covered
	Positions     []PlannedPosition `json:"positions,omitempty"`                    // Where, and how much there
}

// PlannedPosition is what is planned at a position. Without readings and duration it is to be measured at all.
type PlannedPosition struct {
	PositionID uuid.UUID `json:"position_id"`
	Readings   int       `json:"readings,omitempty"`   // Spot readings, or separate measurements
	DurationS  float64   `json:"duration_s,omitempty"` // Measured time, in seconds
}

// plan returns what in says, nil where it is nil.
func (in *Plan) plan() *survey.Plan {
	if in == nil {
		return nil
	}
	p := survey.Plan{From: utcOrNil(in.From), To: utcOrNil(in.To), Instruments: append([]uuid.UUID{}, in.InstrumentIDs...), Bands: in.Bands, Positions: []survey.PlannedPosition{}}
	for _, q := range in.Positions {
		planned := survey.PlannedPosition{PositionID: q.PositionID, Readings: q.Readings, Duration: -1} // out of range
		if q.DurationS >= 0 && q.DurationS < 1e9 {
			planned.Duration = time.Duration(math.Round(q.DurationS*1e6)) * time.Microsecond
		}
		p.Positions = append(p.Positions, planned)
	}
	return &p
}

func planOf(p *survey.Plan) *Plan {
	if p == nil {
		return nil
	}
	out := Plan{From: p.From, To: p.To, InstrumentIDs: p.Instruments, Bands: p.Bands}
	for _, q := range p.Positions {
		out.Positions = append(out.Positions, PlannedPosition{q.PositionID, q.Readings, q.Duration.Seconds()})
	}
	return &out
}
