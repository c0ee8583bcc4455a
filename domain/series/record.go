package series

import (
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/fault"
)

// Series is the record of a series: everything about it but its samples.
type Series struct {
	ClientID      uuid.UUID
	ID            uuid.UUID
	Version       int
	CreatedAt     time.Time
	RecordedAt    time.Time
	SurveyID      uuid.UUID
	PositionID    uuid.UUID
	InstrumentID  uuid.UUID
	Channel       int
	Quantity      string          // symbol, see [ParseQuantity]; never changes
	BandFraction  *int            // 1 or 3: the level is of an octave or one-third-octave band; nil: of no band
	BandNominalHz *float64        // nominal mid-band frequency (IEC 61260-1)
	IntervalUS    int64           // microseconds from one sample to the next, 0: spot readings; never changes
	RangeFromDB   *acoustic.Level // measuring range, nil: not declared
	RangeToDB     *acoustic.Level
	ImportID      uuid.UUID // the import that made it, zero if none did
	Withdrawn     bool      // with its import: it counts no more
	Residual      bool      // measured with the sound in question off
}

// Bounds of the interval of a series.
const (
	MinInterval = time.Millisecond
	MaxInterval = 24 * time.Hour
)

// Interval returns the time from one sample to the next, zero for spot readings.
func (s Series) Interval() time.Duration { return time.Duration(s.IntervalUS) * time.Microsecond }

// Use names what the meter's channel was measuring: its quantity and band.
func (s Series) Use() string {
	if s.BandFraction == nil {
		return s.Quantity
	}
	return fmt.Sprintf("%s 1/%d %g Hz", s.Quantity, *s.BandFraction, *s.BandNominalHz)
}

// CutBand takes a symbol such as "LZeq 1/3 125 Hz", as [Series.Use] writes it, apart into
// that of the level and the band. ok is false if it names no band, or none that is known.
func CutBand(symbol string) (level, band string, ok bool) {
	level, band, _ = strings.Cut(symbol, " ")
	var fraction int
	var nominal float64
	if n, err := fmt.Sscanf(band, "1/%d %g Hz", &fraction, &nominal); n != 2 || err != nil {
		return "", "", false
	}
	_, ok = acoustic.BandAt(fraction, acoustic.Hertz(nominal))
	return level, band, ok && band == fmt.Sprintf("1/%d %g Hz", fraction, nominal)
}

// Validate reports every member that makes s unfit to store.
func (s Series) Validate() error {
	var bad fault.Fields
	bad.Check(s.SurveyID != uuid.Nil, "survey_id", "required", "is required")
	bad.Check(s.PositionID != uuid.Nil, "position_id", "required", "is required")
	bad.Check(s.InstrumentID != uuid.Nil, "instrument_id", "required", "is required")
	bad.Check(s.Channel >= 1 && s.Channel <= 1000, "channel", "out_of_range", "must be a whole number from 1 to 1000")
	if _, ok := ParseQuantity(s.Quantity); !ok {
		bad.Add("quantity", "not_allowed", "must be a quantity such as LAF, LAeq, LAFmax or LCpeak")
	}
	if i := s.Interval(); i != 0 {
		bad.Check(i >= MinInterval && i <= MaxInterval, "interval_s", "out_of_range", "must lie between 0.001 and 86400")
	}
	if s.BandFraction != nil {
		bad.Check(*s.BandFraction == 1 || *s.BandFraction == 3, "band/fraction", "not_allowed", "must be 1 or 3")
		bad.Check(*s.BandNominalHz >= 1 && *s.BandNominalHz <= 100_000, "band/nominal_hz", "out_of_range", "must lie between 1 and 100000")
	}
	if s.RangeFromDB != nil && s.RangeToDB != nil {
		bad.Check(*s.RangeFromDB < *s.RangeToDB, "range/to_db", "out_of_order", "must lie above from_db")
	}
	return bad.Err("series")
}

// Content sums up the samples of a series.
type Content struct {
	Revision        int64 // counts the changes of the samples
	Extent          Span  // from the first sample to the end of the last (spot: its instant); zero if there are none
	Numbers         int64 // samples that are numbers
	Under, Over     int64 // flagged samples
	Lowest, Highest acoustic.Level
}

// Samples returns the number of samples, flagged ones included.
func (c Content) Samples() int64 { return c.Numbers + c.Under + c.Over }

// Exclusion is a span of a series that is left out of results.
type Exclusion struct {
	ClientID   uuid.UUID
	ID         uuid.UUID
	Version    int
	CreatedAt  time.Time
	RecordedAt time.Time
	SeriesID   uuid.UUID
	StartsAt   time.Time
	EndsAt     time.Time
	Reason     string
	Author     string
	Removed    bool
	Residual   bool // the sound in question was off: the span tells the residual sound
}

// Validate reports every member that makes e unfit to store.
func (e Exclusion) Validate() error {
	var bad fault.Fields
	bad.Check(storable(e.StartsAt), "from", "out_of_range", "must lie between 1970 and 2200")
	bad.Check(storable(e.EndsAt), "to", "out_of_range", "must lie between 1970 and 2200")
	bad.Check(e.StartsAt.Before(e.EndsAt), "to", "out_of_order", "must be later than from")
	bad.Check(strings.TrimSpace(e.Reason) != "", "reason", "required", "must say why the span is left out")
	bad.Check(len(e.Reason) <= 2000, "reason", "too_long", "must have at most 2000 bytes")
	return bad.Err("exclusion")
}

func storable(t time.Time) bool { return t.Year() >= 1970 && t.Year() < 2200 }

// Facts is what planning figures of a series takes.
type Facts struct {
	Series     Series
	Zone       *time.Location // of the project
	Content    Content
	Exclusions []Exclusion // those in force, in time order
	Primary    bool        // its meter is named primary at the position
}
