package api_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
)

// The instruments, laboratories and certificates of these tests are invented.

var (
	aLaboratory = object{"name": "Invented Laboratory", "accreditations": []any{
		object{"body": "Invented Body", "number": "INV-7", "scope": "acoustics", "from": "2020-01-02", "to": "2024-03-04"},
		object{"body": "Another Body", "number": "ANO-8", "from": "2024-03-05"},
	}}
	aMeter = object{
		"kind": "sound_level_meter", "manufacturer": "Invented Works", "model": "Mu", "serial_number": "M-1", "class": "1",
		"specification": "IEC 61672-1:2013",
	}
	aCalibrator = object{
		"kind": "sound_calibrator", "manufacturer": "Invented Works", "model": "Kappa", "serial_number": "K-1", "class": "1",
	}
	aCertificate = object{
		"laboratory": object{"name": "Invented Laboratory", "accreditation": "INV-7"}, "accredited": true,
		"scope": []any{"calibrator", "microphone"}, "item_serial_number": "K-1", "number": "N-1", "revision": 2.,
		"calibrated_from": "2026-01-12", "calibrated_on": "2026-01-13", "issued_on": "2026-01-20", "standard": "IEC 60942:2017",
		"as_found": "fail", "as_left": "pass", "adjusted": true, "pattern_evidence": "public",
		"laboratory_due_on": "2028-01-13", "due_override_on": "2026-12-31", "person_authorising": "A. Nobody",
		"reference_standards": []any{object{"description": "Invented standard", "certificate": "REF-9"}},
		"results": []any{object{
			"phase": "as_left", "test": "level", "nominal_db": 94., "frequency_hz": 1000., "deviation_db": -0.13, "limit_low_db": -0.25,
			"limit_high_db": 0.26, "expanded_uncertainty_db": 0.123, "coverage_factor": 2.25, "in_scope": true, "maximum_uncertainty_db": 0.15,
		}},
		"parts": []any{object{"kind": "microphone", "serial_number": "P-1"}},
	}
)

// answered reports the members of want that the answer has otherwise.
func answered(t *testing.T, want object, got answer) {
	t.Helper()
	part := object{}
	for k := range want {
		part[k] = got.body[k]
	}
	if diff := cmp.Diff(want, part); diff != "" {
		t.Errorf("answer (-want +got):\n%s", diff)
	}
}

func TestLaboratory(t *testing.T) {
	t.Parallel()
	s := serve(t)
	made := s.must(201, "POST", "/v1/laboratories", aLaboratory)
	answered(t, aLaboratory, made)
	path := made.header.Get("Location")
	answered(t, made.body, s.must(200, "GET", path, nil))
	s.must(304, "GET", path, nil, "If-None-Match", `"v1"`)

	s.refused(409, "duplicate", nil, "POST", "/v1/laboratories", aLaboratory)
	s.refused(422, "invalid",
		[]string{
			"/name required", "/nme unknown_member", "/accreditations/0/from type", "/accreditations/0/body required",
			"/accreditations/1/to out_of_order", "/accreditations/1/number null",
		},
		"POST", "/v1/laboratories", object{"nme": "x", "accreditations": []any{
			object{"number": "1", "from": "2026-02-30"},
			object{"body": "b", "number": nil, "from": "2026-02-02", "to": "2026-02-01"},
		}})

	s.refused(428, "precondition_required", nil, "PATCH", path, object{"name": "Other"})
	s.refused(412, "precondition_failed", nil, "PATCH", path, object{"name": "Other"}, "If-Match", `"v7"`)
	changed := s.must(200, "PATCH", path, object{"name": "Renamed Laboratory", "accreditations": nil}, "If-Match", `"v1"`)
	answered(t, object{"name": "Renamed Laboratory", "accreditations": []any{}, "version": 2.}, changed)
	s.refused(412, "precondition_failed", nil, "PATCH", path, object{"name": "Other"}, "If-Match", `"v1"`)

	versions := s.must(200, "GET", path+"/versions", nil).items()
	if len(versions) != 2 || versions[0]["name"] != "Invented Laboratory" || versions[1]["name"] != "Renamed Laboratory" {
		t.Errorf("versions = %v; want both names in order", versions)
	}
	if got := s.must(200, "GET", "/v1/laboratories", nil).ids(); len(got) != 1 {
		t.Errorf("laboratories = %v; want one", got)
	}
	s.refused(404, "not_found", nil, "GET", "/v1/laboratories/"+uuid.NewString(), nil)
}

