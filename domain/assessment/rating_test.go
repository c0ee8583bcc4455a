package assessment_test

import (
	"encoding/json"
	"math"
	"os"
	"testing"
	"time"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/assessment"
)

// rule reads a row of the rule table, where the source of each stands beside it.
func rule(t *testing.T, id string) (values []float64) {
	t.Helper()
	b, err := os.ReadFile("../../testdata/reference/rules.json")
	if err != nil {
		t.Fatal(err)
	}
	var rows []struct {
		ID    string          `json:"id"`
		Value json.RawMessage `json:"value"`
	}
	if err := json.Unmarshal(b, &rows); err != nil {
		t.Fatal(err)
	}
	for _, r := range rows {
		if r.ID == id {
			if json.Unmarshal(r.Value, &values) != nil {
				values = make([]float64, 1)
				if err := json.Unmarshal(r.Value, &values[0]); err != nil {
					t.Fatal(err)
				}
			}
			return values
		}
	}
	t.Fatalf("no rule %s", id)
	return nil
}

// spectrum is a flat one of 40 dB, with the bands at nominal frequencies raised.
func spectrum(t *testing.T, raised map[acoustic.Hertz]acoustic.Decibel) []acoustic.BandLevel {
	t.Helper()
	var all []acoustic.BandLevel
	for i := -20; i <= 13; i++ {
		b := acoustic.Band{Fraction: 3, Index: i}
		all = append(all, acoustic.BandLevel{Band: b, Level: 40 + raised[b.Nominal()]})
	}
	return all
}

// Each rule at its boundary: a hundredth below, at it, a hundredth above. "> 3" and
// ">= 5" differ at it.
func TestToneBoundaries(t *testing.T) {
	t.Parallel()
	wa, pt, fr := rule(t, "TON-WA"), rule(t, "TON-PT"), rule(t, "TON-FR")
	for _, tt := range []struct {
		code  string
		at    acoustic.Hertz
		least float64
		atIt  bool
	}{
		{"western_australia", 1000, wa[0], false},
		{"western_australia_any_time", 1000, wa[1], false},
		{"portugal", 1000, pt[0], true},
		{"france", 50, fr[0], true},
		{"france", 315, fr[0], true},
		{"france", 400, fr[1], true},
		{"france", 1250, fr[1], true},
		{"france", 1600, fr[2], true},
		{"france", 8000, fr[2], true},
		// ISO 1996-2: memory.
		{"iso_1996_2", 25, 15, true},
		{"iso_1996_2", 125, 15, true},
		{"iso_1996_2", 160, 8, true},
		{"iso_1996_2", 400, 8, true},
		{"iso_1996_2", 500, 5, true},
		{"iso_1996_2", 10_000, 5, true},
	} {
		r, ok := assessment.ToneRuleOf(tt.code)
		if !ok {
			t.Fatalf("no rule %s", tt.code)
		}
		for by, want := range map[acoustic.Decibel]bool{-0.01: false, 0: tt.atIt, 0.01: true} {
			up := acoustic.Decibel(tt.least) + by
			// Given in the weighting of the rule, so that nothing is converted.
			tones, _, err := r.Tones(spectrum(t, map[acoustic.Hertz]acoustic.Decibel{tt.at: up}), r.Weighting)
			if err != nil || (len(tones) == 1) != want {
				t.Errorf("%s: %v Hz up by %.2f: %+v, %v; want a tone: %v", tt.code, tt.at, up, tones, err, want)
			}
			if len(tones) == 1 && (tones[0].Band.Nominal() != tt.at || tones[0].StandOut != acoustic.Level(math.Round(float64(up)*100))) {
				t.Errorf("%s: %+v", tt.code, tones[0])
			}
		}
	}
	if _, ok := assessment.ToneRuleOf("none"); ok {
		t.Error("a rule called none is known")
	}
}

