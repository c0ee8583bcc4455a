package api_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestBackgroundLevel chooses a statistic of LAF90,15min, shows what it was chosen from,
// and lets a limit rest on it.
func TestBackgroundLevel(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"ended_at": "2026-03-03T09:00:00+01:00"}, "If-Match", `"v1"`)
	var levels []float64
	for _, l := range []float64{40, 41, 41, 45, 44, 41, 47, 48} {
		levels = append(levels, repeated(l, 90)...)
	}
	s.record("LAF", 10, "2026-03-03T07:00:00+01:00", levels, nil)
	s.check("2026-03-03T06:30:00+01:00", 93.9)
	s.check("2026-03-03T09:10:00+01:00", 93.8)
	path := "/v1/surveys/" + s.survey + "/background"
	one := func(query string) object {
		t.Helper()
		return s.must(200, "GET", path+query, nil).body["positions"].([]any)[0].(object)
	}
	got := one("")
	if f := got["level"].(object); f["level_db"] != 41. || f["basis"] != "sampled" || got["stretches"] != 8. {
		t.Errorf("median = %v; want 41 of 8", got)
	}
	want := []any{}
	for _, d := range [][2]float64{{40, 1}, {41, 3}, {44, 1}, {45, 1}, {47, 1}, {48, 1}} {
		want = append(want, object{"level_db": d[0], "stretches": d[1]})
	}
	if diff := cmp.Diff(want, got["distribution"]); diff != "" {
		t.Errorf("distribution (-want +got):\n%s", diff)
	}
	if f := one("?symbol=LAF90,30min+lowest")["level"].(object); f["level_db"] != 40. {
		t.Errorf("lowest of half hours = %v; want 40", f)
	}
	if r := one("?period=Lnight")["reason"].(string); !strings.HasPrefix(r, "0 stretches") {
		t.Errorf("of the night: %q", r)
	}
	if r := one("?symbol=LAS90,15min+mode")["reason"].(string); !strings.Contains(r, "no series") {
		t.Errorf("Slow: %q", r)
	}
	s.refused(400, "not_allowed", []string{"symbol not_allowed"}, "GET", path+"?symbol=LAF90", nil)

	// LAeq of the two hours is 44.25 dB, so 41 + 3 is exceeded and 41 + 4 is not.
	limit := func(above float64, more object) string {
		return s.limit(with(object{"symbol": "LAeq", "level_db": above, "relative_to": "LAF90,15min median"}, more))
	}
	over, under := s.assessed(limit(3, nil), ""), s.assessed(limit(4, nil), "")
	if over["outcome"] != "exceeded" || over["limit_db"] != 44. || under["outcome"] != "below" || under["limit_db"] != 45. {
		t.Errorf("41 + 3: %v of %v; 41 + 4: %v of %v", over["outcome"], over["limit_db"], under["outcome"], under["limit_db"])
	}
	if got := s.assessed(limit(3, object{"period": "Lnight"}), ""); got["outcome"] != "not_decided" {
		t.Errorf("of the night: %v", got)
	}
	s.refused(422, "invalid", []string{"/relative_to not_allowed", "/symbol not_allowed"}, "POST", "/v1/projects/"+s.project()+"/limits",
		with(aLimit, object{"symbol": "LAeq 1/2 125 Hz", "relative_to": "LAF90,15min best"}))
}

// TestLimitOfBand compares the level of a one-third-octave band.
func TestLimitOfBand(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.night("LZeq", steady(70))
	for hz, level := range map[float64]float64{125: 50, 160: 40} {
		levels := repeated(level, 600)
		for i := range 60 {
			levels[i] = level - 10 // of the evening
		}
		s.record("LZeq", 60, "2026-03-03T22:00:00+01:00", levels, object{"band": object{"fraction": 3, "nominal_hz": hz}})
	}
	band := s.limit(object{"symbol": "LZeq 1/3 125 Hz", "level_db": 49.5})
	// No certificate covers the filters: the broadband level stands, that of the band does not.
	s.shows("without a certificate of filters", s.assessed(band, ""), "indicates_exceedance", 49.59, "not usable")
	s.create("/v1/instruments/"+s.meter+"/certificates", with(aCertificate, object{"scope": []any{"filters"}, "item_serial_number": "M-1", "number": "N-3", "as_found": "pass"}))
	// Nine hours of 50 dB and one of 40 dB: 10 lg((9·10^5 + 10^4)/10) = 49.59.
	s.shows("the band", s.assessed(band, ""), "exceeded", 49.59, "")
	s.shows("another band", s.assessed(s.limit(object{"symbol": "LZeq 1/3 160 Hz", "level_db": 49.5}), ""), "below", 39.59, "")
	s.shows("of the night", s.assessed(s.limit(object{"symbol": "LZeq 1/3 125 Hz", "level_db": 49.9, "period": "Lnight"}), ""), "exceeded", 50., "")
	s.shows("not measured", s.assessed(s.limit(object{"symbol": "LZeq 1/3 200 Hz", "level_db": 49.5}), ""), "not_decided", nil, "in the band 1/3 200 Hz")
	s.shows("above another band", s.assessed(s.limit(object{"symbol": "LZeq 1/3 125 Hz", "level_db": 9, "relative_to": "LZeq 1/3 160 Hz"}), ""), "exceeded", 49.59, "")
	s.shows("less the whole", s.assessed(s.limit(object{"symbol": "LZeq", "level_db": 60}), ""), "exceeded", 70., "")
	s.refused(422, "invalid", []string{"/symbol not_allowed"}, "POST", "/v1/projects/"+s.project()+"/limits",
		with(aLimit, object{"symbol": "LZFmax 1/3 125 Hz", "nth": 3}))
}
