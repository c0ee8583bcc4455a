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
// [calibration.DueList]. $1 and $2 are the scopes and their months, $3 is the horizon,
// $4 the last instrument of the page before, $5 the length of a page, $6 now.
//
// Of each scope the first $7 calibrations are looked at; where there are more, more is
// true and instruments that may end on the last day of these or later are left out.
const mayEnd = `
	with due as (
		select * from unnest($1::text[], $2::int[]) as due (scope, months)
	), rare as materialized (
		select instrument_id, min(day) as day from (
			select n.instrument_id, c.due_override_on as day from certificate c
			join last_calibration n on n.instrument_id = c.instrument_id and n.on_day = c.calibrated_on
			where c.due_override_on is not null and c.state = 'confirmed'
			union all
			select n.instrument_id, n.on_day - 1 from certificate c
			join last_calibration n on n.instrument_id = c.instrument_id and n.on_day = c.calibrated_on
			where c.as_left = 'fail' and c.state = 'confirmed'
			union all
			select n.instrument_id, s.effective_from - 1 from certificate_status s join certificate c on c.id = s.certificate_id
			join last_calibration n on n.instrument_id = c.instrument_id and n.on_day = c.calibrated_on where s.status <> 'active'
			union all
			select n.instrument_id, e.on_day - 1 from (
				select instrument_id, on_day from event where ends_cover
				union all
				select f.instrument_id, e.on_day from event e join component f on f.part_id = e.instrument_id where e.ends_cover
			) e join last_calibration n on n.instrument_id = e.instrument_id and e.on_day >= n.on_day
			union all
			select planned.instrument_id, $3::date from survey v,
				lateral (select value::uuid as instrument_id from jsonb_array_elements_text(v.planned -> 'Instruments')) planned
			where v.planned is not null and v.void_reason is null and (v.ended_at is null or v.ended_at > $6)
				and planned.instrument_id in (select instrument_id from last_calibration)
		) ends where day <= $3::date group by instrument_id
	), after as materialized (
		select least(
			(select min((n.on_day + months * interval '1 month')::date) from last_calibration n join due using (scope) where n.instrument_id = $4),
			(select day from rare where instrument_id = $4)) as day
	), first as materialized (
		select n.instrument_id, n.day, count(*) over (partition by due.scope) = $7 as cut, max(n.day) over (partition by due.scope) as last
		from due cross join lateral (
			select instrument_id, (on_day + months * interval '1 month')::date as day from last_calibration l
			where l.scope = due.scope and on_day >= coalesce((select day from after) - months * interval '1 month', '-infinity') and on_day <= $3::date
			order by on_day limit $7) n
	), bound as materialized (
		select coalesce(min(last) filter (where cut), 'infinity') as day from first
	), candidate as (
		select instrument_id from first where day < (select day from bound)
		union
		select instrument_id from rare where day < (select day from bound)
	), may_end as (
		select instrument_id as id, least(
			(select min((n.on_day + months * interval '1 month')::date) from last_calibration n join due using (scope) where n.instrument_id = c.instrument_id),
			(select day from rare r where r.instrument_id = c.instrument_id)) as day
		from candidate c
	), page as (
		select id, day from may_end
		where day <= $3::date and ($4 = '00000000-0000-0000-0000-000000000000'::uuid or (day, id) > ((select day from after), $4))
		order by day, id limit $5
	)
	select (select day from bound) <= $3::date as more, array(select id from page order by day, id)`

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
		var ids []uuid.UUID
		for n, more := 2*p.Limit, true; more && len(ids) < p.Limit; n *= 4 {
			b := &pgx.Batch{}
			b.Queue(genericPlans)
			b.Queue(mayEnd, scopes, intervals, horizon, p.After, p.Limit, now, n).QueryRow(func(row pgx.Row) error { return row.Scan(&more, &ids) })
			if err := q.SendBatch(ctx, b).Close(); err != nil {
				return err
			}
		}
		if len(ids) == 0 && p.After != uuid.Nil {
			return &fault.Error{Kind: fault.Conflict, Code: "list_changed", Message: "the list has changed since the page before: begin anew"}
		}
		var planning []survey.Survey
		b := &pgx.Batch{}
		pastsKnown := queuePasts(b, certificates.without("reference_standards", "results", "parts"), ids, now)
		surveys.queueWhere(b, &planning, `planned is not null and void_reason is null and (ended_at is null or ended_at > $1)
			and exists (select from jsonb_array_elements_text(planned -> 'Instruments') p where p::uuid = any($2))`, now, ids)
		if err := q.SendBatch(ctx, b).Close(); err != nil {
			return err
		}
		known, pasts := pastsKnown()
		planned, err := plannedUse(ctx, q, planning)
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

// plannedUse returns, of each instrument, its use planned by some surveys.
func plannedUse(ctx context.Context, q conn, found []survey.Survey) (map[uuid.UUID][]calibration.Planned, error) {
	if len(found) == 0 {
		return nil, nil
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