func TestTones(t *testing.T) {
	t.Parallel()
	wa, _ := assessment.ToneRuleOf("western_australia")
	pt, _ := assessment.ToneRuleOf("portugal")
	fr, _ := assessment.ToneRuleOf("france")
	iso, _ := assessment.ToneRuleOf("iso_1996_2")
	count := func(r assessment.ToneRule, raised map[acoustic.Hertz]acoustic.Decibel) int {
		tones, _, err := r.Tones(spectrum(t, raised), r.Weighting)
		if err != nil {
			t.Fatal(err)
		}
		return len(tones)
	}
	// 6 dB over one neighbour and 1 dB over the other: 3.5 over their mean, and not 5 over each.
	lopsided := map[acoustic.Hertz]acoustic.Decibel{1000: 6, 1250: 5}
	if count(wa, lopsided) != 1 || count(pt, lopsided) != 0 {
		t.Errorf("lopsided: %d, %d", count(wa, lopsided), count(pt, lopsided))
	}
	// A tone between two bands: the second neighbour is a hundredth too near for four.
	second := map[acoustic.Hertz]acoustic.Decibel{1000: 5, 1600: 0.01}
	if count(pt, second) != 1 || count(fr, second) != 0 {
		t.Errorf("second neighbour: %d, %d", count(pt, second), count(fr, second))
	}
	// The arithmetic mean of neighbours at 40 and 43 is 41.5; 44.5 is not more than 3 above it, 44.51 is.
	if count(wa, map[acoustic.Hertz]acoustic.Decibel{1000: 4.5, 1250: 3}) != 0 || count(wa, map[acoustic.Hertz]acoustic.Decibel{1000: 4.51, 1250: 3}) != 1 {
		t.Error("mean of 40 and 43")
	}
	// A-weighting at 100 Hz lifts the band above by 3 dB: unweighted levels are converted first.
	low := spectrum(t, map[acoustic.Hertz]acoustic.Decibel{100: 5.5})
	if tones, _, _ := pt.Tones(low, 'Z'); len(tones) != 0 {
		t.Errorf("100 Hz unweighted: %+v", tones)
	}
	if tones, _, _ := pt.Tones(low, 'A'); len(tones) != 1 {
		t.Errorf("100 Hz A-weighted: %+v", tones)
	}
	// Without a neighbour a band cannot be judged, and that is said.
	part := spectrum(t, map[acoustic.Hertz]acoustic.Decibel{1000: 20})[15:21] // 315 Hz to 1 kHz
	tones, unjudged, err := iso.Tones(part, 'Z')
	if err != nil || len(tones) != 0 || len(unjudged) != 2 || unjudged[0].Nominal() != 315 || unjudged[1].Nominal() != 1000 {
		t.Errorf("%+v, %v, %v", tones, unjudged, err)
	}
	for name, bad := range map[string][]acoustic.BandLevel{
		"a band twice": append(part, part[0]),
		"an octave":    {{Band: acoustic.Band{Fraction: 1}, Level: 40}},
	} {
		if _, _, err := iso.Tones(bad, 'Z'); err == nil {
			t.Errorf("%s is accepted", name)
		}
	}
	if _, _, err := iso.Tones(part, 'B'); err == nil {
		t.Error("weighting B is accepted")
	}
}

// LApeak − LASmax more than 15 dB (Western Australia, reg. 9(1), read); LAIeq − LAeq
// more than 6 dB (Portugal, DL 9/2007 annex I no 1, read).
func TestImpulseBoundaries(t *testing.T) {
	t.Parallel()
	reference := map[string]float64{"western_australia": rule(t, "IMP-WA")[0], "portugal": rule(t, "IMP-PT")[0]}
	for _, r := range assessment.ImpulseRules {
		least := acoustic.Decibel(reference[r.Code])
		if r.Impulsive(60+least, 60) || !r.Impulsive(60+least+0.01, 60) {
			t.Errorf("%s at %v dB", r.Code, least)
		}
	}
}

// Portugal, DL 9/2007 annex I no 1 (read): K1 = 3, K2 = 3, 6 with both.
func TestRatingLevel(t *testing.T) {
	t.Parallel()
	k := rule(t, "ADJ-PT")
	pt, _ := assessment.ToneRuleOf("portugal")
	tone := assessment.Adjustment{Kind: assessment.ToneAdjustment, DB: pt.Adjustment, Found: "1 kHz stands out", Source: pt.Source}
	impulse := assessment.Adjustment{Kind: assessment.ImpulseAdjustment, DB: assessment.ImpulseRules[1].Adjustment, Source: "DL 9/2007"}
	for _, tt := range []struct {
		adjustments []assessment.Adjustment
		want        float64
	}{
		{nil, 50},
		{[]assessment.Adjustment{tone}, 50 + k[0]},
		{[]assessment.Adjustment{impulse}, 50 + k[1]},
		{[]assessment.Adjustment{tone, impulse}, 50 + k[2]},
	} {
		got, err := assessment.RatingLevel([]assessment.RatedPart{{50, time.Hour, tt.adjustments}}, time.Hour)
		if err != nil || math.Abs(float64(got)-tt.want) > 1e-9 {
			t.Errorf("%v: %v, %v; want %v", tt.adjustments, got, err, tt.want)
		}
	}
	// On for 4 h of 16 h: −6.0 dB (a German glossary on trade noise, printed to one decimal).
	if got, err := assessment.RatingLevel([]assessment.RatedPart{{50, 4 * time.Hour, nil}}, 16*time.Hour); err != nil || math.Abs(float64(got)-44) > 0.05 {
		t.Errorf("4 h of 16 h: %v, %v; want 44.0", got, err)
	}
	// Parts of different adjustments, against the formula by hand: 10 lg((10^5.3 + 3·10^5)/4).
	got, err := assessment.RatingLevel([]assessment.RatedPart{{50, time.Hour, []assessment.Adjustment{tone}}, {50, 3 * time.Hour, nil}}, 4*time.Hour)
	if err != nil || math.Abs(float64(got)-50.9650) > 6e-5 {
		t.Errorf("in parts: %v, %v; want 50.9650", got, err)
	}
	bad := []assessment.RatedPart{{50, time.Hour, []assessment.Adjustment{tone, tone}}}
	if _, err := assessment.RatingLevel(bad, time.Hour); err == nil {
		t.Error("a tone twice is accepted")
	}
	if _, err := assessment.RatingLevel([]assessment.RatedPart{{50, 2 * time.Hour, nil}}, time.Hour); err == nil {
		t.Error("two hours of one are accepted")
	}
	if _, err := assessment.RatingLevel(nil, time.Hour); err == nil {
		t.Error("no parts are accepted")
	}
}
