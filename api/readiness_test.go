package api_test

import (
	"slices"
	"strings"
	"testing"
)

// owedIn returns what an answer says is owed, each as code and subject's type.
func owedIn(t *testing.T, a answer) (codes []string) {
	t.Helper()
	for _, o := range a.body["owed"].([]any) {
		o := o.(object)
		codes = append(codes, o["code"].(string)+" "+o["subject"].(object)["type"].(string))
		if do := o["do"].(string); !strings.HasSuffix(do, ".") || strings.Count(do, ". ") > 0 || o["detail"] == "" {
			t.Errorf("%s: do %q, detail %q; want one sentence each", o["code"], do, o["detail"])
		}
	}
	slices.Sort(codes)
	return codes
}

func TestReadiness(t *testing.T) {
	t.Parallel()
	s := newSite(t) // the meter and calibrator of the site have certificates of 13 January 2026
	path := "/v1/surveys/" + s.survey
	wants := func(codes ...string) answer {
		t.Helper()
		a := s.must(200, "GET", path+"/readiness", nil)
		if got := owedIn(t, a); !slices.Equal(got, codes) || a.body["ready"] != (len(codes) == 0) {
			t.Errorf("owed = %q, ready %v; want %q: %s", got, a.body["ready"], codes, a.raw)
		}
		return a
	}
	plan := func(planned object) {
		t.Helper()
		s.must(200, "PATCH", path, object{"planned": nil}, "If-Match", "*")
		s.must(200, "PATCH", path, object{"planned": planned}, "If-Match", "*")
	}
	wants("calibrator_missing survey", "meter_missing survey")

	// Both certificates are used up to 31 December 2026, that day included.
	both := []any{s.meter, s.calibrator}
	plan(object{"from": "2026-12-30T08:00:00+01:00", "to": "2026-12-31T18:00:00+01:00", "instrument_ids": both})
	ready := wants()
	days := ready.body["instruments"].([]any)[1].(object)
	answered(t, object{"from": "2026-12-30", "to": "2026-12-31"}, answer{body: days["days"].([]any)[0].(object)})
	plan(object{"from": "2026-12-30T08:00:00+01:00", "to": "2027-01-01T00:00:01+01:00", "instrument_ids": both})
	late := wants("calibration_lapsed_during certificate", "calibration_lapsed_during certificate")
	if got := len(late.body["instruments"].([]any)[1].(object)["days"].([]any)); got != 2 {
		t.Errorf("%d runs of days; want 30 and 31 December covered and 1 January not: %s", got, late.raw)
	}

	// Filters are asked for where spectra are planned; a meter of class 2 and one without certificate are not taken.
	plan(object{"from": "2026-03-03T08:00:00+01:00", "to": "2026-03-03T18:00:00+01:00", "instrument_ids": both, "bands": true})
	wants("no_certificate instrument")
	spare := s.create("/v1/instruments", with(aMeter, object{"serial_number": "M-2", "class": "2"}))
	plan(object{"from": "2026-03-03T08:00:00+01:00", "to": "2026-03-03T18:00:00+01:00", "instrument_ids": []any{s.meter, spare, s.calibrator}})
	wants("meter_class_too_low instrument", "no_certificate instrument")

	// A microphone that was fitted since the calibration, and a withdrawn certificate.
	plan(object{"from": "2026-03-03T08:00:00+01:00", "to": "2026-03-03T18:00:00+01:00", "instrument_ids": both})
	wants()
	first, second := s.create("/v1/instruments", aMicrophone1("P-1")), s.create("/v1/instruments", aMicrophone1("P-2"))
	s.create("/v1/instruments/"+s.meter+"/components", object{"part_id": first, "from": "2025-01-01T00:00:00Z", "to": "2026-02-01T00:00:00Z"})
	s.create("/v1/instruments/"+s.meter+"/components", object{"part_id": second, "from": "2026-02-01T00:00:00Z"})
	wants("altered_since_calibration instrument")
	s.must(201, "POST", "/v1/certificates/"+s.meterCertificate+"/withdrawal", object{"reason": "x", "effective_from": "2026-02-01"})
	wants("certificate_withdrawn certificate")

	// Someone who is recorded must be authorised.
	s.create("/v1/people", object{"name": "A. Nobody", "authorisations": []any{object{"method": "environmental", "from": "2026-01-01"}}})
	wants("certificate_withdrawn certificate", "operator_not_authorised survey")
	s.must(200, "PATCH", path, object{"operator": "A. Nobody"}, "If-Match", "*")
	wants("certificate_withdrawn certificate")
	s.keyed("field", s.must(200, "GET", path, nil).body["client_id"].(string)).must(200, "GET", path+"/readiness", nil)
}

func aMicrophone1(serial string) object {
	return with(aMicrophone, object{"serial_number": serial})
}

