package api_test

import (
	"math"
	"slices"
	"strings"
	"testing"
)

// TestSoundEvents marks events in an hour of which the levels are known.
func TestSoundEvents(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	path := "/v1/surveys/" + s.survey + "/sound-events"
	levels := repeated(50, 3600)
	for i := 600; i < 660; i++ {
		levels[i] = 70 // 07:10 to 07:11
	}
	for i := 1800; i < 1810; i++ {
		levels[i] = 80 // 07:30:00 to 07:30:10
	}
	id := s.record("LAeq", 1, "2026-03-03T07:00:00+01:00", levels, nil)
	mark := func(kind, from, to string) string {
		t.Helper()
		return s.create(path, object{"position_id": s.position, "kind": kind, "from": "2026-03-03T" + from + "+01:00", "to": "2026-03-03T" + to + "+01:00"})
	}
	first := mark("freight train", "07:10:00", "07:11:00")
	mark("freight train", "07:30:00", "07:30:10")
	mark("dog", "07:50:00", "07:50:30")
	lone := mark("thunder", "09:00:00", "09:00:30")
	get := func(query string) (events []object, sums map[string]object) {
		t.Helper()
		a := s.must(200, "GET", path+"/levels"+query, nil)
		for _, e := range a.body["events"].([]any) {
			events = append(events, e.(object))
		}
		sums = map[string]object{}
		for _, x := range a.body["sums"].([]any) {
			kind, _ := x.(object)["kind"].(string)
			sums[kind] = x.(object)
		}
		return events, sums
	}
	level := func(o any) any {
		f, _ := o.(object)
		return f["level_db"]
	}
	events, sums := get("?rating_s=3600")
	// LAE = LAeq + 10 lg(t/1 s) (US DOT handbook ch. 2): 70 + 17.78 and 80 + 10.
	for i, want := range []float64{87.78, 90} {
		if got := level(events[i]["levels"].(object)["LAE"]); got != want {
			t.Errorf("LAE of event %d = %v; want %v", i, got, want)
		}
	}
	if f := events[0]["levels"].(object)["LAeq"]; level(f) != 70. || events[0]["event_id"] != first {
		t.Errorf("LAeq of the first = %v; want 70", f)
	}
	if u := events[3]["unavailable"].([]any); len(u) != 1 || !strings.Contains(u[0].(object)["reason"].(string), "measured at that time") {
		t.Errorf("of an event after the end: %v", u)
	}
	sum := 10 * math.Log10(60*1e7+10*1e8)
	want := math.Round(100*(sum-10*math.Log10(3600))) / 100
	trains := sums["freight train"]
	if level(trains["laeq_t"]) != want || level(trains["lae"]) != math.Round(100*sum)/100 || trains["events"] != 2. || trains["counted"] != 2. || trains["reason"] != nil {
		t.Errorf("trains = %v; want LAeq,T %v", trains, want)
	}
	if got := sums["thunder"]; got["lae"] != nil || got["counted"] != 0. || got["reason"] == nil {
		t.Errorf("thunder = %v; want a reason", got)
	}
	// Without a rating time asked it is the span's: 7.2 ks.
	if _, sums := get("?from=2026-03-03T06:00:00Z&to=2026-03-03T08:00:00Z&kind=freight+train"); sums["freight train"]["rating_s"] != 7200. || len(sums) != 1 {
		t.Errorf("over two hours: %v", sums)
	}
	if events, _ := get("?from=2026-03-03T06:10:30Z"); len(events) != 3 {
		t.Errorf("%d events; want the first left out, of which only half lies in the span", len(events))
	}
	// All of an event must have been measured.
	s.create("/v1/series/"+id+"/exclusions", object{"from": "2026-03-03T07:10:59+01:00", "to": "2026-03-03T07:11:00+01:00", "reason": "invented"})
	events, sums = get("")
	u := events[0]["unavailable"].([]any)
	if !slices.ContainsFunc(u, func(x any) bool {
		return x.(object)["symbol"] == "LAE" && strings.Contains(x.(object)["reason"].(string), "needs coverage 1")
	}) {
		t.Errorf("with a second left out: %v", u)
	}
	if trains := sums["freight train"]; trains["lae"].(object)["bound"] != "lower" || trains["counted"] != 1. || trains["rating_s"] != nil {
		t.Errorf("with one unknown: %v; want a lower bound", trains)
	}
	mark("freight train", "07:30:05", "07:31:00")
	if _, sums := get(""); sums["freight train"]["lae"] != nil || !strings.Contains(sums["freight train"]["reason"].(string), "overlap") {
		t.Errorf("overlapping: %v", sums["freight train"])
	}

	// Readings of exposure levels at instants add up likewise.
	s.create("/v1/surveys/"+s.survey+"/series", object{
		"position_id": s.position, "instrument_id": s.meter, "channel": 2, "quantity": "LAE",
		"samples": []any{object{"at": "2026-03-03T10:00:00+01:00", "level_db": 80}, object{"at": "2026-03-03T10:20:00+01:00", "level_db": 83}},
	})
	_, sums = get("?from=2026-03-03T09:00:00Z&to=2026-03-03T10:00:00Z")
	want = math.Round(100*(10*math.Log10(1e8+math.Pow(10, 8.3))-10*math.Log10(3600))) / 100
	if got := sums[""]; level(got["laeq_t"]) != want || got["events"] != 2. || got["series_id"] == nil {
		t.Errorf("readings = %v; want %v", got, want)
	}

	s.refused(422, "invalid", []string{"/kind required", "/to out_of_order"}, "POST", path,
		object{"position_id": s.position, "kind": " ", "from": "2026-03-03T07:00:00Z", "to": "2026-03-03T07:00:00Z"})
	s.refused(422, "invalid", []string{"/position_id unknown_reference"}, "POST", path,
		object{"position_id": s.survey, "kind": "dog", "from": "2026-03-03T07:00:00Z", "to": "2026-03-03T07:00:01Z"})
	s.refused(422, "invalid", []string{"/to out_of_range"}, "POST", path,
		object{"position_id": s.position, "kind": "dog", "from": "2026-03-03T07:00:00Z", "to": "2026-03-04T07:00:01Z"})
	s.refused(400, "out_of_range", []string{"rating_s out_of_range"}, "GET", path+"/levels?rating_s=0", nil)
	s.must(204, "DELETE", "/v1/sound-events/"+lone, nil, "If-Match", `"v1"`)
	s.refused(409, "sound_event_removed", nil, "DELETE", "/v1/sound-events/"+lone, nil, "If-Match", `"v2"`)
	if v := s.must(200, "GET", "/v1/sound-events/"+lone+"/versions", nil).items(); len(v) != 2 || v[1]["removed"] != true {
		t.Errorf("versions = %v", v)
	}
	if got := s.must(200, "GET", path, nil).ids(); slices.Contains(got, lone) || len(got) != 4 {
		t.Errorf("listed: %v", got)
	}
	s.asRole("f", "field").must(200, "GET", path, nil)
	s.asRole("g", "field").refused(403, "forbidden", nil, "DELETE", "/v1/sound-events/"+first, nil, "If-Match", `"v1"`)
}

