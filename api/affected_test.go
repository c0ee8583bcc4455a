package api_test

import (
	"encoding/csv"
	"net/url"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// reach tells what a reverse trace answers: of each series its relation and the roles.
func (s site) reach(query string) []string {
	s.t.Helper()
	var told []string
	for _, a := range s.must(200, "GET", "/v1/affected-surveys?"+query, nil).items() {
		for _, one := range a["series"].([]any) {
			one := one.(object)
			line := []string{a["project_reference"].(string), one["relation"].(string)}
			for _, p := range one["parts"].([]any) {
				line = append(line, p.(object)["role"].(string))
			}
			told = append(told, strings.Join(line, " "))
		}
	}
	return told
}

func TestAffectedSurveys(t *testing.T) {
	t.Parallel()
	s, series := checked(t)
	calibrators := s.must(200, "GET", "/v1/instruments/"+s.calibrator+"/certificates", nil).items()
	certificate, laboratory := calibrators[0]["id"].(string), calibrators[0]["laboratory_id"].(string)
	spare := s.create("/v1/instruments", with(aCalibrator, object{"serial_number": "K-2"}))
	s.create("/v1/instruments/"+s.meter+"/field-checks", with(check(s.meter, spare, "2026-03-03T06:00:00+01:00", 93.9), object{"expected_db": 93.9}))
	s.create("/v1/instruments/"+spare+"/certificates", with(aCertificate, object{
		"number": "N-7", "calibrated_from": nil, "calibrated_on": "2026-06-02", "issued_on": nil, "due_override_on": nil,
		"reference_standards": []any{object{"description": " Another standard ", "certificate": " REF-77"}},
	}))
	idle := s.create("/v1/instruments", with(aMeter, object{"serial_number": "M-2"}))

	for query, want := range map[string][]string{
		"instrument_id=" + s.meter:             {"J-1 relied_on meter"},
		"instrument_id=" + s.calibrator:        {"J-1 relied_on before after"},
		"instrument_id=" + spare:               {"J-1 touched not_used"}, // it was not calibrated yet, and another check is nearer
		"instrument_id=" + idle:                nil,
		"certificate_id=" + s.meterCertificate: {"J-1 relied_on meter"},
		"certificate_id=" + certificate:        {"J-1 relied_on before after"},
		"laboratory_id=" + laboratory:          {"J-1 relied_on meter before after"},
		"reference_standard=REF-9":             {"J-1 relied_on meter before after"},
		"reference_standard=Invented+standard": {"J-1 relied_on meter before after"},
		"reference_standard=Another+standard":  {"J-1 touched not_used"}, // what it was found then is about that use
		"reference_standard=REF-77":            {"J-1 touched not_used"},
		"reference_standard=another":           nil,

		"instrument_id=" + s.meter + "&from=2026-03-03T08:00:00%2B01:00": nil,
		"instrument_id=" + s.meter + "&to=2026-03-03T07:00:00%2B01:00":   nil,
		"instrument_id=" + s.meter + "&to=2026-03-03T07:00:01%2B01:00":   {"J-1 relied_on meter"},
		"instrument_id=" + s.meter + "&as_known_at=2020-01-01T00:00:00Z": nil,
	} {
		if diff := cmp.Diff(want, s.reach(query)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", query, diff)
		}
	}
	known := url.QueryEscape(s.verdict().body["as_known_at"].(string))

	signed := s.signOff(s.asRole("QA", "qa"), aStatement).body["id"]

	// A withdrawn certificate still reaches what relied on it.
	fallen := s.must(201, "POST", "/v1/certificates/"+s.meterCertificate+"/withdrawal", object{"reason": "Invented: wrong item", "effective_from": "2026-01-13"})
	if list := fallen.body["affected_surveys"].([]any); len(list) != 1 || list[0].(object)["survey_id"] != s.survey || list[0].(object)["relation"] != "relied_on" {
		t.Errorf("the withdrawal answers %s; want the survey that relied on the certificate", fallen.raw)
	}
	if _, err := s.store.Seal(t.Context()); err != nil {
		t.Fatal(err)
	}
	told := 0
	for _, c := range s.must(200, "GET", "/v1/changes?limit=200", nil).items() {
		if c["type"] == "survey.certificate_withdrawn" && c["record"].(object)["id"] == s.survey && c["client_id"] != nil {
			told++
		}
	}
	if told != 1 {
		t.Errorf("the changes tell %d times that the survey's certificate was withdrawn; want once", told)
	}
	now := s.must(200, "GET", "/v1/affected-surveys?certificate_id="+s.meterCertificate, nil).items()
	if len(now) != 1 || now[0]["relation"] != "relied_on" || now[0]["outcome"] != "not_valid" {
		t.Errorf("after the withdrawal %v; want the survey, no longer valid", now)
	}
	if so, ok := now[0]["sign_off"].(object); !ok || so["id"] != signed {
		t.Errorf("sign-off %v; want %v", now[0]["sign_off"], signed)
	}
	before := s.must(200, "GET", "/v1/affected-surveys?as_known_at="+known+"&certificate_id="+s.meterCertificate, nil).items()
	if len(before) != 1 || before[0]["outcome"] != "valid" || before[0]["sign_off"] != nil {
		t.Errorf("as known before the sign-off and the withdrawal %v; want the survey, valid, not signed off", before)
	}

	a := s.must(200, "GET", "/v1/affected-surveys?instrument_id="+s.calibrator, nil, "Accept", "text/csv")
	if lines, err := csv.NewReader(strings.NewReader(string(a.raw))).ReadAll(); err != nil || len(lines) != 2 || lines[1][6] != series || lines[1][8] != "before after" {
		t.Errorf("table = %q, %v; want a header and the series", lines, err)
	}

	other := s.create("/v1/clients", object{"name": "Another"})
	if got := (site{service: s.asRole("QA of another", "qa", other)}).reach("instrument_id=" + s.meter); got != nil {
		t.Errorf("a key of another client is told %q", got)
	}
	s.asRole("Phone", "field").refused(403, "forbidden", nil, "GET", "/v1/affected-surveys?instrument_id="+s.meter, nil)
	s.refused(400, "required", []string{"certificate_id required"}, "GET", "/v1/affected-surveys", nil)
	// Of an id mistaken for another, "nothing stood on it" would be a false comfort.
	for _, name := range []string{"certificate_id", "instrument_id", "laboratory_id"} {
		s.refused(422, "invalid", []string{name + " unknown_reference"}, "GET", "/v1/affected-surveys?"+name+"="+s.survey, nil)
	}
	s.refused(400, "required", []string{"certificate_id required"}, "GET", "/v1/affected-surveys?reference_standard=x&instrument_id="+s.meter, nil)
}

// A calibrator found at 94.31 dB where 94.00 dB was used turns 84.8 dB into 85.1 dB: house example.
func TestMovementTurnsComparison(t *testing.T) {
	t.Parallel()
	s, _ := checked(t)
	s.limit(object{"symbol": "LAeq", "level_db": 51.4})
	s.limit(object{"symbol": "LAeq", "level_db": 60})
	query := "/v1/affected-surveys?instrument_id=" + s.calibrator
	if got := s.must(200, "GET", query, nil).items()[0]["series"].([]any)[0].(object)["could_move"]; got != nil {
		t.Errorf("before the next calibration could_move = %v; want null", got)
	}
	used := 94 - 0.13 // nominal with the deviation as left
	s.create("/v1/instruments/"+s.calibrator+"/certificates", with(aCertificate, object{
		"number": "N-9", "revision": 0, "calibrated_from": "2026-06-01", "calibrated_on": "2026-06-02", "issued_on": "2026-06-03", "due_override_on": nil,
		"as_found": "fail", "results": []any{object{
			"phase": "as_found", "test": "level", "nominal_db": 94., "frequency_hz": 1000., "deviation_db": 0.18, "expanded_uncertainty_db": 0.1, "coverage_factor": 2.,
		}},
	}))
	one := s.must(200, "GET", query, nil).items()[0]
	moved := one["series"].([]any)[0].(object)["could_move"].(object)
	if moved["low_db"] != 0.31 || moved["high_db"] != 0.31 || used != 93.87 || one["outcome"] != "undetermined" {
		t.Errorf("could_move = %v, outcome %v; want 0.31 dB and undetermined: 94.18 dB was found, 93.87 dB used", moved, one["outcome"])
	}
	turned := moved["comparisons"].([]any)
	if len(turned) != 1 {
		t.Fatalf("comparisons = %v; want the one with 51.4 dB: 51.2 dB could be 51.51 dB", turned)
	}
	c := turned[0].(object)
	if c["limit_db"] != 51.4 || c["level_db"] != 51.2 || c["high_db"] != 51.51 {
		t.Errorf("comparison = %v; want 51.2 dB, up to 51.51 dB, against 51.4 dB", c)
	}
}
