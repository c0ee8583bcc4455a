package api_test

import (
	"encoding/csv"
	"net/url"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// first returns what stands in o under the names in turn, of a list its first, nil where there is nothing.
func first(o object, names ...string) object {
	for _, n := range names {
		switch v := o[n].(type) {
		case []any:
			if len(v) == 0 {
				return nil
			}
			o = v[0].(object)
		case object:
			o = v
		default:
			return nil
		}
	}
	return o
}

func TestTraceOfASurvey(t *testing.T) {
	t.Parallel()
	s, series := checked(t)
	s.create("/v1/laboratories", object{"name": "Another Invented Laboratory"})
	microphone := s.create("/v1/instruments", with(aMeter, object{"kind": "microphone", "model": "Pi", "class": nil, "specification": nil}))
	s.create("/v1/instruments/"+s.meter+"/components", object{"part_id": microphone, "from": "2026-01-20T00:00:00Z"})
	laboratory := s.must(200, "GET", "/v1/certificates/"+s.meterCertificate, nil).body["laboratory_id"].(string)
	s.must(200, "PATCH", "/v1/laboratories/"+laboratory, object{"accreditations": []any{
		object{"body": "Invented Body", "number": "old", "from": "2010-01-01", "to": "2020-12-31"},
		object{"body": "Invented Body", "number": "7", "from": "2021-01-01"},
	}}, "If-Match", `"v1"`)
	s.must(200, "PATCH", "/v1/certificates/"+s.meterCertificate, object{"reference_standards": []any{
		object{"description": "working standard microphone", "certificate": "INV-REF-1"}, object{"description": "barometer"},
	}}, "If-Match", `"v1"`)
	path := "/v1/surveys/" + s.survey + "/trace"
	a := s.must(200, "GET", path, nil)
	answered(t, object{"survey_id": s.survey, "rule_profile": object{"code": "environmental", "edition": "2026-1"}}, a)
	of := first(a.body, "series")
	if of["series_id"] != series || of["position_id"] != s.position || of["quantity"] != "LAF" {
		t.Errorf("series = %v; want %s of LAF at %s", of, series, s.position)
	}
	if got := of["meter"].(object); got["id"] != s.meter || got["serial_number"] != "M-1" {
		t.Errorf("meter = %v; want %s", got, s.meter)
	}
	c := first(of, "meter", "certificates")
	if c["id"] != s.meterCertificate || c["number"] != "N-2" || c["relied_from"] != "2026-03-03" || c["relied_to"] != "2026-03-03" || c["scope"] != "sound_level_meter" {
		t.Errorf("certificate of the meter = %v", c)
	}
	if l := c["laboratory"].(object); l["id"] != laboratory || first(l, "accreditation")["number"] != "7" {
		t.Errorf("laboratory = %v; want the accreditation of the day of calibration", l)
	}
	if r := first(c, "reference_standards"); r["certificate"] != "INV-REF-1" {
		t.Errorf("reference standards = %v", c["reference_standards"])
	}
	if p := first(of, "parts"); p["id"] != microphone || first(p, "certificates") != nil {
		t.Errorf("parts = %v; want the microphone, which nothing covered", of["parts"])
	}
	var roles []any
	for _, k := range of["checks"].([]any) {
		roles = append(roles, k.(object)["role"])
		if got := first(k.(object), "calibrator"); got["id"] != s.calibrator || first(got, "certificates")["number"] != "N-1" {
			t.Errorf("calibrator = %v; want %s with its certificate", got, s.calibrator)
		}
	}
	if diff := cmp.Diff([]any{"before", "after"}, roles); diff != "" {
		t.Errorf("roles of the checks (-want +got):\n%s", diff)
	}

	// As a table: a line for each standard, one for the microphone, which has none.
	table := s.must(200, "GET", path, nil, "Accept", "text/csv")
	if got := table.header.Get("Content-Type"); got != "text/csv; charset=utf-8; header=present" {
		t.Errorf("Content-Type = %q", got)
	}
	lines, err := csv.NewReader(strings.NewReader(string(table.raw))).ReadAll() // refuses lines of other lengths
	if err != nil {
		t.Fatal(err)
	}
	var got [][]string
	column := map[string]int{}
	for i, name := range lines[0] {
		column[name] = i
	}
	for _, l := range lines[1:] {
		got = append(got, []string{l[column["link"]], l[column["check_role"]], l[column["kind"]], l[column["certificate_number"]], l[column["accreditation_number"]], l[column["reference_certificate"]]})
	}
	want := [][]string{
		{"meter", "", "sound_level_meter", "N-2", "7", "INV-REF-1"},
		{"meter", "", "sound_level_meter", "N-2", "7", ""},
		{"part", "", "microphone", "", "", ""},
		{"calibrator", "before", "sound_calibrator", "N-1", "7", "REF-9"},
		{"calibrator", "after", "sound_calibrator", "N-1", "7", "REF-9"},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("table (-want +got):\n%s", diff)
	}

	// What was known earlier stays what it was; a later certificate governs the days after it only.
	s.must(200, "PATCH", "/v1/certificates/"+s.meterCertificate, object{"due_override_on": "2026-03-02"}, "If-Match", `"v2"`)
	if now := first(s.must(200, "GET", path, nil).body, "series", "meter", "certificates"); now != nil {
		t.Errorf("the meter stands on %v though nothing covers it any more", now)
	}
	again := s.must(200, "GET", path+"?as_known_at="+url.QueryEscape(a.body["as_known_at"].(string)), nil)
	if diff := cmp.Diff(a.body, again.body); diff != "" {
		t.Errorf("as known then (-then +now):\n%s", diff)
	}
	s.refused(404, "not_found", nil, "GET", path+"?as_known_at=2026-01-01T00:00:00Z", nil)
	s.refused(422, "invalid", []string{"as_known_at in_the_future"}, "GET", path+"?as_known_at=2199-01-01T00:00:00Z", nil)
	s.refused(400, "unknown_parameter", []string{"depth unknown_parameter"}, "GET", path+"?depth=1", nil)
	s.asRole("phone", "field").refused(403, "forbidden", nil, "GET", path, nil)
	s.asRole("other", "consultant", s.create("/v1/clients", object{"name": "Invented Other"})).refused(404, "not_found", nil, "GET", path, nil)
}
