package series

import "strings"

// Quantity says what a number of a series is.
type Quantity struct {
	Symbol    string    // "LAF", "LAeq", "wind_speed": what the series was created with
	Weighting byte      // frequency weighting 'A', 'C' or 'Z'; 0 for a side measurement
	Time      byte      // time weighting 'F', 'S' or 'I'; 0 where the symbol has none
	Kind      Kind      // whether a number is read at an instant or covers an interval
	Statistic Statistic // what of the level the number is
	Unit      string    // "dB", or the unit of a side measurement
	PerUnit   int       // stored whole numbers to one Unit: 100, or 10 where the scale is too long for hundredths
}

// Kind tells numbers read at an instant from numbers over an interval.
type Kind uint8

// The kinds.
const (
	Sampled  Kind = iota // read at the beginning of the sample and standing for it
	Interval             // over the whole of the sample's interval
)

// String returns "sampled" or "interval".
func (k Kind) String() string {
	if k == Interval {
		return "interval"
	}
	return "sampled"
}

// Statistic is what of the level, or of the thing beside it, a number gives.
type Statistic uint8

// The statistics.
const (
	Instant      Statistic = iota // time-weighted level, or a side measurement, at an instant
	Equivalent                    // equivalent continuous level; time-weighted first where Time is set (LAIeq)
	Maximum                       // highest time-weighted level
	Minimum                       // lowest time-weighted level
	Peak                          // peak level, without time weighting
	Exposure                      // sound exposure level of one event or interval
	CycleMaximum                  // energy mean of the maxima of 5 s cycles (LAFT5eq)
)

// Level reports whether q is a sound level and no side measurement.
func (q Quantity) Level() bool { return q.Weighting != 0 }

// Bounds returns the least and the greatest number that a sample of q may be, in its unit.
func (q Quantity) Bounds() (low, high int) {
	switch q.Symbol {
	case "wind_speed", "static_pressure":
		return 0, 200
	case "wind_direction":
		return 0, 360
	case "precipitation":
		return 0, 1000
	case "relative_humidity": // sensors read a little above saturation
		return 0, 110
	case "air_temperature":
		return -50, 100
	}
	return -50, 200 // dB
}

// sideMeasurements are what stations log beside levels. Wind direction and
// precipitation are kept in tenths: their scales pass 200.
var sideMeasurements = map[string]Quantity{
	"wind_speed":        {Unit: "m/s", PerUnit: 100},
	"wind_direction":    {Unit: "deg", PerUnit: 10},
	"precipitation":     {Unit: "mm/h", PerUnit: 10},
	"air_temperature":   {Unit: "°C", PerUnit: 100},
	"relative_humidity": {Unit: "%", PerUnit: 100},
	"static_pressure":   {Unit: "kPa", PerUnit: 100},
}

// ParseQuantity returns the quantity of a symbol of IEC 61672-1 and ISO 1996-1
// written without subscripts, or of a side measurement. ok is false for any
// other text. With x for A, C or Z and t for F or S the symbols are Lxt, Lxtmax,
// Lxtmin, Lxeq, Lxpeak, and LAE, LAIeq, LAFT5eq.
func ParseQuantity(symbol string) (q Quantity, ok bool) {
	if q, ok = sideMeasurements[symbol]; ok {
		q.Symbol = symbol
		return q, true
	}
	if len(symbol) < 3 || symbol[0] != 'L' || !strings.Contains("ACZ", symbol[1:2]) {
		return Quantity{}, false
	}
	q = Quantity{Symbol: symbol, Weighting: symbol[1], Kind: Interval, Unit: "dB", PerUnit: 100}
	switch rest := symbol[2:]; rest {
	case "F", "S":
		q.Time, q.Kind, q.Statistic = rest[0], Sampled, Instant
	case "Fmax", "Smax":
		q.Time, q.Statistic = rest[0], Maximum
	case "Fmin", "Smin":
		q.Time, q.Statistic = rest[0], Minimum
	case "eq":
		q.Statistic = Equivalent
	case "peak":
		q.Statistic = Peak
	case "E", "Ieq", "FT5eq":
		if q.Weighting != 'A' {
			return Quantity{}, false
		}
		switch rest {
		case "E":
			q.Statistic = Exposure
		case "Ieq":
			q.Time, q.Statistic = 'I', Equivalent
		default:
			q.Time, q.Statistic = 'F', CycleMaximum
		}
	default:
		return Quantity{}, false
	}
	return q, true
}
