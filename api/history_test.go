package api_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestHistoryOfInstrument(t *testing.T) {
	t.Parallel()
	s, _ := checked(t)
	path := "/v1/instruments/" + s.meter + "/history"
	before := s.must(200, "GET", path, nil)
	s.create("/v1/instruments/"+s.meter+"/events", object{"kind": "part_change", "on": "2026-02-10", "ends_cover": false, "note": "Invented: a new windscreen."})
	// Two days later the meter reads 0.6 dB lower than it was left.
	s.check("2026-03-05T08:00:00+01:00", 93.2)

	a := s.must(200, "GET", path+"?time_zone=Europe%2FVienna", nil)
	kinds := []string{}
	for _, e := range a.body["entries"].([]any) {
		e := e.(object)
		kinds = append(kinds, e["at"].(string)+" "+e["kind"].(string))
	}
	want := []string{
		"2026-01-12T23:00:00Z certificate", "2026-02-09T23:00:00Z event",
		"2026-03-03T05:30:00Z field_check", "2026-03-03T07:10:00Z field_check", "2026-03-05T07:00:00Z field_check",
	}
	if diff := cmp.Diff(want, kinds); diff != "" {
		t.Errorf("entries (-want +got):\n%s", diff)
	}
	last := a.body["entries"].([]any)[4].(object)
	if last["found_deviation_db"] != -0.67 || last["left_deviation_db"] != -0.67 {
		t.Errorf("last check = %v; want it 0.67 dB below what was expected, 93.87 dB", last)
	}
	trend := a.body["trends"].([]any)[0].(object)
	if trend["channel"] != 1. || trend["checks"] != 3. || trend["largest_step_db"] != -0.6 || trend["look_at"] != true || trend["slope_db_per_year"] != nil {
		t.Errorf("trend = %v; want one of three checks to look at for a step of -0.6 dB, too short for a slope", trend)
	}
	if got := before.body["trends"].([]any)[0].(object)["look_at"]; got != false {
		t.Errorf("before the drift look_at = %v; want false", got)
	}

	// The calibrator's own life has the same checks, and no trend: it is what they were made with.
	own := s.must(200, "GET", "/v1/instruments/"+s.calibrator+"/history", nil)
	if n := len(own.body["entries"].([]any)); n != 4 || len(own.body["trends"].([]any)) != 0 {
		t.Errorf("the calibrator's history = %s; want its certificate and three checks", own.raw)
	}
	s.refused(404, "not_found", nil, "GET", "/v1/instruments/"+s.survey+"/history", nil)
	s.refused(400, "unknown_time_zone", []string{"time_zone unknown_time_zone"}, "GET", path+"?time_zone=Mars", nil)
	s.refused(404, "not_found", nil, "GET", path+"?as_known_at=2020-01-01T00:00:00Z", nil)
	s.asRole("Phone", "field").refused(403, "forbidden", nil, "GET", path, nil)
}
