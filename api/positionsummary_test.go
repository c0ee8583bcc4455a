package api_test

import (
	"math"
	"strings"
	"testing"
)

// TestPositionOverSurveys puts the figures of a position together from two surveys weeks
// apart, of which the time between is not asked.
func TestPositionOverSurveys(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	path := "/v1/positions/" + s.position + "/summary"
	got := s.must(200, "GET", path, nil).body
	if u := got["unavailable"].([]any); len(u) != 1 || len(got["surveys"].([]any)) != 0 || got["repeats"] != nil {
		t.Errorf("nothing measured: %v", got)
	}
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"ended_at": "2026-03-04T07:00:00+01:00"}, "If-Match", `"v1"`)
	survey := func(from, to string) string {
		t.Helper()
		return s.create("/v1/projects/"+s.project()+"/surveys", object{"kind": "environmental", "started_at": from, "ended_at": to})
	}
	second := survey("2026-03-20T07:00:00+01:00", "2026-03-21T07:00:00+01:00")
	survey("2026-04-20T07:00:00+01:00", "2026-04-21T07:00:00+01:00") // nothing measured
	void := survey("2026-03-10T07:00:00+01:00", "2026-03-11T07:00:00+01:00")
	s.record("LAeq", 900, "2026-03-03T07:00:00+01:00", repeated(50, 96), nil)
	for id, level := range map[string]float64{second: 56, void: 90} {
		at := s
		at.survey = id
		from := "2026-03-20T07:00:00+01:00"
		if id == void {
			from = "2026-03-10T07:00:00+01:00"
		}
		at.record("LAeq", 900, from, repeated(level, 96), nil)
	}
	s.must(200, "POST", "/v1/surveys/"+void+"/void", object{"reason": "wrong place"}, "If-Match", `"v1"`)
	got = s.must(200, "GET", path, nil).body
	power := func(l float64) float64 { return math.Pow(10, l/10) }
	mean := 10 * math.Log10((power(50)+power(56))/2)
	two := func(x float64) float64 { return math.Round(100*x) / 100 }
	if f := got["levels"].(object)["LAeq"].(object); f["level_db"] != two(mean) || f["basis"] != "integrated" {
		t.Errorf("LAeq = %v; want %v", f, two(mean))
	}
	// Each period is measured in full on both days, and the days between are not asked.
	if f, _ := got["indices"].(object)["Lden"].(object); f["level_db"] != two(mean+6.3952) { // of a steady level, Lden is 6.3952 dB higher
		t.Errorf("Lden = %v; want %v; unavailable %v", f, two(mean+6.3952), got["unavailable"])
	}
	if r := got["reference"].(object); r["days"] != 2. || r["nights"] != 2. {
		t.Errorf("reference = %v; want two days and nights", r)
	}
	surveys := got["surveys"].([]any)
	if len(surveys) != 2 || surveys[0].(object)["laeq"].(object)["level_db"] != 50. || surveys[1].(object)["laeq"].(object)["level_db"] != 56. {
		t.Errorf("surveys = %v", surveys)
	}
	// 10/ln 10 times the standard uncertainty of the mean power as a share of it (JASA 138, EL264, 2015).
	m := (power(50) + power(56)) / 2
	u := 10 / math.Ln10 * math.Sqrt((math.Pow(power(50)-m, 2)+math.Pow(power(56)-m, 2))/2) / m
	r := got["repeats"].(object)
	if r["surveys"] != 2. || r["mean_db"] != two(mean) || r["uncertainty_db"] != two(u) || r["lowest_level_db"] != 50. || r["highest_level_db"] != 56. {
		t.Errorf("repeats = %v; want %v ± %v", r, two(mean), two(u))
	}
	if !strings.Contains(got["cautions"].([]any)[1].(object)["text"].(string), "2 days and 2 nights") {
		t.Errorf("cautions = %v", got["cautions"])
	}
	later := s.must(200, "GET", path+"?from=2026-03-15T00:00:00Z", nil).body
	if f := later["levels"].(object)["LAeq"].(object); f["level_db"] != 56. || len(later["surveys"].([]any)) != 1 || later["repeats"] != nil {
		t.Errorf("the second alone: %v", later)
	}
	if got := s.must(200, "GET", path+"?windows=usable", nil).body; got["windows"] != "usable" || got["levels"].(object)["LAeq"] != nil {
		t.Errorf("without checks nothing is usable: %v", got["levels"])
	}
	s.refused(404, "not_found", nil, "GET", "/v1/positions/"+s.survey+"/summary", nil)
	s.refused(400, "unknown_parameter", []string{"step unknown_parameter"}, "GET", path+"?step=1h", nil)
	s.asRole("field", "field").refused(403, "forbidden", nil, "GET", path, nil)
}
