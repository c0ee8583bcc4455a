package logfile

import (
	"testing"
	"time"
)

// The days of dates are those of the time package.
func TestDaysFromCivil(t *testing.T) {
	t.Parallel()
	for at := time.Date(1899, 12, 1, 0, 0, 0, 0, time.UTC); at.Year() < 2200; at = at.AddDate(0, 0, 1) {
		if got, want := daysFromCivil(at.Year(), int(at.Month()), at.Day()), at.Unix()/86400; got != want && at.Unix() >= 0 || at.Unix() < 0 && got*86400 != at.Unix() {
			t.Fatalf("daysFromCivil(%s) = %d; want %d", at.Format(time.DateOnly), got, want)
		}
	}
}
