package api_test

import (
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestRatingLevel rates an hour with a tone and an hour without in eight (ISO 1996-1
// manner); the tone is found in one-third octaves by the rule of the neighbouring bands.
func TestRatingLevel(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"ended_at": "2026-03-03T09:00:00+01:00"}, "If-Match", `"v1"`)
	s.record("LAeq", 60, "2026-03-03T07:00:00+01:00", append(repeated(50, 60), repeated(55, 60)...), nil)
	s.record("LAIeq", 60, "2026-03-03T07:00:00+01:00", append(repeated(57, 60), repeated(56, 60)...), nil)
	// In the first hour the band of 500 Hz lies 5.0 dB over both neighbours, at 5 dB it is a tone
	// (25-125 Hz 15 dB, 160-400 Hz 8 dB, 500 Hz-10 kHz 5 dB: memory of ISO 1996-2).
	for hz, l := range map[float64][2]float64{400: {40, 40}, 500: {45, 44.9}, 630: {40, 40}, 800: {38, 38}} {
		s.record("LZeq", 60, "2026-03-03T07:00:00+01:00", append(repeated(l[0], 60), repeated(l[1], 60)...), object{"band": object{"fraction": 3, "nominal_hz": hz}})
	}
	s.create("/v1/instruments/"+s.meter+"/certificates", with(aCertificate, object{"scope": []any{"filters"}, "item_serial_number": "M-1", "number": "N-3", "as_found": "pass"}))
	s.check("2026-03-03T06:30:00+01:00", 93.9)
	s.check("2026-03-03T09:10:00+01:00", 93.8)

	path := "/v1/surveys/" + s.survey + "/rating-level"
	first := object{"from": "2026-03-03T07:00:00+01:00", "to": "2026-03-03T08:00:00+01:00", "tone_rule": "iso_1996_2"}
	second := object{"from": "2026-03-03T08:00:00+01:00", "to": "2026-03-03T09:00:00+01:00", "tone_rule": "iso_1996_2", "adjustments": []any{
		object{"kind": "time_of_day", "adjustment_db": 5., "source": "invented by-law"},
	}}
	asked := object{"position_id": s.position, "rating_s": 28800., "parts": []any{first, second}}
	got := s.must(200, "POST", path, asked)
	// 10 lg((1·10^((50+6)/10) + 1·10^((55+5)/10))/8)
	want := math.Round(1000*math.Log10((math.Pow(10, 5.6)+math.Pow(10, 6))/8)) / 100
	if got.body["rating_level_db"] != want {
		t.Errorf("rating level = %v; want %v: %s", got.body["rating_level_db"], want, got.raw)
	}
	parts := got.body["parts"].([]any)
	one, two := parts[0].(object), parts[1].(object)
	if diff := cmp.Diff([]any{object{"nominal_hz": 500., "stands_out_db": 5., "least_db": 5.}}, one["tones"]); diff != "" {
		t.Errorf("tones (-want +got):\n%s", diff)
	}
	k := one["adjustments"].([]any)[0].(object)
	if k["kind"] != "tone" || k["adjustment_db"] != 6. || !strings.Contains(k["found"].(string), "500 Hz") || k["source"] == "" {
		t.Errorf("adjustment found = %v", k)
	}
	if len(two["tones"].([]any)) != 0 || two["adjustments"].([]any)[0].(object)["found"] != nil || two["level"].(object)["level_db"] != 55. {
		t.Errorf("second part = %v", two)
	}
	if diff := cmp.Diff([]any{400., 800.}, two["unjudged_hz"]); diff != "" {
		t.Errorf("unjudged (-want +got):\n%s", diff)
	}
	spectrum := one["spectrum"].(object)
	// A-weighting at 400, 500, 630 and 800 Hz: −4.8, −3.2, −1.9, −0.8 dB (IEC 61672-1, table of nominal weightings).
	var sum float64
	for i, a := range []float64{-4.8, -3.2, -1.9, -0.8} {
		b := spectrum["bands"].([]any)[i].(object)
		if d := b["a_weighted_db"].(float64) - b["level_db"].(float64); math.Abs(d-a) > 0.06 {
			t.Errorf("A-weighting at %v Hz = %.2f; want %v", b["nominal_hz"], d, a)
		}
		sum += math.Pow(10, (b["level_db"].(float64)+a)/10)
	}
	if o := spectrum["overall_a_db"].(float64); math.Abs(o-10*math.Log10(sum)) > 0.06 {
		t.Errorf("A-weighted sum = %v; want %.2f", o, 10*math.Log10(sum))
	}

	// LAIeq lies 7 dB over LAeq in the first hour, 1 dB in the second: more than 6 dB adds 3 (DL 9/2007, annex I).
	rated := func(first, second object) object {
		t.Helper()
		return s.must(200, "POST", path, with(asked, object{"parts": []any{first, second}})).body
	}
	impulses := object{"tone_rule": nil, "impulse_rule": "portugal"}
	body := rated(with(first, impulses), with(second, impulses))
	want = math.Round(1000*math.Log10((math.Pow(10, 5.3)+math.Pow(10, 6))/8)) / 100
	if body["rating_level_db"] != want {
		t.Errorf("with impulses = %v; want %v", body["rating_level_db"], want)
	}
	// A rule that cannot be applied gives no level.
	body = rated(with(first, object{"impulse_rule": "western_australia"}), second)
	if why, _ := body["parts"].([]any)[0].(object)["reason"].(string); body["rating_level_db"] != nil || !strings.Contains(why, "LApeak") {
		t.Errorf("without peaks: %v, %q; want none", body["rating_level_db"], why)
	}
	s.refused(422, "invalid", []string{"/parts/0/adjustments/1/kind duplicate"}, "POST", path, with(asked, object{"parts": []any{
		with(first, object{"adjustments": []any{object{"kind": "impulse", "adjustment_db": 3, "source": "x"}, object{"kind": "impulse", "adjustment_db": 3, "source": "x"}}}),
	}}))
	s.refused(422, "invalid", []string{"/parts/0/to out_of_order", "/parts/0/tone_rule not_allowed", "/parts/0/duration_s out_of_range", "/rating_s out_of_range"}, "POST", path,
		object{"position_id": s.position, "rating_s": 0, "parts": []any{object{"from": "2026-03-03T08:00:00Z", "to": "2026-03-03T07:00:00Z", "tone_rule": "by_ear"}}})
	// No time counts twice in the rating time, unless it is said how long each part stands for.
	again := with(second, object{"from": "2026-03-03T07:30:00+01:00", "tone_rule": nil})
	s.refused(422, "invalid", []string{"/parts/1/from duplicate"}, "POST", path, with(asked, object{"parts": []any{first, again}}))
	s.must(200, "POST", path, with(asked, object{"parts": []any{first, with(again, object{"duration_s": 3600})}}))
	s.refused(422, "invalid", []string{"/position_id unknown_reference"}, "POST", path, with(asked, object{"position_id": s.survey}))
	if !strings.Contains(string(got.raw), "law_decides") {
		t.Error("no caution beside a rating level")
	}
}

