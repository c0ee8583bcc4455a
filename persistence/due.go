package persistence

import (
	"cmp"
	"context"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/calibration"
	"leveltrail/domain/civil"
	"leveltrail/domain/fault"
	"leveltrail/domain/request"
	"leveltrail/domain/survey"
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
		union all
		select planned.instrument_id, $3::date from survey v,
			lateral (select value::uuid as instrument_id from jsonb_array_elements_text(v.planned -> 'Instruments')) planned
		where v.planned is not null and v.void_reason is null and (v.ended_at is null or v.ended_at > $6)
			and planned.instrument_id in (select instrument_id from newest)
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
		now := s.stamp()
		rows, _ := q.Query(ctx, mayEnd, scopes, intervals, horizon, p.After, p.Limit, now)
		ids, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
		if err != nil {
			return err
		}
		if len(ids) == 0 && p.After != uuid.Nil {
			return &fault.Error{Kind: fault.Conflict, Code: "list_changed", Message: "the list has changed since the page before: begin anew"}
		}
		known, pasts, err := pastsKnown(ctx, q, ids, now)
		if err != nil {
			return err
		}
		planned, err := plannedUse(ctx, q, ids, now)
		if err != nil {
			return err
		}
		for i, of := range known {
			all = append(all, calibration.Kept{Instrument: of, Past: pasts[i], Planned: planned[of.ID]})
		}
		slices.SortFunc(all, func(a, b calibration.Kept) int {
			return cmp.Compare(slices.Index(ids, a.Instrument.ID), slices.Index(ids, b.Instrument.ID))
		})
		return nil
	})
	return all, err
}

// plannedUse returns, of each instrument, its use planned by the caller's clients' surveys that have not ended.
func plannedUse(ctx context.Context, q conn, ids []uuid.UUID, now time.Time) (map[uuid.UUID][]calibration.Planned, error) {
	found, err := surveys.where(ctx, q, `planned is not null and void_reason is null and (ended_at is null or ended_at > $1)
		and exists (select from jsonb_array_elements_text(planned -> 'Instruments') p where p::uuid = any($2))`, now, ids)
	if err != nil || len(found) == 0 {
		return nil, err
	}
	projectIDs := make([]uuid.UUID, len(found))
	for i, v := range found {
		projectIDs[i] = v.ProjectID
	}
	of, err := projects.where(ctx, q, `id = any($1)`, projectIDs)
	if err != nil {
		return nil, err
	}
	profiles, err := profilesOf(ctx, q)
	if err != nil {
		return nil, err
	}
	use := map[uuid.UUID][]calibration.Planned{}
	for _, v := range found {
		site := slices.IndexFunc(of, func(p survey.Project) bool { return p.ID == v.ProjectID })
		edition := slices.IndexFunc(profiles, func(p calibration.RuleProfile) bool {
			return p.Code == v.RuleProfile && p.Edition == v.RuleProfileEdition
		})
		if site < 0 || edition < 0 {
			continue
		}
		zone := of[site].Zone()
		span := v.PlannedTime(zone)
		planned := calibration.Planned{
			SurveyID: v.ID, First: civil.DayOf(span.From, zone), Last: civil.DayOf(span.To.Add(-time.Microsecond), zone), Profile: profiles[edition],
		}
		for _, id := range v.Planned.Instruments {
			use[id] = append(use[id], planned)
		}
	}
	return use, nil
}
