package persistence_test

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/access"
	"leveltrail/domain/calibration"
	"leveltrail/domain/civil"
	"leveltrail/domain/request"
	"leveltrail/persistence"
	"leveltrail/persistence/pgtest"
)

// invented gives the id of the n-th record of a kind in [fillArchive].
func invented(kind, n int) uuid.UUID {
	return uuid.MustParse(fmt.Sprintf("00000000-0000-7000-8%03x-%012x", kind, n))
}

const (
	inventedInstrument = 1
	inventedSurvey     = 2
)

// fillArchive fills a database with an invented archive: 4,000 meters and 1,000 calibrators
// with 4 certificates each, and surveys of 5 series with a check before and after,
// 200,000 series in all, a tenth of them checked with the first calibrator. The last survey has
// 50 series by 10 meters.
func fillArchive(b *testing.B, superuser string) {
	b.Helper()
	ctx := b.Context()
	db, err := pgx.Connect(ctx, superuser)
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close(ctx)
	const last = 39_991 // surveys: 39,990 of 5 series, one of 50
	statements := []string{
		`create function pg_temp.id(kind int, n bigint) returns uuid language sql immutable as
			$$ select ('00000000-0000-7000-8' || lpad(to_hex(kind), 3, '0') || '-' || lpad(to_hex(n), 12, '0'))::uuid $$`,
		`insert into client (id, version, created_at, recorded_at, name) values (pg_temp.id(9, 1), 1, '2020-01-01Z', '2020-01-01Z', 'Invented')`,
		`insert into project (client_id, id, version, created_at, recorded_at, reference, title, time_zone)
			values (pg_temp.id(9, 1), pg_temp.id(8, 1), 1, '2020-01-01Z', '2020-01-01Z', 'J-1', 'Invented', 'Europe/Vienna')`,
		`insert into position (client_id, id, version, created_at, recorded_at, project_id, number, label, setting)
			values (pg_temp.id(9, 1), pg_temp.id(7, 1), 1, '2020-01-01Z', '2020-01-01Z', pg_temp.id(8, 1), 1, 'Gate', 'free_field')`,
		`insert into laboratory (id, version, created_at, recorded_at, name, accreditations) values (pg_temp.id(6, 1), 1, '2020-01-01Z', '2020-01-01Z', 'Invented', '[]')`,
		`insert into instrument (id, version, created_at, recorded_at, kind, manufacturer, model, serial_number, class, specification)
			select pg_temp.id(1, n), 1, '2020-01-01Z', '2020-01-01Z', case when n <= 4000 then 'sound_level_meter' else 'sound_calibrator' end,
				'Invented', 'I', n, '1', case when n <= 4000 then 'IEC 61672-1:2013' else 'IEC 60942:2017' end
			from generate_series(1, 5000) n`,
		`insert into certificate (id, version, created_at, recorded_at, instrument_id, laboratory_id, state, accreditation, accredited, scope,
				item_serial_number, number, revision, calibrated_from, calibrated_on, standard, as_found, as_left, adjusted,
				pattern_evidence, person_authorising, reference_standards, results)
			select pg_temp.id(5, n), 1, d, d, pg_temp.id(1, i), pg_temp.id(6, 1), 'confirmed', '', true,
				case when i <= 4000 then '{sound_level_meter}'::text[] else '{calibrator}' end, i, n, 0, d, d, '', 'pass', 'pass', false, 'public', '',
				'[{"Description": "Invented standard", "Certificate": "REF-1"}]',
				'[{"Phase": "as_left", "Test": "level", "NominalDB": 9400, "FrequencyHz": 1000, "DeviationDB": 0, "ExpandedUncertaintyDB": 10, "CoverageFactor": 2}]'
			from generate_series(1, 20000) n, lateral (select (n - 1) % 5000 + 1 as i) i,
				lateral (select '2023-01-01'::date + (n - 1) / 5000 * 365 + i % 360 as d) d`,
		`insert into last_calibration (instrument_id, scope, on_day) select instrument_id, scope[1], max(calibrated_on) from certificate group by 1, 2`,
		`create temporary table made as select v, pg_temp.id(2, v) as id, case when v = ` + fmt.Sprint(last) + ` then '2025-10-01 08:00Z' else
				'2024-02-01 08:00Z'::timestamptz + v / 4000 * interval '40 days' + v % 30 * interval '1 day' end as at,
				case when v % 10 = 0 then 4001 else 4001 + v % 1000 end as calibrator from generate_series(1, ` + fmt.Sprint(last) + `) v`,
		`insert into survey (client_id, id, version, created_at, recorded_at, project_id, kind, operator, started_at, ended_at, rule_profile, rule_profile_edition)
			select pg_temp.id(9, 1), id, 1, at, at, pg_temp.id(8, 1), 'environmental', '', at, at + interval '10 hours', 'environmental', '2026-1' from made`,
		`create temporary table used as select v, id as survey_id, at + j / 10 * interval '1 hour' as at, at + j * interval '1 hour' as own, calibrator,
				case when v = ` + fmt.Sprint(last) + ` then j % 10 + 1 else v % 4000 + 1 end as meter, j, pg_temp.id(3, v * 64 + j) as id
			from made, generate_series(0, case when v = ` + fmt.Sprint(last) + ` then 49 else 4 end) j`,
		`update used set at = own where v <> ` + fmt.Sprint(last),
		`insert into series (client_id, id, version, created_at, recorded_at, survey_id, position_id, instrument_id, channel, quantity, interval_us, withdrawn)
			select pg_temp.id(9, 1), id, 1, at, at, survey_id, pg_temp.id(7, 1), pg_temp.id(1, meter), 1, 'LAF', 1000000, false from used`,
		`insert into instrument_use (instrument_id, channel, client_id, survey_id, series_id, quantity, during, recorded_at, live)
			select pg_temp.id(1, meter), 1, pg_temp.id(9, 1), survey_id, id, 'LAF', tstzrange(at, at + interval '1 hour'), at, false from used`,
		`insert into field_check (id, version, created_at, recorded_at, instrument_id, calibrator_id, certificate_id, channel, at,
				nominal_db, frequency_hz, expected_db, as_found_db, signal, weighting, pressure_correction_db, volume_correction_db, microphone_correction_db)
			select pg_temp.id(4, row_number() over ()), 1, c.at, c.at, pg_temp.id(1, meter), pg_temp.id(1, calibrator), null, 1, c.at, 94, 1000, 94, 94, 'acoustic', 'A', 0, 0, 0
			from (select distinct meter, calibrator, v from used) u join made using (v, calibrator),
				lateral (values (made.at - interval '10 minutes'), (made.at + interval '6 hours')) c (at)`,
		`insert into client_version select * from client`, `insert into project_version select * from project`,
		`insert into position_version select * from position`, `insert into laboratory_version select * from laboratory`,
		`insert into instrument_version select * from instrument`, `insert into certificate_version select * from certificate`,
		`insert into survey_version select * from survey`, `insert into series_version select * from series`,
		`insert into field_check_version select * from field_check`, `vacuum analyze`,
	}
	for _, s := range statements {
		// What the columns alone say is enough here.
		if _, err := db.Exec(ctx, `set session_replication_role = replica`); err != nil {
			b.Fatal(err)
		}
		if _, err := db.Exec(ctx, s); err != nil {
			b.Fatalf("%s: %v", s, err)
		}
	}
}

