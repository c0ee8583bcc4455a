// Package summary turns the samples of series into figures: equivalent levels,
// extremes, exceedance levels, indices of day, evening and night, and profiles
// over time. It works in two steps: [PlanFor] says which tallies of the samples
// are needed, [Of] makes figures of them. A figure that the data cannot carry is
// listed as unavailable with its reason. Nothing is rounded.
package summary

import (
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// Header is what is known of a series before its samples are read.
type Header struct {
	SeriesID     uuid.UUID
	InstrumentID uuid.UUID
	Primary      bool // its meter is named primary at the position
	Quantity     series.Quantity
	Interval     time.Duration   // zero for a spot series
	Extent       series.Span     // from the first sample to the end of the last; zero if there are none
	Floor        *acoustic.Level // declared lower end of the measuring range; nil if none
	Ceiling      *acoustic.Level // declared upper end
	Lowest       *acoustic.Level // lowest number in the whole series; nil if it has none
	Highest      *acoustic.Level // highest number
	Exclusions   []series.Span   // in any order, may overlap
	Verdict      *Verdict        // nil: not asked, so that nothing is known of usable windows
}

// Verdict is what the calibration verdict says of one series.
type Verdict struct {
	Outcome string
	Usable  []series.Span // in any order
}

// Request is what a reader wants to know. It serves all series of a survey alike.
type Request struct {
	From, To         *time.Time         // nil: from the beginning, to the end of Asked
	Asked            *series.Span       // the survey's own time, To zero while it runs; nil: the extent of each series
	Within           []series.Span      // what of the span is asked, in any order; nil: all of it
	Zone             *time.Location     // of the project; it places days and hours
	Step             time.Duration      // zero for none; a multiple of 24 h counts local days
	Percentiles      []series.Percent   // exceedance levels of the whole span
	StepPercentiles  []series.Percent   // and of each step
	Periods          acoustic.PeriodSet // without periods no indices are formed
	MinCoverage      float64            // of a period, for its level to be given
	IgnoreExclusions bool
	UsableOnly       bool // leave out what the verdict does not let stand; needs a Verdict
}

// DefaultMinCoverage is the share of a period that must have been measured for
// its level to be given (house value).
const DefaultMinCoverage = 0.75

// Summary holds the figures of one series. Levels, indices and what is
// unavailable stand in the order in which a report lists them.
type Summary struct {
	SeriesID    uuid.UUID
	Quantity    series.Quantity
	Interval    time.Duration // zero for a spot series
	Span        series.Span   // asked
	Zone        *time.Location
	Samples     int64 // numbers
	UnderRange  int64 // flagged samples beside them
	OverRange   int64
	Coverage    *float64 // measured over asked time, flagged samples are measured; nil for spot readings
	CoverageOf  string   // whose time was asked: "request", "survey", "series_extent"
	Excluded    time.Duration
	Outcome     string         // of the verdict; empty if not known
	Usable      *time.Duration // measured time that the verdict lets stand; nil if not known
	Windows     string         // which samples the figures cover: "all", "usable"
	PeriodSet   string         // name; empty if there are no periods
	Levels      []Figure
	Indices     []Figure
	Periods     []PeriodTime
	Reference   Reference
	Steps       Profile
	Unavailable []Unavailable
}

// Figure is a level with everything it takes to read it.
type Figure struct {
	Symbol string
	Level  *acoustic.Decibel // nil if all that is known is that it lies beyond Below or Above
	Lowest *acoustic.Decibel // of an upper bound made by samples under range; nil: no energy at all
	Below  *acoustic.Decibel // it lies below this floor of the range
	Above  *acoustic.Decibel // it lies above this ceiling of the range
	Basis  Basis
	Bound  Bound
	Range  RangeSource // whose floor or ceiling it rests on; empty if on none
	Shares []Share     // of a mixed basis

	Sampling         *Estimated // of the very time measured, see [Doubt]; nil: not asked, or nothing was left out
	Representativity *Estimated // of the longer time it stands for; nil: not asked
}

// Basis says what kind of samples a figure was made from.
type Basis string

// The bases. A figure is never made across them without saying so.
const (
	Integrated Basis = "integrated" // equivalent levels that the meter integrated
	ShortLeq   Basis = "short_leq"  // distribution of equivalent levels of 1 s or less, an approximation
	Sampled    Basis = "sampled"    // time-weighted levels read at intervals
	Instrument Basis = "instrument" // extremes and peaks that the meter held
	Spot       Basis = "spot"       // readings without duration
	Mixed      Basis = "mixed"      // see Shares
)

// Share is the part of the measured time of a figure that has one basis.
type Share struct {
	Basis Basis
	Share float64 // in (0, 1)
}

// Bound says in which direction the true value can lie beside a figure.
type Bound string

// A bound decides one way only: a lower one can show that a limit is exceeded, an upper one that it is kept.
const (
	Lower Bound = "lower" // the true value is this or higher
	Upper Bound = "upper" // the true value is this or lower
)

// RangeSource says where the ends of a measuring range are known from.
type RangeSource string

// An inferred end is the lowest or highest number of the series: a true bound,
// since every number lies inside the range.
const (
	Declared RangeSource = "declared"
	Inferred RangeSource = "inferred"
)

// PeriodTime says how much of a period was measured.
type PeriodTime struct {
	Symbol   string
	Measured time.Duration
	Asked    time.Duration // on the real clock, inside the span
	Coverage float64       // measured over the larger of asked and nominal time
}

// Reference counts the days and nights that a result rests on: measured time of
// the first and the last period of the set over their nominal lengths, to the nearest whole.
type Reference struct{ Days, Nights int }

// Unavailable is a figure that cannot be given.
type Unavailable struct{ Symbol, Reason string }