func TestOutstanding(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	path := "/v1/surveys/" + s.survey
	wants := func(codes ...string) answer {
		t.Helper()
		a := s.must(200, "GET", path+"/outstanding", nil)
		if got := owedIn(t, a); !slices.Equal(got, codes) || a.body["done"] != (len(codes) == 0) {
			t.Errorf("owed = %q, done %v; want %q: %s", got, a.body["done"], codes, a.raw)
		}
		return a
	}
	wants("nothing_measured survey")
	project := s.must(200, "GET", path, nil).body["project_id"].(string)
	yard := s.create("/v1/projects/"+project+"/positions", object{"number": 102, "label": "Yard"})
	s.must(200, "PATCH", path, object{"planned": object{"positions": []any{
		object{"position_id": s.position, "readings": 2, "duration_s": 3600}, object{"position_id": yard, "readings": 3},
	}}}, "If-Match", "*")

	// An hour at the gate, less a minute of a lawn mower: one reading of two, a minute short.
	series := s.measure("LAF")
	s.measure("LCF") // at the same time: no further reading, no longer measured
	s.create("/v1/series/"+series+"/exclusions", object{"from": "2026-03-03T07:10:00+01:00", "to": "2026-03-03T07:11:00+01:00", "reason": "lawn mower"})
	s.check("2026-03-03T06:30:00+01:00", 93.9)
	s.must(200, "PATCH", path, object{"planned": object{"positions": []any{
		object{"position_id": s.position, "readings": 2, "duration_s": 3601}, object{"position_id": yard, "readings": 3},
	}}}, "If-Match", "*")
	a := wants("clock_not_compared instrument", "closing_check_missing instrument", "duration_missing position", "position_not_measured position", "readings_missing position")
	for _, o := range a.body["owed"].([]any) {
		if o := o.(object); o["code"] == "duration_missing" && o["do"] != "Measure there for 1s more." { // LCF lasted the whole hour
			t.Errorf("duration_missing: %v; want one second more", o)
		}
	}

	// Readings at the yard, two of three; the upper end of the range again and again.
	s.create(path+"/series", object{"position_id": yard, "instrument_id": s.meter, "quantity": "LAS", "samples": []any{
		object{"at": "2026-03-03T08:01:00+01:00", "level_db": 50}, object{"at": "2026-03-03T08:02:00+01:00", "level_db": 51},
	}})
	levels := make([]float64, 60)
	for i := range levels {
		levels[i] = 60 + float64(i%3)*10 // 60, 70, 80
	}
	piled := s.create(path+"/series", object{
		"position_id": s.position, "instrument_id": s.meter, "quantity": "LAF", "interval_s": 1, "range": object{"from_db": 30, "to_db": 80},
		"started_at": "2026-03-03T08:03:00+01:00", "levels_db": levels,
	})
	closing := s.check("2026-03-03T08:10:00+01:00", 92.9) // a decibel less than before
	a = wants("clock_not_compared instrument", "drift_exceeded field_check", "duration_missing position", "readings_missing position", "samples_at_limit series")
	if !strings.Contains(string(a.raw), piled) || !strings.Contains(string(a.raw), `has 2 of 3 planned readings`) {
		t.Errorf("outstanding = %s; want the series at its limit and the third reading", a.raw)
	}

	// The closing check again, with the clock: 12 s ahead is said, 3 s is not.
	s.must(200, "PATCH", "/v1/field-checks/"+closing, object{"as_found_db": 93.8, "meter_at": "2026-03-03T08:10:12+01:00"}, "If-Match", "*")
	a = wants("clock_differs instrument", "duration_missing position", "readings_missing position", "samples_at_limit series")
	if !strings.Contains(string(a.raw), "12s ahead of") {
		t.Errorf("outstanding = %s; want the clock 12 s ahead", a.raw)
	}
	s.must(200, "PATCH", "/v1/field-checks/"+closing, object{"meter_at": "2026-03-03T08:10:03+01:00"}, "If-Match", "*")
	wants("duration_missing position", "readings_missing position", "samples_at_limit series")

	// A file that was refused, and one of which a part is missing.
	bad := "date;time;LAF dB\n2026-03-03;07:00:00;loud\n2026-03-03;07:00:01;51,4\n"
	s.send(s.survey, "bad.csv", bad, with(aLogOptions(s), object{"channel": 2}))
	s.create("/v1/uploads", announced(s.survey, aLog))
	wants("duration_missing position", "file_not_imported import", "readings_missing position", "samples_at_limit series", "upload_unfinished upload")
	s.send(s.survey, "bad.csv", bad, with(aLogOptions(s), object{"channel": 2, "accept_unreadable_rows": true}))
	if got := owedIn(t, s.must(200, "GET", path+"/outstanding", nil)); slices.Contains(got, "file_not_imported import") {
		t.Errorf("owed = %q; want the file imported at last left out", got)
	}

	// The meter out of date.
	s.must(201, "POST", "/v1/certificates/"+s.meterCertificate+"/withdrawal", object{"reason": "x", "effective_from": "2026-02-01"})
	if got := owedIn(t, s.must(200, "GET", path+"/outstanding", nil)); !slices.Contains(got, "certificate_withdrawn certificate") {
		t.Errorf("owed = %q; want the withdrawn certificate", got)
	}
}
