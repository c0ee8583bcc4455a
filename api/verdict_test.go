package api_test

import (
	"net/url"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
)

// site is an invented environmental survey at one position, with a calibrated
// meter and a calibrated calibrator.
type site struct {
	*service
	survey, position, meter, calibrator string
	meterCertificate                    string
}

func newSite(t *testing.T) site {
	t.Helper()
	s := site{service: serve(t)}
	client := s.create("/v1/clients", object{"name": "Invented Mill"})
	project := s.create("/v1/projects", object{"client_id": client, "reference": "J-1", "title": "Mill at night", "time_zone": "Europe/Vienna"})
	s.position = s.create("/v1/projects/"+project+"/positions", object{"number": 101, "label": "Gate"})
	s.survey = s.create("/v1/projects/"+project+"/surveys", object{"kind": "environmental", "started_at": "2026-03-03T07:00:00+01:00"})
	s.meter, s.calibrator = s.create("/v1/instruments", aMeter), s.create("/v1/instruments", aCalibrator)
	s.create("/v1/instruments/"+s.calibrator+"/certificates", aCertificate)
	s.meterCertificate = s.create("/v1/instruments/"+s.meter+"/certificates", with(aCertificate,
		object{"scope": nil, "item_serial_number": "M-1", "number": "N-2", "as_found": "pass"}))
	return s
}

// measure stores an hour of one level from 07:00 at the site and returns the id of the series.
func (s site) measure(quantity string) string {
	levels := make([]float64, 360)
	for i := range levels {
		levels[i] = []float64{51.2, 51.21, 51.2, 51.19}[i%4] // the meter does not stand still
	}
	return s.create("/v1/surveys/"+s.survey+"/series", object{
		"position_id": s.position, "instrument_id": s.meter, "quantity": quantity, "interval_s": 10,
		"started_at": "2026-03-03T07:00:00+01:00", "levels_db": levels,
	})
}

func (s site) check(at string, foundDB float64) string {
	return s.create("/v1/instruments/"+s.meter+"/field-checks", check(s.meter, s.calibrator, at, foundDB))
}

func rules(verdict answer) []string {
	var names []string
	list, _ := verdict.body["findings"].([]any)
	for _, f := range list {
		names = append(names, f.(object)["severity"].(string)+" "+f.(object)["rule"].(string))
	}
	return names
}

func TestVerdict(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	path := "/v1/surveys/" + s.survey + "/verdict"
	beforeSamples := s.must(200, "GET", path, nil)
	answered(t, object{"outcome": "undetermined", "series": []any{}, "findings": []any{}}, beforeSamples)

	series := s.measure("LAF")
	s.measure("air_temperature") // a side measurement: no field check is asked of it
	// The certificate states 93.87 dB.
	s.check("2026-03-03T06:30:00+01:00", 93.9)
	closing := s.check("2026-03-03T08:10:00+01:00", 93.8)
	good := s.must(200, "GET", path, nil)
	answered(t, object{
		"survey_id": s.survey, "outcome": "valid", "why": "", "rule_profile": object{"code": "environmental", "edition": "2026-1"}, "findings": []any{},
		"series": []any{object{
			"series_id": series, "outcome": "valid", "pending": []any{},
			"usable": []any{object{"from": "2026-03-03T06:00:00Z", "to": "2026-03-03T07:00:00Z"}},
		}},
	}, good)

	// Found 0.9 dB lower than before: beyond the 0.5 dB of the profile, so nothing between the checks stands.
	s.must(200, "PATCH", "/v1/field-checks/"+closing, object{"as_found_db": 93.}, "If-Match", `"v1"`)
	drifted := s.must(200, "GET", path, nil)
	answered(t, object{"outcome": "not_valid", "series": []any{object{"series_id": series, "outcome": "not_valid", "usable": []any{}, "pending": []any{}}}}, drifted)
	if got := rules(drifted); !slices.Contains(got, "fail drift_exceeded") {
		t.Errorf("findings = %q; want drift_exceeded among them", got)
	}
	i := slices.Index(rules(drifted), "fail drift_exceeded")
	finding := drifted.body["findings"].([]any)[i].(object)
	part := object{}
	for _, k := range []string{"subject", "series_id", "from", "to", "disposition"} {
		part[k] = finding[k]
	}
	want := object{
		"subject": object{"type": "field_check", "id": closing, "version": 2.}, "series_id": series,
		"from": "2026-03-03T06:00:00Z", "to": "2026-03-03T07:00:00Z", "disposition": nil,
	}
	if diff := cmp.Diff(want, part); diff != "" {
		t.Errorf("finding (-want +got):\n%s", diff)
	}

	// Without cover of the meter on the day.
	s.must(200, "PATCH", "/v1/certificates/"+s.meterCertificate, object{"due_override_on": "2026-03-02"}, "If-Match", `"v1"`)
	if got := rules(s.must(200, "GET", path, nil)); !slices.Contains(got, "fail calibration_lapsed_before") {
		t.Errorf("findings = %q; want calibration_lapsed_before among them", got)
	}

	// Ten seconds more after the closing check.
	s.must(200, "POST", "/v1/series/"+series+"/samples", object{"started_at": "2026-03-03T08:20:00+01:00", "levels_db": []any{50.}})
	longer := s.must(200, "GET", path, nil)
	if got := rules(longer); !slices.Contains(got, "fail no_check_after") {
		t.Errorf("findings = %q; want no_check_after among them", got)
	}

	// What was known earlier stays what it was.
	for _, was := range []answer{beforeSamples, good, drifted, longer} {
		again := s.must(200, "GET", path+"?as_known_at="+url.QueryEscape(was.body["as_known_at"].(string)), nil)
		if diff := cmp.Diff(was.body, again.body); diff != "" {
			t.Errorf("as known at %v (-then +now):\n%s", was.body["as_known_at"], diff)
		}
	}
	if good.body["inputs_sha256"] == drifted.body["inputs_sha256"] {
		t.Error("a changed check leaves the digest of the inputs as it was")
	}
	s.refused(404, "not_found", nil, "GET", path+"?as_known_at=2026-01-01T00:00:00Z", nil)
	s.refused(422, "invalid", []string{"as_known_at in_the_future"}, "GET",
		path+"?as_known_at="+time.Now().Add(time.Hour).UTC().Format(time.RFC3339), nil)
	s.refused(400, "type", []string{"as_known_at type"}, "GET", path+"?as_known_at=yesterday", nil)
	s.refused(404, "not_found", nil, "GET", "/v1/surveys/"+uuid.NewString()+"/verdict", nil)
}

