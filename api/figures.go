package api

import (
	"context"
	"math"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
)

type figureStore interface {
	CollectSurvey(ctx context.Context, surveyID uuid.UUID, plan func([]series.Facts) ([][]series.Ask, error)) ([][]series.Answer, error)
	CollectPosition(ctx context.Context, positionID uuid.UUID, plan func([]series.Facts) ([][]series.Ask, error)) ([][]series.Answer, error)
	CollectAll(ctx context.Context, id uuid.UUID, span series.Span, plan func(series.Facts) ([]series.Ask, error)) ([]series.Answer, error)
}

// PlainFigure is a level with its basis.
type PlainFigure struct {
	LevelDB  *float64 `json:"level_db"`                                  // Null where only below_db or above_db is known
	LowestDB *float64 `json:"lowest_db,omitempty"`                       // Of an upper bound made by samples under range: the lower end
	BelowDB  *float64 `json:"below_db,omitempty"`                        // It lies below this floor of the measuring range
	AboveDB  *float64 `json:"above_db,omitempty"`                        // It lies above this ceiling of the measuring range
	Basis    string   `json:"basis"`                                     // Kind of samples it was made from: integrated, short_leq, sampled, instrument, spot, mixed
	Bound    string   `json:"bound,omitempty" enums:"lower,upper"`       // The true value is this or higher, this or lower
	Range    string   `json:"range,omitempty" enums:"declared,inferred"` // Where the end of the measuring range that it rests on is known from
	Shares   []Share  `json:"shares,omitempty"`                          // Of a mixed basis
}

// Figure is a level with everything it takes to read it. Uncertainties are standard
// uncertainties and never include the instrument.
type Figure struct {
	PlainFigure
	SamplingUncertaintyDB         *float64  `json:"sampling_uncertainty_db,omitempty"`         // Of the level of the very time measured, from the gaps between samples
	Sampling                      *Estimate `json:"sampling,omitempty"`                        // What that rests on, or why there is none
	RepresentativityUncertaintyDB *float64  `json:"representativity_uncertainty_db,omitempty"` // Of the level of the longer time that the measured time stands for
	Representativity              *Estimate `json:"representativity,omitempty"`                // What that rests on, or why there is none
}

// Estimate is what an uncertainty estimated from samples rests on.
type Estimate struct {
	EffectiveSize *float64 `json:"effective_size,omitempty"` // Effective number of samples; of sampling, of changes between them
	K             *float64 `json:"k,omitempty"`              // Coverage factor for 95 %: Student's t
	ExpandedDB    *float64 `json:"expanded_db,omitempty"`    // k times the standard uncertainty
	AtMost        bool     `json:"at_most,omitempty"`        // The uncertainty is an upper bound
	Reason        string   `json:"reason,omitempty"`         // Why there is none
}

// Caution is a sentence that belongs beside a figure wherever it is shown.
type Caution struct {
	Code string `json:"code"` // By which programs know it
	Text string `json:"text"` // The sentence
}

// Share is the part of the measured time of a figure that has one basis.
type Share struct {
	Basis string  `json:"basis"` // Kind of samples
	Share float64 `json:"share"` // From 0 to 1
}

// Unavailable is a figure that the data cannot carry.
type Unavailable struct {
	Symbol string `json:"symbol"` // Figure
	Reason string `json:"reason"` // Why there is none
}

// PeriodTime says how much of a period was measured.
type PeriodTime struct {
	Symbol    string  `json:"symbol"` // Level of the period
	MeasuredS float64 `json:"measured_s"`
	AskedS    float64 `json:"asked_s"`  // On the real clock, inside the span
	Coverage  float64 `json:"coverage"` // Measured over the larger of asked and nominal time
}

// Reference counts the days and nights that a result rests on.
type Reference struct {
	Days   int `json:"days"`   // Days
	Nights int `json:"nights"` // Nights
}

// Step is one entry of a profile over time.
type Step struct {
	From        time.Time         `json:"from"`
	To          time.Time         `json:"to"`
	Samples     int64             `json:"samples"`           // Measured, flagged ones included
	Coverage    *float64          `json:"coverage"`          // Measured over asked time; null for spot readings
	Levels      map[string]Figure `json:"levels"`            // With uncertainties where step_uncertainty asks for them
	Indices     map[string]Figure `json:"indices,omitempty"` // Of steps of whole days
	Unavailable []Unavailable     `json:"unavailable,omitempty"`
}

