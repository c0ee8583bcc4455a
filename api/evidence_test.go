package api_test

import (
	"testing"

	"github.com/google/uuid"
)

// TestEvidenceOnTwoMachines stores the same samples in two services, once whole and once
// in parts that come out of order: the digests are the same. What any figure rests on
// changes them.
func TestEvidenceOnTwoMachines(t *testing.T) {
	t.Parallel()
	ids := []string{uuid.Must(uuid.NewV7()).String(), uuid.Must(uuid.NewV7()).String(), uuid.Must(uuid.NewV7()).String()}
	levels := make([]float64, 240)
	for i := range levels {
		levels[i] = 50 + float64(i%13)
	}
	put := func(s site, id string, more object) {
		t.Helper()
		s.must(201, "PUT", "/v1/series/"+id, with(object{
			"survey_id": s.survey, "position_id": s.position, "instrument_id": s.meter, "quantity": "LAeq", "interval_s": 60,
			"started_at": "2026-03-03T07:00:00+01:00",
		}, more), "If-None-Match", "*")
	}
	appended := func(s site, id, at string, ls []float64) {
		t.Helper()
		s.must(200, "POST", "/v1/series/"+id+"/samples", object{"started_at": at, "levels_db": ls})
	}
	digest := func(s site, path string) string {
		t.Helper()
		return s.must(200, "GET", path, nil).body["evidence"].(object)["digest"].(string)
	}
	here, there := newSite(t), newSite(t)
	for i, more := range []object{nil, {"quantity": "LAFmax"}, {"residual": true, "started_at": "2026-03-03T12:00:00+01:00"}} {
		put(here, ids[i], with(object{"levels_db": levels}, more))
		put(there, ids[i], with(object{"levels_db": levels[:100]}, more))
	}
	for i, at := range [][2]string{{"08:40", "10:00"}, {"08:40", "10:00"}, {"13:40", "15:00"}} {
		appended(there, ids[i], "2026-03-03T"+at[1]+":00+01:00", levels[180:])
		appended(there, ids[i], "2026-03-03T"+at[0]+":00+01:00", levels[100:180])
	}
	survey := func(s site) string { return "/v1/surveys/" + s.survey + "/summary?step=1h" }
	whole := digest(here, survey(here))
	if got := digest(there, survey(there)); got != whole {
		t.Errorf("sent in parts: %s; want %s", got, whole)
	}
	if a, b := digest(here, "/v1/series/"+ids[0]+"/summary"), digest(there, "/v1/series/"+ids[0]+"/summary"); a != b {
		t.Errorf("of a series, sent in parts: %s; want %s", b, a)
	}
	if got := digest(here, "/v1/surveys/"+here.survey+"/summary?step=2h"); got == whole {
		t.Error("other steps have the same digest")
	}

	if got := digest(here, survey(here)+"&uncertainty=omitted"); got == whole {
		t.Error("figures without uncertainties, which take other answers, have the same digest")
	}

	changed := func(what string) {
		t.Helper()
		got := digest(there, survey(there))
		if got == whole {
			t.Errorf("%s: the digest is that of before", what)
		}
		whole = got
	}
	appended(there, ids[1], "2026-03-03T11:00:00+01:00", []float64{50})
	changed("one more maximum")
	appended(there, ids[2], "2026-03-03T16:00:00+01:00", []float64{50})
	changed("one more minute of residual sound")
	x := there.create("/v1/series/"+ids[0]+"/exclusions", object{"from": "2026-03-03T08:00:00+01:00", "to": "2026-03-03T08:05:00+01:00", "reason": "invented"})
	changed("an exclusion")
	there.must(204, "DELETE", "/v1/exclusions/"+x, nil, "If-Match", `"v1"`)
	changed("none")
	there.must(200, "PATCH", "/v1/surveys/"+there.survey, object{"uncertainty": []any{object{"name": "weather", "value_db": 1, "source": "invented"}}}, "If-Match", `"v1"`)
	changed("a line of the budget")
	there.check("2026-03-03T06:30:00+01:00", 93.9)
	there.check("2026-03-03T16:30:00+01:00", 93.9)
	changed("what the verdict lets stand")
}
