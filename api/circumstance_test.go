package api_test

import (
	"slices"
	"testing"
)

// The thresholds are the house values of the profile environmental.

// restless returns n levels of which no two in a row are equal, from 50 to 66 dB.
func restless(n int) []any {
	levels := make([]any, n)
	for i := range levels {
		levels[i] = 50. + float64(i*7%17) + float64(i%10)/10
	}
	return levels
}

// post stores a series of the meter at the site, sampled every second from 07:00 on, with the measuring range 30 to 90 dB.
func (s site) post(channel int, members object, levels ...any) string {
	s.t.Helper()
	return s.create("/v1/surveys/"+s.survey+"/series", with(object{
		"position_id": s.position, "instrument_id": s.meter, "channel": channel, "quantity": "LAF", "interval_s": 1,
		"started_at": "2026-03-03T07:00:00+01:00", "levels_db": levels, "range": object{"from_db": 30, "to_db": 90},
	}, members))
}

// What stands out in samples is remarked however they came.
func TestFindingsOfPostedSamples(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	for channel := 1; channel <= 6; channel++ {
		for _, at := range []string{"2026-03-03T06:30:00+01:00", "2026-03-03T08:10:00+01:00"} {
			s.create("/v1/instruments/"+s.meter+"/field-checks", with(check(s.meter, s.calibrator, at, 93.9), object{"channel": channel}))
		}
	}
	remarks := func(series string, v answer) (found []string) {
		for _, f := range v.body["findings"].([]any) {
			if f := f.(object); f["series_id"] == series && f["severity"] == "remark" {
				found = append(found, f["rule"].(string))
			}
		}
		return found
	}
	expect := func(series string, want ...string) {
		t.Helper()
		if got := remarks(series, s.verdict()); !slices.Equal(got, want) {
			t.Errorf("remarks = %q; want %q", got, want)
		}
	}
	good := s.post(1, nil, restless(1200)...)
	expect(good)

	piled := restless(1200)
	for i := 0; i < len(piled); i += 40 {
		piled[i] = 90.
	}
	expect(s.post(2, nil, piled...), "samples_at_limit")

	// Two in three lie within 3 dB of the lower end of the range, 30 dB.
	quiet := restless(1200)
	for i := range quiet {
		if i%3 > 0 {
			quiet[i] = 31. + float64(i%10)/10
		}
	}
	expect(s.post(3, nil, quiet...), "samples_near_floor")

	flagged := restless(1200)
	flagged[7], flagged[9] = nil, nil
	expect(s.post(4, object{"flags": []any{object{"index": 7, "flag": "over_range"}, object{"index": 9, "flag": "under_range"}}}, flagged...),
		"samples_over_range", "samples_under_range")

	// The meter stands still over the end of one append and the beginning of the next.
	still := restless(600)
	for i := 540; i < 600; i++ {
		still[i] = 61.5
	}
	stuck := s.post(5, nil, still[:570]...)
	before := s.verdict()
	expect(stuck)
	s.must(200, "POST", "/v1/series/"+stuck+"/samples", object{"started_at": "2026-03-03T07:09:30+01:00", "levels_db": still[570:]})
	expect(stuck, "samples_constant")
	s.unchanged(before)

	// As many samples as are worth keeping, then more, then some before the first.
	long := s.post(6, object{"started_at": "2026-03-03T07:05:00+01:00"}, restless(5000)...)
	for range 2 {
		expect(long)
	}
	was := s.verdict()
	s.must(200, "POST", "/v1/series/"+long+"/samples", object{"started_at": "2026-03-03T08:28:20+01:00", "levels_db": slices.Repeat([]any{70.}, 70)})
	expect(long, "samples_constant")
	s.must(200, "POST", "/v1/series/"+long+"/samples", object{"started_at": "2026-03-03T07:00:00+01:00", "levels_db": slices.Repeat([]any{30.}, 100)})
	expect(long, "samples_at_limit", "samples_constant")
	s.unchanged(was)
}

