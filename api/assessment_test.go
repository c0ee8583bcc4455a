package api_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// night stores a night of minutes from 22:00 at the site, of a quantity and a level for
// each minute, checks the meter before and after, and returns the id of the series. The
// survey is that of the night.
func (s site) night(quantity string, level func(minute int) float64) string {
	s.t.Helper()
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"started_at": "2026-03-03T22:00:00+01:00", "ended_at": "2026-03-04T08:00:00+01:00"}, "If-Match", `"v1"`)
	levels := make([]float64, 600)
	for i := range levels {
		levels[i] = level(i)
	}
	id := s.create("/v1/surveys/"+s.survey+"/series", object{
		"position_id": s.position, "instrument_id": s.meter, "quantity": quantity, "interval_s": 60,
		"started_at": "2026-03-03T22:00:00+01:00", "levels_db": levels,
	})
	s.check("2026-03-03T21:30:00+01:00", 93.9)
	s.check("2026-03-04T08:10:00+01:00", 93.8)
	return id
}

func steady(level float64) func(int) float64 { return func(int) float64 { return level } }

// limit sets a limit of the site's project.
func (s site) limit(l object) string {
	s.t.Helper()
	return s.create("/v1/projects/"+s.project()+"/limits", with(object{"source": "invented permit"}, l))
}

// assessed returns the comparison with one limit.
func (s site) assessed(limit, query string) object {
	s.t.Helper()
	a := s.must(200, "GET", "/v1/surveys/"+s.survey+"/assessment"+query, nil)
	for _, one := range a.body["assessments"].([]any) {
		if one := one.(object); one["limit_id"] == limit {
			return one
		}
	}
	s.t.Fatalf("no comparison with limit %s in %s", limit, a.raw)
	return nil
}

// shows reports where members of a comparison differ from what is wanted; reason, a part of it.
func (s site) shows(what string, got object, outcome string, compared any, reason string) {
	s.t.Helper()
	why, _ := got["reason"].(string)
	if got["outcome"] != outcome || got["compared_db"] != compared || !strings.Contains(why, reason) || reason == "" && why != "" {
		s.t.Errorf("%s: %v at %v, %q; want %s at %v, %q", what, got["outcome"], got["compared_db"], why, outcome, compared, reason)
	}
}

func cautionCodes(o object) (cs []string) {
	for _, c := range o["cautions"].([]any) {
		cs = append(cs, c.(object)["code"].(string))
	}
	return cs
}

