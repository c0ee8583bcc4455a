package logfile_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/logfile"
	"leveltrail/domain/series"
)

// night writes the wall clock of a zone (or of another clock) from one instant to another every step.
func night(from, to string, step time.Duration, clock *time.Location) (string, int) {
	var b strings.Builder
	b.WriteString("at,level\n")
	n := 0
	for t := at(from); t.Before(at(to)); t = t.Add(step) {
		b.WriteString(t.In(clock).Format("2006-01-02 15:04:05") + ",51.2\n")
		n++
	}
	return b.String(), n
}

// The nights on which clocks change in 2026, by the zones' own rules in the
// IANA time zone database: Vienna 29 March and 25 October at 01:00 UTC, New
// York 8 March 07:00 UTC and 1 November 06:00 UTC, Lord Howe (half an hour)
// 5 April and 3 October at 15:00 UTC and 15:30 UTC.
func TestReadClockChanges(t *testing.T) {
	t.Parallel()
	cet := time.FixedZone("", 3600)
	cest := time.FixedZone("", 7200)
	tests := []struct {
		name, zone, from, to string
		clock                *time.Location // nil = the zone's own
		step                 time.Duration
		codes                string // in order, without lines
	}{
		{"Vienna, autumn", "Europe/Vienna", "2026-10-24T22:00:00Z", "2026-10-25T05:00:00Z", nil, time.Second, "hour_repeated hour_repeated"},
		{"Vienna, autumn, 15 min", "Europe/Vienna", "2026-10-24T22:00:00Z", "2026-10-25T05:00:00Z", nil, 15 * time.Minute, "stamps_assumed hour_repeated hour_repeated"},
		{"Vienna, autumn, hours", "Europe/Vienna", "2026-10-24T12:00:00Z", "2026-10-25T05:00:00Z", nil, time.Hour, "stamps_assumed hour_repeated hour_repeated"},
		{"Vienna, autumn, begins in the second pass", "Europe/Vienna", "2026-10-25T01:20:00Z", "2026-10-25T03:00:00Z", nil, time.Second, "hour_repeated"},
		{"Vienna, autumn, begins in the first pass", "Europe/Vienna", "2026-10-25T00:20:00Z", "2026-10-25T03:00:00Z", nil, time.Second, "hour_repeated hour_repeated"},
		{"Vienna, autumn, ends in the first pass", "Europe/Vienna", "2026-10-24T22:20:00Z", "2026-10-25T00:30:00Z", nil, time.Second, "hour_repeated"},
		{"Vienna, autumn, clock left on summer time", "Europe/Vienna", "2026-10-24T22:00:00Z", "2026-10-25T05:00:00Z", cest, time.Second, "hour_repeated clock_not_changed"},
		{"Vienna, spring", "Europe/Vienna", "2026-03-28T22:00:00Z", "2026-03-29T05:00:00Z", nil, time.Second, ""},
		{"Vienna, spring, clock left on winter time", "Europe/Vienna", "2026-03-28T22:00:00Z", "2026-03-29T05:00:00Z", cet, time.Second, "hour_missing"},
		{"New York, autumn", "America/New_York", "2026-11-01T03:00:00Z", "2026-11-01T09:00:00Z", nil, time.Second, "hour_repeated hour_repeated"},
		{"New York, spring", "America/New_York", "2026-03-08T03:00:00Z", "2026-03-08T09:00:00Z", nil, time.Second, ""},
		{"Lord Howe, autumn", "Australia/Lord_Howe", "2026-04-04T12:00:00Z", "2026-04-04T18:00:00Z", nil, time.Second, "hour_repeated hour_repeated"},
		{"Lord Howe, spring", "Australia/Lord_Howe", "2026-10-03T12:00:00Z", "2026-10-03T18:00:00Z", nil, time.Second, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			loc, err := time.LoadLocation(tt.zone)
			if err != nil {
				t.Fatal(err)
			}
			clock := tt.clock
			if clock == nil {
				clock = loc
			}
			file, n := night(tt.from, tt.to, tt.step, clock)
			rep, runs := read(t, file, logfile.Options{Location: loc})
			levels := make([]acoustic.Level, n)
			for i := range levels {
				levels[i] = 5120
			}
			if diff := cmp.Diff([]series.Run{{Start: at(tt.from), Levels: levels}}, runs[0]); diff != "" {
				t.Errorf("Read (-want +got):\n%.600s\n%+v", diff, rep)
			}
			var got []string
			for _, p := range rep.Problems {
				got = append(got, p.Code)
			}
			if s := strings.Join(got, " "); s != tt.codes {
				t.Errorf("problems = %s; want %s", s, tt.codes)
			}
		})
	}
}

// Positions one after another each pass the repeated hour for themselves.
func TestReadClockChangePerPosition(t *testing.T) {
	t.Parallel()
	loc, _ := time.LoadLocation("Europe/Vienna")
	var b strings.Builder
	b.WriteString("at,position,level\n")
	for _, p := range []string{"101", "102"} {
		for s := range 4 * 3600 {
			b.WriteString(at("2026-10-24T23:00:00Z").Add(time.Duration(s)*time.Second).In(loc).Format("2006-01-02 15:04:05") + "," + p + ",51.2\n")
		}
	}
	_, runs := read(t, b.String(), logfile.Options{Location: loc})
	for _, p := range []int{101, 102} {
		if len(runs[p]) != 1 || len(runs[p][0].Levels) != 4*3600 || !runs[p][0].Start.Equal(at("2026-10-24T23:00:00Z")) {
			t.Errorf("position %d: %d runs", p, len(runs[p]))
		}
	}
}
