package api_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestExclusionProposals proposes to exclude what was measured while the wind blew at
// more than 5 m/s or rain fell, which leaves results as they are until a person posts it.
func TestExclusionProposals(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	path := "/v1/surveys/" + s.survey + "/exclusion-proposals"
	proposed := func(query string) (all []string) {
		t.Helper()
		for _, p := range s.must(200, "GET", path+query, nil).body["proposals"].([]any) {
			p := p.(object)
			all = append(all, p["from"].(string)[11:16]+"-"+p["to"].(string)[11:16]+" "+p["reason"].(string))
		}
		return all
	}
	if got := proposed(""); got != nil {
		t.Errorf("nothing measured: %v", got)
	}
	wind := repeated(2, 60) // 07:00 to 08:00 at the site, 06:00 to 07:00 UTC
	for i := 10; i < 20; i++ {
		wind[i] = 6.5
	}
	wind[30], wind[55] = 5, 7.25 // at the limit; after the meter stopped
	sound := s.record("LAeq", 60, "2026-03-03T07:00:00+01:00", repeated(50, 50), nil)
	s.record("wind_speed", 60, "2026-03-03T07:00:00+01:00", wind, nil)
	s.record("precipitation", 600, "2026-03-03T07:00:00+01:00", []float64{0, 0, 0, 0.4, 0, 0}, nil)
	const (
		blew   = "wind speed up to 6.5 m/s, the limit is 5 m/s (common practice, no source)"
		rained = "precipitation up to 0.4 mm/h, the limit is 0 mm/h (house value)"
	)
	if diff := cmp.Diff([]string{"06:10-06:20 " + blew, "06:30-06:40 " + rained}, proposed("")); diff != "" {
		t.Errorf("proposals (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]string{"06:30-06:40 " + rained}, proposed("?from=2026-03-03T06:25:00Z")); diff != "" {
		t.Errorf("later ones (-want +got):\n%s", diff)
	}
	before := s.must(200, "GET", "/v1/series/"+sound+"/summary", nil).body["excluded_s"]
	first := s.must(200, "GET", path, nil).body["proposals"].([]any)[0].(object)
	if before != 0. || first["series_id"] != sound || first["highest"] != 6.5 || first["limit"] != 5. || first["unit"] != "m/s" {
		t.Errorf("excluded before it was confirmed: %v s; first proposal %v", before, first)
	}
	// Confirmed in part: the rest is still proposed.
	s.create("/v1/series/"+sound+"/exclusions", object{"from": first["from"], "to": "2026-03-03T06:15:00Z", "reason": first["reason"]})
	if diff := cmp.Diff([]string{"06:15-06:20 " + blew, "06:30-06:40 " + rained}, proposed("")); diff != "" {
		t.Errorf("after confirming five minutes (-want +got):\n%s", diff)
	}
	if got := s.must(200, "GET", "/v1/series/"+sound+"/summary", nil).body["excluded_s"]; got != 300. {
		t.Errorf("excluded = %v s; want 300", got)
	}
	spot := s.create("/v1/surveys/"+s.survey+"/series", object{
		"position_id": s.position, "instrument_id": s.meter, "channel": 2, "quantity": "wind_speed", "samples": []any{object{"at": "2026-03-03T07:45:00+01:00", "level_db": 9}},
	})
	unjudged := s.must(200, "GET", path, nil).body["unjudged"].([]any)
	if len(unjudged) != 1 || unjudged[0].(object)["series_id"] != spot {
		t.Errorf("unjudged = %v; want the readings at instants", unjudged)
	}
	s.refused(404, "not_found", nil, "GET", "/v1/surveys/"+s.position+"/exclusion-proposals", nil)
}