func TestAssessment(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.night("LAeq", steady(44.5))
	simple := s.limit(object{"symbol": "Lnight", "level_db": 45})
	kept := s.assessed(simple, "")
	s.shows("under the limit", kept, "below", 44.5, "")
	if !slices.Contains(cautionCodes(kept), "law_decides") || !slices.Contains(cautionCodes(kept), "not_yearly") || kept["treat_as"] != nil {
		t.Errorf("cautions = %v, treat_as %v", cautionCodes(kept), kept["treat_as"])
	}
	// The class alone, 0.5 dB: Φ(−0.5/0.5) = 0.1587 (JCGM 106:2012, 7.2; standard normal table).
	if kept["probability"] != 0.1587 {
		t.Errorf("probability = %v; want 0.1587", kept["probability"])
	}
	missing := []any{"operating_conditions", "weather", "residual", "location"}
	if diff := cmp.Diff(missing, kept["uncertainty"].(object)["missing"]); diff != "" {
		t.Errorf("missing in the budget (-want +got):\n%s", diff)
	}
	// Rounding: halves up to whole decibels (Hong Kong EPD Technical Memorandum, D.3.3), always up (16. BImSchV, annex 2).
	s.shows("rounded half up", s.assessed(s.limit(object{"symbol": "Lnight", "level_db": 44.9, "rounding": "half_up_1"}), ""), "exceeded", 45., "")
	s.shows("rounded up", s.assessed(s.limit(object{"symbol": "Lnight", "level_db": 45, "rounding": "up_1", "compare": "greater_or_equal"}), ""), "exceeded", 45., "")
	s.shows("at another position's setting", s.assessed(s.limit(object{"symbol": "Lnight", "level_db": 45, "at": "indoors"}), ""), "not_decided", nil, "façade correction")
	yearly := s.limit(object{"symbol": "Lnight", "level_db": 45, "yearly": true})
	s.shows("yearly", s.assessed(yearly, ""), "not_decided", 44.5, "represents the year")
	s.shows("yearly, stated", s.assessed(yearly, "?represents_year=same+work+every+night"), "below", 44.5, "same work every night")
	s.shows("no such figure", s.assessed(s.limit(object{"symbol": "LCpeak", "level_db": 135}), ""), "not_decided", nil, "no peak series")
	s.shows("relative", s.assessed(s.limit(object{"symbol": "LAeq", "level_db": 5, "relative_to": "LAF90"}), ""), "not_decided", nil, "LAF90, which the limit rests on, is unavailable")
	s.shows("level of the period", s.assessed(s.limit(object{"symbol": "LAeq", "period": "Lnight", "level_db": 44}), ""), "exceeded", 44.5, "")
	s.shows("no such period", s.assessed(s.limit(object{"symbol": "LAeq", "period": "Lnoon", "level_db": 44}), ""), "not_decided", nil, "Lnoon")
	if got := len(s.must(200, "GET", "/v1/surveys/"+s.survey+"/assessment?position_id="+s.survey, nil).body["assessments"].([]any)); got != 0 {
		t.Errorf("%d comparisons of a position that is none; want 0", got)
	}

	// A guarded rule takes a budget that names everything.
	guarded := s.limit(object{"symbol": "Lnight", "level_db": 45, "rule": "guarded_low"})
	s.shows("guarded, budget in parts", s.assessed(guarded, ""), "not_decided", 44.5, "does not name: operating_conditions, weather, residual, location")
	survey := "/v1/surveys/" + s.survey
	line := func(name string, value float64, more object) object {
		return with(object{"name": name, "value_db": value, "source": "invented"}, more)
	}
	budget := []any{
		line("operating_conditions", 0.3, nil), line("weather", 0.2, nil), line("residual", 0.1, nil),
		line("location", 0.2, object{"distribution": "rectangular", "sensitivity": 0.5}),
	}
	s.must(200, "PATCH", survey, object{"uncertainty": budget}, "If-Match", `"v2"`)
	whole := s.assessed(guarded, "")
	// u² = 0.5² + 0.3² + 0.2² + 0.1² + (0.5·0.2/√3)², U = 2u = 1.25 dB: 44.5 + 1.25 > 45 (GUM 5.1.2).
	u := math.Sqrt(0.25 + 0.09 + 0.04 + 0.01 + 0.01/3)
	s.shows("guarded", whole, "not_decided", 44.5, "not with its uncertainty of 1.3 dB")
	got := whole["uncertainty"].(object)
	if got["standard_db"] != math.Round(100*u)/100 || got["expanded_db"] != math.Round(200*u)/100 || got["k"] != 2. || len(got["missing"].([]any)) != 0 || len(got["contributions"].([]any)) != 6 { // the sixth is what was estimated of its representativity: none of a level that never moves
		t.Errorf("budget = %v; want %.4f", got, u)
	}
	s.shows("guarded, far below", s.assessed(s.limit(object{"symbol": "Lnight", "level_db": 46, "rule": "guarded_low"}), ""), "below", 44.5, "")
	s.shows("guarded against the other error", s.assessed(s.limit(object{"symbol": "Lnight", "level_db": 44, "rule": "guarded_high"}), ""), "not_decided", 44.5, "not less its uncertainty")
	// Φ(−0.5/0.627) = 0.21 > 0.05
	s.shows("by probability", s.assessed(s.limit(object{"symbol": "Lnight", "level_db": 45, "rule": "probability", "allowed_chance": 0.05}), ""), "exceeded", 44.5, "")
	s.refused(422, "invalid", []string{"/uncertainty/1/value_db out_of_range", "/uncertainty/0/source required", "/uncertainty/2/name duplicate"}, "PATCH", survey,
		object{"uncertainty": []any{line("weather", 1, object{"source": ""}), line("other", 31, nil), line("weather", 1, nil)}}, "If-Match", `"v3"`)

	s.must(204, "DELETE", "/v1/limits/"+simple, nil, "If-Match", `"v1"`)
	after := s.must(200, "GET", survey+"/assessment", nil)
	if strings.Contains(string(after.raw), simple) {
		t.Error("a removed limit is compared with")
	}
	as := func(role string) *service {
		return s.as(s.must(201, "POST", "/v1/keys", object{"name": role, "role": role}).body["secret"].(string))
	}
	as("job_system").must(200, "GET", survey+"/assessment", nil)
	as("field").refused(403, "forbidden", nil, "GET", survey+"/assessment", nil)
	as("field").refused(403, "forbidden", nil, "POST", "/v1/projects/"+s.project()+"/limits", aLimit)
}

