package persistence

import (
	"context"
	"fmt"
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"pgregory.net/rapid"

	"leveltrail/domain/access"
	"leveltrail/domain/acoustic"
	"leveltrail/domain/calibration"
	"leveltrail/domain/fault"
	"leveltrail/domain/series"
	"leveltrail/domain/survey"
	"leveltrail/persistence/pgtest"
)

// t0 is the midnight that the samples of these tests are around; the store's clock stands years later.
var t0 = time.Date(2016, 2, 27, 0, 0, 0, 0, time.UTC)

// samplesBed is a survey of an invented client to put samples into.
type samplesBed struct {
	ctx      context.Context
	store    *Store
	db       pgtest.Database
	survey   survey.Survey
	position survey.Position
	meter    calibration.Instrument
	channels atomic.Int64
}

type fataler interface {
	Helper()
	Fatal(...any)
}

// ok returns v and fails the test on an error.
func ok[T any](v T, err error) func(fataler) T {
	return func(t fataler) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func newSamplesBed(t testing.TB) *samplesBed {
	t.Helper()
	return newSamplesBedIn(t, "Asia/Kathmandu") // at +05:45: its days begin within an hour of UTC
}

// newSamplesBedIn returns a bed whose days are those of a zone.
func newSamplesBedIn(t testing.TB, zone string) *samplesBed {
	t.Helper()
	b := &samplesBed{db: pgtest.New(t), ctx: access.With(t.Context(), access.Caller{All: true})}
	b.store = ok(Open(b.ctx, b.db.App))(t)
	t.Cleanup(b.store.Close)
	b.store.now = func() time.Time { return t0.AddDate(-1, 0, 0) }
	client := ok(b.store.CreateClient(b.ctx, survey.Client{Name: "Invented Mill"}))(t)
	project := ok(b.store.CreateProject(b.ctx, survey.Project{ClientID: client.ID, Reference: "INV-1", Title: "Invented", TimeZone: zone}))(t)
	b.position = ok(b.store.CreatePosition(b.ctx, survey.Position{ClientID: client.ID, ProjectID: project.ID, Number: 101, Setting: "free_field"}))(t)
	profile, _ := calibration.NewestProfile("monitoring")
	b.survey = ok(b.store.CreateSurvey(b.ctx, survey.Survey{
		ClientID: client.ID, ProjectID: project.ID, Kind: "monitoring", StartedAt: t0, RuleProfile: profile.Code, RuleProfileEdition: profile.Edition,
	}))(t)
	b.meter = ok(b.store.CreateInstrument(b.ctx, calibration.Instrument{
		Kind: calibration.SoundLevelMeter, Manufacturer: "Invented Works", Model: "Kappa", SerialNumber: "K-1", Class: "1", Specification: "IEC 61672-1:2013",
	}))(t)
	b.store.now = func() time.Time { return t0.AddDate(15, 0, 0) }
	return b
}

// series makes a series on a channel of its own.
func (b *samplesBed) series(t fataler, interval time.Duration, runs ...series.Run) series.Series {
	t.Helper()
	h, _, err := b.store.CreateSeries(b.ctx, series.Series{
		SurveyID: b.survey.ID, PositionID: b.position.ID, InstrumentID: b.meter.ID, Channel: int(b.channels.Add(1)), Quantity: "LAF",
		IntervalUS: interval.Microseconds(),
	}, runs)
	return ok(h, err)(t)
}

// collected is the answer to ask, and how it was come by.
func (b *samplesBed) collected(t fataler, h series.Series, ask series.Ask) (a series.Answer, c *reader) {
	t.Helper()
	err := b.store.read(b.ctx, func(q conn) error {
		f, err := factsOf(b.ctx, q, h.ID)
		if err != nil {
			return err
		}
		c = newReader(f, ask, b.store.stamp())
		a, err = c.answer(b.ctx, q)
		return err
	})
	ok(0, err)(t)
	return a, c
}

// stored reads all samples of a series, by pages.
func (b *samplesBed) stored(t fataler, h series.Series, limit int) []series.Run {
	t.Helper()
	var all []series.Run
	for span := (series.Span{From: t0.AddDate(-1, 0, 0), To: t0.AddDate(150, 0, 0)}); ; {
		_, runs, next, err := b.store.Samples(b.ctx, h.ID, span, limit)
		ok(0, err)(t)
		n := 0
		for _, r := range runs {
			all = joined(all, r, h.Interval())
			n += len(r.Levels)
		}
		if next == nil {
			return all
		}
		if n != limit {
			t.Fatal(fmt.Sprintf("a page that is not the last has %d samples; want %d", n, limit))
		}
		span.From = *next
	}
}

// noise returns n levels from integers alone, so that they are the same everywhere
// and always; flags are so many in a thousand.
func noise(seed uint64, n, step, flags int) []acoustic.Level {
	next := func(n int) int { // SplitMix64
		seed += 0x9e3779b97f4a7c15
		z := (seed ^ seed>>30) * 0xbf58476d1ce4e5b9
		z = (z ^ z>>27) * 0x94d049bb133111eb
		return int((z ^ z>>31) % uint64(n))
	}
	ls := make([]acoustic.Level, n)
	l := 5000
	for i := range ls {
		l = min(max(l+(next(41)-20)*step, 2000), 11_000)
		switch ls[i] = acoustic.Level(l); {
		case next(1000) < flags:
			ls[i] = series.UnderRange
		case next(1000) < flags:
			ls[i] = series.OverRange
		}
	}
	return ls
}

var testIntervals = []time.Duration{
	0, time.Millisecond, 125 * time.Millisecond, time.Second, 7 * time.Second, 333_333 * time.Microsecond, time.Minute, 90 * time.Minute, 24 * time.Hour,
}

// anySamples draws runs with gaps and flags, of about two days at most.
func anySamples(t *rapid.T, interval time.Duration) []series.Run {
	var runs []series.Run
	at := t0.Add(anyWhile(t, "start"))
	seed := rapid.Uint64Range(0, 1000).Draw(t, "seed")
	step := rapid.SampledFrom([]int{1, 10}).Draw(t, "step")
	if interval == 0 {
		for _, l := range noise(seed, rapid.IntRange(1, 300).Draw(t, "readings"), step, 5) {
			runs = append(runs, series.Run{Start: at, Levels: []acoustic.Level{l}})
			at = at.Add(time.Microsecond + time.Duration(uint64(l)*2_654_435_761%uint64(20*time.Minute)).Truncate(time.Microsecond))
		}
		return runs
	}
	for i := range rapid.IntRange(1, 6).Draw(t, "runs") {
		n := 1 + int(min(anyWhile(t, "length")/interval, 20_000))
		runs = append(runs, series.Run{Start: at, Levels: noise(seed+uint64(i), n, step, 5)})
		at = at.Add(time.Duration(n)*interval + anyWhile(t, "gap") + time.Microsecond)
	}
	return runs
}

// anyWhile draws a length of time, often a round one.
func anyWhile(t *rapid.T, label string) time.Duration {
	unit := rapid.SampledFrom([]time.Duration{time.Microsecond, 997 * time.Millisecond, time.Minute, 15 * time.Minute, time.Hour}).Draw(t, label+" unit")
	return min(unit*time.Duration(rapid.IntRange(0, 100).Draw(t, label)), 20*time.Hour)
}

// anyAsk draws disjoint cells in time order: of whole days, quarters or any microseconds, with and without histograms, some exclusions cut out.
func anyAsk(t *rapid.T) series.Ask {
	ask := series.Ask{Groups: rapid.IntRange(1, 12).Draw(t, "groups"), Keep: rapid.IntRange(0, 4).Draw(t, "keep") == 0}
	lengths := [][]time.Duration{
		{24 * time.Hour}, {24 * time.Hour, 15 * time.Minute}, {15 * time.Minute, time.Hour, 8 * time.Hour}, {time.Hour, 61*time.Second + 7*time.Microsecond, time.Microsecond},
	}[rapid.IntRange(0, 3).Draw(t, "lengths")]
	grouped := rapid.SampledFrom([]int{0, 1, 2}).Draw(t, "grouped") // none, one for all, any
	at := t0.Add(-24 * time.Hour)
	if rapid.Bool().Draw(t, "ragged") {
		at = at.Add(anyWhile(t, "first"))
	}
	for range rapid.IntRange(0, 60).Draw(t, "cells") {
		if rapid.IntRange(0, 9).Draw(t, "apart") == 0 {
			at = at.Add(anyWhile(t, "pause"))
		}
		c := series.Cell{Span: series.Span{From: at, To: at.Add(rapid.SampledFrom(lengths).Draw(t, "length"))}, Group: -1}
		switch grouped {
		case 1:
			c.Group = 0
		case 2:
			c.Group = rapid.IntRange(-1, ask.Groups-1).Draw(t, "group")
		}
		at = c.To
		ask.Cells = append(ask.Cells, c)
	}
	return ask
}

// Any cutting, order, repetition and number of senders of the same samples leaves the
// same samples and gives the same answers, which are those of adding all of them up.
func TestAnySendingOfSamples(t *testing.T) {
	t.Parallel()
	b := newSamplesBed(t)
	rapid.Check(t, func(t *rapid.T) {
		interval := rapid.SampledFrom(testIntervals).Draw(t, "interval")
		runs := anySamples(t, interval)
		want := runs
		whole := b.series(t, interval, runs...)
		cut := b.series(t, interval)
		b.send(t, cut, pieces(t, runs, interval), rapid.IntRange(1, 3).Draw(t, "senders"))

		wholeContent, cutContent := b.content(t, whole), b.content(t, cut)
		cutContent.Revision = wholeContent.Revision
		if diff := cmp.Diff(wholeContent, cutContent); diff != "" {
			t.Fatalf("content (-at once +in pieces):\n%s", diff)
		}
		limit := rapid.SampledFrom([]int{1_000_000, 999, 86_400}).Draw(t, "limit")
		for _, h := range []series.Series{whole, cut} {
			sameRuns(t, want, b.stored(t, h, limit))
		}
		for range 3 {
			ask := anyAsk(t)
			want := series.Collect(runs, interval, ask)
			for _, h := range []series.Series{whole, cut, whole} { // the last with the aggregates that the first left
				got := ok(b.store.CollectSeries(b.ctx, h.ID, series.Span{}, func(series.Facts) (series.Ask, error) { return ask, nil }))(t)
				if diff := cmp.Diff(want, got); diff != "" {
					t.Fatalf("answer (-brute force +store):\n%s", diff)
				}
			}
		}
	})
	v := ok(b.store.VerifySamples(b.ctx))(t)
	if v.Series == 0 || v.Days == 0 || v.Samples == 0 {
		t.Errorf("verified %+v; want some of each", v)
	}
}

func (b *samplesBed) content(t fataler, h series.Series) series.Content {
	t.Helper()
	_, c, err := b.store.Series(b.ctx, h.ID)
	return ok(c, err)(t)
}

// pieces cuts runs into appends of one or several runs, in any order, some of them again or overlapping.
func pieces(t *rapid.T, runs []series.Run, interval time.Duration) [][]series.Run {
	var cut []series.Run
	for _, r := range runs {
		for len(r.Levels) > 0 {
			n := 1 + rapid.IntRange(0, len(r.Levels)-1).Draw(t, "piece")
			if len(cut) > 12 {
				n = len(r.Levels)
			}
			cut = append(cut, series.Run{Start: r.Start, Levels: r.Levels[:n]})
			if n > 3 && rapid.Bool().Draw(t, "again") {
				i := rapid.IntRange(0, n-1).Draw(t, "from")
				cut = append(cut, series.Run{Start: r.Start.Add(time.Duration(i) * interval), Levels: r.Levels[i:]})
			}
			r = series.Run{Start: r.Start.Add(time.Duration(n) * interval), Levels: r.Levels[n:]}
		}
	}
	cut = rapid.Permutation(cut).Draw(t, "order")
	var appends [][]series.Run
	for len(cut) > 0 {
		n := min(len(cut), rapid.IntRange(1, 1+len(cut)/4).Draw(t, "together"))
		appends = append(appends, cut[:n])
		cut = cut[n:]
	}
	return appends
}

// send appends by several senders at once.
func (b *samplesBed) send(t fataler, h series.Series, appends [][]series.Run, senders int) {
	t.Helper()
	errs := make(chan error)
	var next atomic.Int64
	for range senders {
		go func() {
			for {
				i := int(next.Add(1)) - 1
				if i >= len(appends) {
					errs <- nil
					return
				}
				if _, _, err := b.store.AppendSamples(b.ctx, h.ID, appends[i]); err != nil {
					errs <- fmt.Errorf("append %d: %w", i, err)
					return
				}
			}
		}()
	}
	var failed error
	for range senders {
		if err := <-errs; err != nil {
			failed = err
		}
	}
	ok(0, failed)(t)
}

// A sample that differs, or that lies between two, is refused with its time, and nothing of the append stays.
func TestContradictionsAreRefused(t *testing.T) {
	t.Parallel()
	b := newSamplesBed(t)
	rapid.Check(t, func(t *rapid.T) {
		interval := rapid.SampledFrom(testIntervals).Draw(t, "interval")
		runs := anySamples(t, interval)
		h := b.series(t, interval, runs...)
		before := b.content(t, h)

		sent := make([]series.Run, len(runs))
		for i, r := range runs {
			sent[i] = series.Run{Start: r.Start, Levels: slices.Clone(r.Levels)}
		}
		var at time.Time
		if r := rapid.IntRange(0, len(sent)-1).Draw(t, "run"); interval > 0 && rapid.IntRange(0, 3).Draw(t, "phase") == 0 {
			at = sent[r].Start.Add(interval / 2)
			sent = []series.Run{{Start: at, Levels: sent[r].Levels[:1]}}
		} else {
			for range rapid.IntRange(1, 3).Draw(t, "changes") {
				r := rapid.IntRange(0, len(sent)-1).Draw(t, "run")
				i := rapid.IntRange(0, len(sent[r].Levels)-1).Draw(t, "sample")
				if sent[r].Levels[i] = 1234; runs[r].Levels[i] == 1234 {
					sent[r].Levels[i] = series.OverRange
				}
				if x := sent[r].Start.Add(time.Duration(i) * interval); at.IsZero() || x.Before(at) {
					at = x
				}
			}
			// Something new beside it.
			last := sent[len(sent)-1]
			sent = append(sent, series.Run{Start: last.Start.Add(time.Duration(len(last.Levels))*interval + 48*time.Hour), Levels: []acoustic.Level{5000}})
		}
		_, _, err := b.store.AppendSamples(b.ctx, h.ID, rapid.Permutation(sent).Draw(t, "order"))
		wantCode(t, err, fault.Conflict, "samples_contradict")
		if want := contradiction(at).Error(); err.Error() != want {
			t.Fatalf("refused with %q; want %q", err, want)
		}
		if diff := cmp.Diff(before, b.content(t, h)); diff != "" {
			t.Fatalf("content (-before +after):\n%s", diff)
		}
		sameRuns(t, runs, b.stored(t, h, 1_000_000))
	})
	ok(b.store.VerifySamples(b.ctx))(t)
}

func wantCode(t interface {
	Helper()
	Fatalf(string, ...any)
}, err error, kind fault.Kind, code string,
) {
	t.Helper()
	if f, is := err.(*fault.Error); !is || f.Kind != kind || f.Code != code { //nolint:errorlint // returned bare
		t.Fatalf("error = %v; want kind %d, code %s", err, kind, code)
	}
}

// What is read for an answer: aggregates of whole days, blocks of the rest.
func TestAnswersReadOnlyWhatTheyMust(t *testing.T) {
	t.Parallel()
	b := newSamplesBedIn(t, "UTC")
	const days = 10
	run := series.Run{Start: t0, Levels: noise(7, days*86_400, 10, 5)}
	h := b.series(t, time.Second, run)
	at := func(day int, clock time.Duration) time.Time { return t0.AddDate(0, 0, day).Add(clock) }
	cell := func(from, to time.Time, group int) series.Cell {
		return series.Cell{Span: series.Span{From: from, To: to}, Group: group}
	}
	steps := func(from, to time.Time, step time.Duration, group func(i int) int) (cells []series.Cell) {
		for i := 0; from.Before(to); i++ {
			cells = append(cells, cell(from, from.Add(step), group(i)))
			from = from.Add(step)
		}
		return cells
	}
	noGroup := func(int) int { return -1 }
	each := func(i int) int { return i }
	whole := series.Ask{Cells: []series.Cell{cell(at(0, 0), at(days, 0), 0)}, Groups: 1}
	first, c := b.collected(t, h, whole)
	if c.daysRead != 0 || c.decoded != days*24 || len(c.made) != days {
		t.Errorf("the first answer read %d aggregates, decoded %d blocks, made %d aggregates; want 0, %d, %d", c.daysRead, c.decoded, len(c.made), days*24, days)
	}
	ok(0, b.store.keepDays(b.ctx, c.made))(t)

	tests := []struct {
		name          string
		cells         []series.Cell
		days, decoded int
	}{
		{"all, again", whole.Cells, days, 0},
		{"more than there is", []series.Cell{cell(at(-300, 5), at(days+300, 7), 0)}, days, 0},
		{"eight whole days", []series.Cell{cell(at(1, 0), at(9, 0), 0)}, 8, 0},
		{"local days of a zone at +05:45", []series.Cell{cell(at(0, 18*time.Hour+15*time.Minute), at(8, 18*time.Hour+15*time.Minute), -1)}, 9, 0},
		{"the same with percentiles", []series.Cell{cell(at(0, 18*time.Hour+15*time.Minute), at(8, 18*time.Hour+15*time.Minute), 0)}, 7, 6 + 19},
		{"ragged at both ends", []series.Cell{cell(at(1, 10*time.Hour+7*time.Minute), at(5, 3*time.Hour+20*time.Second), 0)}, 3, 14 + 4},
		{"within an hour", []series.Cell{cell(at(1, 10*time.Hour+7*time.Second), at(1, 10*time.Hour+9*time.Second), 0)}, 0, 1},
		{"two exclusions", []series.Cell{
			cell(at(0, 0), at(3, 12*time.Hour+3*time.Minute), 0),
			cell(at(3, 12*time.Hour+13*time.Minute), at(6, 2*time.Hour), 0),
			cell(at(6, 2*time.Hour+time.Microsecond), at(days, 0), 0),
		}, 8, 48},
		{"an excluded day", []series.Cell{cell(at(0, 0), at(4, 0), 0), cell(at(5, 0), at(days, 0), 0)}, 9, 0},
		{"hours without percentiles", steps(at(0, 0), at(days, 0), time.Hour, noGroup), days, 0},
		{"quarter hours without percentiles", steps(at(2, 0), at(3, 0), 15*time.Minute, noGroup), 1, 0},
		{"hours with percentiles of two days", steps(at(2, 0), at(4, 0), time.Hour, each), 0, 48},
		{"days with percentiles", steps(at(2, 0), at(6, 0), 24*time.Hour, each), 4, 0},
		{"minutes of two hours", steps(at(2, time.Hour), at(2, 3*time.Hour), time.Minute, noGroup), 0, 2},
		{"nothing", nil, 0, 0},
		{"before it all", []series.Cell{cell(at(-3, 0), at(0, 0), 0)}, 0, 0},
		{"after it all", []series.Cell{cell(at(days, 0), at(days+3, 0), 0)}, 0, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			ask := series.Ask{Cells: tt.cells, Groups: 100}
			got, c := b.collected(t, h, ask)
			if c.daysRead != tt.days || c.decoded != tt.decoded || len(c.made) != 0 {
				t.Errorf("read %d aggregates, decoded %d blocks, made %d aggregates; want %d, %d, 0", c.daysRead, c.decoded, len(c.made), tt.days, tt.decoded)
			}
			if diff := cmp.Diff(series.Collect([]series.Run{run}, time.Second, ask), got); diff != "" {
				t.Errorf("answer (-brute force +store):\n%s", diff)
			}
		})
	}
	again, _ := b.collected(t, h, whole)
	if diff := cmp.Diff(first, again); diff != "" {
		t.Errorf("from aggregates (-blocks +aggregates):\n%s", diff)
	}

	// The last day has not ended while the clock is in it: it is decoded and no aggregate is kept.
	live := b.series(t, time.Second, series.Run{Start: t0, Levels: noise(8, 2*86_400, 10, 0)})
	was := b.store.now
	b.store.now = func() time.Time { return at(1, 23*time.Hour) }
	_, c = b.collected(t, live, whole)
	b.store.now = was
	if len(c.made) != 1 || !c.made[0].day.From.Equal(t0) {
		t.Errorf("made %d aggregates while the second day runs; want that of the first day", len(c.made))
	}
}