// TestRatingLevelAgainstLimits compares a rating level where it is made.
func TestRatingLevelAgainstLimits(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.night("LAeq", steady(44.5))
	elsewhere := s.create("/v1/projects/"+s.project()+"/positions", object{"number": 102, "label": "Fence"})
	limit := func(level float64, more object) string {
		return s.limit(with(object{"symbol": "LAr", "level_db": level}, more))
	}
	over, under := limit(46, nil), limit(48, object{"rounding": "up_1"})
	night, day := limit(47.5, object{"period": "Lnight"}), limit(47.5, object{"period": "Lday"})
	indoors, there := limit(30, object{"at": "indoors"}), limit(30, object{"position_id": elsewhere})
	asked := object{"position_id": s.position, "rating_s": 28800., "period": "Lnight", "parts": []any{object{
		"from": "2026-03-03T23:00:00+01:00", "to": "2026-03-04T07:00:00+01:00",
		"adjustments": []any{object{"kind": "tone", "adjustment_db": 3., "source": "invented by-law"}},
	}}}
	path := "/v1/surveys/" + s.survey + "/rating-level"
	found := map[string]object{}
	for _, a := range s.must(200, "POST", path, asked).body["assessments"].([]any) {
		found[a.(object)["limit_id"].(string)] = a.(object)
	}
	// 44.5 dB over all of the night and 3 dB for the tone.
	s.shows("above", found[over], "exceeded", 47.5, "")
	s.shows("rounded up to the limit", found[under], "below", 48., "")
	s.shows("at the night's", found[night], "below", 47.5, "")
	s.shows("elsewhere", found[indoors], "not_decided", nil, "façade correction")
	if len(found) != 4 || found[day] != nil || found[there] != nil {
		t.Errorf("%d comparisons; want those of the night and of any time, at the position", len(found))
	}
	// Φ((47.5 − 46)/0.5) = 0.9987, of the meter's class alone (JCGM 106:2012, 7.2).
	if found[over]["probability"] != 0.9987 || found[over]["uncertainty"] == nil {
		t.Errorf("probability = %v; want 0.9987", found[over]["probability"])
	}
	s.shows("in the comparison of figures", s.assessed(over, ""), "not_decided", nil, "rating-level")
	if got := s.must(200, "POST", path, with(asked, object{"period": nil})).body["assessments"].([]any); len(got) != 3 {
		t.Errorf("%d comparisons without a period; want 3", len(got))
	}
}

// TestRatingLevelOfBound: a rating level that rests on samples under range is an upper bound, and says so.
func TestRatingLevelOfBound(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	levels, flags := make([]any, 360), []any{}
	for i := range levels {
		if levels[i] = 40.; i%2 == 0 {
			levels[i], flags = nil, append(flags, object{"index": i, "flag": "under_range"})
		}
	}
	s.create("/v1/surveys/"+s.survey+"/series", object{
		"position_id": s.position, "instrument_id": s.meter, "quantity": "LAeq", "interval_s": 10, "started_at": "2026-03-03T07:00:00+01:00",
		"range": object{"from_db": 35}, "levels_db": levels, "flags": flags,
	})
	s.check("2026-03-03T06:30:00+01:00", 93.9)
	s.check("2026-03-03T09:10:00+01:00", 93.8)
	got := s.must(200, "POST", "/v1/surveys/"+s.survey+"/rating-level", object{"position_id": s.position, "rating_s": 3600., "parts": []any{
		object{"from": "2026-03-03T07:00:00+01:00", "to": "2026-03-03T08:00:00+01:00"},
	}}).body
	// 10 lg((10^4 + 10^3.5)/2)
	if got["rating_level_db"] != 38.18 || got["bound"] != "upper" {
		t.Errorf("rating level = %v, bound %v; want 38.18 as an upper bound", got["rating_level_db"], got["bound"])
	}
}