func TestInstrument(t *testing.T) {
	t.Parallel()
	s := serve(t)
	made := s.must(201, "POST", "/v1/instruments", aMeter)
	answered(t, aMeter, made)
	meter := made.header.Get("Location")
	// The current standard of sound calibrators is IEC 60942:2017.
	answered(t, object{"specification": "IEC 60942:2017"}, s.must(201, "POST", "/v1/instruments", aCalibrator))
	answered(t, object{"class": nil, "specification": nil}, s.must(201, "POST", "/v1/instruments",
		object{"kind": "anemometer", "manufacturer": "Invented Works", "model": "Alpha", "serial_number": "M-1"}))

	s.refused(409, "duplicate", nil, "POST", "/v1/instruments", aMeter)
	s.refused(422, "invalid", []string{"/kind not_allowed", "/model required", "/serial_number type", "/colour unknown_member"},
		"POST", "/v1/instruments", object{"kind": "kettle", "manufacturer": "m", "serial_number": 7, "class": "1", "colour": "red"})
	s.refused(422, "invalid", []string{"/class not_allowed"}, "POST", "/v1/instruments", with(aMeter, object{"class": "3", "serial_number": "M-2"}))
	s.refused(422, "invalid", []string{"/class not_allowed"}, "POST", "/v1/instruments", with(aMeter, object{"class": nil, "serial_number": "M-2"}))
	s.refused(400, "not_json", nil, "POST", "/v1/instruments", `{"kind": `)
	s.refused(400, "unknown_parameter", []string{"colour unknown_parameter"}, "GET", "/v1/instruments?colour=red", nil)
	s.refused(400, "not_allowed", []string{"kind not_allowed"}, "GET", "/v1/instruments?kind=kettle", nil)

	if got := s.must(200, "GET", "/v1/instruments?serial_number=M-1&kind=sound_level_meter", nil).ids(); !cmp.Equal(got, []string{made.body["id"].(string)}) {
		t.Errorf("instruments found = %v; want the meter", got)
	}
	first := s.must(200, "GET", "/v1/instruments?limit=2", nil)
	cursor, _ := first.body["next_cursor"].(string)
	if rest := s.must(200, "GET", "/v1/instruments?limit=2&cursor="+cursor, nil); len(first.items()) != 2 || len(rest.items()) != 1 {
		t.Errorf("pages of %d and %d; want 2 and 1", len(first.items()), len(rest.items()))
	}

	s.refused(428, "precondition_required", nil, "PATCH", meter, object{"model": "Nu"})
	answered(t, with(aMeter, object{"model": "Nu", "version": 2.}), s.must(200, "PATCH", meter, object{"model": "Nu"}, "If-Match", `"v1"`))
	s.refused(409, "duplicate", nil, "PATCH", s.must(201, "POST", "/v1/instruments", aMeter).header.Get("Location"),
		object{"model": "Nu"}, "If-Match", `"v1"`)
	if got := s.must(200, "GET", meter+"/versions", nil).items(); len(got) != 2 {
		t.Errorf("%d versions; want 2", len(got))
	}
}