// An aggregate made before an append is not kept after it, and an append deletes what was kept.
func TestAggregatesNeverStale(t *testing.T) {
	t.Parallel()
	b := newSamplesBedIn(t, "UTC")
	all := noise(3, 3*86_400, 10, 0)
	part := func(from, to int) series.Run {
		return series.Run{Start: t0.Add(time.Duration(from) * time.Second), Levels: all[from:to]}
	}
	h := b.series(t, time.Second, part(0, 40_000), part(90_000, len(all)))
	ask := series.Ask{Cells: []series.Cell{{Span: series.Span{From: t0, To: t0.AddDate(0, 0, 3)}}}, Groups: 1}
	kept := func() (n int) {
		ok(0, b.store.read(b.ctx, func(q conn) error {
			return q.QueryRow(b.ctx, `select count(*) from sample_day where series_id = $1`, h.ID).Scan(&n)
		}))(t)
		return n
	}

	_, before := b.collected(t, h, ask)
	ok(0, second(b.store.AppendSamples(b.ctx, h.ID, []series.Run{part(40_000, 50_000)})))(t)
	ok(0, b.store.keepDays(b.ctx, before.made))(t)
	if n := kept(); n != 0 {
		t.Errorf("%d aggregates kept of samples that have changed; want none", n)
	}
	_, before = b.collected(t, h, ask)
	ok(0, b.store.keepDays(b.ctx, before.made))(t)
	if n := kept(); n != 3 {
		t.Errorf("%d aggregates kept; want 3", n)
	}
	ok(0, second(b.store.AppendSamples(b.ctx, h.ID, []series.Run{part(49_000, 50_000)})))(t)
	if n := kept(); n != 3 {
		t.Errorf("%d aggregates after samples that were there already; want 3", n)
	}
	ok(0, second(b.store.AppendSamples(b.ctx, h.ID, []series.Run{part(49_000, 80_000)})))(t)
	if n := kept(); n != 2 {
		t.Errorf("%d aggregates after an append to the first day; want those of the other two", n)
	}

	// Readers and senders at once.
	done := make(chan error)
	go func() {
		for i := 80_000; i < 90_000; i += 500 {
			if err := second(b.store.AppendSamples(b.ctx, h.ID, []series.Run{part(i, i+500)})); err != nil {
				done <- err
				return
			}
		}
		done <- nil
	}()
	for range 2 {
		go func() {
			for range 20 {
				if _, err := b.store.CollectSeries(b.ctx, h.ID, series.Span{}, func(series.Facts) (series.Ask, error) { return ask, nil }); err != nil {
					done <- err
					return
				}
			}
			done <- nil
		}()
	}
	for range 3 {
		ok(0, <-done)(t)
	}
	ok(b.store.VerifySamples(b.ctx))(t)
	got, _ := b.collected(t, h, ask)
	if diff := cmp.Diff(series.Collect([]series.Run{part(0, len(all))}, time.Second, ask), got); diff != "" {
		t.Errorf("answer (-brute force +store):\n%s", diff)
	}
}

