package api_test

import (
	"net/http"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestExpand(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	v := s.must(200, "GET", "/v1/surveys/"+s.survey, nil).body
	series, check := s.measure("LAF"), s.check("2026-03-03T06:30:00+01:00", 93.9)
	paths := map[string]string{
		"client": "/v1/clients/" + v["client_id"].(string), "project": "/v1/projects/" + v["project_id"].(string),
		"survey": "/v1/surveys/" + s.survey, "position": "/v1/positions/" + s.position,
		"instrument": "/v1/instruments/" + s.meter, "calibrator": "/v1/instruments/" + s.calibrator,
		"laboratory": "/v1/laboratories/" + s.must(200, "GET", "/v1/laboratories", nil).ids()[0],
	}
	tests := []struct{ path, expand string }{
		{paths["project"], "client"},
		{paths["position"], "project"},
		{paths["survey"], "client,project"},
		{paths["survey"], "project"},
		{"/v1/series/" + series, "survey,position,instrument"},
		{"/v1/field-checks/" + check, "calibrator,instrument"},
		{"/v1/certificates/" + s.meterCertificate, "instrument,laboratory"},
	}
	for _, tt := range tests {
		plain := s.must(200, "GET", tt.path, nil)
		if _, there := plain.body["expanded"]; there {
			t.Errorf("GET %s tells expanded records without being asked", tt.path)
		}
		got := s.must(200, "GET", tt.path+"?expand="+tt.expand, nil)
		want := object{}
		for name := range strings.SplitSeq(tt.expand, ",") {
			want[name] = s.must(200, "GET", paths[name], nil).body
		}
		if diff := cmp.Diff(want, got.body["expanded"]); diff != "" {
			t.Errorf("GET %s?expand=%s (-want +got):\n%s", tt.path, tt.expand, diff)
		}
		delete(got.body, "expanded")
		if diff := cmp.Diff(plain.body, got.body); diff != "" {
			t.Errorf("GET %s?expand=%s changes the record itself (-want +got):\n%s", tt.path, tt.expand, diff)
		}
	}

	// The entity tag is that of all that is answered, and serves a change of the record.
	path := paths["survey"] + "?expand=project"
	tag := s.must(200, "GET", path, nil).header.Get("ETag")
	s.must(304, "GET", path, nil, "If-None-Match", tag)
	s.must(200, "PATCH", paths["project"], object{"title": "Mill by day"}, "If-Match", "*")
	s.must(200, "GET", path, nil, "If-None-Match", tag)
	s.must(200, "PATCH", paths["survey"], object{"operator": "A. Nobody"}, "If-Match", tag)

	s.refused(400, "not_allowed", []string{"expand not_allowed"}, "GET", paths["survey"]+"?expand=secrets", nil)
	s.refused(400, "not_allowed", []string{"expand not_allowed"}, "GET", paths["project"]+"?expand=client,", nil)
	s.refused(400, "unknown_parameter", []string{"expand unknown_parameter"}, "GET", paths["client"]+"?expand=project", nil)

	// Who may not read laboratories is not told them this way either.
	phone := s.asRole("phone", "field")
	got := phone.must(200, "GET", "/v1/certificates/"+s.meterCertificate+"?expand=instrument,laboratory", nil).body["expanded"].(object)
	if _, there := got["laboratory"]; there || got["instrument"] == nil {
		t.Errorf("a field key is told %v; want the instrument alone", got)
	}
}

// TestExpandLists asks each list of what it lists with all that it refers to: each record is
// answered as it is answered alone, also on further pages.
func TestExpandLists(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	v := s.must(200, "GET", "/v1/surveys/"+s.survey, nil).body
	project := "/v1/projects/" + v["project_id"].(string)
	s.create(project+"/positions", object{"number": 104, "label": "Gate"})
	s.create("/v1/projects", object{"client_id": s.create("/v1/clients", object{"name": "Another Mill"}), "reference": "J-0202", "title": "Night", "time_zone": "UTC"})
	s.create(project+"/surveys", aSurvey)
	s.measure("LAF")
	s.measure("LCF")
	s.check("2026-03-03T06:30:00+01:00", 93.9)
	s.check("2026-03-03T18:30:00+01:00", 93.9)
	alone := map[string]string{
		"projects": "client", "positions": "project", "surveys": "client,project", "series": "survey,position,instrument",
		"field-checks": "instrument,calibrator", "certificates": "instrument,laboratory",
	}
	for _, path := range []string{
		"/v1/projects", project + "/positions", "/v1/surveys", project + "/surveys", "/v1/surveys/" + s.survey + "/series",
		"/v1/instruments/" + s.meter + "/field-checks", "/v1/surveys/" + s.survey + "/field-checks",
		"/v1/certificates", "/v1/instruments/" + s.meter + "/certificates",
	} {
		kind := path[strings.LastIndex(path, "/")+1:]
		plain := s.must(200, "GET", path, nil)
		if strings.Contains(string(plain.raw), `"expanded"`) {
			t.Errorf("GET %s tells expanded records without being asked", path)
		}
		got := s.must(200, "GET", path+"?expand="+alone[kind], nil)
		if len(got.items()) != len(plain.items()) || len(got.items()) == 0 {
			t.Errorf("GET %s: %d records expanded; want %d", path, len(got.items()), len(plain.items()))
		}
		for i, item := range got.items() {
			want := s.must(200, "GET", "/v1/"+kind+"/"+got.ids()[i]+"?expand="+alone[kind], nil).body
			if len(want["expanded"].(object)) != strings.Count(alone[kind], ",")+1 {
				t.Errorf("GET %s: %v; want %s", path, want["expanded"], alone[kind])
			}
			if diff := cmp.Diff(want, item); diff != "" {
				t.Errorf("GET %s (-alone +in the list):\n%s", path, diff)
			}
		}
		s.refused(400, "not_allowed", []string{"expand not_allowed"}, "GET", path+"?expand=secrets", nil)
	}

	// A cursor is good for the rest of a list, whatever is to be answered with it.
	page := s.must(200, "GET", "/v1/projects?limit=1&expand=client", nil)
	rest := s.must(200, "GET", "/v1/projects?limit=1&cursor="+page.body["next_cursor"].(string), nil)
	if page.items()[0]["expanded"] == nil || rest.items()[0]["expanded"] != nil || rest.ids()[0] == page.ids()[0] {
		t.Errorf("pages %s and %s; want one project expanded, the other not", page.raw, rest.raw)
	}

	phone := s.asRole("phone", "field")
	for _, c := range phone.must(200, "GET", "/v1/certificates?expand=instrument,laboratory", nil).items() {
		got := c["expanded"].(object)
		if _, there := got["laboratory"]; there || got["instrument"] == nil {
			t.Errorf("a field key is told %v; want the instrument alone", got)
		}
	}
}

// TestHead asks HEAD of what GET answers: the same status and headers, no body.
func TestHead(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	series := s.measure("LAF")
	for _, path := range []string{
		"/v1/surveys/" + s.survey, "/v1/clients?limit=1", "/v1/series/" + series + "/samples", "/v1/me", "/openapi.json", "/healthz", "/docs",
		"/v1/surveys/00000000-0000-7000-8000-000000000000", "/v1/surveys/" + s.survey + "?unheard=of", "/nothing", "/problems/not-found",
	} {
		get, head := s.ask("GET", path, nil), s.ask("HEAD", path, nil)
		for _, a := range []answer{get, head} {
			a.header.Del("X-Request-Id")
		}
		if get.body["request_id"] == nil { // its length is another's
			if diff := cmp.Diff(get.header, head.header); diff != "" {
				t.Errorf("HEAD %s (-GET +HEAD):\n%s", path, diff)
			}
		}
		if head.status != get.status || len(head.raw) != 0 || len(get.raw) == 0 {
			t.Errorf("HEAD %s = %d with %d bytes; want %d without", path, head.status, len(head.raw), get.status)
		}
	}
	tag := s.ask("GET", "/v1/surveys/"+s.survey, nil).header.Get("ETag")
	if a := s.ask("HEAD", "/v1/surveys/"+s.survey, nil, "If-None-Match", tag); a.status != http.StatusNotModified {
		t.Errorf("HEAD with the entity tag = %d; want 304", a.status)
	}
	if a := s.ask("HEAD", "/v1/surveys/"+s.survey, nil, "Authorization", ""); a.status != http.StatusUnauthorized {
		t.Errorf("HEAD without a key = %d; want 401", a.status)
	}
	if a := s.ask("HEAD", "/v1/surveys/"+s.survey+"/void", nil); a.status != http.StatusMethodNotAllowed || a.header.Get("Allow") != "POST" {
		t.Errorf("HEAD of what has no GET = %d, Allow %q; want 405, POST", a.status, a.header.Get("Allow"))
	}
}
