package api_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestEntityTags(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	series := s.measure("LAF")
	v := s.must(200, "GET", "/v1/surveys/"+s.survey, nil).body
	changes := map[string][2]object{
		"/v1/clients/" + v["client_id"].(string):   {{"name": "Invented Harbour"}, {"reference": "K-1"}},
		"/v1/projects/" + v["project_id"].(string): {{"title": "Mill by day"}, {"site": "Gate"}},
		"/v1/positions/" + s.position:              {{"label": "Yard"}, {"height_m": 4}},
		"/v1/surveys/" + s.survey:                  {{"operator": "A. Nobody"}, {"ended_at": "2026-03-04T07:00:00+01:00"}},
		"/v1/series/" + series:                     {{"range": object{"from_db": 24}}, {"range": object{"to_db": 137}}},
	}
	for path, change := range changes {
		first := s.must(200, "GET", path, nil)
		tag := first.header.Get("ETag")
		for _, header := range []string{tag, "W/" + tag, `"other", ` + tag, "*"} {
			if a := s.must(304, "GET", path, nil, "If-None-Match", header); len(a.raw) != 0 || a.header.Get("ETag") != tag {
				t.Errorf("GET %s = 304 with %q and ETag %q; want no body and %q", path, a.raw, a.header.Get("ETag"), tag)
			}
		}
		s.must(200, "GET", path, nil, "If-None-Match", `"other"`)

		s.refused(428, "precondition_required", nil, "PATCH", path, change[0])
		for _, header := range []string{`"v7"`, "W/" + tag, "v1", strings.Trim(tag, `"`)} {
			s.refused(412, "precondition_failed", nil, "PATCH", path, change[0], "If-Match", header)
		}
		answered(t, first.body, s.must(200, "GET", path, nil))
		changed := s.must(200, "PATCH", path, change[0], "If-Match", `"v7", `+tag)
		if now := changed.header.Get("ETag"); now == tag || changed.body["version"] != 2. {
			t.Errorf("PATCH %s: ETag %s, version %v; want another and 2", path, now, changed.body["version"])
		}
		s.must(200, "GET", path, nil, "If-None-Match", tag)
		a := s.call("PATCH", path, change[1], "If-Match", tag)
		if a.status != 412 || a.body["current_etag"] != changed.header.Get("ETag") {
			t.Errorf("PATCH %s of an old version = %d %s; want 412 with current_etag %s", path, a.status, a.raw, changed.header.Get("ETag"))
		}
		s.must(200, "PATCH", path, change[1], "If-Match", a.body["current_etag"].(string))
		s.must(200, "PATCH", path, change[0], "If-Match", "*")
	}
}

// TestEntityTagsOfWhatIsAdded asks again after samples came, which make no version.
func TestEntityTagsOfWhatIsAdded(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	planned := s.must(200, "GET", "/v1/surveys/"+s.survey, nil)
	path := "/v1/series/" + s.create("/v1/surveys/"+s.survey+"/series",
		object{"position_id": s.position, "instrument_id": s.meter, "quantity": "LAF", "interval_s": 1})
	empty := s.must(200, "GET", path, nil)
	s.must(200, "POST", path+"/samples", object{"started_at": "2026-03-03T07:00:00+01:00", "levels_db": []any{51.2}})
	answered(t, object{"samples": 1.}, s.must(200, "GET", path, nil, "If-None-Match", empty.header.Get("ETag")))
	answered(t, object{"state": "measured"}, s.must(200, "GET", "/v1/surveys/"+s.survey, nil, "If-None-Match", planned.header.Get("ETag")))
	// For a change of the record the tag read before will do.
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"operator": "A. Nobody"}, "If-Match", planned.header.Get("ETag"))
	s.must(200, "PATCH", path, object{"range": object{"from_db": 24}}, "If-Match", empty.header.Get("ETag"))
}

