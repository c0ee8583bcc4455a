package api_test

import (
	"math"
	"slices"
	"testing"
)

// TestResidualOfPeriods takes the residual sound off each period by what was measured with
// the fan off in its own hours, and makes the index of what is left. A period that is only
// bounded bounds the index, and a bound decides one way only.
func TestResidualOfPeriods(t *testing.T) {
	t.Parallel()
	power := func(l float64) float64 { return math.Pow(10, l/10) }
	minus := func(total, residual float64) float64 { return 10 * math.Log10(power(total)-power(residual)) }
	lden := func(day, evening, night float64) float64 { // Directive 2002/49/EC, Annex I
		return 10 * math.Log10((12*power(day)+4*power(evening+5)+8*power(night+10))/24)
	}
	const day, evening, night = 60., 56., 52.
	for _, tt := range []struct {
		name     string
		residual [3]float64 // of day, evening, night; zero: none was measured
		outcomes [3]string
		level    [3]float64
		outcome  string
		lowest   [3]float64 // lower ends of the levels
	}{
		{"corrected", [3]float64{55, 40, 47}, [3]string{"corrected", "not_needed", "corrected"}, [3]float64{minus(day, 55), evening, minus(night, 47)}, "corrected", [3]float64{}},
		{"none needed", [3]float64{50, 40, 42}, [3]string{"not_needed", "not_needed", "not_needed"}, [3]float64{day, evening, night}, "not_needed", [3]float64{}},
		{"night too near", [3]float64{55, 40, 50}, [3]string{"corrected", "not_needed", "not_allowed"}, [3]float64{minus(day, 55), evening, night}, "not_allowed", [3]float64{minus(day, 55), evening, math.Inf(-1)}},
		{"night not measured", [3]float64{55, 40, 0}, [3]string{"corrected", "not_needed", "not_measured"}, [3]float64{minus(day, 55), evening, night}, "not_measured", [3]float64{minus(day, 55), evening, math.Inf(-1)}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			s := newSite(t)
			s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"ended_at": "2026-03-04T07:00:00+01:00", "uncertainty": []any{
				object{"name": "residual", "value_db": 1, "source": "invented"}, object{"name": "weather", "value_db": 0.4, "source": "invented"},
			}}, "If-Match", `"v1"`)
			levels := append(append(repeated(day, 48), repeated(evening, 16)...), repeated(night, 32)...)
			spans := [3][2]string{{"2026-03-03T10:00:00+01:00", "2026-03-03T10:30:00+01:00"}, {"2026-03-03T20:00:00+01:00", "2026-03-03T20:30:00+01:00"}, {"2026-03-04T02:00:00+01:00", "2026-03-04T02:30:00+01:00"}}
			for i, r := range tt.residual {
				if at := []int{12, 52, 76}[i]; r > 0 {
					levels[at], levels[at+1] = r, r
				}
			}
			id := s.record("LAeq", 900, "2026-03-03T07:00:00+01:00", levels, nil)
			for i, r := range tt.residual {
				if r > 0 {
					s.create("/v1/series/"+id+"/exclusions", object{"from": spans[i][0], "to": spans[i][1], "reason": "fan off", "residual": true})
				}
			}
			s.check("2026-03-03T06:30:00+01:00", 93.9)
			s.check("2026-03-04T07:10:00+01:00", 93.8)
			bySymbol := map[string]object{}
			whole := s.must(200, "GET", "/v1/surveys/"+s.survey+"/summary?uncertainty=omitted", nil).body
			bound := tt.lowest[0] != 0 // of an integrated series nothing else is an estimate
			if slices.Contains(cautionCodes(whole), "not_for_compliance") != bound {
				t.Errorf("cautions = %v; bound: %v", cautionCodes(whole), bound)
			}
			p := whole["positions"].([]any)[0].(object)
			for _, r := range p["residual"].([]any) {
				bySymbol[r.(object)["symbol"].(string)] = r.(object)
			}
			two := func(x float64) float64 { return math.Round(x*100) / 100 }
			u2, sum := 0.0, 0.0 // of the index: what is common moves all periods at once
			for i, symbol := range []string{"Lday", "Levening", "Lnight"} {
				r := bySymbol[symbol]
				c := r["corrected"].(object)
				if r["outcome"] != tt.outcomes[i] || c["level_db"] != two(tt.level[i]) || (c["bound"] == "upper") != math.IsInf(tt.lowest[i], -1) {
					t.Errorf("%s = %v; want %s, %.2f", symbol, r, tt.outcomes[i], tt.level[i])
				}
				if f := r["residual"]; (f == nil) != (tt.residual[i] == 0) || f != nil && (f.(object)["level_db"] != tt.residual[i] || r["difference_db"] != two(r["total"].(object)["level_db"].(float64)-tt.residual[i])) {
					t.Errorf("%s: residual %v; want %v of its own hours", symbol, f, tt.residual[i])
				}
				// The share of the index's energy (GUM 5.1.2 with c = 1/(1−q), q = 10^(−0.1·difference)).
				w := []float64{12, 4, 8}[i] * power(tt.level[i]+5*float64(i)) / (24 * power(lden(tt.level[0], tt.level[1], tt.level[2])))
				q := 0.0
				if tt.outcomes[i] == "corrected" {
					q = power(tt.residual[i] - []float64{day, evening, night}[i])
				}
				sum, u2 = sum+w/(1-q), u2+w*q/(1-q)
			}
			index := bySymbol["Lden"]
			c := index["corrected"].(object)
			want, bounded := two(lden(tt.level[0], tt.level[1], tt.level[2])), tt.lowest[0] != 0
			if index["outcome"] != tt.outcome || c["level_db"] != want || (c["bound"] == "upper") != bounded || index["residual"] != nil || index["difference_db"] != nil {
				t.Errorf("Lden = %v; want %s, %v", index, tt.outcome, want)
			}
			if low, _ := c["lowest_db"].(float64); bounded && low != two(lden(tt.lowest[0], tt.lowest[1], tt.lowest[2])) {
				t.Errorf("Lden is at least %v; want %v", low, lden(tt.lowest[0], tt.lowest[1], tt.lowest[2]))
			}
			// The meter (0.5) and the weather (0.4) are the same in all periods, and so is the residual's 1 dB as entered.
			if got, want := index["uncertainty"].(object)["standard_db"].(float64), math.Sqrt((0.25+0.16)*sum*sum+u2*u2); math.Abs(got-want) > 0.006 {
				t.Errorf("uncertainty of Lden = %v; want %.3f", got, want)
			}

			// Above the level all is below; under it a bound cannot tell.
			high := s.assessed(s.limit(object{"symbol": "Lden", "level_db": math.Ceil(want) + 1}), "?represents_year=invented")
			if high["outcome"] != "below" || high["compared_db"] != want || high["residual"].(object)["outcome"] != tt.outcome {
				t.Errorf("under the limit: %v", high)
			}
			outcome, reason := "exceeded", ""
			if bounded {
				outcome, reason = "not_decided", "an upper bound cannot show that the limit is exceeded"
			}
			low := s.limit(object{"symbol": "Lden", "level_db": math.Floor(want) - 1})
			s.shows("over the limit", s.assessed(low, "?represents_year=invented"), outcome, want, reason)
			// Over the level of a period, also where a limit names it by its period.
			for _, l := range []object{{"symbol": "Lnight"}, {"symbol": "LAeq", "period": "Lnight"}} {
				s.shows("at night", s.assessed(s.limit(with(l, object{"level_db": 40})), "?represents_year=invented"), outcome, two(tt.level[2]), reason)
			}
		})
	}
}

