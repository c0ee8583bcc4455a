package main

import (
	"bytes"
	"regexp"
	"strings"
	"testing"
)

// TestQuick measures little, on a real server. That both sides answer alike is
// part of the measurement, so that it fails where they do not.
func TestQuick(t *testing.T) {
	if testing.Short() {
		t.Skip("starts a PostgreSQL")
	}
	var out bytes.Buffer
	if err := run(t.Context(), []string{"-quick"}, &out, t.Output()); err != nil {
		t.Fatal(err)
	}
	rows := regexp.MustCompile(`(?m)^\| .+ \| (yes|no) +\|$`).FindAllString(out.String(), -1)
	const want = 15 // what must be reached
	if len(rows) != want {
		t.Errorf("%d rows with a ratio; want %d:\n%s", len(rows), want, out.String())
	}
	for _, r := range rows {
		if strings.Contains(r, "NaN") || strings.Contains(r, "Inf") {
			t.Errorf("no ratio in %s", r)
		}
	}
}

func TestSpread(t *testing.T) {
	if got, want := spreadOf([]float64{5, 1, 2, 9}), (spread{3.5, 1, 9}); got != want {
		t.Errorf("spreadOf = %v; want %v", got, want)
	}
	if !strings.Contains(atLeast(40).String(), "40") || atLeast(40).reached(39.9) != "no" || atMost(3).reached(2.9) != "yes" || atMost(3).reached(3.1) != "no" {
		t.Error("goals are read wrong")
	}
}

func TestSidesThatDifferAreSeen(t *testing.T) {
	f := figures{profile: []float64{50, 51}}
	g := figures{profile: []float64{50, 51.01}}
	if differ(f, f) != nil || differ(f, g) == nil || differ(f, figures{profile: g.profile[:1]}) == nil {
		t.Error("differ does not see an hour that differs")
	}
	g = f
	g.numbers[6] = 0.01
	if differ(f, g) == nil {
		t.Error("differ does not see an index that differs")
	}
}
