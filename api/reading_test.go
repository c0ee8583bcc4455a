package api_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Wind blows from up to 360 degrees and rain falls at more than 200 mm/h: side measurements have bounds of their own.
func TestSideMeasurementsBeyondLevels(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	of := "/v1/surveys/" + s.survey + "/series"
	side := func(quantity string, levels ...any) object {
		return object{
			"position_id": s.position, "instrument_id": s.meter, "quantity": quantity, "interval_s": 60, "started_at": "2026-03-03T07:00:00+01:00", "levels_db": levels,
		}
	}
	wind := s.create(of, side("wind_direction", 0., 359.9, 200., 200.1, nil, 360.))
	path := "/v1/series/" + wind + "/samples"
	s.must(200, "POST", path, object{"started_at": "2026-03-03T07:06:00+01:00", "levels_db": []any{270.5, 12}})
	var got []any
	for _, item := range s.must(200, "GET", path, nil).items() {
		got = append(got, item["levels_db"].([]any)...)
	}
	if diff := cmp.Diff([]any{0., 359.9, 200., 200.1, 360., 270.5, 12.}, got); diff != "" {
		t.Errorf("wind directions (-want +got):\n%s", diff)
	}
	step := s.must(200, "GET", path+"?step=1h", nil).body["steps"].([]any)[0].(object)
	if step["min_db"] != 0. || step["max_db"] != 360. || step["count"] != 7. {
		t.Errorf("of the hour: %v; want 7 numbers from 0 to 360", step)
	}
	rain := side("precipitation", nil)
	delete(rain, "interval_s")
	delete(rain, "started_at")
	delete(rain, "levels_db")
	rain["samples"] = []any{object{"at": "2026-03-03T07:00:00+01:00", "level_db": 312.4}}
	spots := s.must(200, "GET", "/v1/series/"+s.create(of, rain)+"/samples", nil).items()
	if l := spots[0]["samples"].([]any)[0].(object)["level_db"]; l != 312.4 {
		t.Errorf("precipitation = %v; want 312.4", l)
	}
	s.create(of, side("wind_speed", 0., 5.25, 199.99))

	for quantity, levels := range map[string][]any{
		"wind_direction": {360.1}, "precipitation": {-0.1}, "wind_speed": {200.1}, "relative_humidity": {110.1}, "air_temperature": {100.01},
		"static_pressure": {-1}, "LAF": {200.1},
	} {
		s.refused(422, "invalid", []string{"/levels_db/0 level"}, "POST", of, side(quantity, levels...))
	}
	s.refused(422, "invalid", []string{"/levels_db/0 level", "/levels_db/2 level"}, "POST", path, object{"started_at": "2026-03-03T07:08:00+01:00", "levels_db": []any{270.55, 1, 1e9}})
	s.refused(422, "invalid", []string{"/samples/0/level_db level"}, "POST", of, with(rain, object{"samples": []any{object{"at": "2026-03-03T07:00:00+01:00", "level_db": 12.25}}}))
}
