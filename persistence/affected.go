package persistence

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/calibration"
	"leveltrail/domain/request"
	"leveltrail/domain/survey"
)

// targetOf returns the instruments that a question is about, as the beginning of a statement
// with the parameter @target.
func targetOf(t calibration.Target) (statement string, parameter any) {
	of := func(from string) string { return `with target as materialized (` + from + `)` }
	const certified = `select distinct instrument_id as id from certificate_version where instrument_id is not null and `
	switch {
	case t.CertificateID != uuid.Nil:
		return of(certified + `id = @target`), t.CertificateID
	case t.LaboratoryID != uuid.Nil:
		return of(certified + `laboratory_id = @target`), t.LaboratoryID
	case t.ReferenceStandard != "":
		return of(certified + `(reference_standards @> jsonb_build_array(jsonb_build_object('Certificate', @target::text))
			or reference_standards @> jsonb_build_array(jsonb_build_object('Description', @target::text)))`), t.ReferenceStandard
	}
	return of(`select @target::uuid as id`), t.InstrumentID
}

// touched finds the surveys in which an instrument of the target was used: as a meter,
// as a part fitted on one, or as a calibrator put on one within reach of its use, or while it
// rested. What of them stands on the target is not decided here. It gathers them all before it
// orders them; touchedInTurn looks at one survey after the other until the page is full,
// which is quicker where many are touched. Both go on behind the target; u says which
// uses count.
func touched(u uses) string {
	used := u.known + ` and ` + u.within
	return `, found as (
		select u.survey_id from target join instrument_use u on u.instrument_id = target.id where ` + used + `
		union
		select u.survey_id from target join component_version f on f.part_id = target.id
		join instrument_use u on u.instrument_id = f.instrument_id and u.during && tstzrange(f.starts_at, f.ends_at) where ` + used + `
		union
		select m.survey_id from (
			select u.survey_id, u.instrument_id, min(lower(u.during)) as starts_at, max(upper(u.during)) as ends_at
			from instrument_use u
			where u.instrument_id in (select k.instrument_id from target join field_check_version k on k.calibrator_id = target.id) and ` + u.known + `
			group by 1, 2 having bool_or(` + u.within + `)) m
		where exists (select from target join field_check_version k on k.calibrator_id = target.id and k.instrument_id = m.instrument_id
			and k.at between m.starts_at - @reach::interval and m.ends_at + @reach::interval)
	)
	select v.id from found join survey v on v.id = found.survey_id
	where v.id > @after and ` + standing + ` order by 1 limit @limit`
}

func touchedInTurn(u uses) string {
	return `
	select v.id from survey v cross join lateral (
		select from (
			select u.instrument_id, min(lower(u.during)) as starts_at, max(upper(u.during)) as ends_at
			from instrument_use u where u.survey_id = v.id and ` + u.known + ` group by 1 having bool_or(` + u.within + `)) m
		where m.instrument_id in (select id from target)
			or exists (select from target join component_version f on f.part_id = target.id and f.instrument_id = m.instrument_id
				join instrument_use u on u.survey_id = v.id and u.instrument_id = f.instrument_id and u.during && tstzrange(f.starts_at, f.ends_at) where ` + u.known + ` and ` + u.within + `)
			or exists (select from target join field_check_version k on k.calibrator_id = target.id and k.instrument_id = m.instrument_id
				and k.at between m.starts_at - @reach::interval and m.ends_at + @reach::interval)
		limit 1) used
	where v.id > @after and ` + standing + ` order by v.id limit @limit`
}

// standing says of a survey v that it was not known to be void. No survey is void and then is not.
const standing = `(v.void_reason is null or not exists (
	select from survey_version w where (w.client_id, w.id) = (v.client_id, v.id) and w.void_reason is not null and w.recorded_at <= @known))`

// uses says which uses u of instruments count. Checks belong to all of a series, so that they are
// within reach of what is known of it, though it may begin before the span that is asked.
type uses struct{ known, within string }

// usesWithin returns those known within a span, and adds to args what it names.
func usesWithin(from, to *time.Time, args pgx.StrictNamedArgs) uses {
	u := uses{known: `u.recorded_at <= @known and (u.withdrawn_at is null or u.withdrawn_at > @known)`, within: `true`}
	if from != nil {
		u.within += ` and upper(u.during) > @from`
		args["from"] = *from
	}
	if to != nil {
		u.within += ` and lower(u.during) < @to`
		args["to"] = *to
	}
	return u
}