func TestVerdictOfSpotReadings(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.create("/v1/surveys/"+s.survey+"/series", object{
		"position_id": s.position, "instrument_id": s.meter, "quantity": "LAF", "samples": []any{
			object{"at": "2026-03-03T07:00:00+01:00", "level_db": 51.2}, object{"at": "2026-03-03T07:00:40+01:00", "level_db": 52.2},
		},
	})
	path := "/v1/surveys/" + s.survey + "/verdict"
	if got := rules(s.must(200, "GET", path, nil)); !cmp.Equal(got, []string{"fail no_check_after", "fail no_check_before"}) {
		t.Errorf("findings without checks = %q; want both missing", got)
	}
	s.check("2026-03-03T06:30:00+01:00", 93.9)
	s.check("2026-03-03T08:10:00+01:00", 93.8)
	answered(t, object{"outcome": "valid"}, s.must(200, "GET", path, nil))
}

func TestFieldChecksOfASurvey(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.measure("LAF")
	path := "/v1/surveys/" + s.survey + "/field-checks"
	s.check("2026-03-03T06:00:00+01:00", 93.9)
	if got := s.must(200, "GET", path, nil).ids(); len(got) != 1 {
		t.Errorf("field checks = %v; want the one before", got)
	}
	want := []string{s.check("2026-03-03T06:30:00+01:00", 93.9), s.check("2026-03-03T07:20:00+01:00", 93.9)}
	// Sent to the survey, it is the meter's.
	made := s.must(201, "POST", path, check(s.meter, s.calibrator, "2026-03-03T08:10:00+01:00", 93.8))
	want = append(want, made.body["id"].(string))
	s.check("2026-03-03T09:10:00+01:00", 93.8)
	other := s.create("/v1/instruments", with(aMeter, object{"serial_number": "M-2"}))
	s.create("/v1/instruments/"+other+"/field-checks", check(other, s.calibrator, "2026-03-03T07:30:00+01:00", 93.8))
	s.create("/v1/instruments/"+s.meter+"/field-checks", with(check(s.meter, s.calibrator, "2026-03-03T07:30:00+01:00", 93.8), object{"channel": 2}))
	if diff := cmp.Diff(want, s.must(200, "GET", path, nil).ids()); diff != "" {
		t.Errorf("field checks of the survey (-want +got):\n%s", diff)
	}
	if got := s.must(200, "GET", "/v1/instruments/"+s.meter+"/field-checks", nil).ids(); !slices.Contains(got, made.body["id"].(string)) {
		t.Errorf("field checks of the meter = %v; want %v among them", got, made.body["id"])
	}

	// One further off than the 24 h of the profile brackets nothing.
	far := newSite(t)
	far.measure("LAF")
	far.check("2026-03-02T06:59:00+01:00", 93.9)
	far.check("2026-03-04T08:01:00+01:00", 93.9)
	if got := far.must(200, "GET", "/v1/surveys/"+far.survey+"/field-checks", nil).ids(); len(got) != 0 {
		t.Errorf("field checks further off than the reach = %v; want none", got)
	}

	s.refused(404, "not_found", nil, "GET", "/v1/surveys/"+uuid.NewString()+"/field-checks", nil)
	s.refused(404, "not_found", nil, "POST", "/v1/surveys/"+uuid.NewString()+"/field-checks", check(s.meter, s.calibrator, "2026-03-03T10:10:00+01:00", 93.8))
	s.refused(422, "invalid", []string{"/instrument_id required"}, "POST", path,
		with(check(s.meter, s.calibrator, "2026-03-03T10:10:00+01:00", 93.8), object{"instrument_id": nil}))
}
