package migrations_test

import (
	"strings"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"

	"leveltrail/migrations"
)

func TestFilesAreNumberedAndPaired(t *testing.T) {
	t.Parallel()
	ups, err := migrations.List(migrations.Files)
	if err != nil || len(ups) == 0 {
		t.Fatalf("List(Files) = %v, %v; want the steps", ups, err)
	}
	if got := migrations.Latest(); int(got) != len(ups) {
		t.Errorf("Latest() = %d; want %d", got, len(ups))
	}
}

func TestList(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name  string
		files string
		want  []string
		err   string
	}{
		{name: "none"},
		{name: "two", files: "000001_a.up.sql 000001_a.down.sql 000002_b_2.up.sql 000002_b_2.down.sql", want: []string{"000001_a.up.sql", "000002_b_2.up.sql"}},
		{name: "others do not count", files: "migrations.go testdata/000007.sql"},
		{name: "five digits", files: "00001_a.up.sql 00001_a.down.sql", err: "is not named like"},
		{name: "no direction", files: "000001_a.sql", err: "is not named like"},
		{name: "starts at two", files: "000002_a.up.sql 000002_a.down.sql", err: "000002_a.up.sql is in place 1"},
		{name: "gap", files: "000001_a.up.sql 000001_a.down.sql 000003_b.up.sql 000003_b.down.sql", err: "000003_b.up.sql is in place 2"},
		{name: "number used twice", files: "000001_a.up.sql 000001_a.down.sql 000001_b.up.sql 000001_b.down.sql", err: "000001_b.up.sql is in place 2"},
		{name: "no down", files: "000001_a.up.sql", err: "has no 000001_a.down.sql"},
		{name: "down of another name", files: "000001_a.up.sql 000001_b.down.sql", err: "has no 000001_a.down.sql"},
		{name: "down alone", files: "000001_a.up.sql 000001_a.down.sql 000002_b.down.sql", err: "000002_b.down.sql undoes nothing"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			fsys := fstest.MapFS{}
			for name := range strings.FieldsSeq(tt.files) {
				fsys[name] = &fstest.MapFile{}
			}
			got, err := migrations.List(fsys)
			if tt.err != "" {
				if err == nil || !strings.Contains(err.Error(), tt.err) {
					t.Fatalf("List(%s) = %v, %v; want an error with %q", tt.files, got, err, tt.err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("List(%s) (-want +got):\n%s", tt.files, diff)
			}
		})
	}
}
