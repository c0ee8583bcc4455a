package api_test

import (
	"encoding/json"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestSamplesByPages(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	path := "/v1/series/" + s.create("/v1/surveys/"+s.survey+"/series", object{
		"position_id": s.position, "instrument_id": s.meter, "quantity": "LAF", "interval_s": 0.5, "started_at": "2026-03-03T07:59:58.5+01:00",
		"levels_db": []any{50, 50.1, nil, 50.25, nil, nil, -3, 60.5}, "flags": []object{{"index": 2, "flag": "under_range"}},
	}) + "/samples"
	ask := func(query string) object { return s.must(200, "GET", path+query, nil).body }
	first := object{"started_at": "2026-03-03T06:59:58.5Z", "levels_db": []any{50., 50.1, nil, 50.25}, "flags": []any{object{"index": 2., "flag": "under_range"}}}
	second := object{"started_at": "2026-03-03T07:00:01.5Z", "levels_db": []any{-3., 60.5}}
	whole := ask("")
	if diff := cmp.Diff([]any{first, second}, whole["items"]); diff != "" || whole["next_from"] != nil {
		t.Errorf("samples (-want +got):\n%s\nnext_from %v", diff, whole["next_from"])
	}

	// Pages end anywhere, at the end of a stretch and of all too.
	for limit, pages := range map[int]int{1: 6, 2: 3, 3: 2, 4: 2, 5: 2, 6: 1, 7: 1} {
		query, n := "", 0
		var levels []any
		for from := any(""); from != nil; n++ {
			page := ask(fmt.Sprintf("?limit=%d%s", limit, query))
			for _, i := range page["items"].([]any) {
				levels = append(levels, i.(object)["levels_db"].([]any)...)
			}
			if from = page["next_from"]; from != nil {
				query = "&from=" + url.QueryEscape(from.(string))
			}
		}
		if want := []any{50., 50.1, nil, 50.25, -3., 60.5}; n != pages || !slices.Equal(levels, want) {
			t.Errorf("by %d: %d pages of %v; want %d of %v", limit, n, levels, pages, want)
		}
	}
	// from and to cut by the beginning of samples.
	part := ask("?from=2026-03-03T06:59:58.6Z&to=2026-03-03T07:00:00Z")
	if diff := cmp.Diff([]any{object{"started_at": "2026-03-03T06:59:59Z", "levels_db": []any{50.1, nil}, "flags": []any{object{"index": 1., "flag": "under_range"}}}}, part["items"]); diff != "" {
		t.Errorf("a part (-want +got):\n%s", diff)
	}
	for _, limit := range []string{"0", "86401", "x"} {
		s.refused(400, "out_of_range", []string{"limit out_of_range"}, "GET", path+"?limit="+limit, nil)
	}

	// Reduced: the energy mean of 50, 50.1 dB is 10 lg((10^5 + 10^5.01)/2) = 50.05 dB.
	steps := ask("?step=1s&to=2026-03-03T07:00:01Z")["steps"].([]any)
	want := []any{
		object{"from": "2026-03-03T06:59:58.5Z", "to": "2026-03-03T06:59:59Z", "count": 1., "under_range": 0., "over_range": 0., "min_db": 50., "max_db": 50., "mean_db": 50.},
		object{"from": "2026-03-03T06:59:59Z", "to": "2026-03-03T07:00:00Z", "count": 1., "under_range": 1., "over_range": 0., "min_db": 50.1, "max_db": 50.1, "mean_db": 50.1},
		object{"from": "2026-03-03T07:00:00Z", "to": "2026-03-03T07:00:01Z", "count": 1., "under_range": 0., "over_range": 0., "min_db": 50.25, "max_db": 50.25, "mean_db": 50.25},
	}
	if diff := cmp.Diff(want, steps); diff != "" {
		t.Errorf("steps (-want +got):\n%s", diff)
	}
	minute := ask("?step=1m&limit=1")
	if got := minute["steps"].([]any)[0].(object); got["count"] != 2. || got["mean_db"] != 50.05 || minute["next_from"] != "2026-03-03T07:00:00Z" {
		t.Errorf("a step of a minute: %v", minute)
	}

	// Streamed: the same, an hour's stretch a line.
	a := s.ask("GET", path, nil, "Accept", "application/x-ndjson")
	if got := a.header.Get("Content-Type"); a.status != 200 || got != "application/x-ndjson" {
		t.Fatalf("stream = %d %s %s", a.status, got, a.raw)
	}
	var streamed []any
	for line := range strings.Lines(string(a.raw)) {
		var o object
		if err := json.Unmarshal([]byte(line), &o); err != nil {
			t.Fatal(err)
		}
		streamed = append(streamed, o)
	}
	inTwo := []any{
		object{"started_at": "2026-03-03T06:59:58.5Z", "levels_db": []any{50., 50.1, nil}, "flags": first["flags"]},
		object{"started_at": "2026-03-03T07:00:00Z", "levels_db": []any{50.25}},
		second,
	}
	if diff := cmp.Diff(inTwo, streamed); diff != "" {
		t.Errorf("streamed (-want +got):\n%s", diff)
	}
	if a := s.ask("GET", path+"?from=2027-01-01T00:00:00Z", nil, "Accept", "application/x-ndjson"); a.status != 200 || len(a.raw) != 0 {
		t.Errorf("stream of nothing = %d %s", a.status, a.raw)
	}
	if a := s.ask("GET", path+"?limit=3", nil, "Accept", "application/x-ndjson"); a.status != 400 || a.body["code"] != "unknown_parameter" {
		t.Errorf("stream with a limit = %d %s", a.status, a.raw)
	}
}

func TestSpotSamples(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	made := s.must(201, "POST", "/v1/surveys/"+s.survey+"/series", object{
		"position_id": s.position, "instrument_id": s.meter, "quantity": "LAF",
		"samples": []object{{"at": "2026-03-03T09:00:00.000001Z", "level_db": nil, "flag": "over_range"}, {"at": "2026-03-03T08:00:00Z", "level_db": 51.2}},
	}).body
	if made["started_at"] != "2026-03-03T08:00:00Z" || made["ended_at"] != "2026-03-03T09:00:00.000001Z" || made["samples"] != 1. || made["over_range"] != 1. {
		t.Errorf("series: %v", made)
	}
	path := "/v1/series/" + made["id"].(string) + "/samples"
	want := []any{object{"samples": []any{
		object{"at": "2026-03-03T08:00:00Z", "level_db": 51.2}, object{"at": "2026-03-03T09:00:00.000001Z", "level_db": nil, "flag": "over_range"},
	}}}
	got := s.must(200, "GET", path, nil).body
	if diff := cmp.Diff(want, got["items"]); diff != "" || got["next_from"] != nil {
		t.Errorf("samples (-want +got):\n%s", diff)
	}
	page := s.must(200, "GET", path+"?limit=1", nil).body
	if page["next_from"] != "2026-03-03T09:00:00.000001Z" {
		t.Errorf("next_from = %v", page["next_from"])
	}
}

// TestStepsOfSamples asks for steps that end with the samples, of which there is none more, and for those
// beside the samples, of which there is none.
func TestStepsOfSamples(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	at := object{"position_id": s.position, "instrument_id": s.meter}
	path := "/v1/series/" + s.create("/v1/surveys/"+s.survey+"/series", with(at, object{
		"quantity": "LAF", "interval_s": 1, "started_at": "2026-03-03T07:00:00Z", "levels_db": []any{50, 51, 52, 53, 54, 55},
	})) + "/samples"
	spot := "/v1/series/" + s.create("/v1/surveys/"+s.survey+"/series", with(at, object{
		"quantity": "LAF", "channel": 2, "samples": []object{{"at": "2026-03-03T07:00:00Z", "level_db": 50}, {"at": "2026-03-03T07:00:06Z", "level_db": 56}},
	})) + "/samples"
	for query, want := range map[string]int{
		path + "?step=3s": 2, path + "?step=4s": 2, path + "?step=6s": 1, spot + "?step=3s": 3,
		path + "?step=3s&from=2026-03-03T07:00:06Z": 0, path + "?step=3s&from=2030-01-01T00:00:00Z": 0, path + "?step=3s&to=2020-01-01T00:00:00Z": 0,
	} {
		a := s.must(200, "GET", query, nil)
		steps, _ := a.body["steps"].([]any)
		if len(steps) != want || a.body["next_from"] != nil {
			t.Errorf("%s = %s; want %d steps", query, a.raw, want)
		}
	}
}

func TestSamplesRefused(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	header := object{"position_id": s.position, "instrument_id": s.meter, "quantity": "LAF", "interval_s": 86400}
	at := "/v1/surveys/" + s.survey + "/series"
	empty := "/v1/series/" + s.create(at, header) + "/samples"
	if got := s.must(200, "GET", empty+"?step=1d", nil).body; got["steps"] != nil || got["next_from"] != nil {
		t.Errorf("steps of no samples: %v", got)
	}
	levels := make([]any, 64_000) // days: 175 years
	for i := range levels {
		levels[i] = 50
	}
	s.refused(422, "invalid", []string{"/levels_db out_of_range"}, "POST", empty, object{"started_at": "2026-03-03T07:00:00Z", "levels_db": levels})
	s.refused(422, "invalid", []string{"/started_at out_of_range"}, "POST", empty, object{"started_at": "1970-01-01T00:30:00+01:00", "levels_db": []any{50}})
	s.must(200, "POST", empty, object{"started_at": "2026-03-03T07:00:00Z", "levels_db": levels[:40_000]})

	// The first time that differs is named, whatever comes with it.
	a := s.call("POST", empty, object{"started_at": "2026-03-05T07:00:00Z", "levels_db": []any{50, 50, 50.01, 50.02}})
	if a.status != 409 || a.body["code"] != "samples_contradict" || !strings.Contains(a.body["detail"].(string), "2026-03-07T07:00:00Z") {
		t.Errorf("a contradiction = %d %s", a.status, a.raw)
	}
	spot := "/v1/series/" + s.create(at, with(header, object{"interval_s": nil, "quantity": "LAS"})) + "/samples"
	s.refused(422, "invalid", []string{"/samples/0/at out_of_range"}, "POST", spot,
		object{"samples": []object{{"at": "1970-01-01T00:30:00+01:00", "level_db": 50}}})
}