// A reading at the very end of what is asked, and of a day, takes part.
func TestSpotReadingsAtMidnight(t *testing.T) {
	t.Parallel()
	b := newSamplesBed(t)
	runs := []series.Run{
		{Start: t0.Add(23 * time.Hour), Levels: []acoustic.Level{4000}},
		{Start: t0.Add(24*time.Hour - time.Microsecond), Levels: []acoustic.Level{5000}},
		{Start: t0.Add(24 * time.Hour), Levels: []acoustic.Level{6000}},
	}
	h := b.series(t, 0, runs...)
	midnight := t0.AddDate(0, 0, 1)
	ask := series.Ask{Groups: 2, Cells: []series.Cell{{Span: series.Span{From: t0, To: midnight}}, {Span: series.Span{From: midnight, To: midnight.Add(time.Microsecond)}, Group: 1}}}
	for range 2 {
		got := ok(b.store.CollectSeries(b.ctx, h.ID, series.Span{}, func(series.Facts) (series.Ask, error) { return ask, nil }))(t)
		if diff := cmp.Diff(series.Collect(runs, 0, ask), got); diff != "" || got.Tallies[0].Count != 2 || got.Tallies[1].Count != 1 {
			t.Errorf("answer (-brute force +store):\n%s", diff)
		}
	}
}

