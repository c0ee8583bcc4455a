package persistence

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/survey"
)

// basisOfSurveys digests, for each survey, which versions of which records its
// figures rest on and which its verdict. The relevant records are found by
// indices, as for the verdict itself, but nothing of them is read or judged.
const basisOfSurveys = `
	select v.id, concat_ws(' ', v.version, p.version, s.digest, x.digest) as figures,
		concat_ws(' ', m.digest, d.digest, k.digest, t.digest, n.digest, e.digest, c.digest, a.digest, l.digest, w.digest, o.digest) as verdict
	from unnest($1::uuid[], $2::uuid[], $3::interval[]) asked (client_id, id, reach)
	join survey v on (v.client_id, v.id) = (asked.client_id, asked.id)
	join project p on (p.client_id, p.id) = (v.client_id, v.project_id)
	cross join lateral (
		select md5(string_agg(concat_ws(' ', s.id, s.version, g.revision, q.version), ',' order by s.id)) as digest,
			coalesce(array_agg(s.id), '{}') as ids, coalesce(array_agg(distinct s.instrument_id), '{}') as meters,
			min(g.starts_at) as starts_at, max(g.ends_at) as ends_at
		from series s join series_content g on (g.client_id, g.series_id) = (s.client_id, s.id)
		join position q on (q.client_id, q.id) = (s.client_id, s.position_id)
		where s.client_id = v.client_id and s.survey_id = v.id) s
	cross join lateral (
		select md5(string_agg(concat_ws(' ', id, version), ',' order by id)) as digest
		from exclusion where client_id = v.client_id and series_id = any(s.ids)) x
	cross join lateral (
		select md5(string_agg(concat_ws(' ', id, version), ',' order by id)) as digest
		from import where client_id = v.client_id and survey_id = v.id) m
	cross join lateral (
		select md5(string_agg(id::text, ',' order by id)) as digest
		from disposition where client_id = v.client_id and survey_id = v.id) d
	cross join lateral (
		select md5(string_agg(concat_ws(' ', id, version), ',' order by id)) as digest, coalesce(array_agg(distinct calibrator_id), '{}') as calibrators
		from field_check where instrument_id = any(s.meters) and at between s.starts_at - asked.reach and s.ends_at + asked.reach) k
	cross join lateral (
		select md5(string_agg(concat_ws(' ', id, version), ',' order by id)) as digest, coalesce(array_agg(part_id), '{}') as parts
		from component where instrument_id = any(s.meters || k.calibrators)
			or part_id in (select part_id from component where instrument_id = any(s.meters || k.calibrators))) t
	cross join lateral (select s.meters || k.calibrators || t.parts as ids) u
	cross join lateral (
		select md5(string_agg(concat_ws(' ', id, version), ',' order by id)) as digest from instrument where id = any(u.ids)) n
	cross join lateral (
		select md5(string_agg(concat_ws(' ', id, version), ',' order by id)) as digest from event where instrument_id = any(u.ids)) e
	cross join lateral (
		select md5(string_agg(concat_ws(' ', id, version), ',' order by id)) as digest,
			coalesce(array_agg(id), '{}') as ids, coalesce(array_agg(laboratory_id), '{}') as laboratories
		from certificate where instrument_id = any(u.ids)) c
	cross join lateral (
		select md5(string_agg(id::text, ',' order by id)) as digest from certificate_status where certificate_id = any(c.ids)) a
	cross join lateral (
		select md5(string_agg(concat_ws(' ', id, version), ',' order by id)) as digest from laboratory where id = any(c.laboratories)) l
	cross join lateral (
		select concat_ws(' ', exists (select from person), md5(string_agg(concat_ws(' ', id, version), ',' order by id))) as digest
		from person where lower(regexp_replace(btrim(name), '\s+', ' ', 'g')) = lower(regexp_replace(btrim(v.operator), '\s+', ' ', 'g'))) w
	cross join lateral (
		select md5(string_agg(concat_ws(' ', series_id, extract(epoch from lower(during)), extract(epoch from upper(during)),
			extract(epoch from withdrawn_at), live and upper(during) > $4), ',' order by series_id, during)) as digest
		from instrument_use where instrument_id = any(s.meters) and during && tstzrange(s.starts_at, s.ends_at, '[]')
			and lower(during) <= s.ends_at and upper(during) >= s.starts_at) o`