func TestCertificate(t *testing.T) {
	t.Parallel()
	s := serve(t)
	calibrator := s.create("/v1/instruments", aCalibrator)
	of := "/v1/instruments/" + calibrator + "/certificates"
	made := s.must(201, "POST", of, aCertificate)
	answered(t, with(aCertificate, object{"instrument_id": calibrator, "state": "confirmed", "version": 1.}), made)
	path := made.header.Get("Location")
	answered(t, made.body, s.must(200, "GET", path, nil))

	// What has a certificate stays what it is; what nothing rests on was merely entered wrong.
	another := object{"kind": "anemometer", "class": nil, "specification": nil}
	s.refused(422, "invalid", []string{"/kind not_allowed"}, "PATCH", "/v1/instruments/"+calibrator, another, "If-Match", `"v1"`)
	s.must(200, "PATCH", "/v1/instruments/"+s.create("/v1/instruments", with(aMeter, object{"serial_number": "M-77"})), another, "If-Match", `"v1"`)

	// What is left out: the scope that a calibrator implies, nothing stated, calibrated within a day.
	sparse := s.must(201, "POST", of, object{"laboratory_id": made.body["laboratory_id"], "number": "N-2", "calibrated_on": "2026-02-03"})
	answered(t, object{
		"laboratory": object{"name": "Invented Laboratory"}, "accredited": false, "scope": []any{"calibrator"}, "item_serial_number": nil,
		"revision": 0., "replaces_id": nil, "calibrated_from": "2026-02-03", "issued_on": nil, "standard": nil, "as_found": "not_stated",
		"as_left": "not_stated", "adjusted": false, "pattern_evidence": "not_stated", "laboratory_due_on": nil, "due_override_on": nil,
		"person_authorising": nil, "reference_standards": []any{}, "results": []any{}, "parts": []any{}, "problems": []any{},
	}, sparse)

	answered(t, made.body, s.must(200, "POST", of, aCertificate))
	answered(t, made.body, s.must(200, "POST", of, aCertificate, "Idempotency-Key", "again"))
	s.refused(409, "certificate_differs", []string{"/issued_on differs", "/results differs"}, "POST", of,
		with(aCertificate, object{"issued_on": "2026-01-21", "results": nil}))
	answered(t, made.body, s.must(200, "GET", path, nil))
	s.refused(404, "not_found", nil, "POST", "/v1/instruments/"+uuid.NewString()+"/certificates", aCertificate)
	s.refused(422, "invalid", []string{"/laboratory_id unknown_reference", "/replaces_id unknown_reference"}, "POST", of,
		object{"laboratory_id": uuid.NewString(), "replaces_id": uuid.NewString(), "number": "N-3", "calibrated_on": "2026-02-03"})
	s.refused(422, "invalid", []string{"/laboratory required", "/number required", "/calibrated_on required", "/issued_on type"},
		"POST", of, object{"issued_on": "13.01.2026"})
	s.refused(422, "invalid", []string{"/laboratory_id conflicting"}, "POST", of,
		with(aCertificate, object{"number": "N-3", "laboratory_id": made.body["laboratory_id"]}))
	s.refused(422, "invalid", []string{
		"/scope/1 not_allowed", "/as_found not_allowed", "/issued_on out_of_order", "/results/0/phase not_allowed",
		"/results/0/deviation_db type", "/results/0/nominal_db type", "/results/0/limit_db unknown_member",
		"/parts/0/kind not_allowed", "/parts/0/serial_number required", "/calibrated_on out_of_order", "/laboratory_due_on out_of_order",
	}, "POST", of,
		with(aCertificate, object{
			"calibrated_from": "2026-01-14", "laboratory_due_on": "2025-12-31", "parts": []any{object{"kind": "anemometer", "serial_number": " "}},
			"number": "N-3", "scope": []any{"calibrator", "kettle"}, "as_found": "good", "issued_on": "2026-01-01",
			"results": []any{object{"phase": "later", "deviation_db": 0.125, "nominal_db": 1e9, "limit_db": 1}},
		}))

	// Members that stay are as they were; a laboratory is found or made as at creation.
	s.refused(428, "precondition_required", nil, "PATCH", path, object{"number": "N-9"})
	changed := s.must(200, "PATCH", path, object{"number": "N-9", "laboratory": object{"name": "Another Laboratory"}}, "If-Match", `"v1"`)
	answered(t, with(aCertificate, object{"number": "N-9", "version": 2., "laboratory": object{"name": "Another Laboratory", "accreditation": "INV-7"}}), changed)
	if changed.body["laboratory_id"] == made.body["laboratory_id"] {
		t.Error("the certificate is still of the first laboratory")
	}
	answered(t, object{"laboratory": object{"name": "Invented Laboratory", "accreditation": "INV-7"}},
		s.must(200, "PATCH", path, object{"laboratory_id": made.body["laboratory_id"]}, "If-Match", `"v2"`))
	s.refused(422, "invalid", []string{"/laboratory required"}, "PATCH", path, object{"laboratory": nil}, "If-Match", `"v3"`)
	s.refused(422, "invalid", []string{"/replaces_id invalid"}, "PATCH", path, object{"replaces_id": made.body["id"]}, "If-Match", `"v3"`)
	// The first day of calibration follows the last one unless it was given.
	answered(t, object{"calibrated_from": "2026-01-03", "calibrated_on": "2026-01-03"},
		s.must(200, "PATCH", sparse.header.Get("Location"), object{"calibrated_on": "2026-01-03"}, "If-Match", `"v1"`))

	var numbers []any
	for _, v := range s.must(200, "GET", path+"/versions", nil).items() {
		numbers = append(numbers, v["number"])
	}
	if diff := cmp.Diff([]any{"N-1", "N-9", "N-9"}, numbers); diff != "" {
		t.Errorf("numbers of the versions (-want +got):\n%s", diff)
	}
	other := s.create("/v1/instruments", aMeter)
	foreign := s.create("/v1/instruments/"+other+"/certificates", with(aCertificate, object{"scope": nil}))
	s.refused(422, "invalid", []string{"/replaces_id unknown_reference"}, "PATCH", path, object{"replaces_id": foreign}, "If-Match", `"v3"`)
	want := []string{made.body["id"].(string), sparse.body["id"].(string)}
	if diff := cmp.Diff(want, s.must(200, "GET", of, nil).ids()); diff != "" {
		t.Errorf("certificates of the calibrator (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(append(want, foreign), s.must(200, "GET", "/v1/certificates", nil).ids()); diff != "" {
		t.Errorf("certificates (-want +got):\n%s", diff)
	}
	for query, want := range map[string][]string{
		"instrument_id=" + other: {foreign}, "laboratory_id=" + made.body["laboratory_id"].(string): append(want, foreign),
		"number=N-2": {want[1]}, "state=draft": {}, "state=confirmed&number=N-1": {foreign}, "laboratory_id=" + uuid.NewString(): {},
	} {
		if diff := cmp.Diff(want, s.must(200, "GET", "/v1/certificates?"+query, nil).ids()); diff != "" {
			t.Errorf("certificates of %s (-want +got):\n%s", query, diff)
		}
	}
	s.refused(400, "not_allowed", []string{"state not_allowed"}, "GET", "/v1/certificates?state=old", nil)
	s.refused(422, "invalid", []string{"/instrument_id immutable"}, "PATCH", path, object{"instrument_id": other}, "If-Match", `"v3"`)
}

// A certificate of another serial number is kept and says so, and its entity tag follows
// what it shows of other records.
func TestCertificateShowsItsLaboratoryAndInstrumentAsTheyAre(t *testing.T) {
	t.Parallel()
	s := serve(t)
	calibrator := s.must(201, "POST", "/v1/instruments", aCalibrator)
	made := s.must(201, "POST", calibrator.header.Get("Location")+"/certificates", with(aCertificate, object{"item_serial_number": "K-2"}))
	path := made.header.Get("Location")
	problem := made.body["problems"].([]any)[0].(object)
	if problem["code"] != "serial_number_mismatch" || !strings.Contains(problem["detail"].(string), "K-2") {
		t.Errorf("problems = %v; want the serial number printed", made.body["problems"])
	}
	tag := made.header.Get("ETag")
	s.must(304, "GET", path, nil, "If-None-Match", tag)

	s.must(200, "PATCH", "/v1/laboratories/"+made.body["laboratory_id"].(string), object{"name": "Renamed Laboratory"}, "If-Match", `"v1"`)
	renamed := s.must(200, "GET", path, nil, "If-None-Match", tag)
	answered(t, object{"laboratory": object{"name": "Renamed Laboratory", "accreditation": "INV-7"}, "version": 1.}, renamed)
	s.must(200, "PATCH", calibrator.header.Get("Location"), object{"serial_number": "K-2"}, "If-Match", `"v1"`)
	answered(t, object{"problems": []any{}}, s.must(200, "GET", path, nil, "If-None-Match", renamed.header.Get("ETag")))

	stale := s.call("PATCH", path, object{"number": "N-9"}, "If-Match", `"v7"`)
	if now := s.must(200, "GET", path, nil); stale.status != 412 || stale.body["current_etag"] != now.header.Get("ETag") {
		t.Errorf("a stale change = %d %s; want 412 with the entity tag %s", stale.status, stale.raw, now.header.Get("ETag"))
	}
	s.must(200, "PATCH", path, object{"number": "N-9"}, "If-Match", tag)
}

// check is a field check of meter at 1 kHz.
func check(meter, calibrator, at string, foundDB float64) object {
	return object{
		"instrument_id": meter, "calibrator_id": calibrator, "at": at, "nominal_db": 94., "frequency_hz": 1000., "as_found_db": foundDB,
	}
}

func TestFieldCheck(t *testing.T) {
	t.Parallel()
	s := serve(t)
	meter, calibrator := s.create("/v1/instruments", aMeter), s.create("/v1/instruments", aCalibrator)
	of := "/v1/instruments/" + meter + "/field-checks"
	full := with(check(meter, calibrator, "2026-03-03T06:00:00.25Z", 93.75), object{
		"channel": 2., "signal": "electrical", "weighting": "C", "expected_db": 93.87, "as_left_db": 93.86,
		"corrections":         object{"pressure_correction_db": -0.11, "volume_correction_db": 0.12, "microphone_correction_db": -0.13},
		"static_pressure_kpa": 98.7, "temperature_c": -3.5,
	})
	id := uuid.Must(uuid.NewV7()).String()
	path := "/v1/field-checks/" + id
	s.refused(428, "precondition_required", nil, "PUT", path, full)
	made := s.must(201, "PUT", path, full, "If-None-Match", "*")
	answered(t, with(full, object{"id": id, "version": 1., "certificate_id": nil}), made)
	answered(t, made.body, s.must(200, "GET", path, nil))
	answered(t, made.body, s.must(200, "PUT", path, full, "If-None-Match", "*"))
	s.refused(412, "precondition_failed", nil, "PUT", path, with(full, object{"as_found_db": 93.7}), "If-None-Match", "*")
	s.refused(409, "duplicate", nil, "POST", of, full)

	s.refused(422, "expected_level_unknown", []string{"/expected_db expected_level_unknown"}, "POST", of,
		check(meter, calibrator, "2026-03-03T07:00:00Z", 93.8))
	s.refused(422, "invalid", []string{"/calibrator_id unknown_reference"}, "POST", of, check(meter, uuid.NewString(), "2026-03-03T07:00:00Z", 93.8))
	s.refused(422, "invalid", []string{"/calibrator_id wrong_kind"}, "POST", of, check(meter, meter, "2026-03-03T07:00:00Z", 93.8))
	s.refused(422, "invalid", []string{"/instrument_id conflicting"}, "POST", of, check(calibrator, calibrator, "2026-03-03T07:00:00Z", 93.8))
	s.refused(422, "invalid", []string{
		"/as_found_db type", "/nominal_db required", "/signal not_allowed", "/channel out_of_range",
		"/at type", "/expected_db out_of_range", "/corrections/volume_correction_db out_of_range", "/found_db unknown_member",
	}, "POST", of,
		object{
			"calibrator_id": calibrator, "at": "2026-03-03 07:00", "frequency_hz": 1000, "as_found_db": 93.805, "signal": "smoke",
			"channel": 0, "expected_db": 0, "corrections": object{"volume_correction_db": 11}, "found_db": 1,
		})
	s.refused(404, "not_found", nil, "POST", "/v1/instruments/"+uuid.NewString()+"/field-checks", full)

	// The certificate states −0.13 dB at 94 dB and 1 kHz, where A weighting adds nothing (IEC 61672-1, memory):
	// 94 − 0.13 + 0.05 = 93.92 dB are expected.
	certificate := s.create("/v1/instruments/"+calibrator+"/certificates", aCertificate)
	sent := with(check(meter, calibrator, "2026-03-03T08:00:00+01:00", 93.8),
		object{"instrument_id": nil, "corrections": object{"pressure_correction_db": 0.05}})
	computed := s.must(201, "POST", of, sent)
	answered(t, object{
		"expected_db": 93.92, "certificate_id": certificate, "at": "2026-03-03T07:00:00Z", "as_left_db": nil, "channel": 1.,
		"signal": "acoustic", "weighting": "A", "corrections": object{"pressure_correction_db": 0.05},
	}, computed)
	at := computed.header.Get("Location")
	s.refused(428, "precondition_required", nil, "PATCH", at, object{"as_left_db": 93.9})
	answered(t, object{"expected_db": 93.87, "as_left_db": 93.9, "version": 2.},
		s.must(200, "PATCH", at, object{"as_left_db": 93.9, "corrections": nil}, "If-Match", `"v1"`))
	answered(t, object{"expected_db": 94., "certificate_id": nil}, s.must(200, "PATCH", at, object{"expected_db": 94}, "If-Match", `"v2"`))
	answered(t, object{"expected_db": 93.87, "certificate_id": certificate}, s.must(200, "PATCH", at, object{"expected_db": nil}, "If-Match", `"v3"`))
	s.refused(422, "immutable", []string{"/instrument_id immutable"}, "PATCH", at, object{"instrument_id": calibrator}, "If-Match", `"v4"`)
	if got := s.must(200, "GET", at+"/versions", nil).items(); len(got) != 4 || got[1]["as_left_db"] != 93.9 || got[0]["as_left_db"] != nil {
		t.Errorf("versions = %v; want four, adjusted from the second on", got)
	}
	// Before the calibration nothing is certified.
	s.refused(422, "expected_level_unknown", []string{"/expected_db expected_level_unknown"}, "POST", of,
		check(meter, calibrator, "2026-01-12T12:00:00Z", 93.8))
	if diff := cmp.Diff([]string{id, computed.body["id"].(string)}, s.must(200, "GET", of, nil).ids()); diff != "" {
		t.Errorf("field checks of the meter (-want +got):\n%s", diff)
	}
}

func TestRuleProfiles(t *testing.T) {
	t.Parallel()
	s := serve(t)
	type row struct {
		meter, calibrator, reach float64
		drift                    float64
		closing                  bool
	}
	// The intervals, drift limits and reaches that the service promises: house values.
	want := map[string]row{
		"environmental": {24, 12, 24, 0.5, true}, "workplace": {24, 24, 12, 0.5, true}, "monitoring": {24, 12, 744, 0.5, true},
	}
	got := map[string]row{}
	for _, p := range s.must(200, "GET", "/v1/rule-profiles", nil).items() {
		code := p["code"].(string)
		one := s.must(200, "GET", "/v1/rule-profiles/"+code, nil)
		answered(t, p, one)
		months := map[any]float64{}
		for _, i := range p["intervals"].([]any) {
			months[i.(object)["kind"]] = i.(object)["months"].(float64)
		}
		value := func(name string) any {
			m := p[name].(object)
			if strings.TrimSpace(m["source"].(string)) == "" {
				t.Errorf("%s: %s has no source", code, name)
			}
			return m["value"]
		}
		got[code] = row{
			months["sound_level_meter"], months["sound_calibrator"], value("check_reach_h").(float64),
			value("drift_limit_db").(float64), value("closing_check_required").(bool),
		}
	}
	if diff := cmp.Diff(want, got, cmp.AllowUnexported(row{})); diff != "" {
		t.Errorf("rule profiles (-want +got):\n%s", diff)
	}
	s.refused(404, "not_found", nil, "GET", "/v1/rule-profiles/house", nil)
}

// sentBack returns the body that a rule profile was answered with as one to be sent, some members changed.
func sentBack(profile object, members object) object {
	return with(with(profile, object{"added_at": nil}), members)
}

func TestEditionsOfRuleProfiles(t *testing.T) {
	t.Parallel()
	s, _ := checked(t)
	old := s.must(200, "GET", "/v1/rule-profiles/environmental", nil).body
	if old["added_at"] != nil {
		t.Errorf("added_at = %v; want null for an edition that comes with the service", old["added_at"])
	}
	// Meters and calibrators twice a year (an invented house rule): the meter's calibration of 13 Jan holds, 50 days before the survey.
	months := func(n float64) []any {
		return []any{
			object{"kind": "sound_level_meter", "months": n, "source": "house value"},
			object{"kind": "sound_calibrator", "months": n, "source": "house value"},
		}
	}
	edition := sentBack(old, object{"edition": "house 2026/1", "intervals": months(1)})
	made := s.must(201, "POST", "/v1/rule-profiles", edition)
	answered(t, edition, made)
	answered(t, made.body, s.must(200, "GET", made.header.Get("Location"), nil))
	answered(t, made.body, s.must(200, "GET", "/v1/rule-profiles/environmental", nil))
	answered(t, old, s.must(200, "GET", "/v1/rule-profiles/environmental?edition=2026-1", nil))
	if got := s.must(200, "GET", "/v1/rule-profiles/environmental/editions", nil).items(); len(got) != 2 || got[0]["edition"] != "2026-1" || got[1]["edition"] != "house 2026/1" {
		t.Errorf("editions = %v; want the one that comes with the service, then the house's", got)
	}
	if got := s.must(200, "GET", "/v1/rule-profiles", nil).items(); len(got) != 3 || got[2]["edition"] != "house 2026/1" {
		t.Errorf("%d rule profiles; want three, environmental in its newest edition", len(got))
	}

	// The survey keeps its edition, and with it its verdict; only a change of the survey takes another.
	path := "/v1/surveys/" + s.survey
	before := s.must(200, "GET", path, nil)
	answered(t, object{"rule_profile": object{"code": "environmental", "edition": "2026-1"}}, before)
	answered(t, object{"outcome": "valid"}, s.verdict())
	renamed := s.must(200, "PATCH", path, object{"operator": "A. Nobody"}, "If-Match", `"v1"`)
	answered(t, object{"rule_profile": object{"code": "environmental", "edition": "2026-1"}}, renamed)
	valid := s.verdict()
	answered(t, object{"outcome": "valid"}, valid)
	answered(t, object{"rule_profile": object{"code": "environmental", "edition": "house 2026/1"}},
		s.must(200, "PATCH", path, object{"rule_profile_edition": "house 2026/1"}, "If-Match", `"v2"`))
	lapsed := s.verdict()
	if got := rules(lapsed); !slices.Contains(got, "fail calibration_lapsed_before") {
		t.Errorf("findings = %q; want the calibration lapsed under an interval of a month", got)
	}
	answered(t, object{"rule_profile": object{"code": "environmental", "edition": "house 2026/1"}}, lapsed)
	s.unchanged(valid)

	// New surveys take the newest, or the one that they name.
	of := "/v1/projects/" + s.project() + "/surveys"
	survey := object{"kind": "environmental", "started_at": "2026-04-01T08:00:00+02:00"}
	answered(t, object{"rule_profile": object{"code": "environmental", "edition": "house 2026/1"}}, s.must(201, "POST", of, survey))
	answered(t, object{"rule_profile": object{"code": "environmental", "edition": "2026-1"}},
		s.must(201, "POST", of, with(survey, object{"rule_profile_edition": "2026-1"})))
	s.refused(422, "invalid", []string{"/rule_profile unknown_reference"}, "POST", of, with(survey, object{"rule_profile_edition": "2031-1"}))
	// A survey that an offline app made stays equal to itself when it is sent again after a newer edition.
	id := uuid.Must(uuid.NewV7()).String()
	put := with(survey, object{"project_id": s.project()})
	s.must(201, "PUT", "/v1/surveys/"+id, put, "If-None-Match", "*")
	s.must(201, "POST", "/v1/rule-profiles", sentBack(old, object{"edition": "house 2026/2"}))
	answered(t, object{"rule_profile": object{"code": "environmental", "edition": "house 2026/1"}}, s.must(200, "PUT", "/v1/surveys/"+id, put, "If-None-Match", "*"))

	// A profile of the house's own.
	s.must(201, "POST", "/v1/rule-profiles", sentBack(old, object{"code": "house", "edition": "1"}))
	answered(t, object{"rule_profile": object{"code": "house", "edition": "1"}}, s.must(201, "POST", of, with(survey, object{"rule_profile": "house"})))

	s.refused(409, "edition_recorded", nil, "POST", "/v1/rule-profiles", edition)
	s.refused(409, "edition_recorded", nil, "POST", "/v1/rule-profiles", sentBack(old, object{"drift_limit_db": object{"value": 2, "source": "house value"}}))
	s.refused(404, "not_found", nil, "GET", "/v1/rule-profiles/environmental?edition=2031-1", nil)
	s.refused(404, "not_found", nil, "GET", "/v1/rule-profiles/none/editions", nil)
	s.asRole("phone", "field").refused(403, "forbidden", nil, "POST", "/v1/rule-profiles", edition)
	s.refused(422, "invalid", []string{
		"/code invalid", "/edition required", "/intervals required", "/drift_limit_db/value out_of_range", "/drift_basis/value out_of_range",
		"/start_limit_db/value out_of_range", "/start_limit_db/source required", "/start_limit_db out_of_order", "/check_reach_h/value out_of_range",
		"/data/min_coverage/value out_of_range", "/data/max_wind_speed_m_s/source required", "/data/constant_samples/value out_of_range",
	}, "POST", "/v1/rule-profiles", sentBack(old, object{
		"code": "Our House", "edition": " ", "intervals": months(12)[:1], "drift_limit_db": object{"value": 0.505, "source": "x"},
		"drift_basis": object{"value": "none", "source": "x"}, "start_limit_db": object{"value": -0.1, "source": ""},
		"check_reach_h": object{"value": 1e300, "source": "x"},
		"data": with(old["data"].(object), object{
			"min_coverage": object{"value": 1.5, "source": "x"}, "max_wind_speed_m_s": object{"value": 5, "source": ""},
			"constant_samples": object{"value": 2.5, "source": "x"},
		}),
	}))
}