// TestPrimaryMeter gives a position no level where two meters measured at the same time,
// until one of them is named primary.
func TestPrimaryMeter(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	second := s.create("/v1/instruments", with(aMeter, object{"serial_number": "M-2"}))
	s.record("LAeq", 60, "2026-03-03T07:00:00+01:00", repeated(50, 60), nil)
	s.record("LAeq", 60, "2026-03-03T07:30:00+01:00", repeated(60, 60), object{"instrument_id": second})
	leq := func() (any, string) {
		t.Helper()
		p := s.positionFigures("")
		f, _ := p["levels"].(object)["LAeq"].(object)
		why := ""
		for _, u := range p["unavailable"].([]any) {
			if u := u.(object); u["symbol"] == "LAeq" {
				why = u["reason"].(string)
			}
		}
		return f["level_db"], why
	}
	if got, why := leq(); got != nil || !strings.Contains(why, "none is named primary") {
		t.Errorf("LAeq = %v, %q; want none", got, why)
	}
	position := "/v1/positions/" + s.position
	s.must(200, "PATCH", position, object{"primary_instrument_id": second}, "If-Match", `"v1"`)
	// Half an hour of 50 dB of the first alone, then an hour of 60 dB.
	if got, why := leq(); got != math.Round(100*10*math.Log10((30*1e5+60*1e6)/90))/100 {
		t.Errorf("LAeq = %v, %q with the second primary", got, why)
	}
	s.must(200, "PATCH", position, object{"primary_instrument_id": s.meter}, "If-Match", `"v2"`)
	if got, _ := leq(); got != math.Round(100*10*math.Log10((60*1e5+30*1e6)/90))/100 {
		t.Errorf("LAeq = %v with the first primary", got)
	}
	s.must(200, "PATCH", position, object{"primary_instrument_id": nil}, "If-Match", `"v3"`)
	if got, _ := leq(); got != nil {
		t.Errorf("LAeq = %v with none primary", got)
	}
	s.refused(422, "invalid", []string{"/primary_instrument_id unknown_reference"}, "PATCH", position, object{"primary_instrument_id": s.survey}, "If-Match", `"v4"`)
}

// TestResidualLimitsOfProject corrects by the differences that the project states.
func TestResidualLimitsOfProject(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.record("LAeq", 60, "2026-03-03T07:00:00+01:00", repeated(52, 60), nil)
	s.record("LAeq", 60, "2026-03-03T09:00:00+01:00", repeated(48, 60), object{"residual": true})
	residual := func() object { return s.positionFigures("")["residual"].([]any)[0].(object) }
	// 10 lg(10^5.2 − 10^4.8) = 49.80: total 52, residual 48.
	if got := residual(); got["outcome"] != "corrected" || got["corrected"].(object)["level_db"] != 49.8 || got["least_db"] != 3. {
		t.Errorf("by 3 and 10 dB: %v", got)
	}
	project := "/v1/projects/" + s.project()
	change := func(version string, least, enough float64) {
		t.Helper()
		s.must(200, "PATCH", project, object{"residual_limits": object{"least_db": least, "enough_db": enough, "source": "invented by-law"}}, "If-Match", version)
	}
	change(`"v1"`, 4, 10)
	if got := residual(); got["outcome"] != "not_allowed" || got["corrected"].(object)["bound"] != "upper" || got["source"] != "invented by-law" {
		t.Errorf("4 dB, not above 4: %v", got)
	}
	change(`"v2"`, 2, 4)
	if got := residual(); got["outcome"] != "not_needed" || got["enough_db"] != 4. {
		t.Errorf("4 dB, enough: %v", got)
	}
	s.refused(422, "invalid", []string{"/residual_limits/enough_db out_of_range", "/residual_limits/source required"}, "PATCH", project,
		object{"residual_limits": object{"least_db": 5, "enough_db": 5, "source": ""}}, "If-Match", `"v3"`)
	s.must(200, "PATCH", project, object{"residual_limits": nil}, "If-Match", `"v3"`)
	if got := residual(); got["outcome"] != "corrected" {
		t.Errorf("as before: %v", got)
	}
}
