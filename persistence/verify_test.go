package persistence

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/persistence/levels"
)

// Whatever is tampered with behind the store's back is found, with its series and day.
func TestVerifySamplesFindsTampering(t *testing.T) {
	t.Parallel()
	b := newSamplesBedIn(t, "UTC")
	admin := b.superuser(t)
	b.series(t, time.Second, series.Run{Start: t0, Levels: noise(1, 3600, 10, 5)}) // an honest one before it
	runs := []series.Run{
		{Start: t0.Add(30 * time.Minute), Levels: noise(2, 2*86_400, 10, 5)},
		{Start: t0.AddDate(0, 0, 3), Levels: noise(3, 4000, 10, 5)},
	}
	h := b.series(t, time.Second, runs...)
	b.collectAll(t, h)
	b.series(t, 0, series.Run{Start: t0, Levels: []acoustic.Level{5000}})
	v := ok(b.store.VerifySamples(b.ctx))(t)
	if want := (SamplesVerified{Series: 3, Blocks: 1 + 49 + 2 + 1, Days: 4, Samples: 3600 + 2*86_400 + 4000 + 1}); v != want {
		t.Errorf("verified %+v; want %+v", v, want)
	}

	second := t0.AddDate(0, 0, 1)
	hour := second.Add(5 * time.Hour)
	other := []series.Run{{Start: hour, Levels: noise(99, 3600, 10, 5)}}
	block, tally := levels.Append(nil, hour, time.Second, other), tallyOf(other)
	day := series.DayOf(second, []series.Run{{Start: second, Levels: noise(98, 86_400, 10, 5)}}, time.Second)
	tests := []struct {
		name string
		sql  string
		args []any
		day  time.Time // of the difference, zero: of none
		what string
	}{
		{"numbers of a block", `update sample_block set numbers = numbers + 1 where series_id = $1 and hour = $2`, []any{hour}, second, "block of 05:00:00"},
		{"lowest of a block", `update sample_block set lowest = lowest - 1 where series_id = $1 and hour = $2`, []any{hour}, second, "block of 05:00:00"},
		{"highest of a block", `update sample_block set highest = highest + 1 where series_id = $1 and hour = $2`, []any{hour}, second, "block of 05:00:00"},
		{"a byte of a block", `update sample_block set data = set_byte(data, 30, get_byte(data, 30) # 1) where series_id = $1 and hour = $2`, []any{hour}, second, "not what was written"},
		{
			"another block, well made", `update sample_block set data = $3, rest = '', numbers = $4, lowest = $5, highest = $6 where series_id = $1 and hour = $2`,
			[]any{hour, block, tally.Count, int16(tally.Min), int16(tally.Max)},
			second, "aggregate of the day",
		},
		{"a block gone", `delete from sample_block where series_id = $1 and hour = $2`, []any{hour}, second, "aggregate of the day"},
		{"the last block gone", `delete from sample_block where series_id = $1 and hour >= $2`, []any{t0.AddDate(0, 0, 3)}, t0.AddDate(0, 0, 3), "a day without samples"},
		{"an aggregate, well made", `update sample_day set data = $3 where series_id = $1 and starts_at = $2`, []any{second, levels.AppendDay(nil, &day)}, second, "aggregate of the day"},
		{"a byte of an aggregate", `update sample_day set data = set_byte(data, 30, get_byte(data, 30) # 1) where series_id = $1 and starts_at = $2`, []any{second}, second, "not what was written"},
		{"hours of an aggregate, well made", `update sample_day set hours = $3 where series_id = $1 and starts_at = $2`, []any{second, levels.AppendHours(nil, &day)}, second, "aggregate of the hours"},
		{"an aggregate too many", `insert into sample_day select client_id, series_id, $2::timestamptz + interval '1 day', ends_at + interval '1 day', data, hours from sample_day where series_id = $1 and starts_at = $2`, []any{t0.AddDate(0, 0, 3)}, t0.AddDate(0, 0, 4), "a day without samples"},
		{"numbers noted", `update series_content set numbers = numbers + 1, under = under - 1 where series_id = $1`, nil, time.Time{}, "its blocks hold"},
		{"over range noted", `update series_content set over = over + 1 where series_id = $1`, nil, time.Time{}, "its blocks hold"},
		{"lowest noted", `update series_content set lowest = lowest + 1 where series_id = $1`, nil, time.Time{}, "its blocks hold"},
		{"highest noted", `update series_content set highest = highest - 1 where series_id = $1`, nil, time.Time{}, "its blocks hold"},
		{"beginning noted", `update series_content set starts_at = starts_at + interval '1 second' where series_id = $1`, nil, time.Time{}, "its blocks hold"},
		{"end noted", `update series_content set ends_at = ends_at + interval '1 second' where series_id = $1`, nil, time.Time{}, "its blocks hold"},
		{"use too long", `update instrument_use set during = tstzrange(lower(during), upper(during) + interval '1 second') where series_id = $1 and lower(during) > $2`, []any{second}, t0.AddDate(0, 0, 3), "use is noted to"},
		{"use gone", `delete from instrument_use where series_id = $1 and lower(during) > $2`, []any{second}, t0.AddDate(0, 0, 3), "no use of the meter is noted"},
		{"use too much", `insert into instrument_use (instrument_id, channel, client_id, survey_id, series_id, quantity, during, recorded_at, live) select instrument_id, channel, client_id, survey_id, series_id, quantity, '[2020-01-02,2020-01-03)', recorded_at, live from instrument_use where series_id = $1 and lower(during) < $2`, []any{second}, time.Date(2020, 1, 2, 0, 0, 0, 0, time.UTC), "no samples"},
		{"use twice", `insert into instrument_use select * from instrument_use where series_id = $1 and lower(during) < $2`, []any{second}, t0, "noted twice"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			backup := ok(admin.Begin(b.ctx))(t) // what was there, to be put back
			for _, table := range []string{"sample_block", "sample_day", "series_content", "instrument_use"} {
				ok(backup.Exec(b.ctx, `create table kept_`+table+` as select * from `+table+` where series_id = $1`, h.ID))(t)
			}
			tag := ok(backup.Exec(b.ctx, tt.sql, append([]any{h.ID}, tt.args...)...))(t)
			if tag.RowsAffected() == 0 {
				t.Fatal("nothing was tampered with")
			}
			ok(0, backup.Commit(b.ctx))(t)

			_, err := b.store.VerifySamples(b.ctx)
			var d *SampleDifference
			if !errors.As(err, &d) || d.SeriesID != h.ID || !d.Day.Equal(tt.day) || !strings.Contains(d.What, tt.what) {
				t.Errorf("VerifySamples = %v; want %q in %s on %v", err, tt.what, h.ID, tt.day)
			}

			for _, table := range []string{"sample_block", "sample_day", "series_content", "instrument_use"} {
				ok(admin.Exec(b.ctx, `delete from `+table+` where series_id = $1`, h.ID))(t)
				ok(admin.Exec(b.ctx, `insert into `+table+` select * from kept_`+table))(t)
				ok(admin.Exec(b.ctx, `drop table kept_`+table))(t)
			}
			ok(b.store.VerifySamples(b.ctx))(t)
		})
	}
}

// superuser returns a connection that row-level security does not bind.
func (b *samplesBed) superuser(t *testing.T) *pgx.Conn {
	t.Helper()
	admin := ok(pgx.Connect(b.ctx, b.db.Superuser))(t)
	t.Cleanup(func() { admin.Close(t.Context()) })
	return admin
}

// collectAll asks for all of a series, which leaves the aggregates of its days.
func (b *samplesBed) collectAll(t fataler, h series.Series) series.Answer {
	t.Helper()
	ask := series.Ask{Cells: []series.Cell{{Span: series.Span{From: t0.AddDate(-1, 0, 0), To: t0.AddDate(10, 0, 0)}}}, Groups: 1}
	return ok(b.store.CollectSeries(b.ctx, h.ID, series.Span{}, func(series.Facts) (series.Ask, error) { return ask, nil }))(t)
}
