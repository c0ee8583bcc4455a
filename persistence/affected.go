package persistence

import (
	"context"
	"maps"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/calibration"
	"leveltrail/domain/request"
	"leveltrail/domain/survey"
)

// target is the instruments that a question is about.
const target = `
	with target as materialized (
		select @instrument::uuid as id where @instrument is not null
		union select instrument_id from certificate_version where id = @certificate and instrument_id is not null
		union select instrument_id from certificate_version where laboratory_id = @laboratory and instrument_id is not null
		union select instrument_id from certificate_version where @standard::text is not null and instrument_id is not null
			and (reference_standards @> jsonb_build_array(jsonb_build_object('Certificate', @standard::text))
				or reference_standards @> jsonb_build_array(jsonb_build_object('Description', @standard::text)))
	)`

// touched finds the surveys in which an instrument of the target was used: as a meter,
// as a part fitted on one, or as a calibrator put on one within reach of its use.
// What of them stands on the target is not decided here. It gathers them all before it
// orders them; touchedInTurn looks at one survey after the other until the page is full,
// which is quicker where many are touched.
const touched = target + `, found as (
		select u.survey_id from target join instrument_use u on u.instrument_id = target.id where ` + usedWithin + `
		union
		select u.survey_id from target join component_version f on f.part_id = target.id
		join instrument_use u on u.instrument_id = f.instrument_id and u.during && tstzrange(f.starts_at, f.ends_at) where ` + usedWithin + `
		union
		select u.survey_id from target join field_check_version k on k.calibrator_id = target.id
		join instrument_use u on u.instrument_id = k.instrument_id
			and lower(u.during) <= k.at + @reach::interval and upper(u.during) >= k.at - @reach::interval where ` + usedWithin + `
	)
	select survey.id from found join survey on survey.id = found.survey_id and survey.void_reason is null
	where survey.id > @after order by 1 limit @limit`

const touchedInTurn = target + `
	select v.id from survey v cross join lateral (
		select from instrument_use u where u.survey_id = v.id and ` + usedWithin + ` and (
			u.instrument_id in (select id from target)
			or exists (select from component_version f where f.instrument_id = u.instrument_id and f.part_id in (select id from target)
				and u.during && tstzrange(f.starts_at, f.ends_at))
			or exists (select from target join field_check_version k on k.calibrator_id = target.id and k.instrument_id = u.instrument_id
				and k.at between lower(u.during) - @reach::interval and upper(u.during) + @reach::interval))
		limit 1) used
	where v.id > @after and v.void_reason is null order by v.id limit @limit`

// many tells whether an instrument of the target was used, or put on a meter, more than a thousand times.
const many = target + `
	select count(*) > 1000 from (
		(select from target join instrument_use u on u.instrument_id = target.id limit 1001)
		union all (select from target join field_check_version k on k.calibrator_id = target.id limit 1001)) used`

const usedWithin = `u.recorded_at <= @known and (u.withdrawn_at is null or u.withdrawn_at > @known)
	and (@from::timestamptz is null or upper(u.during) > @from) and (@to::timestamptz is null or lower(u.during) < @to)`

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
	profiles, err := profilesOf(ctx, q)
	if err != nil {
		return nil, err
	}
	var reach time.Duration // no field check lies further from what it is about
	for _, r := range profiles {
		reach = max(reach, r.CheckReach.Value)
	}
	args := pgx.StrictNamedArgs{
		"instrument": orNull(t.InstrumentID), "certificate": orNull(t.CertificateID), "laboratory": orNull(t.LaboratoryID),
		"standard": orNull(t.ReferenceStandard),
	}
	var busy bool
	if err := q.QueryRow(ctx, many, args).Scan(&busy); err != nil {
		return nil, err
	}
	statement := touched
	if busy {
		statement = touchedInTurn
	}
	maps.Copy(args, pgx.StrictNamedArgs{"reach": reach, "known": at, "from": from, "to": to, "after": p.After, "limit": p.Limit})
	rows, _ := q.Query(ctx, statement, args)
	ids, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	if err != nil {
		return nil, err
	}
	return factsKnown(ctx, q, ids, at)
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
	signed, err := signOffs.where(ctx, tx, latestSignOffs, fallen)
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

// orNull returns v as a parameter of a statement, null where it is zero.
func orNull[T comparable](v T) *T {
	var none T
	if v == none {
		return nil
	}
	return &v
}