// TestMergePatch holds changes against RFC 7396.
func TestMergePatch(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	path := "/v1/series/" + s.create("/v1/surveys/"+s.survey+"/series", object{
		"position_id": s.position, "instrument_id": s.meter, "quantity": "LAF", "interval_s": 1, "range": object{"from_db": 24, "to_db": 137},
	})
	laboratory := s.must(200, "GET", "/v1/laboratories", nil).items()[0]
	position := "/v1/positions/" + s.position
	change := func(path string, patch any, want object) {
		t.Helper()
		tag := s.must(200, "GET", path, nil).header.Get("ETag")
		a := s.must(200, "PATCH", path, patch, "If-Match", tag)
		for name, value := range want {
			if diff := cmp.Diff(value, a.body[name]); diff != "" {
				t.Errorf("PATCH %s with %v: %s (-want +got):\n%s", path, patch, name, diff)
			}
		}
	}
	change(path, `{}`, object{"range": object{"from_db": 24., "to_db": 137.}})
	change(path, `{"range": {"from_db": null}}`, object{"range": object{"to_db": 137.}})
	change(path, `{"range": {"from_db": 30.5}}`, object{"range": object{"from_db": 30.5, "to_db": 137.}})
	change(path, `{"range": null}`, object{"range": nil})
	change(path, `{"range": null}`, object{"range": nil}) // what is not there
	change(path, `{"range": {"to_db": 120, "from_db": null}}`, object{"range": object{"to_db": 120.}})
	change(position, `{"latitude_deg": 48.1, "longitude_deg": 16.2, "setting": "indoors"}`, object{"latitude_deg": 48.1, "setting": "indoors", "label": "Gate"})
	change(position, `{"latitude_deg": null, "longitude_deg": null, "setting": null}`, object{"latitude_deg": nil, "setting": "free_field", "label": "Gate"})
	list := []any{object{"body": "Invented Body", "number": "INV-7", "from": "2020-01-02"}, object{"body": "Another Body", "number": "ANO-8", "from": "2024-03-05"}}
	lab := "/v1/laboratories/" + laboratory["id"].(string)
	change(lab, object{"accreditations": list}, nil)
	change(lab, object{"accreditations": list[1:]}, object{"accreditations": []any{list[1]}}) // arrays are replaced whole

	for patch, wrong := range map[string][]string{
		`{"colour": null}`:                                   {"/colour unknown_member"},
		`{"range": {"colour": null}}`:                        {"/range/colour unknown_member"},
		`{"quantity": null}`:                                 {"/quantity required"},
		`{"range": 7}`:                                       {"/range type"},
		`{"range": {"to_db": 20, "to_db": 30}}`:              {"/range/to_db duplicate_member"},
		`{"range": null, "range": {}}`:                       {"/range duplicate_member"},
		`{"position_id": "x", "range": {"from_db": 51.234}}`: {"/position_id type", "/range/from_db type"},
		`[]`:   {" type"},
		`null`: {" null"},
	} {
		s.refused(422, "invalid", wrong, "PATCH", path, patch, "If-Match", "*")
	}
	for _, patch := range []string{`{"quantity": "LAS"}`, `{"interval_s": 2}`, `{"interval_s": null}`, `{"channel": 2}`, `{"instrument_id": "` + s.calibrator + `"}`} {
		name := strings.Split(patch, `"`)[1]
		s.refused(422, "immutable", []string{"/" + name + " immutable"}, "PATCH", path, patch, "If-Match", "*")
	}
	s.refused(400, "not_json", nil, "PATCH", path, `{"range":`, "If-Match", "*")
}

// TestLists walks a list to its end.
func TestLists(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	project := s.must(200, "GET", "/v1/surveys/"+s.survey, nil).body["project_id"].(string)
	path := "/v1/projects/" + project + "/positions"
	want := []string{s.position}
	for n := 1; n <= 6; n++ {
		want = append(want, s.create(path, object{"number": n, "label": "Yard"}))
	}
	slices.Sort(want) // version 7 ids, made in this order within a millisecond or later
	for _, limit := range []string{"1", "2", "3", "6", "7", "8", "200"} {
		var got []string
		next := path + "?limit=" + limit
		for next != "" {
			a := s.must(200, "GET", next, nil)
			got = append(got, a.ids()...)
			cursor, more := a.body["next_cursor"].(string)
			link := a.header.Get("Link")
			next = ""
			if more {
				target, rel, _ := strings.Cut(link, ">; ")
				if next = strings.TrimPrefix(target, "<"); rel != `rel="next"` || !strings.Contains(next, cursor) || !strings.HasPrefix(next, path+"?") {
					t.Fatalf("Link = %q with next_cursor %q; want the next page", link, cursor)
				}
			} else if link != "" || a.body["next_cursor"] != nil {
				t.Errorf("last page: Link = %q, next_cursor %v; want none, null", link, a.body["next_cursor"])
			}
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("pages of %s (-want +got):\n%s", limit, diff)
		}
	}

	// A cursor holds for the list and the filter that it was issued for, and for no other.
	for range 2 {
		s.create("/v1/projects/"+project+"/surveys", object{"kind": "environmental", "started_at": "2026-03-05T07:00:00+01:00"})
	}
	filtered := s.must(200, "GET", "/v1/surveys?kind=environmental&limit=1", nil)
	cursor := filtered.body["next_cursor"].(string)
	if got := s.must(200, "GET", "/v1/surveys?limit=2&cursor="+cursor+"&kind=environmental", nil).ids(); len(got) != 2 {
		t.Errorf("next page = %v; want the two others", got)
	}
	tampered := []byte(cursor)
	tampered[3] ^= 1
	for _, path := range []string{
		"/v1/surveys?cursor=" + cursor, "/v1/surveys?kind=workplace&cursor=" + cursor, "/v1/projects?cursor=" + cursor,
		"/v1/projects/" + project + "/surveys?kind=environmental&cursor=" + cursor, "/v1/surveys?kind=environmental&cursor=" + cursor[:20],
		"/v1/surveys?kind=environmental&cursor=" + string(tampered), "/v1/surveys?kind=environmental&cursor=" + cursor + "AAAA",
		"/v1/surveys?kind=environmental&cursor=",
	} {
		s.refused(400, "unknown_cursor", []string{"cursor unknown_cursor"}, "GET", path, nil)
	}
}
