package caution_test

import (
	"testing"
	"time"

	"leveltrail/domain/caution"
)

func TestTexts(t *testing.T) {
	t.Parallel()
	if got, want := caution.Days(1, 2).Text, "Result of 1 day and 2 nights, not a yearly index."; got != want {
		t.Errorf("Days(1, 2) = %q; want %q", got, want)
	}
	on := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	if got, want := caution.Checked(on).Text, "Rule texts checked on 2026-03-01; the law in force at the place and its competent persons decide."; got != want {
		t.Errorf("Checked = %q; want %q", got, want)
	}
	seen := map[string]bool{}
	for _, c := range append(caution.Environmental(), caution.Workplace()...) {
		if c.Code == "" || c.Text == "" {
			t.Errorf("%+v is empty", c)
		}
		seen[c.Code] = true
	}
	if len(seen) != 5 {
		t.Errorf("%d cautions; want 5", len(seen))
	}
}
