package api_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/uncertainty"
)

// record stores levels at the site's position from an instant on and returns the id of the series.
func (s site) record(quantity string, intervalS float64, from string, levels []float64, more object) string {
	s.t.Helper()
	return s.create("/v1/surveys/"+s.survey+"/series", with(object{
		"position_id": s.position, "instrument_id": s.meter, "quantity": quantity, "interval_s": intervalS, "started_at": from, "levels_db": levels,
	}, more))
}

func repeated(level float64, n int) []float64 {
	levels := make([]float64, n)
	for i := range levels {
		levels[i] = level
	}
	return levels
}

// positionFigures returns the figures of the site's position.
func (s site) positionFigures(query string) object {
	s.t.Helper()
	return s.must(200, "GET", "/v1/surveys/"+s.survey+"/summary"+query, nil).body["positions"].([]any)[0].(object)
}

// TestUncertaintyInSummary compares both parts with what the samples give directly. Levels
// go like AR(1) with a correlation time of 10 s and a spread of 5 dB: by ten times 15 min
// the sampling part is near 0.01 dB and the other near 0.25 dB.
func TestUncertaintyInSummary(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	rng := rand.New(rand.NewPCG(11, 11))
	phi := math.Exp(-0.1)
	levels := make([]float64, 9000)
	run := series.Run{Start: time.Date(2026, 3, 3, 6, 0, 0, 0, time.UTC)}
	x := 5 * rng.NormFloat64()
	for i := range levels {
		levels[i] = math.Round(100*(55+x)) / 100
		run.Levels = append(run.Levels, acoustic.Level(math.Round(100*levels[i])))
		x = phi*x + 5*math.Sqrt(1-phi*phi)*rng.NormFloat64()
	}
	id := s.record("LAF", 1, "2026-03-03T07:00:00+01:00", levels, nil)
	path := "/v1/series/" + id + "/summary"
	got := s.must(200, "GET", path, nil).body["levels"].(object)

	stream := uncertainty.NewStream(time.Second, true)
	stream.Add(run)
	same := func(what string, f object, part string, e uncertainty.Estimate, reason string) {
		t.Helper()
		u, _ := f[part+"_uncertainty_db"].(float64)
		about, _ := f[part].(object)
		if reason != "" || about == nil || math.Abs(u-float64(e.Standard)) > 6e-4 || u <= 0 || math.Abs(about["effective_size"].(float64)-e.Effective) > 0.06 {
			t.Errorf("%s, %s: %v ± %v; want %+v %s", what, part, u, about, e, reason)
		}
	}
	leq := got["LAeq"].(object)
	e, why := stream.SamplingOfMean()
	same("LAeq", leq, "sampling", e, why)
	e, why = stream.OfMean()
	same("LAeq", leq, "representativity", e, why)
	if r := leq["representativity_uncertainty_db"].(float64); r < 0.1 || r > 0.5 {
		t.Errorf("representativity = %v; want about 0.25", r)
	}
	e, why = stream.OfExceedance(90_000)
	same("LAF90", got["LAF90"].(object), "representativity", e, why)
	if _, ok := got["LAFmax"].(object)["sampling"]; ok {
		t.Error("a maximum has an uncertainty from samples")
	}
	// The position has the figures of its one series.
	if f := s.positionFigures("")["levels"].(object)["LAeq"].(object); f["sampling_uncertainty_db"] != leq["sampling_uncertainty_db"] {
		t.Errorf("LAeq of the position: %v; want the uncertainties of %v", f, leq)
	}
	none := s.must(200, "GET", path+"?uncertainty=omitted", nil).body["levels"].(object)["LAeq"].(object)
	if none["sampling"] != nil || none["level_db"] != leq["level_db"] {
		t.Errorf("omitted: %v", none)
	}
	short := s.must(200, "GET", path+"?to=2026-03-03T06:00:30Z", nil).body["levels"].(object)["LAeq"].(object)
	if short["representativity_uncertainty_db"] != nil || !strings.Contains(short["representativity"].(object)["reason"].(string), "effective sample size") {
		t.Errorf("30 s: %v; want a reason", short)
	}
	// A year lets them out unless they are asked for.
	long := path + "?from=2026-01-01T00:00:00Z&to=2027-01-01T00:00:00Z"
	if f := s.must(200, "GET", long, nil).body["levels"].(object)["LAeq"].(object); f["sampling"] != nil {
		t.Errorf("a year unasked: %v", f)
	}
	if f := s.must(200, "GET", long+"&uncertainty=included", nil).body["levels"].(object)["LAeq"].(object); f["sampling"] == nil {
		t.Errorf("a year asked: %v", f)
	}
	s.refused(400, "not_allowed", []string{"uncertainty not_allowed"}, "GET", path+"?uncertainty=some", nil)
	first, again := s.must(200, "GET", path, nil), s.must(200, "GET", path, nil)
	if string(first.raw) != string(again.raw) {
		t.Error("the same inputs give different bytes")
	}
}

