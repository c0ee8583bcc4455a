package api_test

import (
	"testing"

	"github.com/google/uuid"
)

func TestPlan(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	path := "/v1/surveys/" + s.survey
	project := s.must(200, "GET", path, nil).body["project_id"].(string)
	planned := object{
		"from": "2026-03-03T06:00:00Z", "to": "2026-03-04T18:00:00Z", "instrument_ids": []any{s.meter, s.calibrator}, "bands": true,
		"positions": []any{object{"position_id": s.position, "readings": 3., "duration_s": 900.5}},
	}
	answered(t, object{"planned": nil}, s.must(200, "GET", path, nil))
	made := s.must(201, "POST", "/v1/projects/"+project+"/surveys", with(aSurvey, object{"planned": planned}))
	answered(t, object{"planned": planned}, made)
	answered(t, object{"planned": planned}, s.must(200, "GET", made.header.Get("Location"), nil))
	// A patch changes a member and leaves the rest; null clears all.
	changed := s.must(200, "PATCH", made.header.Get("Location"), object{"planned": object{"bands": false}}, "If-Match", "*")
	answered(t, object{"planned": with(planned, object{"bands": nil})}, changed)
	answered(t, object{"planned": nil}, s.must(200, "PATCH", made.header.Get("Location"), object{"planned": nil}, "If-Match", "*"))

	refused := func(planned object, wrong ...string) {
		t.Helper()
		for i := range wrong {
			wrong[i] = "/planned/" + wrong[i]
		}
		s.refused(422, "invalid", wrong, "PATCH", path, object{"planned": planned}, "If-Match", "*")
	}
	refused(object{"from": "2026-03-04T06:00:00Z", "to": "2026-03-03T06:00:00Z"}, "to out_of_order")
	refused(object{"from": "2026-03-04T06:00:00Z", "to": "2027-03-06T06:00:00Z"}, "to out_of_range")
	refused(object{"instrument_ids": []any{s.meter, s.meter}}, "instrument_ids/1 duplicate")
	refused(object{"positions": []any{object{"position_id": s.position, "readings": -1, "duration_s": -1}, object{"position_id": s.position}}},
		"positions/0/readings out_of_range", "positions/0/duration_s out_of_range", "positions/1/position_id duplicate")
	refused(object{"instrument_ids": []any{s.meter, uuid.NewString()}, "positions": []any{object{"position_id": uuid.NewString()}}},
		"instrument_ids/1 unknown_reference", "positions/0/position_id unknown_reference")
}

// TestMeterClock compares the meter's clock at a field check.
func TestMeterClock(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	made := s.must(201, "POST", "/v1/instruments/"+s.meter+"/field-checks",
		with(check(s.meter, s.calibrator, "2026-03-03T06:30:00+01:00", 93.9), object{"meter_at": "2026-03-03T06:30:04.5+01:00"}))
	answered(t, object{"meter_at": "2026-03-03T05:30:04.5Z"}, made)
	answered(t, object{"meter_at": nil}, s.must(200, "PATCH", made.header.Get("Location"), object{"meter_at": nil}, "If-Match", "*"))
	s.refused(422, "invalid", []string{"/meter_at out_of_range"}, "PATCH", made.header.Get("Location"), object{"meter_at": "1950-01-01T00:00:00Z"}, "If-Match", "*")
}
