package migrations_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/riverqueue/river/rivermigrate"

	"leveltrail/migrations"
	"leveltrail/persistence/pgtest"
)

// The tables of the job queue are those that its library makes itself, but for
// the table of its own migrations and what the service may do.
func TestJobTablesAreTheLibrarys(t *testing.T) {
	t.Parallel()
	mine := func(url string) []string {
		var lines []string
		for _, line := range describe(t, url) {
			if strings.Contains(line, "river_") && !strings.Contains(line, "river_migration") && !strings.HasPrefix(line, "grant") {
				lines = append(lines, line)
			}
		}
		return lines
	}
	theirs, ours := pgtest.Empty(t), pgtest.Empty(t)
	migrator, err := rivermigrate.New(riverpgxv5.New(pgtest.Connect(t, theirs.Owner)), nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := migrator.Migrate(t.Context(), rivermigrate.DirectionUp, nil); err != nil {
		t.Fatal(err)
	}
	if err := migrations.Up(ours.Owner); err != nil {
		t.Fatal(err)
	}
	want := mine(theirs.Owner)
	if len(want) < 50 {
		t.Fatalf("the library's tables show only %d lines", len(want))
	}
	if diff := cmp.Diff(want, mine(ours.Owner)); diff != "" {
		t.Errorf("tables of the job queue (-the library's +ours):\n%s", diff)
	}
}
