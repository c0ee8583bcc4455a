package persistence

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/calibration"
	"leveltrail/domain/request"
	"leveltrail/domain/series"
	"leveltrail/persistence/pgtest"
)

// Gathered, or looked for in one survey after the other, the surveys in which something was used are the same.
func TestTouchedEitherWay(t *testing.T) {
	t.Parallel()
	b := newSamplesBed(t)
	db := pgtest.Connect(t, b.db.Superuser)
	// 6 instruments, of which the last two are parts, in 300 surveys on a year's days, with checks and fits at random.
	for _, sql := range []string{
		`set session_replication_role = replica`,
		`select setseed(0.17)`,
		`create function pg_temp.id(kind int, n bigint) returns uuid language sql immutable as
			$$ select ('00000000-0000-7000-8' || lpad(to_hex(kind), 3, '0') || '-' || lpad(to_hex(n), 12, '0'))::uuid $$`,
		`create function pg_temp.day() returns timestamptz language sql volatile as $$ select '2026-01-01 08:00Z'::timestamptz + floor(random() * 360) * interval '1 day' $$`,
		`insert into survey (client_id, id, version, created_at, recorded_at, project_id, kind, operator, started_at, rule_profile, rule_profile_edition, void_reason)
			select client_id, pg_temp.id(2, n), 1, created_at, recorded_at, project_id, kind, operator, started_at, rule_profile, rule_profile_edition,
				case when random() < 0.1 then 'invented' end from survey, generate_series(1, 300) n`,
		`insert into instrument_use (instrument_id, channel, client_id, survey_id, series_id, quantity, during, recorded_at, live, withdrawn_at)
			select pg_temp.id(1, 1 + floor(random() * 4)::int), 1, client_id, s.id, pg_temp.id(3, s.n * 4 + k), 'LAF', tstzrange(at, at + random() * interval '5 days'), at, false,
				case when random() < 0.2 then at + interval '90 days' end
			from survey, lateral (select row_number() over () as n, survey.id) s, generate_series(1, 3) k, lateral (select pg_temp.day() + k * interval '1 hour' as at where k is not null) a
			where survey.id <> '` + b.survey.ID.String() + `'`,
		`insert into field_check_version (id, version, created_at, recorded_at, instrument_id, calibrator_id, channel, at,
				nominal_db, frequency_hz, expected_db, as_found_db, signal, weighting, pressure_correction_db, volume_correction_db, microphone_correction_db)
			select pg_temp.id(4, n), 1, at, at, pg_temp.id(1, 1 + floor(random() * 4)::int), pg_temp.id(1, 1 + floor(random() * 4)::int), 1, at, 94, 1000, 94, 94, 'acoustic', 'A', 0, 0, 0
			from generate_series(1, 200) n, lateral (select pg_temp.day() as at where n is not null) a`,
		`insert into component_version (id, version, created_at, recorded_at, instrument_id, part_id, starts_at, ends_at)
			select pg_temp.id(5, n), 1, at, at, pg_temp.id(1, 1 + n % 4), pg_temp.id(1, 5 + n % 2), at, at + interval '30 days'
			from generate_series(1, 12) n, lateral (select pg_temp.day() as at where n is not null) a`,
	} {
		if _, err := db.Exec(t.Context(), sql); err != nil {
			t.Fatalf("%s: %v", sql, err)
		}
	}
	at := func(day int) *time.Time {
		d := time.Date(2026, 1, 1, 8, 0, 0, 0, time.UTC).AddDate(0, 0, day)
		return &d
	}
	found := 0
	for instrument := 1; instrument <= 6; instrument++ {
		for _, span := range [][2]*time.Time{{nil, nil}, {at(40), at(50)}, {at(300), nil}} {
			for _, known := range []*time.Time{at(1000), at(200)} {
				target, of := targetOf(calibration.Target{InstrumentID: uuid.MustParse(fmt.Sprintf("00000000-0000-7000-8001-%012x", instrument))})
				args := pgx.StrictNamedArgs{
					"target": of, "reach": 36 * time.Hour, "known": known, "after": uuid.MustParse(fmt.Sprintf("00000000-0000-7000-8002-%012x", 30)), "limit": 60,
				}
				used := usesWithin(span[0], span[1], args)
				var ids [2][]uuid.UUID
				for i, statement := range []string{target + touched(used), target + touchedInTurn(used)} {
					ok(0, b.store.read(b.ctx, func(q conn) (err error) {
						rows, _ := q.Query(b.ctx, statement, args)
						ids[i], err = pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
						return err
					}))(t)
				}
				if diff := cmp.Diff(ids[0], ids[1]); diff != "" {
					t.Errorf("instrument %d, span %v, known %s (-gathered +in turn):\n%s", instrument, span, known, diff)
				}
				found += len(ids[0])
			}
		}
	}
	if found < 300 {
		t.Errorf("%d surveys are found: too few to compare", found)
	}
}

// A check in a long pause of a series is found, though only use after the pause is asked about.
func TestTouchedInAPause(t *testing.T) {
	t.Parallel()
	b := newSamplesBed(t)
	calibrator := ok(b.store.CreateInstrument(b.ctx, calibration.Instrument{
		Kind: calibration.SoundCalibrator, Manufacturer: "Invented Works", Model: "Beta", SerialNumber: "B-1", Class: "1", Specification: "IEC 60942:2017",
	}))(t)
	day := func(n int) time.Time { return t0.AddDate(0, 0, n) }
	b.series(t, time.Minute, series.Run{Start: day(0), Levels: noise(1, 60, 10, 0)}, series.Run{Start: day(300), Levels: noise(2, 60, 10, 0)})
	ok(b.store.CreateFieldCheck(b.ctx, calibration.FieldCheck{
		InstrumentID: b.meter.ID, CalibratorID: calibrator.ID, Channel: 1, At: day(150), NominalDB: 94_00, FrequencyHz: 1000, ExpectedDB: 94_00, AsFoundDB: 94_00,
		Signal: calibration.Acoustic, Weighting: "A",
	}))(t)
	for from, want := range map[int]int{200: 1, 301: 0} {
		found := ok(b.store.TouchedSurveys(b.ctx, calibration.Target{InstrumentID: calibrator.ID}, new(day(from)), nil, nil, request.Page{Limit: 10}))(t)
		if len(found) != want {
			t.Errorf("used after day %d: %d surveys; want %d", from, len(found), want)
		}
	}
}