// second returns the error of an append.
func second(_ series.Series, _ series.Content, err error) error { return err }

// Two hundred who send a sample each at the same time to one series, and as many to a series of their own.
func TestManySmallSenders(t *testing.T) {
	t.Parallel()
	b := newSamplesBed(t)
	const senders = 200
	levels := noise(11, senders, 10, 0)
	shared := b.series(t, time.Second)
	errs := make(chan error)
	for i := range senders {
		run := []series.Run{{Start: t0.Add(time.Duration(i) * time.Second), Levels: levels[i : i+1]}}
		h := b.series(t, time.Second)
		go func() { errs <- second(b.store.AppendSamples(b.ctx, shared.ID, run)) }()
		go func() { errs <- second(b.store.AppendSamples(b.ctx, h.ID, run)) }()
	}
	for range 2 * senders {
		ok(0, <-errs)(t)
	}
	sameRuns(t, []series.Run{{Start: t0, Levels: levels}}, b.stored(t, shared, 1000))
	ok(b.store.VerifySamples(b.ctx))(t)
}

// The same quantity of one channel is in a survey once, whoever comes first of two at once.
func TestDuplicatesAreRefused(t *testing.T) {
	t.Parallel()
	b := newSamplesBed(t)
	runs := []series.Run{{Start: t0, Levels: noise(1, 600, 10, 0)}}
	h := series.Series{SurveyID: b.survey.ID, PositionID: b.position.ID, InstrumentID: b.meter.ID, Channel: 900, Quantity: "LAF", IntervalUS: 1e6}
	errs := make(chan error)
	for range 6 {
		go func() {
			_, _, err := b.store.CreateSeries(b.ctx, h, runs)
			errs <- err
		}()
	}
	stored := 0
	for range 6 {
		if err := <-errs; err == nil {
			stored++
		} else {
			wantCode(t, err, fault.Conflict, "samples_duplicate")
		}
	}
	if stored != 1 {
		t.Errorf("%d of six equal series were stored; want 1", stored)
	}
	for _, other := range []func(*series.Series){
		func(h *series.Series) { h.Quantity = "LCpeak" },
		func(h *series.Series) { h.Channel++ },
		func(h *series.Series) { h.BandFraction, h.BandNominalHz = new(3), new(125.0) },
	} {
		h := h
		other(&h)
		ok(0, second(b.store.CreateSeries(b.ctx, h, runs)))(t)
	}
	next := []series.Run{{Start: t0.Add(600 * time.Second), Levels: runs[0].Levels}}
	ok(0, second(b.store.CreateSeries(b.ctx, h, next)))(t)
	// One who comes while another has not committed waits, and is refused then.
	unknown := h
	unknown.Channel = 990
	ok(0, b.store.write(b.ctx, func(tx pgx.Tx) error {
		if err := second(b.store.CreateSeries(context.WithValue(b.ctx, txKey{}, tx), unknown, runs)); err != nil {
			return err
		}
		go func() { errs <- second(b.store.CreateSeries(b.ctx, unknown, runs)) }()
		for waiting := false; !waiting; {
			if err := b.store.pool.QueryRow(b.ctx, `select exists (select from pg_locks where locktype = 'advisory' and not granted
				and database = (select oid from pg_database where datname = current_database()))`).Scan(&waiting); err != nil {
				return err
			}
			select {
			case err := <-errs:
				t.Fatalf("the second did not wait: %v", err)
			default:
			}
		}
		return nil
	}))(t)
	wantCode(t, <-errs, fault.Conflict, "samples_duplicate")

	spot := h
	spot.IntervalUS = 0
	_, _, err := b.store.CreateSeries(b.ctx, spot, []series.Run{{Start: t0.Add(3 * time.Second), Levels: []acoustic.Level{5000}}})
	wantCode(t, err, fault.Conflict, "samples_duplicate")
}