// A façade correction with its source turns a level before a façade into one of incident
// sound (about 3 dB: memory of ISO 1996-2 annex B).
func TestAssessmentAtFacade(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.night("LAeq", steady(47))
	s.must(200, "PATCH", "/v1/positions/"+s.position, object{"setting": "near_facade"}, "If-Match", `"v1"`)
	limit := s.limit(object{"symbol": "Lnight", "level_db": 45})
	s.shows("without correction", s.assessed(limit, ""), "not_decided", nil, "a façade correction with its source is needed")
	got := s.assessed(limit, "?facade_correction_db=-3&facade_uncertainty_db=1&facade_source=typical+value")
	s.shows("with correction", got, "below", 44., "")
	if diff := cmp.Diff(object{"correction_db": -3., "uncertainty_db": 1., "source": "typical value"}, got["facade"]); diff != "" {
		t.Errorf("facade (-want +got):\n%s", diff)
	}
	// u = √(0.5² + 1²): Φ(−1/1.118) = 0.1855.
	if got["probability"] != 0.1855 || got["level"].(object)["level_db"] != 47. {
		t.Errorf("probability %v of level %v; want 0.1855 of 47", got["probability"], got["level"])
	}
	path := "/v1/surveys/" + s.survey + "/assessment"
	s.refused(400, "required", []string{"facade_source required"}, "GET", path+"?facade_correction_db=-3&facade_uncertainty_db=1", nil)
	s.refused(400, "out_of_range", []string{"facade_correction_db out_of_range"}, "GET", path+"?facade_correction_db=loud", nil)
}

// A sampled maximum is a lower bound: it can show that a limit is exceeded, and no more.
func TestAssessmentOfBounds(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.night("LAF", func(minute int) float64 {
		if minute%100 == 50 {
			return 70
		}
		return 40
	})
	s.shows("sampled maximum under the limit", s.assessed(s.limit(object{"symbol": "LAFmax", "level_db": 75}), ""), "not_decided", 70., "a lower bound cannot show that the limit is kept")
	over := s.assessed(s.limit(object{"symbol": "LAFmax", "level_db": 65}), "")
	s.shows("sampled maximum over the limit", over, "exceeded", 70., "")
	if !slices.Contains(cautionCodes(over), "not_for_compliance") {
		t.Errorf("cautions = %v; want not_for_compliance", cautionCodes(over))
	}
	s.shows("exceedance level at night", s.assessed(s.limit(object{"symbol": "LAF95", "period": "Lnight", "level_db": 42}), ""), "below", 40., "")
	s.shows("against the background", s.assessed(s.limit(object{"symbol": "LAFmax", "level_db": 25, "relative_to": "LAF90"}), ""), "exceeded", 70., "")
}