// BenchmarkTraceability answers the questions of a QA lead over an archive of
// 200,000 series, 5,000 instruments and 20,000 certificates, each beside the read of one row
// in the same run, and prints how many of those it takes.
func BenchmarkTraceability(b *testing.B) {
	db := pgtest.New(b)
	fillArchive(b, db.Superuser)
	store, err := persistence.Open(b.Context(), db.App)
	if err != nil {
		b.Fatal(err)
	}
	defer store.Close()
	ctx := access.With(b.Context(), access.Caller{All: true})
	row := func() error { _, err := store.Instrument(ctx, invented(inventedInstrument, 77)); return err }
	today := civil.Date{Year: 2026, Month: time.November, Day: 25}
	due := func(ctx context.Context, p request.Page) (n int, last uuid.UUID, err error) {
		kept, err := store.MayFallDue(ctx, calibration.ShortestIntervals(calibration.BuiltIn()), today.AddDays(60), p)
		if len(kept) == p.Limit { // one more than a page, as it tells that more follow
			last = kept[len(kept)-2].Instrument.ID
		}
		return len(calibration.DueList(kept, calibration.BuiltIn(), today, 60)), last, err
	}
	busy := calibration.Target{InstrumentID: invented(inventedInstrument, 4001)}
	reverse := func(p request.Page) (n int, last uuid.UUID, err error) {
		found, err := store.TouchedSurveys(ctx, busy, nil, nil, nil, p)
		for _, v := range found {
			calibration.Decide(v.Facts)
			n += len(calibration.Affects(v.Facts, busy))
			last = v.ID
		}
		return n, last, err
	}
	// As of surveys whose verdict was read before, it is kept what stands out in their samples.
	first, err := store.TouchedSurveys(ctx, busy, nil, nil, nil, request.Page{Limit: 50})
	if err != nil {
		b.Fatal(err)
	}
	for _, v := range first {
		if _, err := store.VerdictFacts(ctx, v.ID, nil); err != nil {
			b.Fatal(err)
		}
	}
	questions := []struct {
		name string
		ask  func() (n int, err error)
	}{
		{"reverse trace of a busy calibrator, 10 surveys", func() (int, error) { n, _, err := reverse(request.Page{Limit: 10}); return n, err }},
		{"reverse trace of a busy calibrator, 50 surveys", func() (int, error) { n, _, err := reverse(request.Page{Limit: 50}); return n, err }},
		{"due list, 50 instruments", func() (int, error) { n, _, err := due(ctx, request.Page{Limit: 50}); return n, err }},
		{"verdict of a survey of 50 series", func() (int, error) {
			f, err := store.VerdictFacts(ctx, invented(inventedSurvey, 39_991), nil)
			return len(calibration.Decide(f).Series), err
		}},
	}
	for _, q := range questions {
		b.Run(q.name, func(b *testing.B) {
			var asked, read time.Duration
			for b.Loop() {
				began := time.Now()
				n, err := q.ask()
				asked += time.Since(began)
				if err != nil || n == 0 {
					b.Fatalf("%d rows, %v", n, err)
				}
				began = time.Now()
				for range 10 {
					if err := row(); err != nil {
						b.Fatal(err)
					}
				}
				read += time.Since(began) / 10
			}
			b.ReportMetric(float64(asked)/float64(read), "rows/answer")
			b.ReportMetric(float64(read.Nanoseconds())/float64(b.N), "ns/row")
		})
	}
	b.Run("whole due list", func(b *testing.B) {
		for b.Loop() {
			var perRow []float64
			for _, size := range []int{50, 200} {
				began, p, n := time.Now(), request.Page{Limit: size}, 0
				for {
					some, last, err := due(ctx, p)
					if err != nil {
						b.Fatal(err)
					}
					n, p.After = n+some, last
					if last == uuid.Nil {
						break
					}
				}
				perRow = append(perRow, float64(time.Since(began).Microseconds())/float64(n))
			}
			b.ReportMetric(slices.Max(perRow), "µs/due-row")
		}
	})
}
