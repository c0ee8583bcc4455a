package logfile

import (
	"testing"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
)

func TestParseLevel(t *testing.T) {
	t.Parallel()
	tests := []struct {
		text  string
		level acoustic.Level
		kind  reading
		rest  string
	}{
		{"51", 5100, plain, ""},
		{"51.2", 5120, plain, ""},
		{"51,2", 5120, plain, ""},
		{"51.25", 5125, plain, ""},
		{"0.0", 0, plain, ""},
		{"137.0", 13700, plain, ""},
		{"200", 20000, plain, ""},
		{"200.0", 20000, plain, ""},
		{"-0.5", -50, plain, ""},
		{"\u22123.5", -350, plain, ""},
		{"+51.2", 5120, plain, ""},
		{"051.20", 5120, plain, ""},
		{"51.2000", 5120, plain, ""},
		{"5.12e1", 5120, plain, ""},
		{"51.200000000000003", 5120, plain, ""},
		{"51.234", 5123, rounded, ""},
		{"51.235", 5124, rounded, ""},
		{"51.999", 5200, rounded, ""},
		{"-0.005", -1, rounded, ""},
		{"-50", -5000, plain, ""},
		{"-50.01", 0, outOfRange, ""},
		{"200.01", 0, outOfRange, ""},
		{"999", 0, outOfRange, ""},
		{"-400", 0, outOfRange, ""},
		{"1e9", 0, outOfRange, ""},
		{"1e999", 0, outOfRange, ""},
		{"1,051.2", 0, noLevel, ""},
		{"51.2 dB(A)", 5120, plain, "dB(A)"},
		{"51.2dB", 5120, plain, "dB"},
		{"51.2 m", 0, noLevel, ""},
		{"51.", 0, noLevel, ""},
		{"NaN", 0, noLevel, ""},
		{"-Inf", 0, noLevel, ""},
		{"loud", 0, noLevel, ""},
		{"0x1F", 0, noLevel, ""},
		{"", 0, missing, ""},
		{"---", 0, missing, ""},
		{"--.-", 0, missing, ""},
		{"n/a", 0, missing, ""},
	}
	// Words for under and over range of several languages (common practice, no source).
	for _, w := range []string{"Lo", "LOW", "UL", "UR", "-UL-", "under", "under range", "Under-range", "<24", "< 24.0", "≤24", "24 <", "<", "unter", "Unterschreitung", "bajo", "basso", "sous", "onder", "lav", "låg", "alle", "baixo"} {
		tests = append(tests, struct {
			text  string
			level acoustic.Level
			kind  reading
			rest  string
		}{w, series.UnderRange, flagged, ""})
	}
	for _, w := range []string{"Hi", "OL", "OR", "+OL", "over", "OVERLOAD", "over range", ">137", "> 137,0 dB", "≥137", "über", "Übersteuert", "alto", "sobrecarga", "haut", "saturé", "boven", "høy", "hög", "yli"} {
		tests = append(tests, struct {
			text  string
			level acoustic.Level
			kind  reading
			rest  string
		}{w, series.OverRange, flagged, ""})
	}
	for _, tt := range tests {
		level, kind, rest := parseLevel([]byte(tt.text))
		if kind != tt.kind || string(rest) != tt.rest && kind == plain || level != tt.level && (kind == plain || kind == rounded || kind == flagged) {
			t.Errorf("parseLevel(%q) = %s, %d, %q; want %s, %d, %q", tt.text, level, kind, rest, tt.level, tt.kind, tt.rest)
		}
	}
}

func TestSymbolOf(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"LAF": "LAF", "L_Aeq": "LAeq", "LAeq [dB]": "LAeq", "LAFmax": "LAFmax", "LA,F,max": "LAFmax", "LCpeak dB": "LCpeak", "LZpeak(dB)": "LZpeak",
		"LAE": "LAE", "LAS dBA": "LAS", "Level": "", "LA": "", "LAST": "", "Label": "", "LAIeq": "LAIeq", "lcf": "LCF",
	} {
		if got := symbolOf(text); got != want {
			t.Errorf("symbolOf(%q) = %q; want %q", text, got, want)
		}
	}
	for text, want := range map[string]byte{"dB": 0, "dBA": 'A', "dB(C)": 'C', "dB [Z]": 'Z', "dB-A": 'A', "Dezibel": 0, "db lin": 'Z', "dB(B)": 'B'} {
		if got, ok := weightingOf(text); !ok || got != want {
			t.Errorf("weightingOf(%q) = %q, %t; want %q", text, got, ok, want)
		}
	}
	for _, text := range []string{"", "Pa", "°C", "database", "51.2"} {
		if isUnit(text) {
			t.Errorf("isUnit(%q)", text)
		}
	}
}