// Half of the survey's time was measured; what is excluded is not measured.
func TestFindingOfLowCoverage(t *testing.T) {
	t.Parallel()
	s, series := checked(t)
	answered(t, object{"outcome": "valid"}, s.verdict()) // it runs: no time is asked yet
	path := "/v1/surveys/" + s.survey
	s.must(200, "PATCH", path, object{"ended_at": "2026-03-03T09:00:00+01:00"}, "If-Match", `"v1"`)
	half := s.verdict()
	f := finding(half, "coverage_low")
	if f == nil || f["severity"] != "remark" || f["series_id"] != series || f["detail"] != "Only 50 % of the time asked for was measured." {
		t.Fatalf("findings = %v; want coverage_low, a remark with 50 %%", half.body["findings"])
	}
	answered(t, object{"outcome": "valid_with_remarks"}, half)
	s.must(200, "PATCH", path, object{"ended_at": "2026-03-03T08:15:00+01:00"}, "If-Match", `"v2"`) // 60 of 75 min
	answered(t, object{"outcome": "valid"}, s.verdict())
	s.create("/v1/series/"+series+"/exclusions", object{"from": "2026-03-03T07:50:00+01:00", "to": "2026-03-03T08:00:00+01:00", "reason": "rain"}) // 50 of 75 min
	if f := finding(s.verdict(), "coverage_low"); f == nil {
		t.Errorf("findings = %q; want coverage_low", rules(s.verdict()))
	}
	s.unchanged(half)
	// What goes on in another series of the same quantity, at the same position, counts with it.
	s.create("/v1/surveys/"+s.survey+"/series", object{
		"position_id": s.position, "instrument_id": s.meter, "quantity": "LAF", "interval_s": 1, "started_at": "2026-03-03T08:00:00+01:00", "levels_db": restless(600),
	})
	if f := finding(s.verdict(), "coverage_low"); f != nil {
		t.Errorf("findings = %q; want none of coverage", rules(s.verdict()))
	}
}

// More than 5 m/s of wind or any rain is beyond the limits: common practice, no source.
func TestFindingOfWeather(t *testing.T) {
	t.Parallel()
	s, series := checked(t)
	channel := 1
	wind := func(position string, from string, speeds ...any) {
		channel++
		s.create("/v1/surveys/"+s.survey+"/series", object{
			"position_id": position, "instrument_id": s.meter, "channel": channel, "quantity": "wind_speed", "interval_s": 60, "started_at": from, "levels_db": speeds,
		})
	}
	elsewhere := s.create("/v1/projects/"+s.project()+"/positions", object{"number": 102, "label": "Hill"})
	wind(elsewhere, "2026-03-03T06:00:00+01:00", 9., 5., 5.) // before the series began
	answered(t, object{"outcome": "valid"}, s.verdict())
	wind(elsewhere, "2026-03-03T07:10:00+01:00", 5., 5.01, 7.5, 4., 4., 6., 5.)
	v := s.verdict()
	f := finding(v, "weather_outside_limits")
	if f == nil || f["severity"] != "remark" || f["series_id"] != series || f["from"] != "2026-03-03T06:11:00Z" || f["to"] != "2026-03-03T06:16:00Z" {
		t.Fatalf("findings = %v; want weather_outside_limits from 07:11 to 07:16", v.body["findings"])
	}
	want := "From 2026-03-03 07:11:00 to 2026-03-03 07:16:00, in 2 spans of 3m0s together: wind speed up to 7.5 m/s, the limit is 5 m/s (common practice, no source)."
	if f["detail"] != want {
		t.Errorf("detail = %q; want %q", f["detail"], want)
	}
	answered(t, object{"outcome": "valid_with_remarks"}, v)
	// A mast at the position itself is asked instead.
	wind(s.position, "2026-03-03T07:10:00+01:00", 5., 5., 5., 4., 4., 4., 5.)
	answered(t, object{"outcome": "valid"}, s.verdict())
	s.unchanged(v)
}
