package api_test

import (
	"slices"
	"testing"

	"github.com/google/uuid"
)

func TestNonconformities(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	client := s.must(200, "GET", "/v1/surveys/"+s.survey, nil).body["client_id"].(string)
	found := object{
		"what": "The calibrator came back out of limits", "found_on": "2026-05-04", "survey_ids": []any{s.survey}, "instrument_ids": []any{s.calibrator},
		"certificate_ids": []any{s.meterCertificate},
	}
	made := s.must(201, "POST", "/v1/nonconformities", found)
	answered(t, with(found, object{"state": "open", "decision": nil, "informed": []any{}, "closed_on": nil, "version": 1.}), made)
	path := made.header.Get("Location")
	sparse := s.must(201, "POST", "/v1/nonconformities", object{"what": "A wrong form was used", "found_on": "2026-05-05"})
	answered(t, object{"survey_ids": []any{}, "instrument_ids": []any{}, "certificate_ids": []any{}}, sparse)

	s.refused(422, "invalid", []string{"/decision required"}, "PATCH", path, object{"closed_on": "2026-05-20"}, "If-Match", `"v1"`)
	told := object{"client_id": client, "on": "2026-05-06", "by": "Q. Lead", "note": "by letter"}
	decided := object{"decision": "The night is measured again", "informed": []any{told}}
	answered(t, with(with(found, decided), object{"state": "open"}), s.must(200, "PATCH", path, decided, "If-Match", `"v1"`))
	answered(t, object{"state": "closed", "closed_on": "2026-05-20", "informed": []any{told}}, s.must(200, "PATCH", path, object{"closed_on": "2026-05-20"}, "If-Match", `"v2"`))
	s.refused(412, "precondition_failed", nil, "PATCH", path, object{"closed_on": nil}, "If-Match", `"v2"`)
	if got := s.must(200, "GET", path+"/versions", nil).items(); len(got) != 3 || got[0]["decision"] != nil || got[1]["state"] != "open" || got[2]["state"] != "closed" {
		t.Errorf("versions = %v; want found, decided, closed", got)
	}
	both := []string{made.body["id"].(string), sparse.body["id"].(string)}
	for query, want := range map[string][]string{
		"": both, "?state=open": both[1:], "?state=closed": both[:1], "?survey_id=" + s.survey: both[:1], "?instrument_id=" + s.calibrator: both[:1],
		"?certificate_id=" + s.meterCertificate: both[:1], "?instrument_id=" + s.meter: {}, "?state=open&survey_id=" + s.survey: {},
	} {
		if got := s.must(200, "GET", "/v1/nonconformities"+query, nil).ids(); !slices.Equal(got, want) {
			t.Errorf("nonconformities %s = %q; want %q", query, got, want)
		}
	}

	nobody := uuid.NewString()
	s.refused(422, "invalid", []string{
		"/survey_ids/1 unknown_reference", "/instrument_ids/0 unknown_reference", "/certificate_ids/0 unknown_reference", "/informed/0/client_id unknown_reference",
	}, "POST", "/v1/nonconformities", with(found, object{
		"survey_ids": []any{s.survey, nobody}, "instrument_ids": []any{s.survey}, "certificate_ids": []any{nobody}, "informed": []any{with(told, object{"client_id": nobody})},
	}))
	s.refused(422, "invalid", []string{"/what required", "/found_on required", "/survey_ids/1 duplicate", "/informed/0/on required", "/informed/0/by required"},
		"POST", "/v1/nonconformities", object{"what": " ", "survey_ids": []any{s.survey, s.survey}, "informed": []any{object{"client_id": client}}})
	s.refused(422, "invalid", []string{"/closed_on out_of_order", "/informed/0/on out_of_order"}, "POST", "/v1/nonconformities",
		with(found, object{"decision": "x", "closed_on": "2026-05-03", "informed": []any{with(told, object{"on": "2026-05-03"})}}))
	s.refused(404, "not_found", nil, "GET", "/v1/nonconformities/"+nobody, nil)

	s.asRole("Q. Nobody", "qa").must(200, "GET", path, nil)
	// It may touch several clients: who sees one alone sees none.
	s.asRole("Q. Partly", "qa", client).refused(403, "forbidden", nil, "GET", path, nil)
	s.asRole("phone", "field").refused(403, "forbidden", nil, "GET", "/v1/nonconformities", nil)
}
