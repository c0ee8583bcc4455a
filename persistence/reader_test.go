package persistence

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"leveltrail/domain/series"
)

// Days of any zone leave no gap and begin at the local midnight, to the quarter hour below.
func TestLocalDays(t *testing.T) {
	names := []string{"UTC", "Europe/Vienna", "Asia/Kathmandu", "America/St_Johns", "Australia/Lord_Howe", "Pacific/Apia", "America/Sao_Paulo", "Africa/Monrovia"}
	rapid.Check(t, func(t *rapid.T) {
		zone := ok(time.LoadLocation(rapid.SampledFrom(names).Draw(t, "zone")))(t)
		from := time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "from"), 0).UTC()
		to := from.Add(time.Duration(rapid.IntRange(1, 800*86_400).Draw(t, "seconds")) * time.Second)
		days := localDays(zone, from, to)
		if days[0].From.After(from) || !days[0].To.After(from) || days[len(days)-1].To.Before(to) || !days[len(days)-1].From.Before(to) {
			t.Fatalf("days from %v to %v; want those that meet %v to %v", days[0].From, days[len(days)-1].To, from, to)
		}
		rests := 0
		for i, d := range days {
			if length := d.To.Sub(d.From); length <= 0 || length > 24*time.Hour || d.From.Truncate(quarter) != d.From {
				t.Fatalf("day %v", d)
			}
			if i > 0 && !d.From.Equal(days[i-1].To) {
				t.Fatalf("day %v after %v", d, days[i-1])
			}
			if clock := d.From.Add(quarter - 1).In(zone); clock.Hour() > 1 {
				rests++ // of a day of 25 h
			}
		}
		if rests > len(days)/100+1 {
			t.Errorf("%d of %d days do not begin at midnight", rests, len(days))
		}
	})
}

// Local days with exceedance levels are read as they are kept, those of 23 and 25 hours too; in
// another zone of the project they are made again.
func TestLocalDaysAreRead(t *testing.T) {
	t.Parallel()
	b := newSamplesBedIn(t, "Europe/Vienna")
	zone := ok(time.LoadLocation("Europe/Vienna"))(t)
	run := series.Run{Start: time.Date(2016, 3, 1, 0, 0, 0, 0, zone).UTC(), Levels: noise(5, 300*1440, 10, 5)}
	h := b.series(t, time.Minute, run)
	daysIn := func(zone *time.Location) (ask series.Ask) {
		for i := range 290 {
			span := series.Span{From: time.Date(2016, 3, 2+i, 0, 0, 0, 0, zone).UTC(), To: time.Date(2016, 3, 3+i, 0, 0, 0, 0, zone).UTC()}
			ask.Cells = append(ask.Cells, series.Cell{Span: span, Group: i})
		}
		ask.Groups = len(ask.Cells)
		return ask
	}
	check := func(what string, ask series.Ask, days, decoded int) {
		t.Helper()
		got, c := b.collected(t, h, ask)
		if diff := cmp.Diff(series.Collect([]series.Run{run}, time.Minute, ask), got); diff != "" {
			t.Errorf("%s (-brute force +store):\n%s", what, diff)
		}
		if c.daysRead != days || c.decoded != decoded {
			t.Errorf("%s: read %d aggregates, decoded %d blocks; want %d, %d", what, c.daysRead, c.decoded, days, decoded)
		}
		ok(0, b.store.keepDays(b.ctx, c.made))(t)
	}
	// 30 October 2016 has 25 h, the last of them in a row of its own.
	check("first", daysIn(zone), 0, 290*24)
	check("again", daysIn(zone), 291, 0)
	one := series.Ask{Cells: daysIn(zone).Cells[100:101], Groups: 290}
	check("one day", one, 1, 0)

	p := ok(b.store.Project(b.ctx, b.survey.ProjectID))(t)
	p.TimeZone = "UTC"
	ok(b.store.UpdateProject(b.ctx, p))(t)
	check("first in UTC", daysIn(time.UTC), 0, 290*24)
	check("again in UTC", daysIn(time.UTC), 290, 0)
	ok(b.store.VerifySamples(b.ctx))(t)
}
