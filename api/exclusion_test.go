package api_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestExclusions(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	series := s.create("/v1/surveys/"+s.survey+"/series", object{
		"position_id": s.position, "instrument_id": s.meter, "quantity": "LAeq", "interval_s": 1, "started_at": "2026-03-03T07:00:00+01:00",
		"levels_db": []any{50, 50, 90, 90, 50},
	})
	at := "/v1/series/" + series + "/exclusions"
	level := func() any {
		return s.must(200, "GET", "/v1/series/"+series+"/summary", nil).body["levels"].(object)["LAeq"].(object)["level_db"]
	}
	all := level()
	made := s.must(201, "POST", at, object{"from": "2026-03-03T07:00:02+01:00", "to": "2026-03-03T06:00:04Z", "reason": "a horn beside the microphone"})
	path := "/v1/exclusions/" + made.body["id"].(string)
	if made.header.Get("Location") != path {
		t.Errorf("Location = %q; want %q", made.header.Get("Location"), path)
	}
	want := object{
		"id": made.body["id"], "version": 1., "created_at": made.body["created_at"], "updated_at": made.body["created_at"], "series_id": series,
		"from": "2026-03-03T06:00:02Z", "to": "2026-03-03T06:00:04Z", "reason": "a horn beside the microphone", "author": made.body["author"],
	}
	got := s.must(200, "GET", path, nil)
	if diff := cmp.Diff(want, got.body); diff != "" || got.body["author"] == "" {
		t.Errorf("exclusion (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]object{want}, s.must(200, "GET", at, nil).items()); diff != "" {
		t.Errorf("list (-want +got):\n%s", diff)
	}
	if l := level(); l != 50. || l == all {
		t.Errorf("LAeq without the excluded = %v, with it %v; want 50", l, all)
	}

	s.refused(428, "precondition_required", nil, "DELETE", path, nil)
	s.refused(412, "precondition_failed", nil, "DELETE", path, nil, "If-Match", `"v9"`)
	s.must(204, "DELETE", path, nil, "If-Match", got.header.Get("ETag"))
	if l := level(); l != all {
		t.Errorf("LAeq after removal = %v; want %v", l, all)
	}
	removed := s.must(200, "GET", path, nil)
	if removed.body["removed"] != true || removed.body["version"] != 2. {
		t.Errorf("after removal: %s", removed.raw)
	}
	s.refused(409, "exclusion_removed", nil, "DELETE", path, nil, "If-Match", removed.header.Get("ETag"))
	if items := s.must(200, "GET", at, nil).items(); len(items) != 0 {
		t.Errorf("list after removal: %v", items)
	}
	versions := s.must(200, "GET", path+"/versions", nil).items()
	if diff := cmp.Diff([]object{want, removed.body}, versions); diff != "" {
		t.Errorf("versions (-want +got):\n%s", diff)
	}

	s.refused(422, "invalid", []string{"/to out_of_order", "/reason required"}, "POST", at,
		object{"from": "2026-03-03T07:00:02Z", "to": "2026-03-03T07:00:02Z", "reason": " "})
	s.refused(422, "invalid", []string{"/from out_of_range"}, "POST", at,
		object{"from": "1969-03-03T07:00:02Z", "to": "2026-03-03T07:00:02Z", "reason": "x"})
	s.refused(404, "not_found", nil, "POST", "/v1/series/"+s.survey+"/exclusions",
		object{"from": "2026-03-03T07:00:02Z", "to": "2026-03-03T07:00:03Z", "reason": "x"})
	s.refused(404, "not_found", nil, "GET", "/v1/exclusions/"+series, nil)
}
