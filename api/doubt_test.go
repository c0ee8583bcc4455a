package api_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// wandering returns levels around a middle, each of which keeps half of what the one before was off.
func wandering(seed uint64, n int, middle float64) []float64 {
	rng := rand.New(rand.NewPCG(seed, seed))
	x := 0.0
	levels := make([]float64, n)
	for i := range levels {
		x = x/2 + 3*rng.NormFloat64()
		levels[i] = math.Round(100*(middle+x)) / 100
	}
	return levels
}

// TestStepUncertainty gives steps their uncertainties where they are asked for, in the
// summary of a series and of a survey alike.
func TestStepUncertainty(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"ended_at": "2026-03-03T09:00:00+01:00"}, "If-Match", `"v1"`)
	id := s.record("LAF", 1, "2026-03-03T07:00:00+01:00", append(wandering(1, 3600, 50), wandering(2, 3600, 60)...), nil)
	path := "/v1/series/" + id + "/summary?step=1h&percentiles=90"
	plain := s.must(200, "GET", path, nil).body["steps"].([]any)
	asked := s.must(200, "GET", path+"&step_uncertainty=included", nil).body["steps"].([]any)
	of := s.must(200, "GET", "/v1/surveys/"+s.survey+"/summary?step=1h&percentiles=90&step_uncertainty=included", nil).body["series"].([]any)[0].(object)["steps"].([]any)
	if len(asked) != 2 || len(of) != 2 {
		t.Fatalf("%d and %d steps; want 2", len(asked), len(of))
	}
	for i := range asked {
		for _, symbol := range []string{"LAeq", "LAF90"} {
			none, f := plain[i].(object)["levels"].(object)[symbol].(object), asked[i].(object)["levels"].(object)[symbol].(object)
			if none["sampling"] != nil || none["representativity"] != nil || none["level_db"] != f["level_db"] {
				t.Errorf("unasked: %v", none)
			}
			for _, name := range []string{"sampling", "representativity"} {
				u, ok := f[name+"_uncertainty_db"].(float64)
				rests, _ := f[name].(object)
				// Of AR(1) with s = 3.5 dB about 0.1 dB of an hour.
				if !ok || u < 0.005 || u > 0.3 || rests["reason"] != nil || rests["k"].(float64) < 1.9 {
					t.Errorf("step %d: %s of %s = %v, %v", i, name, symbol, u, rests)
				}
			}
			if fmt.Sprint(of[i].(object)["levels"].(object)[symbol]) != fmt.Sprint(f) {
				t.Errorf("in the survey %v; want %v", of[i].(object)["levels"].(object)[symbol], f)
			}
		}
		if m := asked[i].(object)["levels"].(object)["LAFmax"].(object); m["representativity"] != nil {
			t.Errorf("a maximum: %v", m)
		}
	}
	few := s.must(200, "GET", "/v1/series/"+id+"/summary?step=15s&percentiles=none&step_uncertainty=included", nil).body["steps"].([]any)[0].(object)
	f := few["levels"].(object)["LAeq"].(object)
	if r, _ := f["representativity"].(object); f["representativity_uncertainty_db"] != nil || !strings.Contains(fmt.Sprint(r["reason"]), "effective sample size") {
		t.Errorf("15 s: %v; want a reason", f)
	}
	s.refused(400, "not_allowed", []string{"step_uncertainty not_allowed"}, "GET", path+"&step_uncertainty=some", nil)
}

// TestUncertaintyOfSeveralSeries: where two series make the level of a position together, it
// has an uncertainty of its own, in a survey and over two.
func TestUncertaintyOfSeveralSeries(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"ended_at": "2026-03-03T09:00:00+01:00"}, "If-Match", `"v1"`)
	s.record("LAeq", 60, "2026-03-03T07:00:00+01:00", wandering(3, 60, 50), nil)
	s.record("LAF", 1, "2026-03-03T08:00:00+01:00", wandering(4, 3600, 50), nil)
	f := s.positionFigures("")["levels"].(object)["LAeq"].(object)
	both := func(what string, f object) {
		t.Helper()
		for _, name := range []string{"sampling", "representativity"} {
			if u, ok := f[name+"_uncertainty_db"].(float64); !ok || u < 0.005 || u > 1 {
				t.Errorf("%s: %s of %v", what, name, f)
			}
		}
	}
	if f["basis"] != "mixed" {
		t.Errorf("basis of %v", f)
	}
	both("a mixed level", f)
	if f := s.positionFigures("?uncertainty=omitted")["levels"].(object)["LAeq"].(object); f["sampling"] != nil || f["representativity"] != nil {
		t.Errorf("omitted: %v", f)
	}
	at := s
	at.survey = s.create("/v1/projects/"+s.project()+"/surveys", object{
		"kind": "environmental", "started_at": "2026-05-05T08:00:00+02:00", "ended_at": "2026-05-05T09:00:00+02:00",
	})
	at.record("LAF", 1, "2026-05-05T08:00:00+02:00", wandering(5, 3600, 50), nil)
	over := s.must(200, "GET", "/v1/positions/"+s.position+"/summary?uncertainty=included", nil).body["levels"].(object)
	both("LAeq over surveys", over["LAeq"].(object))
	both("LAF90 over surveys", over["LAF90"].(object))
}

// TestUncertaintyInPeriod: a level over a period of its own is compared with what its samples
// tell of its uncertainty.
func TestUncertaintyInPeriod(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"ended_at": "2026-03-04T01:00:00+01:00"}, "If-Match", `"v1"`)
	s.record("LAF", 1, "2026-03-03T22:00:00+01:00", append(repeated(60, 3600), wandering(6, 7200, 50)...), nil)
	s.check("2026-03-03T21:30:00+01:00", 93.9)
	s.check("2026-03-04T01:10:00+01:00", 93.8)
	got := s.assessed(s.limit(object{"symbol": "LAF90", "level_db": 60, "period": "Lnight"}), "?from=2026-03-03T22:00:00%2B01:00&to=2026-03-04T01:00:00%2B01:00")
	f, _ := got["level"].(object)
	if u, ok := f["representativity_uncertainty_db"].(float64); !ok || u < 0.01 || u > 0.5 {
		t.Fatalf("LAF90 of the night: %v, %v", got["level"], got["reason"])
	}
	names := ""
	for _, line := range got["uncertainty"].(object)["contributions"].([]any) {
		names += line.(object)["name"].(string) + " "
	}
	if !strings.Contains(names, "representativity") || !strings.Contains(names, "instrument") {
		t.Errorf("its budget names %s", names)
	}
}
