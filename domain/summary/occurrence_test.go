package summary_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/summary"
)

// The clock is set forward in the second of these nights, so that it lasts 7 h.
func TestOccurrences(t *testing.T) {
	t.Parallel()
	vienna, err := time.LoadLocation("Europe/Vienna")
	if err != nil {
		t.Fatal(err)
	}
	at := func(day, hour int) time.Time { return time.Date(2026, 3, day, hour, 0, 0, 0, vienna).UTC() }
	got, ok := summary.Occurrences(acoustic.DefaultPeriods, "Lnight", vienna, series.Span{From: at(28, 2), To: at(29, 23)})
	want := []series.Span{{From: at(28, 2), To: at(28, 7)}, {From: at(28, 23), To: at(29, 7)}}
	if diff := cmp.Diff(want, got); diff != "" || !ok {
		t.Errorf("nights (-want +got):\n%s", diff)
	}
	if length := got[1].To.Sub(got[1].From); length != 7*time.Hour {
		t.Errorf("the night of the clock change lasts %v; want 7h", length)
	}
	if got, ok := summary.Occurrences(acoustic.DefaultPeriods, "Lnoon", vienna, series.Span{From: at(28, 2), To: at(29, 23)}); ok || got != nil {
		t.Errorf("a period that is not in the set: %v, %v", got, ok)
	}
}