// bases returns the basis of each of the surveys.
func (s *Store) bases(ctx context.Context, q conn, vs []survey.Survey) (map[uuid.UUID]survey.Basis, error) {
	added, err := ruleProfiles.where(ctx, q, `true`)
	if err != nil {
		return nil, err
	}
	clients, ids, reaches := make([]uuid.UUID, len(vs)), make([]uuid.UUID, len(vs)), make([]time.Duration, len(vs))
	for i, v := range vs {
		p, ok := surveyRows{editions: added}.profile(v)
		if !ok {
			return nil, fmt.Errorf("survey %s: no edition %q of rule profile %q", v.ID, v.RuleProfileEdition, v.RuleProfile)
		}
		clients[i], ids[i], reaches[i] = v.ClientID, v.ID, p.CheckReach.Value
	}
	rows, _ := q.Query(ctx, basisOfSurveys, clients, ids, reaches, s.stamp().Add(-liveDelay))
	of := map[uuid.UUID]survey.Basis{}
	var id uuid.UUID
	var b survey.Basis
	_, err = pgx.ForEachRow(rows, []any{&id, &b.Figures, &b.Verdict}, func() error {
		of[id] = b
		return nil
	})
	return of, err
}

// SurveyBasis returns the basis of a survey.
func (s *Store) SurveyBasis(ctx context.Context, id uuid.UUID) (b survey.Basis, err error) {
	err = s.read(ctx, func(q conn) error {
		v, err := surveys.get(ctx, q, id)
		if err != nil {
			return err
		}
		of, err := s.bases(ctx, q, []survey.Survey{v})
		b = of[id]
		return err
	})
	return b, err
}

// SignOffChecks returns the basis of each sign-off's survey now and, where there
// is one, the last comparison of the sign-off with it; both by the sign-off's id.
func (s *Store) SignOffChecks(ctx context.Context, sos []survey.SignOff) (now map[uuid.UUID]survey.Basis, kept map[uuid.UUID]survey.SignOffCheck, err error) {
	now, kept = map[uuid.UUID]survey.Basis{}, map[uuid.UUID]survey.SignOffCheck{}
	surveyIDs, ids := make([]uuid.UUID, len(sos)), make([]uuid.UUID, len(sos))
	for i, so := range sos {
		surveyIDs[i], ids[i] = so.SurveyID, so.ID
	}
	err = s.read(ctx, func(q conn) error {
		vs, err := surveys.where(ctx, q, `id = any($1)`, surveyIDs)
		if err != nil {
			return err
		}
		of, err := s.bases(ctx, q, vs)
		if err != nil {
			return err
		}
		for _, so := range sos {
			now[so.ID] = of[so.SurveyID]
		}
		rows, _ := q.Query(ctx, `select sign_off_id, figures_basis, verdict_basis, checked_at, changes from sign_off_check where sign_off_id = any($1)`, ids)
		var id uuid.UUID
		var c survey.SignOffCheck
		_, err = pgx.ForEachRow(rows, []any{&id, &c.Figures, &c.Verdict, &c.CheckedAt, &c.Changes}, func() error {
			kept[id] = c
			c.Changes = nil
			return nil
		})
		return err
	})
	return now, kept, err
}

// KeepSignOffCheck stores what a sign-off was last found to differ in.
func (s *Store) KeepSignOffCheck(ctx context.Context, so survey.SignOff, c survey.SignOffCheck) error {
	c.CheckedAt = s.stamp()
	return s.write(ctx, func(tx pgx.Tx) error { return keepCheck(ctx, tx, so, c) })
}

func keepCheck(ctx context.Context, tx pgx.Tx, so survey.SignOff, c survey.SignOffCheck) error {
	_, err := tx.Exec(ctx, `
		insert into sign_off_check (client_id, sign_off_id, checked_at, figures_basis, verdict_basis, changes) values ($1, $2, $3, $4, $5, $6)
		on conflict (client_id, sign_off_id) do update
		set (checked_at, figures_basis, verdict_basis, changes) = (excluded.checked_at, excluded.figures_basis, excluded.verdict_basis, excluded.changes)`,
		so.ClientID, so.ID, c.CheckedAt, c.Figures, c.Verdict, c.Changes)
	return err
}
