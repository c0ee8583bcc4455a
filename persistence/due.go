package persistence

import (
	"cmp"
	"context"
	"slices"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/calibration"
	"leveltrail/domain/civil"
	"leveltrail/domain/fault"
	"leveltrail/domain/request"
)

// mayEnd orders the instruments by the day on which their cover ends at the
// earliest: the least of the due days of their newest calibrations, of what the
// house shortened, and of what ended a cover since. It decides nothing: what it
// leaves out is covered beyond the horizon, what it lets through is judged by
// [calibration.DueList]. $1 and $2 are the scopes and their months, $3 is the horizon.
const mayEnd = `
	with newest as materialized (
		select instrument_id, scope, max(calibrated_on) as on_day from certificate
		where state = 'confirmed' and id not in (select replaces_id from certificate where replaces_id is not null and state = 'confirmed')
		group by instrument_id, scope
	), ends as (
		select instrument_id, min(on_day + months * interval '1 month')::date as day
		from newest join unnest($1::text[], $2::int[]) as due (of_scope, months) on of_scope = any(scope)
		where on_day <= $3::date group by instrument_id
		union all
		select n.instrument_id, c.due_override_on from newest n join certificate c on c.instrument_id = n.instrument_id and c.calibrated_on = n.on_day
		where c.due_override_on is not null and c.state = 'confirmed'
		union all
		select n.instrument_id, n.on_day - 1 from newest n join certificate c on c.instrument_id = n.instrument_id and c.calibrated_on = n.on_day
		where c.as_left = 'fail' and c.state = 'confirmed'
		union all
		select c.instrument_id, s.effective_from - 1 from certificate_status s join certificate c on c.id = s.certificate_id
		join newest n on n.instrument_id = c.instrument_id and n.on_day = c.calibrated_on where s.status <> 'active'
		union all
		select n.instrument_id, e.on_day - 1 from (
			select instrument_id, on_day from event where ends_cover
			union all
			select f.instrument_id, e.on_day from event e join component f on f.part_id = e.instrument_id where e.ends_cover
		) e join newest n on n.instrument_id = e.instrument_id and e.on_day >= n.on_day
	), may_end as (
		select instrument_id as id, min(day) as day from ends where day <= $3::date group by instrument_id
	)
	select id from may_end
	where $4 = '00000000-0000-0000-0000-000000000000'::uuid or (day, id) > (select day, id from may_end where id = $4)
	order by day, id limit $5`

// MayFallDue returns a page of the instruments whose cover may end on a day up to
// horizon, with all that their due rows are reckoned from, those that may end first
// in front. months gives the interval of each scope.
func (s *Store) MayFallDue(ctx context.Context, months map[calibration.Scope]int, horizon civil.Date, p request.Page) (all []calibration.Kept, err error) {
	var scopes []string
	var intervals []int
	for scope, n := range months {
		scopes, intervals = append(scopes, string(scope)), append(intervals, n)
	}
	err = s.read(ctx, func(q conn) error {
		rows, _ := q.Query(ctx, mayEnd, scopes, intervals, horizon, p.After, p.Limit)
		ids, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
		if err != nil {
			return err
		}
		if len(ids) == 0 && p.After != uuid.Nil {
			return &fault.Error{Kind: fault.Conflict, Code: "list_changed", Message: "the list has changed since the page before: begin anew"}
		}
		known, pasts, err := pastsKnown(ctx, q, ids, s.stamp())
		if err != nil {
			return err
		}
		for i, of := range known {
			all = append(all, calibration.Kept{Instrument: of, Past: pasts[i]})
		}
		slices.SortFunc(all, func(a, b calibration.Kept) int {
			return cmp.Compare(slices.Index(ids, a.Instrument.ID), slices.Index(ids, b.Instrument.ID))
		})
		return nil
	})
	return all, err
}
