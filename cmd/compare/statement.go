package main

import (
	"context"
	"fmt"
	"math"
	"time"

	"leveltrail/domain/series"
	"leveltrail/domain/summary"
)

// statement is the best single statement found for the figures over rows. It goes
// over the rows once and counts them by hour and level, in parallel workers, so that
// what is dear (powers of ten, sorting for exceedance levels, the local clock) is
// done for each count and not for each row. The cores of others were run beside it over
// 120 days, three times: powers summed by row with a second pass for the levels took
// about as long (1.8 to 2.2 s against 1.7 to 2.0 s), percentile_disc, date_trunc and
// grouping sets longer (2.1 to 2.5 s). The level exceeded in n % of the time is the
// one at rank floor(n%)+1 from the highest.
const statement = `
with counted as materialized (
	select date_bin('1 hour', at, '2000-01-01 00:00+00') as hour, level, count(*) as n
	from reading where series = 1 and at >= $1 and at < $2
	group by 1, 2
), hourly as (
	select hour, extract(hour from hour at time zone 'Europe/Vienna') as clock,
		sum(n)::float8 as n, sum(n * power(10::float8, level::float8 / 10)) as energy
	from counted group by hour
), ranked as (
	select level, sum(n) over (order by level desc) as upto, sum(n) over () as total
	from (select level, sum(n) as n from counted group by level) as levels
), parts as (
	select sum(energy) filter (where clock >= 7 and clock < 19) / sum(n) filter (where clock >= 7 and clock < 19) as day,
		sum(energy) filter (where clock >= 19 and clock < 23) / sum(n) filter (where clock >= 19 and clock < 23) as evening,
		sum(energy) filter (where clock >= 23 or clock < 7) / sum(n) filter (where clock >= 23 or clock < 7) as night,
		10 * log(sum(energy) / sum(n)) as whole
	from hourly
)
select whole,
	(select max(level)::float8 from ranked), (select min(level)::float8 from ranked),
	(select max(level)::float8 from ranked where upto >= floor(total * 0.1) + 1),
	(select max(level)::float8 from ranked where upto >= floor(total * 0.5) + 1),
	(select max(level)::float8 from ranked where upto >= floor(total * 0.9) + 1),
	10 * log((12 * day + 4 * evening * power(10, 0.5::float8) + 8 * night * 10) / 24),
	(select array_agg(10 * log(energy / n) order by hour) from hourly)
from parts`

// figures are those of a span, from either side.
type figures struct {
	numbers [7]float64 // LAeq, LAFmax, LAFmin, LAF10, LAF50, LAF90, Lden
	profile []float64  // LAeq of each hour
}

// theirs asks the rows.
func (b *bench) theirs(ctx context.Context, s series.Span) (f figures, err error) {
	n := &f.numbers
	err = b.rows.QueryRow(ctx, statement, s.From, s.To).Scan(&n[0], &n[1], &n[2], &n[3], &n[4], &n[5], &n[6], &f.profile)
	return f, err
}

// asked is what both sides are asked: percentiles and periods of the whole, LAeq of each hour.
func asked(s series.Span) summary.Request {
	r := totals(s)
	r.Step = time.Hour
	return r
}

// figuresOf picks out of a summary what the statement answers.
func figuresOf(s summary.Summary) (f figures, err error) {
	found := map[string]float64{}
	for _, g := range append(s.Levels, s.Indices...) {
		if g.Level != nil {
			found[g.Symbol] = float64(*g.Level)
		}
	}
	for i, symbol := range []string{"LAeq", "LAFmax", "LAFmin", "LAF10", "LAF50", "LAF90", "Lden"} {
		var ok bool
		if f.numbers[i], ok = found[symbol]; !ok {
			return f, fmt.Errorf("our side has no %s: %v", symbol, s.Unavailable)
		}
	}
	means := s.Steps.Means()
	f.profile = make([]float64, len(means))
	for i, l := range means {
		f.profile[i] = float64(l)
	}
	return f, nil
}

// differ reports how the figures of the two sides differ, beyond the rounding of floating point.
func differ(ours, theirs figures) error {
	near := func(a, b float64) bool { return math.Abs(a-b) < 1e-4 } // float4 carries six digits
	for i := range ours.numbers {
		if !near(ours.numbers[i], theirs.numbers[i]) {
			return fmt.Errorf("the sides differ: %v, %v", ours.numbers, theirs.numbers)
		}
	}
	if len(ours.profile) != len(theirs.profile) {
		return fmt.Errorf("the sides have %d and %d hours", len(ours.profile), len(theirs.profile))
	}
	for i := range ours.profile {
		if !near(ours.profile[i], theirs.profile[i]) {
			return fmt.Errorf("the sides differ in hour %d: %v, %v", i, ours.profile[i], theirs.profile[i])
		}
	}
	return nil
}
