package main

import (
	"bytes"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"leveltrail/persistence"
	"leveltrail/persistence/pgtest"
)

// What the command prints of samples that agree, and of a number that was tampered with.
func TestAuditVerifySamples(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	verify := func() (string, error) {
		var out, log bytes.Buffer
		err := run(t.Context(), []string{"audit", "verify", "--samples"}, settings("DATABASE_URL="+db.App), &out, &log)
		return out.String(), err
	}
	out, err := verify()
	if want := "0 samples of 0 series in 0 blocks; 0 aggregates of days agree\n"; err != nil || out != want {
		t.Errorf("of an empty database: %q, %v; want %q", out, err, want)
	}
	id := uuid.Must(uuid.NewV7())
	if _, err := pgtest.Connect(t, db.Superuser).Exec(t.Context(), seriesOf(id)); err != nil {
		t.Fatal(err)
	}
	out, err = verify()
	if err == nil || out != "" || !strings.Contains(err.Error(), "series "+id.String()+": its blocks hold 0 numbers") {
		t.Errorf("of a series said to hold samples that are not there: %q, %v", out, err)
	}
}

// The head is one line that grows with the journal, and is what the chain verifies to.
func TestAuditHead(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	ask := func(command string) (string, error) {
		var out, log bytes.Buffer
		err := run(t.Context(), []string{"audit", command}, settings("DATABASE_URL="+db.App), &out, &log)
		return out.String(), err
	}
	if out, err := ask("head"); err == nil || out != "" {
		t.Errorf("of an empty journal: %q, %v", out, err)
	}
	store, err := persistence.Open(t.Context(), db.App)
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	var last string
	for i := range 2 {
		createdClient(t, store, "Invented")
		out, err := ask("head")
		fields := strings.Fields(out)
		if err != nil || strings.Count(out, "\n") != 1 || len(fields) != 3 || fields[0] != strconv.Itoa(i+1) || fields[1] == last {
			t.Fatalf("audit head = %q, %v; want one line about entry %d", out, err, i+1)
		}
		if _, err := time.Parse(time.RFC3339Nano, fields[2]); err != nil {
			t.Error(err)
		}
		if again, _ := ask("head"); again != out {
			t.Errorf("asked again, the head is %q; it was %q", again, out)
		}
		verified, err := ask("verify")
		if err != nil || !strings.Contains(verified, "up to SHA-256 "+fields[1]) {
			t.Errorf("audit verify = %q, %v; want the head %s", verified, err, fields[1])
		}
		last = fields[1]
	}
}

// seriesOf is SQL that stores a series which is said to hold three samples and has none.
func seriesOf(id uuid.UUID) string {
	return strings.NewReplacer("$id", "'"+id.String()+"'").Replace(`
		set session_replication_role = replica; -- records around it do not matter here
		insert into project (client_id, id, version, created_at, recorded_at, reference, title, time_zone)
			values ($id, $id, 1, now(), now(), 'J', 'Invented', 'UTC');
		insert into survey (client_id, id, version, created_at, recorded_at, project_id, kind, operator, started_at, rule_profile, rule_profile_edition)
			values ($id, $id, 1, now(), now(), $id, 'environmental', '', '2026-03-03 07:00Z', 'environmental', '1');
		insert into position (client_id, id, version, created_at, recorded_at, project_id, number, label, setting)
			values ($id, $id, 1, now(), now(), $id, 1, 'Gate', 'free_field');
		insert into series (client_id, id, version, created_at, recorded_at, survey_id, position_id, instrument_id, channel, quantity, interval_us, withdrawn)
			values ($id, $id, 1, now(), now(), $id, $id, $id, 1, 'LAF', 1000000, false);
		insert into series_content (client_id, series_id, revision, starts_at, ends_at, numbers, under, over, lowest, highest)
			values ($id, $id, 1, '2026-03-03 07:00Z', '2026-03-03 07:00:03Z', 3, 0, 0, 5000, 5000);
		reset session_replication_role`)
}