// The third highest of the maxima that the meter held at night, by at least two minutes apart.
func TestAssessmentOfCounts(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	// Night from minute 60 on: 72, 71 one minute later, 66 and 64. 80 in the evening does not count.
	at := map[int]float64{10: 80, 100: 72, 101: 71, 200: 66, 300: 64}
	s.night("LAFmax", func(minute int) float64 {
		if l, ok := at[minute]; ok {
			return l
		}
		return 40
	})
	third := object{"symbol": "LAFmax", "nth": 3, "separation_s": 120, "period": "Lnight"}
	over := s.assessed(s.limit(with(third, object{"level_db": 63})), "")
	s.shows("third event over the limit", over, "exceeded", 64., "")
	if over["from"] != "2026-03-03T22:00:00Z" || over["to"] != "2026-03-04T06:00:00Z" || over["level"].(object)["basis"] != "instrument" {
		t.Errorf("%v to %v, %v; want the night, instrument", over["from"], over["to"], over["level"])
	}
	s.shows("third event under the limit", s.assessed(s.limit(with(third, object{"level_db": 65})), ""), "below", 64., "")
	s.shows("third interval, however near", s.assessed(s.limit(with(third, object{"level_db": 65, "separation_s": 0})), ""), "exceeded", 66., "")
	s.shows("no such series", s.assessed(s.limit(with(third, object{"level_db": 65, "symbol": "LASmax"})), ""), "not_decided", nil, "no series of the position carries LASmax")
}

// What is not usable is never below a limit, and warns if it lies above.
func TestAssessmentOfUnusable(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"kind": "workplace"}, "If-Match", `"v1"`)
	s.create("/v1/surveys/"+s.survey+"/series", object{
		"position_id": s.position, "instrument_id": s.meter, "quantity": "LAeq", "interval_s": 60, "started_at": "2026-03-03T07:00:00+01:00",
		"levels_db": slices.Repeat([]float64{86}, 60),
	})
	s.check("2026-03-03T06:30:00+01:00", 93.9)
	s.check("2026-03-03T08:10:00+01:00", 92.9) // drifted by 1.0 dB
	got := s.assessed(s.limit(object{"symbol": "LAeq", "level_db": 85}), "")
	s.shows("drifted, above", got, "indicates_exceedance", 86., "measure again")
	if got["treat_as"] != "exceeded" || !slices.Contains(cautionCodes(got), "protect_now") || !slices.Contains(cautionCodes(got), "unprotected") {
		t.Errorf("treat_as %v, cautions %v", got["treat_as"], cautionCodes(got))
	}
	kept := s.assessed(s.limit(object{"symbol": "LAeq", "level_db": 90}), "")
	s.shows("drifted, below", kept, "not_valid", 86., "does not let the measurement stand")
	if kept["treat_as"] != "exceeded" {
		t.Errorf("treat_as = %v; want exceeded", kept["treat_as"])
	}
}

// A meter that stopped after an hour of ten does not tell of the ten.
func TestAssessmentOfCoverage(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"ended_at": "2026-03-03T17:00:00+01:00"}, "If-Match", `"v1"`)
	s.measure("LAeq")
	s.check("2026-03-03T06:30:00+01:00", 93.9)
	s.check("2026-03-03T17:10:00+01:00", 93.8)
	limit := s.limit(object{"symbol": "LAeq", "level_db": 60})
	s.shows("an hour of ten", s.assessed(limit, ""), "not_decided", nil, "coverage 0.100 is below 0.75")
	s.shows("the hour", s.assessed(limit, "?to=2026-03-03T08:00:00%2B01:00"), "below", 51.2, "")
	s.shows("less asked", s.assessed(limit, "?min_coverage=0.1"), "below", 51.2, "")
}
