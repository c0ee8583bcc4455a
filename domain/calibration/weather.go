package calibration

import (
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

// Station is a side measurement of a survey with its samples, in time order.
type Station struct {
	SeriesID   uuid.UUID
	PositionID uuid.UUID
	Quantity   series.Quantity
	Interval   time.Duration // zero: readings at instants, which say nothing of the time between
	Runs       []series.Run
}

// BadWeather is a span in which the weather lay beyond a limit.
type BadWeather struct {
	series.Span
	SeriesID uuid.UUID // of the side measurement
	Quantity series.Quantity
	Limit    Sourced[float64] // in the unit of the quantity
	Highest  *float64         // in its unit; nil if all that is known is that it was above the measuring range
}

// Reason says in words what lay beyond which limit.
func (b BadWeather) Reason() string {
	name := map[string]string{"wind_speed": "wind speed", "precipitation": "precipitation"}[b.Quantity.Symbol]
	up := "above the measuring range"
	if b.Highest != nil {
		up = fmt.Sprintf("up to %g %s", *b.Highest, b.Quantity.Unit)
	}
	return fmt.Sprintf("%s %s, the limit is %g %s (%s)", name, up, b.Limit.Value, b.Quantity.Unit, b.Limit.Source)
}

// lull is the longest time within the limits that does not end a span of bad weather:
// gusts come in groups (house value).
const lull = time.Minute

// WeatherLimit returns the limit of a side measurement. ok is false if the rules set none.
func (r DataRules) WeatherLimit(q series.Quantity) (limit Sourced[float64], ok bool) {
	switch q.Symbol {
	case "wind_speed":
		limit = r.MaxWindSpeed
	case "precipitation":
		limit = r.MaxPrecipitation
	}
	return limit, limit.Source != ""
}

// BadWeather returns when the weather at a position lay beyond the limits, by station
// and in time order. A quantity is that of the stations at the position, and if it has
// none that of all stations. At a limit the weather is within it. Spans less than a
// minute apart are one.
func (r DataRules) BadWeather(stations []Station, position uuid.UUID) []BadWeather {
	var all []BadWeather
	for _, s := range stations {
		limit, ok := r.WeatherLimit(s.Quantity)
		own := func(o Station) bool { return o.PositionID == position && o.Quantity.Symbol == s.Quantity.Symbol }
		if !ok || s.Interval == 0 || s.PositionID != position && slices.ContainsFunc(stations, own) {
			continue
		}
		first := len(all)
		for _, run := range s.Runs {
			for i, l := range run.Levels {
				high, beyond := s.beyond(l, limit.Value)
				if !beyond {
					continue
				}
				at := run.Start.Add(time.Duration(i) * s.Interval)
				if n := len(all); n == first || at.Sub(all[n-1].To) >= lull {
					all = append(all, BadWeather{Span: series.Span{From: at}, SeriesID: s.SeriesID, Quantity: s.Quantity, Limit: limit})
				}
				b := &all[len(all)-1]
				b.To = at.Add(s.Interval)
				if high != nil && (b.Highest == nil || *high > *b.Highest) {
					b.Highest = high
				}
			}
		}
	}
	return all
}

// beyond returns a sample in its unit, nil if it is flagged, and whether it lies beyond limit.
func (s Station) beyond(l acoustic.Level, limit float64) (high *float64, beyond bool) {
	switch l {
	case series.UnderRange:
		return nil, false
	case series.OverRange:
		return nil, true
	}
	x := float64(l) / float64(s.Quantity.PerUnit)
	return &x, x > limit
}