// Summary is figures computed from a series.
type Summary struct {
	SeriesID    uuid.UUID         `json:"series_id"`                                        // Series
	PositionID  uuid.UUID         `json:"position_id"`                                      // Its position
	Quantity    string            `json:"quantity" example:"LAF"`                           // What a sample is
	IntervalS   *float64          `json:"interval_s"`                                       // Null for spot readings
	From        *time.Time        `json:"from"`                                             // Null where no span was asked and there are no samples
	To          *time.Time        `json:"to"`                                               // Its end
	TimeZone    string            `json:"time_zone"`                                        // Of days and periods
	Samples     int64             `json:"samples"`                                          // How many samples are numbers
	Coverage    *float64          `json:"coverage"`                                         // Measured time over the time asked; null for spot readings
	CoverageOf  string            `json:"coverage_of" enums:"request,survey,series_extent"` // Whose time was asked
	ExcludedS   float64           `json:"excluded_s"`
	UnderRange  int64             `json:"under_range"`                // How many samples are flagged as below the measuring range
	OverRange   int64             `json:"over_range"`                 // How many samples are flagged as above the measuring range
	UsableS     *float64          `json:"usable_s"`                   // What the verdict lets stand; null for spot readings
	Outcome     string            `json:"outcome"`                    // Of the verdict on the series
	Windows     string            `json:"windows" enums:"all,usable"` // Which samples the figures cover
	Levels      map[string]Figure `json:"levels"`
	Indices     map[string]Figure `json:"indices"`
	Periods     []PeriodTime      `json:"periods"`
	PeriodSet   string            `json:"period_set"` // Name of the division of the day
	Reference   Reference         `json:"reference"`
	Steps       []Step            `json:"steps"`
	profile     summary.Profile   // of which the steps are written, see encode
	Unavailable []Unavailable     `json:"unavailable"`
	Highest     []Highest         `json:"highest,omitempty"`     // As asked
	TypicalDay  *TypicalDay       `json:"typical_day,omitempty"` // As asked
	Cautions    []Caution         `json:"cautions"`              // To be shown beside the figures
	Evidence    *Evidence         `json:"evidence,omitempty"`    // In the summary of a survey it stands there
}

func round(x float64, decimals int) float64 {
	p := math.Pow10(decimals)
	return math.Round(x*p) / p
}

// decibels rounds a computed level to 0.01 dB, the only place where it is rounded.
func decibels(d *acoustic.Decibel) *float64 {
	if d == nil {
		return nil
	}
	x := round(float64(*d), 2)
	return &x
}

func plainOf(f summary.Figure) PlainFigure {
	g := PlainFigure{
		LevelDB: decibels(f.Level), LowestDB: decibels(f.Lowest), BelowDB: decibels(f.Below), AboveDB: decibels(f.Above),
		Basis: string(f.Basis), Bound: string(f.Bound), Range: string(f.Range),
	}
	for _, s := range f.Shares {
		g.Shares = append(g.Shares, Share{string(s.Basis), round(s.Share, 5)})
	}
	return g
}

func figureOf(f summary.Figure) Figure {
	g := Figure{PlainFigure: plainOf(f)}
	g.SamplingUncertaintyDB, g.Sampling = estimateOf(f.Sampling)
	g.RepresentativityUncertaintyDB, g.Representativity = estimateOf(f.Representativity)
	return g
}

// estimateOf returns a standard uncertainty, nil where there is none, and what it rests on.
func estimateOf(e *summary.Estimated) (standard *float64, basis *Estimate) {
	switch {
	case e == nil:
		return nil, nil
	case e.Reason != "":
		return nil, &Estimate{Reason: e.Reason}
	}
	u, k := e.Expanded()
	return new(round(float64(e.Standard), 3)), &Estimate{
		EffectiveSize: new(round(e.Effective, 1)), K: new(round(k, 3)), ExpandedDB: new(round(float64(u), 3)), AtMost: e.AtMost,
	}
}

// bySymbol maps figures to what one is on the wire.
func bySymbol[T any](fs []summary.Figure, one func(summary.Figure) T) map[string]T {
	m := make(map[string]T, len(fs))
	for _, f := range fs {
		m[f.Symbol] = one(f)
	}
	return m
}

func unavailableOf(us []summary.Unavailable) []Unavailable {
	out := make([]Unavailable, len(us))
	for i, u := range us {
		out[i] = Unavailable(u)
	}
	return out
}

func share(x *float64) *float64 {
	if x == nil {
		return nil
	}
	y := round(*x, 5)
	return &y
}

func summaryOf(s summary.Summary, f series.Facts) Summary {
	out := Summary{
		SeriesID: s.SeriesID, PositionID: f.Series.PositionID, Quantity: s.Quantity.Symbol, IntervalS: headerOf(f.Series).IntervalS,
		TimeZone: s.Zone.String(), Samples: s.Samples,
		Coverage: share(s.Coverage), CoverageOf: s.CoverageOf, ExcludedS: s.Excluded.Seconds(),
		UnderRange: s.UnderRange, OverRange: s.OverRange, Outcome: s.Outcome, Windows: s.Windows,
		Levels: bySymbol(s.Levels, figureOf), Indices: bySymbol(s.Indices, figureOf), PeriodSet: s.PeriodSet,
		Periods: make([]PeriodTime, len(s.Periods)), Reference: Reference(s.Reference),
		Steps: []Step{}, profile: s.Steps, Unavailable: unavailableOf(s.Unavailable),
		Cautions: cautionsOf(cautionsFor(s.Levels, s.Indices, s.Reference)),
	}
	if !s.Span.From.IsZero() {
		out.From, out.To = &s.Span.From, &s.Span.To
	}
	if s.Usable != nil {
		x := s.Usable.Seconds()
		out.UsableS = &x
	}
	for i, p := range s.Periods {
		out.Periods[i] = PeriodTime{p.Symbol, p.Measured.Seconds(), p.Asked.Seconds(), round(p.Coverage, 5)}
	}
	return out
}
