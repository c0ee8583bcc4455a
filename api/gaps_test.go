package api_test

import (
	"encoding/csv"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// gaps returns, page by page, the kind of each gap told and the id of what it is about, sorted.
func (s *service) gaps(query string) (told []string) {
	s.t.Helper()
	for path := "/v1/calibrations/gaps?" + query; path != ""; {
		a := s.must(200, "GET", path, nil)
		for _, g := range a.items() {
			if g["detail"] == "" || (g["survey_id"] == nil) != (g["series_id"] == nil) {
				s.t.Errorf("gap %v does not say of what", g)
			}
			told = append(told, g["kind"].(string)+" "+g["subject"].(object)["id"].(string))
		}
		if path = ""; a.body["next_cursor"] != nil {
			path = "/v1/calibrations/gaps?" + query + "&cursor=" + a.body["next_cursor"].(string)
		}
	}
	slices.Sort(told)
	return told
}

// Each gap is asked for by its kind, on records of which the others lack nothing of it.
func TestGaps(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	calibratorCertificate := s.must(200, "GET", "/v1/instruments/"+s.calibrator+"/certificates", nil).ids()[0]
	documented := func(ids ...string) {
		for _, id := range ids {
			s.must(201, "PUT", "/v1/certificates/"+id+"/document", "%PDF-1.7\n%%EOF\n", "Content-Type", "application/pdf", "If-None-Match", "*")
		}
	}
	documented(s.meterCertificate, calibratorCertificate)
	series := s.measure("LAF")
	s.check("2026-03-03T06:30:00+01:00", 93.8)
	s.check("2026-03-03T08:10:00+01:00", 93.8)
	if got := s.gaps(""); got != nil {
		t.Fatalf("before anything is missing %q; want no gap", got)
	}

	meter := func(serial string) string {
		return s.create("/v1/instruments", with(aMeter, object{"serial_number": serial}))
	}
	certified := func(serial string, change object) string {
		of := object{"scope": nil, "number": "N-" + serial, "item_serial_number": serial}
		return s.create("/v1/instruments/"+meter(serial)+"/certificates", with(with(aCertificate, of), change))
	}
	result := func(change object) object {
		return object{"results": []any{with(aCertificate["results"].([]any)[0].(object), change)}}
	}
	never := meter("never")
	s.create("/v1/instruments", with(aMicrophone, serial())) // no rule profile sets an interval for microphones
	undocumented := certified("undocumented", nil)
	bare := certified("bare", object{"results": []any{}})
	uncertain := certified("uncertain", result(object{"expanded_uncertainty_db": nil, "coverage_factor": nil}))
	mistaken := certified("mistaken", object{"item_serial_number": "another"})
	contradicted := certified("contradicted", result(object{"deviation_db": -0.26}))
	documented(bare, uncertain, mistaken, contradicted)

	// Another meter on the same survey, without certificate or check; then a check at a level that the certificate does not state.
	bareSeries := s.create("/v1/surveys/"+s.survey+"/series", object{
		"position_id": s.position, "instrument_id": never, "quantity": "LAF", "interval_s": 10, "started_at": "2026-03-03T07:00:00+01:00", "levels_db": []any{51.2},
	})
	atOtherLevel := s.create("/v1/instruments/"+s.meter+"/field-checks", with(check(s.meter, s.calibrator, "2026-03-03T06:45:00+01:00", 113.8),
		object{"nominal_db": 114, "expected_db": 113.8}))

	want := map[string][]string{
		"instrument_without_certificate":  {never},
		"certificate_without_document":    {undocumented},
		"certificate_without_uncertainty": {bare, uncertain},
		"serial_number_mismatch":          {mistaken},
		"conformity_contradicted":         {contradicted},
		"series_without_certificate":      {never},
		"series_without_checks":           {bareSeries},
		"calibrator_level_not_certified":  {atOtherLevel},
	}
	var all []string
	for kind, of := range want {
		var rows []string
		for _, id := range of {
			rows = append(rows, kind+" "+id)
		}
		slices.Sort(rows)
		if diff := cmp.Diff(rows, slices.Compact(s.gaps("kind="+kind))); diff != "" {
			t.Errorf("%s (-want +got):\n%s", kind, diff)
		}
		all = append(all, rows...)
	}
	slices.Sort(all)
	for _, limit := range []string{"1", "2", "8", "9", "10", "200"} { // 8 instruments and a survey: each end of the first walk
		if diff := cmp.Diff(all, slices.Compact(s.gaps("limit="+limit))); diff != "" {
			t.Errorf("%s a page (-want +got):\n%s", limit, diff)
		}
	}
	for _, g := range s.must(200, "GET", "/v1/calibrations/gaps?kind=series_without_certificate", nil).items() {
		if g["survey_id"] != s.survey || g["series_id"] != bareSeries || g["series_id"] == series {
			t.Errorf("gap %v; want it of series %s", g, bareSeries)
		}
	}

	// Surveys are examined whose use lies within the span.
	for query, want := range map[string]bool{
		"from=2026-03-03T06:59:59Z": true, "from=2026-03-03T07:00:01Z": false, "to=2026-03-03T06:00:01Z": true, "to=2026-03-03T05:59:59Z": false,
	} {
		if got := s.gaps("kind=series_without_certificate&" + query); (got != nil) != want {
			t.Errorf("%s: %q; want some: %t", query, got, want)
		}
	}

	a := s.must(200, "GET", "/v1/calibrations/gaps?kind=serial_number_mismatch", nil, "Accept", "text/csv")
	lines, err := csv.NewReader(strings.NewReader(string(a.raw))).ReadAll()
	if err != nil || len(lines) != 2 || lines[1][0] != "serial_number_mismatch" || lines[1][2] != mistaken {
		t.Errorf("table = %q, %v; want a header and the mistaken certificate", lines, err)
	}

	// Whoever sees no client is told of the house's records alone.
	for _, row := range s.keyed("qa").gaps("") {
		if strings.HasPrefix(row, "series_") || strings.HasPrefix(row, "calibrator_") {
			t.Errorf("a key without clients is told %q", row)
		}
	}
	s.refused(400, "not_allowed", []string{"kind not_allowed"}, "GET", "/v1/calibrations/gaps?kind=none", nil)
	s.refused(400, "unknown_cursor", []string{"cursor unknown_cursor"}, "GET", "/v1/calibrations/gaps?cursor=AAAA", nil)
	s.asRole("Phone", "field").refused(403, "forbidden", nil, "GET", "/v1/calibrations/gaps", nil)
}
