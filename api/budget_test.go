package api_test

import (
	"strings"
	"testing"
)

// TestCoarsestMeter gives figures of a position the meter line of the coarsest of its
// meters, in whatever order they measured: class 1 0.5 dB (memory of ISO 1996-2:2017),
// class 2 1.5 dB (house value). Of a meter without such a class nothing is known.
func TestCoarsestMeter(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	project := s.project()
	fine := s.meter
	coarse := s.create("/v1/instruments", with(aMeter, object{"serial_number": "M-2", "class": "2"}))
	other := s.create("/v1/instruments", with(aMeter, object{"serial_number": "M-3", "kind": "personal_sound_exposure_meter", "specification": "IEC 61252:1993", "class": nil}))
	for i, tt := range []struct {
		meters  []string
		value   float64
		missing bool
	}{
		{[]string{fine}, 0.5, false},
		{[]string{fine, coarse}, 1.5, false},
		{[]string{coarse, fine}, 1.5, false},
		{[]string{coarse, fine, other}, 0, true},
		{[]string{other, coarse, fine}, 0, true},
	} {
		position := s.create("/v1/projects/"+project+"/positions", object{"number": 201 + i, "label": "Fence"})
		for j, meter := range tt.meters {
			from := "2026-03-0" + string(rune('3'+i)) + "T1" + string(rune('0'+j)) + ":00:00+01:00"
			s.record("LAeq", 60, from, repeated(50, 60), object{"position_id": position, "instrument_id": meter})
		}
		var got object
		for _, p := range s.must(200, "GET", "/v1/surveys/"+s.survey+"/summary", nil).body["positions"].([]any) {
			if p := p.(object); p["position_id"] == position {
				got = p["uncertainty"].(object)
			}
		}
		value := 0.0
		for _, c := range got["contributions"].([]any) {
			if c := c.(object); c["name"] == "instrument" {
				value = c["value_db"].(float64)
			}
		}
		missing := false
		for _, name := range got["missing"].([]any) {
			missing = missing || name == "instrument"
		}
		if value != tt.value || missing != tt.missing {
			t.Errorf("%d meters: %v, missing %t; want %v, %t", len(tt.meters), value, missing, tt.value, tt.missing)
		}
	}
}

// TestPeriodNeedsItsHours holds the LAeq of a period to what a period's level needs:
// seven of eight hours are 0.875 of the night, yet the hour 06-07 may be the loudest.
func TestPeriodNeedsItsHours(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	id := s.night("LAeq", steady(44.5))
	limit := s.limit(object{"symbol": "LAeq", "period": "Lnight", "level_db": 45})
	s.shows("the whole night", s.assessed(limit, ""), "below", 44.5, "")
	s.create("/v1/series/"+id+"/exclusions", object{"from": "2026-03-04T06:00:00+01:00", "to": "2026-03-04T07:00:00+01:00", "reason": "invented"})
	got := s.assessed(limit, "")
	if why, _ := got["reason"].(string); got["outcome"] != "not_decided" || !strings.Contains(why, "hour 06-07 not represented") {
		t.Errorf("without the hour 06-07: %v, %v", got["outcome"], why)
	}
}
