package scenario

import (
	"bytes"
	"math"
	"slices"
	"testing"
	"time"
)

func TestLevelsAreTheSameEachTime(t *testing.T) {
	t.Parallel()
	s := soundscape{seed: 1, day: 50, night: 40, passByDB: 74, perHour: road}
	start := local("2026-04-14 07:00:00")
	a, b := s.levels(start, 3600), s.levels(start, 3600)
	if !slices.Equal(a, b) {
		t.Error("two runs hear different sounds")
	}
	s.seed = 2
	if slices.Equal(a, s.levels(start, 3600)) {
		t.Error("another seed sounds the same")
	}
}

func TestLevels(t *testing.T) {
	t.Parallel()
	start := local("2026-04-14 23:00:00")
	quiet := soundscape{seed: 1, day: 50, night: 30}
	loud := quiet
	loud.events = []event{{start.Add(time.Hour), 10, 80}}
	a, b := quiet.levels(start, 2*3600), loud.levels(start, 2*3600)
	for i := range a {
		inEvent := i >= 3600 && i < 3610
		if !(a[i] > 20 && a[i] < 40) || math.Round(a[i]*10)/10 != a[i] {
			t.Fatalf("second %d of a quiet night has %v dB; want about 30 in tenths", i, a[i])
		}
		if (b[i] > 70) != inEvent {
			t.Fatalf("second %d has %v dB; the event runs from 3600 to 3610", i, b[i])
		}
	}
}

func TestLayouts(t *testing.T) {
	t.Parallel()
	start := local("2026-04-14 23:59:59")
	levels := []float64{51.2, 49}
	tests := []struct {
		name   string
		layout layout
		want   string
	}{
		{"semicolons", semicolons, "No;Date;Time;LAF;Unit\r\n1;14.04.2026;23:59:59;51,2;dB(A)\r\n2;15.04.2026;00:00:00;49,0;dB(A)\r\n"},
		{"tabs", tabs, "Invented log\n\nLAF\tDate\tTime\n51.2\t2026-04-14\t23:59:59\n49.0\t2026-04-15\t00:00:00\n"},
		{"commas", commas(3), "Position,Date,Time,Level,Unit\n3,04/14/2026,23:59:59,51.2,dB\n3,04/15/2026,00:00:00,49.0,dB\n"},
	}
	for _, tt := range tests {
		if got := tt.layout(start, levels); !bytes.Equal(got, []byte(tt.want)) {
			t.Errorf("%s wrote %q; want %q", tt.name, got, tt.want)
		}
	}
}

// TestEveryCheckIsNear keeps the scenario within what its rule profiles ask of checks, half a day in environmental work.
func TestEveryCheckIsNear(t *testing.T) {
	t.Parallel()
	for _, j := range jobs {
		from, to := local(j.from), local(j.to)
		for _, k := range j.checks {
			at := local(k.at)
			if _, ok := instruments[k.meter]; !ok {
				t.Errorf("%s: no instrument is called %s", j.reference, k.meter)
			}
			if at.Before(from.Add(-6*time.Hour)) || at.After(to.Add(6*time.Hour)) {
				t.Errorf("%s: the check of %s at %s is far from the survey", j.reference, k.meter, k.at)
			}
		}
	}
}
