package api

import (
	"context"
	"slices"

	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
	"leveltrail/domain/survey"
)

// place is a position of a survey with its figures.
type place struct {
	record     survey.Position
	meters     []calibration.Instrument // that measured there
	outcome    calibration.Outcome      // of the series that make its figures together
	figures    summary.PositionFigures
	coverage   map[string]float64 // measured over asked time, by the symbol of the figure
	ofPeriods  map[string]periodFigures
	residual   []summary.Figure            // equivalent levels with the sound off
	residualOf map[string][]summary.Figure // likewise in the hours of a period, by its symbol
	residualIn map[aside][]summary.Figure  // likewise of a band
	periods    acoustic.PeriodSet
	limits     acoustic.ResidualLimits
	bands      map[aside]periodFigures
	grounds    map[aside]backgroundFound
	wanted     []maximaWanted
	counts     []maximaFound // in the order of wanted
	highest    []PlaceHighest
	typical    *PlaceTypicalDay
}

// periodFigures are those of one period, over all its occurrences in the span.
type periodFigures struct {
	summary.PositionFigures
	coverage map[string]float64
	outcome  calibration.Outcome // of a band: of its series together
	reason   string              // why there are none
}

// figure returns the level or index of that symbol. reason says why there is none.
func (p *place) figure(symbol string) (f summary.Figure, reason string) {
	for _, g := range slices.Concat(p.figures.Levels, p.figures.Indices) {
		if g.Symbol == symbol {
			return g, ""
		}
	}
	return f, missing(p.figures.Unavailable, symbol)
}

// missing says why there is no figure of that symbol.
func missing(us []summary.Unavailable, symbol string) string {
	for _, u := range us {
		if u.Symbol == symbol {
			return u.Reason
		}
	}
	return "no series of the position carries " + symbol
}

// describe fills in what is known of the position of series and of their meters.
func (s *server) describe(ctx context.Context, p *place, facts []series.Facts, members []int, v calibration.Verdict) (err error) {
	if p.record, err = s.store.Position(ctx, facts[members[0]].Series.PositionID); err != nil {
		return err
	}
	seen := map[uuid.UUID]bool{}
	var outcomes []calibration.Outcome
	for _, n := range members {
		h := facts[n].Series
		if !seen[h.InstrumentID] {
			seen[h.InstrumentID] = true
			meter, err := s.store.Instrument(ctx, h.InstrumentID)
			if err != nil {
				return err
			}
			p.meters = append(p.meters, meter)
		}
		if h.BandFraction != nil || h.Residual {
			continue // it makes none of the figures
		}
		for _, of := range v.Series {
			if of.SeriesID == h.ID {
				outcomes = append(outcomes, of.Outcome)
			}
		}
	}
	p.outcome = together(outcomes)
	return nil
}

// together returns the outcome of series that make one result: undetermined if any is,
// not valid if all are, else the least of what stands. It is empty where there is none.
func together(outcomes []calibration.Outcome) calibration.Outcome {
	if len(outcomes) == 0 {
		return ""
	}
	for _, o := range []calibration.Outcome{calibration.Undetermined, calibration.ValidInPart, calibration.ValidWithRemarks, calibration.Valid} {
		if slices.Contains(outcomes, o) {
			return o
		}
	}
	return calibration.NotValid
}

// broadband returns those of members that make the figures of their position: broadband
// levels measured with the sound on.
func broadband(facts []series.Facts, members []int) []int {
	var some []int
	for _, n := range members {
		if h := facts[n].Series; h.BandFraction == nil && !h.Residual {
			some = append(some, n)
		}
	}
	return some
}

// withUncertainties gives figures of a position that have none the uncertainties of the
// series that alone carry them, and says how much of the time asked each figure rests on.
func withUncertainties(p summary.PositionFigures, of []summary.Summary) (summary.PositionFigures, map[string]float64) {
	coverage := map[string]float64{}
	p.Levels, p.Indices = slices.Clone(p.Levels), slices.Clone(p.Indices)
	for i := range p.Indices {
		f := &p.Indices[i]
		var alike []summary.Figure
		for _, s := range of {
			for _, g := range s.Indices {
				if g.Symbol == f.Symbol && f.Level != nil && g.Level != nil && *f.Level == *g.Level && f.Basis == g.Basis {
					alike = append(alike, g)
				}
			}
		}
		if len(alike) == 1 && f.Representativity == nil {
			f.Sampling, f.Representativity = alike[0].Sampling, alike[0].Representativity
		}
	}
	for i := range p.Levels {
		f := &p.Levels[i]
		var alike []summary.Figure       // that have its level
		measured := map[string]float64{} // by quantity: companions measured the same time
		for _, s := range of {
			for _, g := range s.Levels {
				if g.Symbol != f.Symbol {
					continue
				}
				if f.Level != nil && g.Level != nil && *f.Level == *g.Level && f.Basis == g.Basis {
					alike = append(alike, g)
				}
				if s.Coverage != nil {
					measured[s.Quantity.Symbol] += *s.Coverage
					coverage[f.Symbol] = min(1, max(coverage[f.Symbol], measured[s.Quantity.Symbol]))
				}
			}
		}
		if len(alike) == 1 && f.Representativity == nil {
			f.Sampling, f.Representativity = alike[0].Sampling, alike[0].Representativity
		}
	}
	return p, coverage
}
