package main

import (
	"bytes"
	"strings"
	"testing"

	"github.com/google/uuid"

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
