package api_test

import (
	"strings"
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
	// Whoever asks what was known too early is told so: the instrument is there.
	for what, path := range map[string]string{"instrument": path, "survey": "/v1/surveys/" + s.survey + "/verdict"} {
		a := s.call("GET", path+"?as_known_at=2020-01-01T00:00:00Z", nil)
		if want := what + ", as known at 2020-01-01T00:00:00Z, not found"; a.status != 404 || a.body["detail"] != want {
			t.Errorf("%s = %s; want 404, %s", path, a.raw, want)
		}
	}
	s.asRole("Phone", "field").refused(403, "forbidden", nil, "GET", path, nil)
}

// TestHistoryNames reads the life of a meter the way a person does, who knows serial numbers and
// certificates, not ids.
func TestHistoryNames(t *testing.T) {
	t.Parallel()
	s, _ := checked(t)
	microphone := s.create("/v1/instruments", with(aMicrophone, object{"serial_number": "C-1"}))
	s.create("/v1/instruments/"+s.meter+"/components", object{"part_id": microphone, "from": "2026-01-20T10:00:00+01:00", "to": "2026-02-20T10:00:00+01:00"})
	amended := s.create("/v1/instruments/"+s.meter+"/certificates", with(aCertificate, object{"scope": nil, "number": "N-2a", "replaces_id": s.meterCertificate}))
	s.create("/v1/certificates/"+amended+"/withdrawal", object{"reason": "recalled", "effective_from": "2026-01-13"})

	told := map[string]string{}
	for _, e := range s.must(200, "GET", "/v1/instruments/"+s.meter+"/history", nil).body["entries"].([]any) {
		e := e.(object)
		if e["kind"] != "certificate" || e["record_id"] == amended {
			told[e["kind"].(string)] = e["detail"].(string)
		}
	}
	want := map[string]string{
		"component":          "The microphone C-1 is fitted on the sound level meter " + aMeter["serial_number"].(string) + " until 2026-02-20T09:00:00Z.",
		"certificate":        "Calibrated: certificate N-2a (revision 2), as found fail, as left pass. It replaces certificate N-2 (revision 2).",
		"certificate_status": "The certificate N-2a (revision 2) is withdrawn from 2026-01-13: recalled",
	}
	for kind, detail := range want {
		if told[kind] != detail {
			t.Errorf("%s: %q; want %q", kind, told[kind], detail)
		}
	}
	if check := told["field_check"]; !strings.HasPrefix(check, "The sound calibrator "+aCalibrator["serial_number"].(string)+" on the sound level meter ") {
		t.Errorf("field check: %q; want it to name calibrator and meter", check)
	}
}
