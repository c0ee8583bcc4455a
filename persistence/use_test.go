package persistence

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/fault"
	"leveltrail/domain/series"
)

// uses returns how many stretches of use are stored of a series.
func (b *samplesBed) uses(t fataler, h series.Series) (n int) {
	t.Helper()
	ok(0, b.store.read(b.ctx, func(q conn) error {
		return q.QueryRow(b.ctx, `select count(*) from instrument_use where series_id = $1`, h.ID).Scan(&n)
	}))(t)
	return n
}

// known returns when, as known at an instant, the series had samples.
func (b *samplesBed) known(t fataler, h series.Series, at time.Time) []series.Span {
	t.Helper()
	f := ok(b.store.VerdictFacts(b.ctx, b.survey.ID, &at))(t)
	for _, u := range f.Series {
		if u.ID == h.ID {
			return u.Stretches
		}
	}
	return nil
}

func second1(n int) []acoustic.Level { return noise(4, n, 10, 0) }

// Who sends every second lengthens one stretch. What was known at an instant is the
// same whenever it is asked, and of one who does not send live all that had arrived.
func TestStretchesGrow(t *testing.T) {
	t.Parallel()
	b := newSamplesBed(t)
	clock := t0
	b.store.now = func() time.Time { return clock }
	tests := []struct {
		name  string
		batch time.Duration // of samples a sending
		lag   time.Duration // from the end of the last sample to its arrival
		every time.Duration // between sendings
		n     int
		rows  int
	}{
		{"a sample a second, live", time.Second, 300 * time.Millisecond, time.Second, 200, 1},
		{"ten seconds at a time, live", 10 * time.Second, 20 * time.Second, 10 * time.Second, 60, 1},
		{"a clock ten seconds ahead", time.Second, -10 * time.Second, time.Second, 200, 1},
		{"a quarter hour at a time", 15 * time.Minute, time.Second, 15 * time.Minute, 8, 8},
		{"a backlog, fast", time.Second, 24 * time.Hour, 500 * time.Millisecond, 100, 100},
		{"a backlog, in one instant", time.Hour, 24 * time.Hour, 0, 5, 1},
		{"a clock an hour ahead", 10 * time.Second, -time.Hour, 10 * time.Second, 21, 21},
	}
	start := t0
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			start = start.AddDate(0, 0, 3)
			clock = start.Add(-2 * time.Hour)
			h := b.series(t, time.Second)
			type view struct {
				at    time.Time
				known []series.Span
			}
			var then []view
			var to time.Time
			for i := range tt.n {
				run := series.Run{Start: start.Add(time.Duration(i) * tt.batch), Levels: second1(int(tt.batch / time.Second))}
				to = run.Start.Add(tt.batch)
				clock = start.Add(tt.batch + tt.lag + time.Duration(i)*tt.every)
				ok(0, second(b.store.AppendSamples(b.ctx, h.ID, []series.Run{run})))(t)
				if tt.every > 0 || i == tt.n-1 {
					then = append(then, view{clock, b.known(t, h, clock)})
				}
			}
			if n := b.uses(t, h); n != tt.rows {
				t.Errorf("%d stretches are stored; want %d", n, tt.rows)
			}
			if got := b.known(t, h, then[0].at.Add(-time.Microsecond)); got != nil {
				t.Errorf("known before the first sending: %v", got)
			}
			for i, v := range then {
				if diff := cmp.Diff(v.known, b.known(t, h, v.at)); diff != "" {
					t.Fatalf("what was known after sending %d has changed (-then +now):\n%s", i, diff)
				}
			}
			settled := clock
			if tt.rows == 1 && tt.every > 0 {
				settled = later(clock, to).Add(liveDelay)
			}
			want := []series.Span{{From: start, To: to}}
			if diff := cmp.Diff(want, b.known(t, h, settled)); diff != "" {
				t.Errorf("known in the end (-want +got):\n%s", diff)
			}
		})
	}
	clock = t0.AddDate(10, 0, 0)
	ok(b.store.VerifySamples(b.ctx))(t)
}

// A stretch sent later inside what is there counts from its own arrival.
func TestStretchesKeepTheirArrival(t *testing.T) {
	t.Parallel()
	b := newSamplesBed(t)
	clock := t0.AddDate(0, 0, 1)
	b.store.now = func() time.Time { return clock }
	span := func(from, to int) series.Span {
		return series.Span{From: t0.Add(time.Duration(from) * time.Second), To: t0.Add(time.Duration(to) * time.Second)}
	}
	part := func(from, to int) []series.Run {
		return []series.Run{{Start: t0.Add(time.Duration(from) * time.Second), Levels: second1(1000)[from:to]}}
	}
	h := b.series(t, time.Second, append(part(0, 100), part(500, 600)...)...)
	first := clock
	clock = clock.Add(time.Hour)
	ok(0, second(b.store.AppendSamples(b.ctx, h.ID, part(50, 550))))(t)
	for _, tt := range []struct {
		at   time.Time
		want []series.Span
	}{
		{first.Add(-time.Microsecond), nil},
		{first, []series.Span{span(0, 100), span(500, 600)}},
		{clock.Add(-time.Microsecond), []series.Span{span(0, 100), span(500, 600)}},
		{clock, []series.Span{span(0, 600)}},
	} {
		if diff := cmp.Diff(tt.want, b.known(t, h, tt.at)); diff != "" {
			t.Errorf("known at %v (-want +got):\n%s", tt.at, diff)
		}
	}
	ok(b.store.VerifySamples(b.ctx))(t)
}

// A withdrawn series takes no samples, and its use counts no more from then on, for duplicates as for verdicts.
func TestWithdrawnSeries(t *testing.T) {
	t.Parallel()
	b := newSamplesBed(t)
	clock := t0.AddDate(0, 0, 1)
	b.store.now = func() time.Time { return clock }
	runs := []series.Run{{Start: t0, Levels: second1(100)}}
	h := b.series(t, time.Second, runs...)
	clock = clock.Add(time.Hour)
	// As the withdrawal of an import does.
	h.Withdrawn = true
	h = ok(update(b.ctx, b.store, seriesKind, h))(t)
	ok(b.store.pool.Exec(b.ctx, `update instrument_use set withdrawn_at = $1 where series_id = $2`, clock, h.ID))(t)

	wantCode(t, second(b.store.AppendSamples(b.ctx, h.ID, []series.Run{{Start: t0.Add(time.Hour), Levels: second1(3)}})), fault.Conflict, "series_withdrawn")
	if got := b.known(t, h, clock.Add(-time.Microsecond)); len(got) != 1 {
		t.Errorf("known before the withdrawal: %v; want one stretch", got)
	}
	if got := b.known(t, h, clock); got != nil {
		t.Errorf("known after the withdrawal: %v", got)
	}
	again := h
	again.ID, again.Withdrawn = uuid.Nil, false
	ok(0, second(b.store.CreateSeries(b.ctx, again, runs)))(t)
	ok(b.store.VerifySamples(b.ctx))(t)
}