// TestResidualOfNoPeriods: without periods of their own levels nothing is made of them.
func TestResidualOfNoPeriods(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"ended_at": "2026-03-03T09:00:00+01:00"}, "If-Match", `"v1"`)
	s.record("LAeq", 60, "2026-03-03T07:00:00+01:00", repeated(52, 100), nil)
	s.record("LAeq", 60, "2026-03-03T08:40:00+01:00", repeated(48, 20), object{"residual": true})
	if got := s.positionFigures("")["residual"].([]any); len(got) != 1 || got[0].(object)["symbol"] != "LAeq" {
		t.Errorf("residual = %v; want of LAeq alone", got)
	}
}

// TestResidualOfBands takes the residual sound of a band off its level, over the whole time
// and in a period by that of the period's own hours; a level of another weighting in a
// period likewise. What was measured broadband says nothing of a band.
func TestResidualOfBands(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"ended_at": "2026-03-04T07:00:00+01:00"}, "If-Match", `"v1"`)
	s.create("/v1/instruments/"+s.meter+"/certificates", with(aCertificate, object{"scope": []any{"filters"}, "item_serial_number": "M-1", "number": "N-3", "as_found": "pass"}))
	s.check("2026-03-03T06:30:00+01:00", 93.9)
	s.check("2026-03-04T07:10:00+01:00", 93.8)
	// In quarter hours: the fan is off from 10:00 to 10:30, and of the band at 125 Hz from 02:00 to 02:30 too.
	levels := func(total, day, night float64) []float64 {
		all := repeated(total, 96)
		all[12], all[13] = day, day
		if night > 0 {
			all[76], all[77] = night, night
		}
		return all
	}
	const from = "2026-03-03T07:00:00+01:00"
	third := func(hz float64) object { return object{"band": object{"fraction": 3, "nominal_hz": hz}} }
	off := func(id, from, to string) {
		t.Helper()
		s.create("/v1/series/"+id+"/exclusions", object{"from": from, "to": to, "reason": "fan off", "residual": true})
	}
	at125 := s.record("LZeq", 900, from, levels(60, 55, 56), third(125))
	off(at125, "2026-03-03T10:00:00+01:00", "2026-03-03T10:30:00+01:00")
	off(at125, "2026-03-04T02:00:00+01:00", "2026-03-04T02:30:00+01:00")
	at160 := s.record("LZeq", 900, from, levels(60, 55, 0), third(160))
	off(at160, "2026-03-03T10:00:00+01:00", "2026-03-03T10:30:00+01:00")
	s.record("LZeq", 900, from, levels(60, 60, 0), third(200))
	broad := s.record("LCeq", 900, from, levels(70, 65, 0), nil)
	off(broad, "2026-03-03T10:00:00+01:00", "2026-03-03T10:30:00+01:00")

	minus := func(total, residual float64) float64 {
		return math.Round(1000*math.Log10(math.Pow(10, total/10)-math.Pow(10, residual/10))) / 100
	}
	both := 10 * math.Log10((math.Pow(10, 5.5)+math.Pow(10, 5.6))/2)
	for _, tt := range []struct {
		symbol, period, done string
		compared             float64
		outcome, reason      string
	}{
		{"LZeq 1/3 125 Hz", "", "corrected", minus(60, both), "exceeded", ""},
		{"LZeq 1/3 125 Hz", "Lday", "corrected", minus(60, 55), "exceeded", ""},
		{"LZeq 1/3 125 Hz", "Lnight", "corrected", minus(60, 56), "exceeded", ""},
		{"LZeq 1/3 160 Hz", "", "corrected", minus(60, 55), "exceeded", ""},
		{"LZeq 1/3 160 Hz", "Lnight", "not_measured", 60, "not_decided", "an upper bound cannot show that the limit is exceeded"},
		{"LZeq 1/3 200 Hz", "", "", 60, "exceeded", ""},
		{"LCeq", "", "corrected", minus(70, 65), "exceeded", ""},
		{"LCeq", "Lday", "corrected", minus(70, 65), "exceeded", ""},
		{"LCeq", "Lnight", "not_measured", 70, "not_decided", "an upper bound cannot show that the limit is exceeded"},
	} {
		limit := object{"symbol": tt.symbol, "level_db": 50}
		if tt.period != "" {
			limit["period"] = tt.period
		}
		got := s.assessed(s.limit(limit), "")
		s.shows(tt.symbol+" "+tt.period, got, tt.outcome, tt.compared, tt.reason)
		if r, _ := got["residual"].(object); r["outcome"] != nil && r["outcome"] != tt.done || (r == nil) != (tt.done == "") {
			t.Errorf("%s %s: residual %v; want %s", tt.symbol, tt.period, r, tt.done)
		}
	}
}

// TestResidualUnusable: a result that is not usable and lies above a limit still warns, also
// where of the residual sound nothing is known that could explain it.
func TestResidualUnusable(t *testing.T) {
	t.Parallel()
	s := newSite(t) // without checks of the meter
	s.must(200, "PATCH", "/v1/surveys/"+s.survey, object{"ended_at": "2026-03-04T07:00:00+01:00"}, "If-Match", `"v1"`)
	levels := repeated(60, 96)
	levels[12], levels[13] = 50, 50
	id := s.record("LAeq", 900, "2026-03-03T07:00:00+01:00", levels, nil)
	s.create("/v1/series/"+id+"/exclusions", object{"from": "2026-03-03T10:00:00+01:00", "to": "2026-03-03T10:30:00+01:00", "reason": "fan off", "residual": true})
	for _, symbol := range []string{"Lday", "Lnight", "Lden"} {
		if got := s.assessed(s.limit(object{"symbol": symbol, "level_db": 45}), ""); got["outcome"] != "indicates_exceedance" {
			t.Errorf("%s of 60 dB without a valid check, limit 45: %v, %v", symbol, got["outcome"], got["reason"])
		}
	}
}