// An append whose backend dies, or whose caller goes away, in its midst leaves nothing; the next try completes it.
func TestCrashInMidAppend(t *testing.T) {
	t.Parallel()
	b := newSamplesBed(t)
	admin := ok(pgx.Connect(b.ctx, b.db.Superuser))(t)
	defer admin.Close(context.WithoutCancel(b.ctx))
	first := series.Run{Start: t0, Levels: noise(5, 7000, 10, 5)}
	rest := series.Run{Start: t0.Add(7000 * time.Second), Levels: noise(6, 200_000, 10, 5)}
	h := b.series(t, time.Second, first)
	before := b.content(t, h)

	for _, end := range []string{"killed", "cancelled"} {
		ctx, cancel := context.WithCancel(b.ctx)
		defer cancel()
		lock := ok(admin.Begin(b.ctx))(t)
		ok(lock.Exec(b.ctx, `lock table sample_day in access exclusive mode`))(t) // reached when blocks are written
		failed := make(chan error)
		go func() { failed <- second(b.store.AppendSamples(ctx, h.ID, []series.Run{rest})) }()
		var pid int
		for pid == 0 {
			rows, _ := lock.Query(b.ctx, `select pid from pg_locks l join pg_class c on c.oid = l.relation where c.relname = 'sample_day' and not granted`)
			pids := ok(pgx.CollectRows(rows, pgx.RowTo[int]))(t)
			if len(pids) > 0 {
				pid = pids[0]
			}
		}
		if end == "killed" {
			ok(lock.Exec(b.ctx, `select pg_terminate_backend($1)`, pid))(t)
		} else {
			cancel()
		}
		if err := <-failed; err == nil {
			t.Fatalf("%s: the append succeeded", end)
		}
		ok(0, lock.Rollback(b.ctx))(t)
		if diff := cmp.Diff(before, b.content(t, h)); diff != "" {
			t.Errorf("%s: content (-before +after):\n%s", end, diff)
		}
		sameRuns(t, []series.Run{first}, b.stored(t, h, 1_000_000))
		ok(b.store.VerifySamples(b.ctx))(t)
	}
	ok(0, second(b.store.AppendSamples(b.ctx, h.ID, []series.Run{rest})))(t)
	want, _, _ := series.Merge(nil, []series.Run{first, rest}, time.Second)
	sameRuns(t, want, b.stored(t, h, 1_000_000))
	ok(b.store.VerifySamples(b.ctx))(t)
}

