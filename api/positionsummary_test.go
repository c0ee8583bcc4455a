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

// TestHighestOfPosition finds the worst quarter hour and the typical day of a position whose
// series follow each other, in a survey and over two that lie half a year apart.
func TestHighestOfPosition(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"ended_at": "2026-03-04T07:00:00+01:00"}, "If-Match", `"v1"`)
	// 08:50 to 09:00 by the minute and 09:00 to 09:05 by readings: a quarter hour of 15 min at 70 dB.
	s.record("LAeq", 60, "2026-03-03T07:00:00+01:00", append(repeated(50, 110), repeated(70, 10)...), nil)
	s.record("LAF", 1, "2026-03-03T09:00:00+01:00", append(repeated(70, 300), repeated(50, 3300)...), nil)
	const query = "?highest=15m,1h&moving_by=1m&typical_day=included&percentiles=none"
	position := s.must(200, "GET", "/v1/surveys/"+s.survey+"/summary"+query, nil).body["positions"].([]any)[0].(object)
	highest := position["highest"].([]any)
	if len(highest) != 2 {
		t.Fatalf("highest = %v; want two lengths", highest)
	}
	q := highest[0].(object)
	level := q["level"].(object)
	if q["symbol"] != "LAeq" || q["from"] != "2026-03-03T07:50:00Z" || q["coverage"] != 1. || level["level_db"] != 70. || level["basis"] != "mixed" || q["left_out"] != 0. {
		t.Errorf("highest 15 min = %v; want 70 dB of both from 08:50 on", q)
	}
	if shares := level["shares"].([]any); len(shares) != 2 || shares[0].(object)["share"] != 0.66667 {
		t.Errorf("shares = %v; want two thirds and one", shares)
	}
	hour := position["typical_day"].(object)["hours"].([]any)[8].(object)
	// 10 lg((50·10^5 + 10·10^7)/60)
	if position["typical_day"].(object)["symbol"] != "LAeq" || hour["days"] != 1. || hour["level"].(object)["level_db"] != 62.43 {
		t.Errorf("08-09 = %v; want 62.43", hour)
	}

	// 13 min of the other survey are louder, too few for a quarter hour that is measured in full.
	at := s
	at.survey = s.create("/v1/projects/"+s.project()+"/surveys", object{
		"kind": "environmental", "started_at": "2026-09-01T08:00:00+02:00", "ended_at": "2026-09-01T10:00:00+02:00",
	})
	at.record("LAF", 1, "2026-09-01T08:00:00+02:00", append(repeated(60, 1800), repeated(80, 780)...), nil)
	path := "/v1/positions/" + s.position + "/summary" + query
	got := s.must(200, "GET", path+"&min_coverage=1", nil).body
	// By the minute a window from 08:28 on takes 13 min of 80 dB and 2 of 60: all lie in the survey.
	q = got["highest"].([]any)[0].(object)
	if q["from"] != "2026-09-01T06:28:00Z" || q["level"].(object)["level_db"] != 79.39 { // 10 lg((13·10^8 + 2·10^6)/15)
		t.Errorf("over both surveys %v; want 79.39 from 08:28 on", q)
	}
	q = s.must(200, "GET", path+"&to=2026-08-01T00:00:00Z", nil).body["highest"].([]any)[0].(object)
	if q["from"] != "2026-03-03T07:50:00Z" {
		t.Errorf("of the first survey %v", q)
	}
	hour = got["typical_day"].(object)["hours"].([]any)[8].(object)
	// Of 08-09 the survey in September measured 43 min: 30 of 60 dB, 13 of 80 dB, 10 lg((30·10^6 + 13·10^8)/43).
	if hour["days"] != 2. || hour["level"].(object)["basis"] != "mixed" || hour["highest_db"] != 74.9 || hour["lowest_db"] != 62.43 {
		t.Errorf("08-09 over both surveys = %v; want of 62.43 and 74.90", hour)
	}
	s.refused(422, "invalid", []string{"highest out_of_range"}, "GET", "/v1/positions/"+s.position+"/summary?highest=1h&moving_by=7m", nil)
}