// many tells whether an instrument of the target was used, or put on a meter, more than a thousand times.
const many = `
	select count(*) > 1000 from (
		(select from target join instrument_use u on u.instrument_id = target.id limit 1001)
		union all (select from target join field_check_version k on k.calibrator_id = target.id limit 1001)) used`

// TouchedSurveys returns a page of the surveys of the caller's clients in which an
// instrument that t is about was used within a span, as known at an instant (nil: now),
// with what their verdicts rest on.
func (s *Store) TouchedSurveys(
	ctx context.Context, t calibration.Target, from, to, asKnownAt *time.Time, p request.Page,
) (all []survey.Touched, err error) {
	at := s.stamp()
	if asKnownAt != nil {
		at = *asKnownAt
	}
	err = s.read(ctx, func(q conn) error {
		all, err = touchedKnown(ctx, q, t, from, to, at, p)
		return err
	})
	return all, err
}

func touchedKnown(ctx context.Context, q conn, t calibration.Target, from, to *time.Time, at time.Time, p request.Page) ([]survey.Touched, error) {
	target, of := targetOf(t)
	var editions []edition
	var busy bool
	b := &pgx.Batch{}
	b.Queue(genericPlans)
	ruleProfiles.queueWhere(b, &editions, `true`)
	b.Queue(target+many, pgx.StrictNamedArgs{"target": of}).QueryRow(func(row pgx.Row) error { return row.Scan(&busy) })
	if err := q.SendBatch(ctx, b).Close(); err != nil {
		return nil, err
	}
	args := pgx.StrictNamedArgs{"target": of, "reach": furthestReach(editions), "known": at, "after": p.After, "limit": p.Limit}
	statement := touched
	if busy {
		statement = touchedInTurn
	}
	rows, _ := q.Query(ctx, target+statement(usesWithin(from, to, args)), args)
	ids, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	if err != nil {
		return nil, err
	}
	return factsKnown(ctx, q, ids, at)
}

// furthestReach returns how far at most a field check lies from what it is about, by any rule profile.
func furthestReach(added []edition) (reach time.Duration) {
	for _, p := range calibration.BuiltIn() {
		reach = max(reach, p.CheckReach.Value)
	}
	for _, e := range added {
		reach = max(reach, e.profile().CheckReach.Value)
	}
	return reach
}

// withdrawalTouches enters in the journal each survey, of whichever client, that relied
// on a certificate which is withdrawn, so that whoever follows the changes learns of it,
// and opens a review of their sign-offs.
func (s *Store) withdrawalTouches(ctx context.Context, tx pgx.Tx, st calibration.CertificateStatus) error {
	if _, err := tx.Exec(ctx, `set local app.client_ids = '*'`); err != nil {
		return err
	}
	of := calibration.Target{CertificateID: st.CertificateID}
	page := request.Page{Limit: 200}
	var fallen []uuid.UUID // surveys that relied on it
	for more := true; more; {
		found, err := touchedKnown(ctx, tx, of, nil, nil, st.RecordedAt, page)
		if err != nil {
			return err
		}
		for _, v := range found {
			page.After = v.ID
			if !slices.ContainsFunc(calibration.Affects(v.Facts, of), func(a calibration.Affected) bool { return a.Relation == calibration.ReliedOn }) {
				continue
			}
			fallen = append(fallen, v.ID)
			err := enter(ctx, tx, entry{
				at: st.RecordedAt, kind: "survey", verb: "certificate_withdrawn", record: v.ID, client: v.ClientID, version: v.Version,
				reason: st.Reason, detail: map[string]any{"certificate_id": st.CertificateID},
			})
			if err != nil {
				return err
			}
		}
		more = len(found) == page.Limit
	}
	signed, err := signOffs.where(ctx, tx, latestSignOffs, fallen, nil)
	if err != nil {
		return err
	}
	ids := make([]uuid.UUID, len(signed))
	for i, so := range signed {
		ids[i] = so.ID
	}
	if _, err = s.openReviews(ctx, tx, ids, "a certificate that it relied on was withdrawn: "+st.Reason); err != nil {
		return err
	}
	_, err = tx.Exec(ctx, seeing(ctx))
	return err
}