// The shortest and the longest interval, and ten years, each more than is written at once.
func TestLongSeries(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name     string
		interval time.Duration
		samples  int
		step     int
	}{
		{"milliseconds", time.Millisecond, flushAt + 2_000_000, 10},
		{"ten years of minutes", time.Minute, 5_260_320, 1},
		{"a century of days", 24 * time.Hour, 36_525, 1},
	}
	b := newSamplesBed(t)
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			run := series.Run{Start: t0.Add(11 * time.Hour), Levels: noise(2, tt.samples, tt.step, 5)}
			h := b.series(t, tt.interval)
			half := tt.samples * 4 / 5
			_, content, err := b.store.AppendSamples(b.ctx, h.ID, []series.Run{
				{Start: run.Start.Add(time.Duration(half) * tt.interval), Levels: run.Levels[half:]},
				{Start: run.Start, Levels: run.Levels[:half]},
			})
			ok(0, err)(t)
			tally := series.TallyOf(run.Levels)
			want := series.Content{
				Revision: content.Revision, Extent: series.Span{From: run.Start, To: run.Start.Add(time.Duration(tt.samples) * tt.interval)},
				Numbers: tally.Count, Under: tally.Under, Over: tally.Over, Lowest: tally.Min, Highest: tally.Max,
			}
			if diff := cmp.Diff(want, content); diff != "" {
				t.Errorf("content (-want +got):\n%s", diff)
			}
			if diff := cmp.Diff(want, b.content(t, h)); diff != "" {
				t.Errorf("content stored (-want +got):\n%s", diff)
			}
			sameRuns(t, []series.Run{run}, b.stored(t, h, 1_000_000))
			step := (want.Extent.To.Sub(run.Start) / 1000).Truncate(time.Microsecond)
			ask := series.Ask{Groups: 2}
			for at := run.Start.Add(-time.Hour); at.Before(want.Extent.To); at = at.Add(step) {
				ask.Cells = append(ask.Cells, series.Cell{Span: series.Span{From: at, To: at.Add(step)}, Group: len(ask.Cells) / 50 % 2})
			}
			if tt.interval == 24*time.Hour { // cells of whole days
				ask.Cells = []series.Cell{{Span: series.Span{From: t0, To: t0.AddDate(50, 0, 0)}}, {Span: series.Span{From: t0.AddDate(60, 0, 0), To: t0.AddDate(200, 0, 0)}, Group: 1}}
			}
			brute := series.Collect([]series.Run{run}, tt.interval, ask)
			for range 2 {
				got := ok(b.store.CollectSeries(b.ctx, h.ID, series.Span{}, func(series.Facts) (series.Ask, error) { return ask, nil }))(t)
				if diff := cmp.Diff(brute, got); diff != "" {
					t.Fatalf("answer (-brute force +store):\n%s", diff)
				}
			}
		})
	}
}

// sameRuns compares long runs, which cmp.Diff takes long for.
func sameRuns(t interface {
	Helper()
	Fatalf(string, ...any)
}, want, got []series.Run,
) {
	t.Helper()
	same := slices.EqualFunc(want, got, func(a, b series.Run) bool { return a.Start.Equal(b.Start) && slices.Equal(a.Levels, b.Levels) })
	if !same {
		t.Fatalf("samples (-want +got):\n%s", cmp.Diff(want, got))
	}
}
