package calibration_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
	"leveltrail/domain/series"
)

// The limits are 5 m/s and no rain, as common rules have them: DM 16 March 1998 (Italy)
// asks for at most 5 m/s and no rain, the Minnesota guide of 2008, p. 8, for less than 11 mph.
func TestBadWeather(t *testing.T) {
	t.Parallel()
	profile, _ := calibration.NewestProfile("environmental")
	here, there := uuid.New(), uuid.New()
	start := time.Date(2026, 3, 3, 12, 0, 0, 0, time.UTC)
	station := func(symbol string, position uuid.UUID, interval time.Duration, runs ...series.Run) calibration.Station {
		q, ok := series.ParseQuantity(symbol)
		if !ok {
			t.Fatal(symbol)
		}
		return calibration.Station{SeriesID: uuid.New(), PositionID: position, Quantity: q, Interval: interval, Runs: runs}
	}
	run := func(minute int, ls ...acoustic.Level) series.Run {
		return series.Run{Start: start.Add(time.Duration(minute) * time.Minute), Levels: ls}
	}
	found := func(stations []calibration.Station, position uuid.UUID) (spans []string) {
		for _, b := range profile.Data.BadWeather(stations, position) {
			spans = append(spans, b.From.Format("15:04:05")+"-"+b.To.Format("15:04:05")+" "+b.Reason())
		}
		return spans
	}
	const (
		wind = "the limit is 5 m/s (common practice, no source)"
		rain = "the limit is 0 mm/h (house value)"
	)
	tests := []struct {
		name     string
		stations []calibration.Station
		want     []string
	}{
		{"at the limit", []calibration.Station{station("wind_speed", here, time.Minute, run(0, 500, 500))}, nil},
		{"above it", []calibration.Station{station("wind_speed", here, time.Minute, run(0, 400, 501, 720, 500))}, []string{"12:01:00-12:03:00 wind speed up to 7.2 m/s, " + wind}},
		{"rain", []calibration.Station{station("precipitation", here, 10*time.Minute, run(0, 0, 12, 0))}, []string{"12:10:00-12:20:00 precipitation up to 1.2 mm/h, " + rain}},
		{
			"gusts in groups",
			[]calibration.Station{station("wind_speed", here, 10*time.Second, run(0, 600, 0, 0, 0, 0, 0, 0, 600, 0, 0, 0, 0, 610, 0))},
			[]string{"12:00:00-12:00:10 wind speed up to 6 m/s, " + wind, "12:01:10-12:02:10 wind speed up to 6.1 m/s, " + wind},
		},
		{"above the range of the meter", []calibration.Station{station("wind_speed", here, time.Minute, run(0, series.OverRange, series.UnderRange))}, []string{"12:00:00-12:01:00 wind speed above the measuring range, " + wind}},
		{"the position's own before another's", []calibration.Station{station("wind_speed", here, time.Minute, run(0, 100)), station("wind_speed", there, time.Minute, run(0, 900))}, nil},
		{"another's where it has none", []calibration.Station{station("precipitation", here, time.Minute, run(0, 0)), station("wind_speed", there, time.Minute, run(0, 900))}, []string{"12:00:00-12:01:00 wind speed up to 9 m/s, " + wind}},
		{"over a gap", []calibration.Station{station("wind_speed", here, time.Minute, run(0, 600), run(3, 600))}, []string{"12:00:00-12:01:00 wind speed up to 6 m/s, " + wind, "12:03:00-12:04:00 wind speed up to 6 m/s, " + wind}},
		{"readings at instants", []calibration.Station{station("wind_speed", here, 0, run(0, 900))}, nil},
		{"no limit", []calibration.Station{station("air_temperature", here, time.Minute, run(0, 4000))}, nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if diff := cmp.Diff(tt.want, found(tt.stations, here)); diff != "" {
				t.Errorf("bad weather (-want +got):\n%s", diff)
			}
		})
	}
	indoors, _ := calibration.NewestProfile("workplace")
	if got := indoors.Data.BadWeather(tests[1].stations, here); got != nil {
		t.Errorf("a profile without limits finds %v", got)
	}
}
