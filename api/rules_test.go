package api_test

import (
	"slices"
	"testing"
)

// Each rule on records that come over the wire: one changed member, one finding. What the rules
// rest on, and their edges, is tested where they are judged.
func TestRulesOverRecords(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.measure("LAF")
	before := "/v1/field-checks/" + s.check("2026-03-03T06:30:00+01:00", 93.9)
	after := "/v1/field-checks/" + s.check("2026-03-03T08:10:00+01:00", 93.8)
	between := "/v1/field-checks/" + s.check("2026-03-03T07:30:00+01:00", 93.9)
	answered(t, object{"outcome": "valid"}, s.verdict())

	// patch changes members of a record and returns what they were.
	patch := func(path string, members object) object {
		t.Helper()
		now := s.must(200, "GET", path, nil)
		was := object{}
		for name := range members {
			was[name] = now.body[name]
		}
		s.must(200, "PATCH", path, members, "If-Match", now.header.Get("ETag"))
		return was
	}
	meter, calibrator := "/v1/instruments/"+s.meter, "/v1/instruments/"+s.calibrator
	certificate := "/v1/certificates/" + s.meterCertificate
	of := "/v1/certificates/" + s.must(200, "GET", calibrator+"/certificates", nil).ids()[0]
	results := s.must(200, "GET", of, nil).body["results"].([]any)
	type changes map[string]object // by path
	for _, tt := range []struct {
		name    string
		changes changes
		want    string
	}{
		{"due the day before", changes{certificate: {"due_override_on": "2026-03-02"}}, "fail calibration_lapsed_before"},
		{"due that day", changes{certificate: {"due_override_on": "2026-03-03"}}, ""},
		{"calibrated the day after", changes{certificate: {"calibrated_from": "2026-03-04", "calibrated_on": "2026-03-04", "issued_on": "2026-03-04"}}, "fail calibrated_after_use"},
		{"issued after", changes{certificate: {"issued_on": "2026-03-04"}}, "remark certificate_issued_after_use"},
		{"left out of limits", changes{certificate: {"as_left": "fail"}}, "fail as_left_not_conforming"},
		{"no accreditation mark", changes{certificate: {"accredited": false}}, "remark laboratory_not_accredited"},
		{"no pattern approval", changes{certificate: {"pattern_evidence": "none"}}, "remark pattern_evidence_missing"},
		{"no uncertainty", changes{certificate: {"results": []any{with(results[0].(object), object{"expanded_uncertainty_db": nil})}}}, "undetermined uncertainty_missing"},
		{"too much of it", changes{certificate: {"results": []any{with(results[0].(object), object{"expanded_uncertainty_db": 0.2, "maximum_uncertainty_db": 0.15})}}}, "undetermined uncertainty_missing"},
		{"another item", changes{certificate: {"item_serial_number": "M-8"}}, "undetermined serial_number_mismatch"},
		{"meter of class 2", changes{meter: {"class": "2"}}, "fail meter_class_too_low"},
		{"calibrator of class 2", changes{calibrator: {"class": "2"}}, "fail calibrator_class_too_low"},
		{"calibrator lapsed", changes{of: {"due_override_on": "2026-03-02"}}, "fail calibrator_not_covered"},
		{"another level", changes{after: {"nominal_db": 114, "expected_db": 113.87, "as_found_db": 113.8}}, "remark check_level_not_certified"},
		{"another level expected", changes{after: {"expected_db": 93.95, "as_found_db": 93.9}}, "remark expected_level_differs"},
		{"left 0.35 dB off", changes{before: {"as_found_db": 94.22}}, "remark not_adjusted"},
		{"0.6 dB off all the while", changes{before: {"as_found_db": 93.27}, between: {"as_found_db": 93.27}, after: {"as_found_db": 93.27}}, "fail not_adjusted"},
		{"drift of 0.5 dB", changes{after: {"as_found_db": 93.4}}, ""},
		{"drift of 0.51 dB", changes{after: {"as_found_db": 93.39}}, "fail drift_exceeded"},
		{"drift of 0.3 dB twice", changes{between: {"as_found_db": 93.6}, after: {"as_found_db": 93.3}}, "fail drift_since_adjustment"},
		{"1.1 dB off", changes{after: {"as_found_db": 94.97}}, "undetermined deviation_suspicious"},
		{"an electrical check", changes{after: {"signal": "electrical"}}, "fail no_check_after"},
		{"on another channel", changes{before: {"channel": 2}}, "fail no_check_before"},
	} {
		was := changes{}
		for path, members := range tt.changes {
			was[path] = patch(path, members)
		}
		v := s.verdict()
		got := rules(v)
		if tt.want == "" && v.body["outcome"] != "valid" || tt.want != "" && !slices.Contains(got, tt.want) {
			t.Errorf("%s: %v with %q; want %q", tt.name, v.body["outcome"], got, tt.want)
		}
		for path, members := range was {
			patch(path, members)
		}
	}
	answered(t, object{"outcome": "valid"}, s.verdict())

	// The next calibration says how it found the meter, or does not.
	next := with(aCertificate, object{
		"scope": nil, "item_serial_number": "M-1", "number": "N-7", "calibrated_from": "2026-06-08", "calibrated_on": "2026-06-09", "issued_on": "2026-06-10",
		"laboratory_due_on": nil, "due_override_on": nil, "as_found": "pass", "results": nil,
	})
	good := s.verdict()
	path := "/v1/certificates/" + s.create(meter+"/certificates", next)
	answered(t, object{"outcome": "valid"}, s.verdict())
	for stated, want := range map[string]string{"fail": "undetermined next_as_found_failed", "not_stated": "undetermined next_as_found_missing"} { // it adjusted
		patch(path, object{"as_found": stated})
		if got := rules(s.verdict()); !slices.Contains(got, want) {
			t.Errorf("as found %s: %q; want %q", stated, got, want)
		}
	}
	s.unchanged(good)
}