// TestHighest finds the worst clock hour, and the highest quarter hour that lies across two.
func TestHighest(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	levels := repeated(50, 240) // minutes
	for i := 80; i < 95; i++ {
		levels[i] = 70 // 08:20 to 08:35
	}
	id := s.record("LAeq", 60, "2026-03-03T07:00:00+01:00", levels, nil)
	path := "/v1/series/" + id + "/summary"
	highest := func(query string) object {
		t.Helper()
		return s.must(200, "GET", path+query, nil).body["highest"].([]any)[0].(object)
	}
	hour := highest("?highest=1h")
	// 10 lg((15·10^7 + 45·10^5)/60)
	if hour["from"] != "2026-03-03T07:00:00Z" || hour["to"] != "2026-03-03T08:00:00Z" || hour["level"].(object)["level_db"] != 64.11 || hour["symbol"] != "LAeq" || hour["coverage"] != 1. {
		t.Errorf("worst hour = %v; want 64.11 from 08 on", hour)
	}
	running := highest("?highest=15m&moving_by=1m")
	if running["from"] != "2026-03-03T07:20:00Z" || running["level"].(object)["level_db"] != 70. || running["moving_by_s"] != 60. {
		t.Errorf("highest 15 min = %v; want 70 dB from 08:20 on", running)
	}
	// By the quarters of the clock 10 of its minutes: 10 lg((10·10^7 + 5·10^5)/15).
	if q := highest("?highest=15m"); q["level"].(object)["level_db"] != 68.26 {
		t.Errorf("highest quarter of the clock = %v; want 68.26", q)
	}
	if d := highest("?highest=1d"); d["level"] != nil || d["reason"] == "" {
		t.Errorf("highest day of four hours = %v; want a reason", d)
	}
	if both := s.must(200, "GET", path+"?highest=15m,1h", nil).body["highest"].([]any); len(both) != 2 {
		t.Errorf("two lengths give %d", len(both))
	}
	s.refused(400, "type", []string{"highest type"}, "GET", path+"?highest=long", nil)
	s.refused(422, "invalid", []string{"highest out_of_range"}, "GET", path+"?highest=1h&moving_by=7m", nil)
}

// TestTypicalDay means each clock hour over two days.
func TestTypicalDay(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"ended_at": "2026-03-05T07:00:00+01:00"}, "If-Match", `"v1"`)
	levels := append(repeated(50, 96), repeated(60, 96)...)
	id := s.record("LAeq", 900, "2026-03-03T07:00:00+01:00", levels, nil)
	got := s.must(200, "GET", "/v1/series/"+id+"/summary?typical_day=included", nil).body["typical_day"].(object)
	hours := got["hours"].([]any)
	if len(hours) != 24 {
		t.Fatalf("%d hours; want 24: %v", len(hours), got)
	}
	for i, h := range hours {
		h := h.(object)
		// 10 lg((10^5 + 10^6)/2); the standard deviation of 50 and 60 is 10/√2.
		if h["hour"] != float64(i) || h["days"] != 2. || h["level"].(object)["level_db"] != 57.4 || h["lowest_db"] != 50. || h["highest_db"] != 60. || h["spread_db"] != 7.07 {
			t.Errorf("hour %d = %v", i, h)
		}
	}
	spot := s.create("/v1/surveys/"+s.survey+"/series", object{
		"position_id": s.position, "instrument_id": s.meter, "quantity": "LAS", "samples": []any{object{"at": "2026-03-03T07:00:00+01:00", "level_db": 50}},
	})
	if none := s.must(200, "GET", "/v1/series/"+spot+"/summary?typical_day=included", nil).body["typical_day"].(object); len(none["hours"].([]any)) != 0 || none["reason"] == nil {
		t.Errorf("of spot readings: %v; want a reason", none)
	}
}

