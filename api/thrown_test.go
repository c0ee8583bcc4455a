package api_test

import (
	"strconv"
	"testing"
)

// TestFoundByThrowing asks again what made the service fail when requests were thrown at it.
func TestFoundByThrowing(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	project := s.must(200, "GET", "/v1/surveys/"+s.survey, nil).body["project_id"].(string)
	series := s.measure("LAeq")

	// A position at which no survey of the project measured.
	empty := s.create("/v1/projects/"+project+"/positions", object{"number": 102, "label": "Yard"})
	answered(t, object{"surveys": []any{}, "levels": object{}}, s.must(200, "GET", "/v1/positions/"+empty+"/summary", nil))

	// A sound event in a survey without series.
	bare := s.create("/v1/projects/"+project+"/surveys", object{"kind": "environmental", "started_at": "2026-03-04T07:00:00+01:00"})
	s.create("/v1/surveys/"+bare+"/sound-events", object{
		"position_id": s.position, "kind": "train", "from": "2026-03-04T07:10:00+01:00", "to": "2026-03-04T07:11:00+01:00",
	})
	events, _ := s.must(200, "GET", "/v1/surveys/"+bare+"/sound-events/levels", nil).body["events"].([]any)
	if len(events) != 1 || len(events[0].(object)["levels"].(object)) != 0 || len(events[0].(object)["unavailable"].([]any)) == 0 {
		t.Errorf("events = %v; want one whose levels are unavailable", events)
	}

	// Steps that all lie days before the first sample.
	steps, _ := s.must(200, "GET", "/v1/series/"+series+"/samples?from=2026-01-01T00:00:00Z&limit=24&step=1d", nil).body["steps"].([]any)
	if len(steps) != 24 {
		t.Errorf("%d steps; want 24", len(steps))
	}

	// Readings by hand in two series of one position, which have no interval.
	byHand := s.create("/v1/projects/"+project+"/surveys", aSurvey)
	for hour, level := range map[string]int{"07": 50, "08": 60} {
		readings := []object{}
		for i := range 9 {
			readings = append(readings, object{"at": "2026-03-03T" + hour + ":0" + strconv.Itoa(i) + ":00+01:00", "level_db": level + i})
		}
		s.create("/v1/surveys/"+byHand+"/series", object{"position_id": s.position, "instrument_id": s.meter, "quantity": "LAS", "samples": readings})
	}
	figures := s.must(200, "GET", "/v1/surveys/"+byHand+"/summary?percentiles=50&uncertainty=included", nil).body["positions"].([]any)[0].(object)["levels"].(object)
	if l, ok := figures["LAS50"].(object); !ok || l["level_db"] != 58. || l["representativity_uncertainty_db"] != nil {
		t.Errorf("figures of readings by hand = %v; want LAS50 of 58, the tenth of 18 from the highest, without uncertainty", figures)
	}
}
