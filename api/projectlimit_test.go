package api_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
)

// project returns the id of the site's project.
func (s site) project() string {
	s.t.Helper()
	return s.must(200, "GET", "/v1/surveys/"+s.survey, nil).body["project_id"].(string)
}

// aLimit is of an invented permit.
var aLimit = object{"symbol": "Lnight", "level_db": 45., "source": "invented permit, no 4"}

func TestLimits(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	list := "/v1/projects/" + s.project() + "/limits"
	full := with(aLimit, object{
		"position_id": s.position, "at": "facade_flush", "rule": "probability", "compare": "greater_or_equal", "rounding": "half_up_0.5", "allowed_chance": 0.05, "yearly": true,
	})
	made := s.must(201, "POST", list, full)
	path := "/v1/limits/" + made.body["id"].(string)
	if made.header.Get("Location") != path {
		t.Errorf("Location = %q; want %q", made.header.Get("Location"), path)
	}
	answered(t, full, s.must(200, "GET", path, nil))
	plain := s.must(201, "POST", list, aLimit)
	answered(t, with(aLimit, object{"at": "free_field", "rule": "simple", "compare": "greater", "rounding": "none", "position_id": nil}), plain)
	count := object{"symbol": "LAFmax", "level_db": 60., "nth": 3., "separation_s": 30., "period": "Lnight", "source": "invented permit"}
	answered(t, count, s.must(201, "POST", list, count))
	s.must(201, "POST", list, object{"symbol": "LAeq", "level_db": 5, "relative_to": "LAF90", "source": "invented permit"})

	s.refused(422, "invalid", []string{"/source required", "/at not_allowed", "/symbol required", "/rounding not_allowed", "/allowed_chance not_allowed"},
		"POST", list, object{"symbol": " ", "level_db": 45, "source": "", "at": "roof", "rounding": "down", "allowed_chance": 0.1})
	s.refused(422, "invalid", []string{"/symbol not_allowed"}, "POST", list, with(count, object{"symbol": "LAeq"}))
	s.refused(422, "invalid", []string{"/position_id unknown_reference"}, "POST", list, with(aLimit, object{"position_id": uuid.NewString()}))
	s.refused(404, "not_found", nil, "POST", "/v1/projects/"+uuid.NewString()+"/limits", aLimit)

	s.refused(428, "precondition_required", nil, "PATCH", path, object{"level_db": 44})
	answered(t, object{"level_db": 44., "version": 2., "rule": "probability"}, s.must(200, "PATCH", path, object{"level_db": 44}, "If-Match", `"v1"`))
	s.refused(412, "precondition_failed", nil, "DELETE", path, nil, "If-Match", `"v1"`)
	s.must(204, "DELETE", path, nil, "If-Match", `"v2"`)
	if ids := s.must(200, "GET", list, nil).ids(); len(ids) != 3 {
		t.Errorf("limits after the removal = %v; want three", ids)
	}
	removed := s.must(200, "GET", path, nil)
	answered(t, object{"removed": true, "version": 3.}, removed)
	s.refused(409, "limit_removed", nil, "DELETE", path, nil, "If-Match", `"v3"`)
	levels := []any{}
	for _, v := range s.must(200, "GET", path+"/versions", nil).items() {
		levels = append(levels, v["level_db"])
	}
	if diff := cmp.Diff([]any{45., 44., 44.}, levels); diff != "" {
		t.Errorf("levels of the versions (-want +got):\n%s", diff)
	}

	other, _ := s.newKey("another client's", nil, s.create("/v1/clients", object{"name": "Invented Harbour"}))
	s.as(other).refused(404, "not_found", nil, "GET", path, nil)
}

// TestPeriodsOfProject divides the day as a project says, in the index too.
func TestPeriodsOfProject(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	project := "/v1/projects/" + s.project()
	// The 14 h, 2 h and 8 h of some laws: day from 06 to 20, evening to 22, night (Italy, D.Lgs. 194/2005, annex 1).
	set := object{"name": "invented_14_2_8", "index": "Lden", "source": "invented by-law", "periods": []any{
		object{"symbol": "Lday", "from": "06:00", "to": "20:00"},
		object{"symbol": "Levening", "from": "20:00", "to": "22:00", "penalty_db": 5.},
		object{"symbol": "Lnight", "from": "22:00", "to": "06:00", "penalty_db": 10.},
	}}
	answered(t, object{"periods": set}, s.must(200, "PATCH", project, object{"periods": set}, "If-Match", `"v1"`))
	answered(t, object{"periods": set}, s.must(200, "GET", project, nil))
	day := make([]float64, 96)
	for i := range day { // 60 dB by day, 55 in the evening, 50 at night
		switch h := (7 + i/4) % 24; {
		case h >= 6 && h < 20:
			day[i] = 60
		case h >= 20 && h < 22:
			day[i] = 55
		default:
			day[i] = 50
		}
	}
	series := s.create("/v1/surveys/"+s.survey+"/series", object{
		"position_id": s.position, "instrument_id": s.meter, "quantity": "LAeq", "interval_s": 900, "started_at": "2026-03-03T07:00:00+01:00", "levels_db": day,
	})
	got := s.must(200, "GET", "/v1/series/"+series+"/summary", nil)
	index := func(a answer, symbol string) any {
		f, _ := a.body["indices"].(object)[symbol].(object)
		return f["level_db"]
	}
	// All raised levels are 60 dB.
	for symbol, want := range map[string]any{"Lday": 60., "Levening": 55., "Lnight": 50., "Lden": 60.} {
		if l := index(got, symbol); l != want {
			t.Errorf("%s = %v; want %v", symbol, l, want)
		}
	}
	if got.body["period_set"] != "invented_14_2_8" {
		t.Errorf("period_set = %v", got.body["period_set"])
	}
	// Divided otherwise, by its name: 15 h of which 13 at 60 dB and 2 at 55.
	if l := index(s.must(200, "GET", "/v1/series/"+series+"/summary?periods=day_night", nil), "Lday"); l != 59.58 {
		t.Errorf("Lday of day_night = %v; want 59.58, 10 lg((13·10^6 + 2·10^5.5)/15)", l)
	}
	s.must(200, "GET", "/v1/series/"+series+"/summary?periods=invented_14_2_8", nil)

	bad := with(set, object{"name": "", "periods": []any{object{"symbol": "Lday", "from": "06:00", "to": "25:00"}}})
	s.refused(422, "invalid", []string{"/periods/name required", "/periods/periods/0 out_of_range"}, "PATCH", project, object{"periods": bad}, "If-Match", `"v2"`)
	gap := with(set, object{"periods": set["periods"].([]any)[:2]})
	s.refused(422, "invalid", []string{"/periods/periods incomplete"}, "PATCH", project, object{"periods": gap}, "If-Match", `"v2"`)
	if a := s.must(200, "PATCH", project, object{"periods": nil}, "If-Match", `"v2"`); a.body["periods"] != nil {
		t.Errorf("periods after null = %v; want none", a.body["periods"])
	}
}