// TestResidualSound corrects by a span that is marked, then by a series. 52 dB with 48 dB
// residual give 49.8 (ISO 1996-2 manner, house example); from 10 dB on nothing is taken
// off, at 3 dB or less the total is an upper bound.
func TestResidualSound(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		residual  float64
		outcome   string
		corrected float64
		bound     any
		below51   string // compared with a limit of 51 dB
		reason    string
	}{
		{48, "corrected", 49.8, nil, "below", ""},
		{42, "not_needed", 52, nil, "exceeded", ""},
		{49, "not_allowed", 52, "upper", "not_decided", "an upper bound cannot show that the limit is exceeded"},
	} {
		for _, marked := range []string{"span", "series"} {
			t.Run(fmt.Sprint(tt.outcome, " ", marked), func(t *testing.T) {
				t.Parallel()
				s := newSite(t)
				s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"ended_at": "2026-03-03T09:00:00+01:00"}, "If-Match", `"v1"`)
				if marked == "span" {
					id := s.record("LAeq", 60, "2026-03-03T07:00:00+01:00", append(repeated(52, 100), repeated(tt.residual, 20)...), nil)
					s.create("/v1/series/"+id+"/exclusions", object{"from": "2026-03-03T08:40:00+01:00", "to": "2026-03-03T09:00:00+01:00", "reason": "fan off", "residual": true})
				} else {
					s.record("LAeq", 60, "2026-03-03T07:00:00+01:00", repeated(52, 100), nil)
					s.record("LAeq", 60, "2026-03-03T08:40:00+01:00", repeated(tt.residual, 20), object{"residual": true})
				}
				s.check("2026-03-03T06:30:00+01:00", 93.9)
				s.check("2026-03-03T09:10:00+01:00", 93.8)
				s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"uncertainty": []any{
					object{"name": "residual", "value_db": 1, "source": "invented"}, object{"name": "weather", "value_db": 0.4, "source": "invented"},
				}}, "If-Match", `"v2"`)
				p := s.positionFigures("")
				if l := p["levels"].(object)["LAeq"].(object)["level_db"]; l != 52. {
					t.Errorf("total = %v; want 52, without what was measured with the fan off", l)
				}
				got := p["residual"].([]any)[0].(object)
				c := got["corrected"].(object)
				if got["outcome"] != tt.outcome || c["level_db"] != tt.corrected || c["bound"] != tt.bound ||
					got["residual"].(object)["level_db"] != tt.residual || got["difference_db"] != 52-tt.residual {
					t.Errorf("residual = %v; want %s, %v", got, tt.outcome, tt.corrected)
				}
				// c = 1/(1−q), c′ = −q/(1−q), q = 10^(−0.4): u² = (c·0.5)² + (c·0.4)² + (c′·1)² (GUM 5.1.2).
				if tt.outcome == "corrected" {
					q := math.Pow(10, -0.4)
					want := math.Sqrt((0.25+0.16)+q*q) / (1 - q)
					if u := got["uncertainty"].(object)["standard_db"].(float64); math.Abs(u-want) > 0.006 {
						t.Errorf("uncertainty = %v; want %.3f", u, want)
					}
				}
				compared := s.assessed(s.limit(object{"symbol": "LAeq", "level_db": 51}), "")
				s.shows("corrected level", compared, tt.below51, tt.corrected, tt.reason)
				if compared["residual"].(object)["outcome"] != tt.outcome {
					t.Errorf("residual in the comparison = %v", compared["residual"])
				}
			})
		}
	}
}

// TestDifferenceOfWeightings gives LCeq − LAeq over the time that both were measured.
func TestDifferenceOfWeightings(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"ended_at": "2026-03-03T10:00:00+01:00"}, "If-Match", `"v1"`)
	s.record("LAeq", 60, "2026-03-03T07:00:00+01:00", append(repeated(50, 60), repeated(60, 60)...), nil)
	if f := s.positionFigures("")["levels"].(object)["LCeq-LAeq"]; f != nil {
		t.Errorf("without C: %v", f)
	}
	s.record("LCeq", 60, "2026-03-03T08:00:00+01:00", repeated(71.5, 60), nil)
	got := s.positionFigures("")["levels"].(object)["LCeq-LAeq"].(object)
	if got["level_db"] != 11.5 || got["basis"] != "integrated" {
		t.Errorf("LCeq − LAeq = %v; want 11.5 of the common hour", got)
	}
	apart := newSite(t)
	apart.record("LAeq", 60, "2026-03-03T07:00:00+01:00", repeated(50, 60), nil)
	apart.record("LCeq", 60, "2026-03-03T09:00:00+01:00", repeated(60, 60), nil)
	p := apart.positionFigures("")
	if !strings.Contains(fmt.Sprint(p["unavailable"]), "the two were not measured over the same time") {
		t.Errorf("unavailable = %v", p["unavailable"])
	}
}

// TestBandsApart leaves bands out of the broadband figures of a position.
func TestBandsApart(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"ended_at": "2026-03-03T08:00:00+01:00"}, "If-Match", `"v1"`)
	s.record("LZeq", 60, "2026-03-03T07:00:00+01:00", repeated(70, 60), nil)
	s.record("LZeq", 60, "2026-03-03T07:00:00+01:00", repeated(50, 60), object{"band": object{"fraction": 3, "nominal_hz": 125}})
	if f := s.positionFigures("")["levels"].(object)["LZeq"].(object); f["level_db"] != 70. {
		t.Errorf("LZeq of the position = %v; want that of the broadband series", f)
	}
}

// TestIndicesOfPosition gives a position the index of the series that counts.
func TestIndicesOfPosition(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"ended_at": "2026-03-04T07:00:00+01:00"}, "If-Match", `"v1"`)
	s.record("LAeq", 900, "2026-03-03T07:00:00+01:00", repeated(50, 96), nil)
	s.record("LAF", 10, "2026-03-03T07:00:00+01:00", repeated(49, 8640), nil)
	p := s.positionFigures("")
	f := p["indices"].(object)["Lden"].(object)
	// 10 lg((12·10^5 + 4·10^5.5 + 8·10^6)/24)
	if f["level_db"] != 56.4 || f["basis"] != "integrated" {
		t.Errorf("Lden = %v; want 56.4 of the integrated levels", f)
	}
	if r := p["reference"].(object); r["days"] != 1. || r["nights"] != 1. {
		t.Errorf("reference = %v; want one day and night", r)
	}
	all := s.must(200, "GET", "/v1/surveys/"+s.survey+"/summary", nil)
	if !strings.Contains(string(all.raw), "Result of 1 day and 1 night, not a yearly index.") {
		t.Error("no caution that the index is of one day")
	}
	evidence := all.body["evidence"].(object)
	if in := evidence["inputs"].([]any)[0].(object); in["samples"] != 96. && in["samples"] != 8640. || in["from"] != "2026-03-03T06:00:00Z" {
		t.Errorf("input = %v", in)
	}
	if d := evidence["definitions"].([]any); len(d) < 5 || !strings.HasPrefix(d[0].(object)["link"].(string), "/docs#") {
		t.Errorf("definitions = %v", d)
	}
}

// TestSummaryOfEmptySeries: a series that was made before the first sample came has no time and no figures.
func TestSummaryOfEmptySeries(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	for _, quantity := range []string{"LAF", "LAFmax", "LAeq", "LCpeak"} {
		id := s.create("/v1/surveys/"+s.survey+"/series", object{"position_id": s.position, "instrument_id": s.meter, "quantity": quantity, "interval_s": 1})
		answered(t, object{"from": nil, "to": nil, "coverage": 0., "levels": object{}}, s.must(200, "GET", "/v1/series/"+id+"/summary?step=1h&highest=1h&typical_day=included", nil))
	}
	place := s.must(200, "GET", "/v1/surveys/"+s.survey+"/summary?step=1h&highest=1h&typical_day=included", nil).body["positions"].([]any)[0].(object)
	if len(place["levels"].(object)) != 0 {
		t.Errorf("levels without samples: %v", place["levels"])
	}
}

// TestWorkplaceCautions: levels at a workplace have the cautions about hearing beside them.
func TestWorkplaceCautions(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	codes := func(path string) string { return string(s.must(200, "GET", path, nil).raw) }
	outdoors := "/v1/series/" + s.measure("LAeq") + "/summary"
	s.survey = s.create("/v1/projects/"+s.project()+"/surveys", object{"kind": "workplace", "started_at": "2026-03-03T07:00:00+01:00"})
	for _, path := range []string{"/v1/surveys/" + s.survey + "/summary", "/v1/series/" + s.measure("LAF") + "/summary"} {
		for _, code := range []string{`"not_safe_for_everyone"`, `"unprotected"`} {
			if !strings.Contains(codes(path), code) {
				t.Errorf("%s lacks the caution %s", path, code)
			}
			if strings.Contains(codes(outdoors), code) {
				t.Errorf("%s has the caution %s", outdoors, code)
			}
		}
	}
}

// TestSummaryOfOneLevelAndUnderRange: a quiet night of a single level and of samples below the range has figures.
func TestSummaryOfOneLevelAndUnderRange(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	levels, flags := make([]any, 600), []any{}
	for i := range levels {
		if levels[i] = 40.; i%2 > 0 {
			levels[i], flags = nil, append(flags, object{"index": i, "flag": "under_range"})
		}
	}
	id := s.create("/v1/surveys/"+s.survey+"/series", object{
		"position_id": s.position, "instrument_id": s.meter, "quantity": "LAF", "interval_s": 1, "started_at": "2026-03-03T07:00:00+01:00",
		"range": object{"from_db": 30}, "levels_db": levels, "flags": flags,
	})
	// 10 lg((10^4 + 10^3)/2)
	laeq := s.must(200, "GET", "/v1/series/"+id+"/summary", nil).body["levels"].(object)["LAeq"].(object)
	if u, _ := laeq["sampling_uncertainty_db"].(float64); laeq["level_db"] != 37.4 || laeq["bound"] != "upper" || u <= 0 {
		t.Errorf("LAeq = %v; want at most 37.4 dB with its uncertainty", laeq)
	}
	s.must(200, "GET", "/v1/surveys/"+s.survey+"/summary", nil)
}
