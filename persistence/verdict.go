package persistence

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/calibration"
	"leveltrail/domain/series"
	"leveltrail/domain/survey"
)

// VerdictFacts returns what the verdict of a survey rests on, as known at an
// instant (nil: now). It is NotFound where the survey was not known then.
func (s *Store) VerdictFacts(ctx context.Context, surveyID uuid.UUID, asKnownAt *time.Time) (f calibration.Facts, err error) {
	at := s.stamp()
	if asKnownAt != nil {
		at = *asKnownAt
	}
	err = s.read(ctx, func(q conn) error {
		known, err := factsKnown(ctx, q, []uuid.UUID{surveyID}, at)
		if err != nil {
			return err
		}
		if len(known) == 0 {
			return notFound("survey")
		}
		f = known[0].Facts
		return nil
	})
	return f, err
}

// factsKnown returns the surveys of the given ids with what their verdicts rest on,
// as known at an instant. Surveys not known then, or not visible, are left out.
// The number of round trips does not depend on how many there are.
func factsKnown(ctx context.Context, q conn, ids []uuid.UUID, at time.Time) ([]survey.Touched, error) {
	const own = `(client_id, id) in (select client_id, id from survey where id = any($2))`
	const under = `(client_id, survey_id) in (select client_id, id from survey where id = any($2))`
	var r surveyRows
	b := &pgx.Batch{}
	surveys.queueKnown(b, &r.surveys, at, own, ids)
	projects.queueKnown(b, &r.projects, at, `(client_id, id) in (select client_id, project_id from survey where id = any($2))`, ids)
	seriesKind.queueKnown(b, &r.series, at, under, ids)
	imports.queueKnown(b, &r.imports, at, under, ids)
	dispositions.queueKnown(b, &r.dispositions, at, under, ids)
	people.queueKnown(b, &r.people, at, `true`)
	ruleProfiles.queueKnown(b, &r.editions, at, `true`)
	queueUses(b, &r.stretches, at, ids)
	queueOverlaps(b, &r.overlaps, at, ids)
	if err := q.SendBatch(ctx, b).Close(); err != nil {
		return nil, err
	}
	all, err := r.bySurvey(at)
	if err != nil {
		return nil, err
	}
	return all, addCalibration(ctx, q, all, at)
}

// surveyRows are the rows of several surveys that their verdicts rest on.
type surveyRows struct {
	surveys      []survey.Survey
	projects     []survey.Project
	series       []series.Series
	imports      []survey.Import
	dispositions []calibration.Disposition
	people       []calibration.Person
	editions     []edition                           // of rule profiles, that the house added
	stretches    map[uuid.UUID][]series.Span         // by series, in time order
	overlaps     map[uuid.UUID][]calibration.Overlap // by series
}

// bySurvey puts the rows together. Side measurements stand on no such calibration.
func (r surveyRows) bySurvey(at time.Time) ([]survey.Touched, error) {
	sites := map[uuid.UUID]survey.Project{}
	for _, p := range r.projects {
		sites[p.ID] = p
	}
	all := make([]survey.Touched, 0, len(r.surveys))
	place := map[uuid.UUID]int{}
	for _, v := range r.surveys {
		site, ok := sites[v.ProjectID]
		if !ok {
			continue // it was not known either
		}
		profile, ok := r.profile(v)
		if !ok {
			return nil, fmt.Errorf("survey %s: no edition %q of rule profile %q", v.ID, v.RuleProfileEdition, v.RuleProfile)
		}
		place[v.ID] = len(all)
		all = append(all, survey.Touched{Survey: v, Project: site, Facts: calibration.Facts{
			SurveyID: v.ID, SurveyVersion: v.Version, Zone: site.Zone(), AsKnownAt: at, Profile: profile, Operator: v.Operator, People: r.people,
		}})
	}
	for _, h := range r.series {
		i, ok := place[h.SurveyID]
		if q, _ := series.ParseQuantity(h.Quantity); !ok || h.Withdrawn || !q.Level() {
			continue
		}
		f := &all[i].Facts
		f.Series = append(f.Series, calibration.SeriesUse{
			ID: h.ID, Version: h.Version, InstrumentID: h.InstrumentID, Channel: h.Channel, Bands: h.BandFraction != nil, Stretches: r.stretches[h.ID],
		})
	}
	for _, m := range r.imports {
		if i, ok := place[m.SurveyID]; ok {
			all[i].Facts.Data = append(all[i].Facts.Data, dataOfImport(m)...)
		}
	}
	for i := range all {
		f := &all[i].Facts
		f.Data = withOverlaps(withClock(f.Data, f.Series, all[i].Survey), f.Series, r.overlaps)
	}
	for _, d := range r.dispositions {
		if i, ok := place[d.SurveyID]; ok {
			all[i].Facts.Dispositions = append(all[i].Facts.Dispositions, d)
		}
	}
	return all, nil
}

// profile returns the edition of the rule profile that a survey is judged by.
func (r surveyRows) profile(v survey.Survey) (calibration.RuleProfile, bool) {
	for _, e := range r.editions {
		if e.Code == v.RuleProfile && e.Edition == v.RuleProfileEdition {
			return e.profile(), true
		}
	}
	return calibration.ProfileEdition(v.RuleProfile, v.RuleProfileEdition)
}

// queueUses asks when the series of surveys had samples, as known at an instant. A
// reading takes no time; the database's shortest stands for its instant. What of a
// live stretch is known: see [appender.use].
func queueUses(b *pgx.Batch, stretches *map[uuid.UUID][]series.Span, at time.Time, surveyIDs []uuid.UUID) {
	b.Queue(`
		select series_id, lower(during), greatest(
			case when live then least(upper(during), $3) else upper(during) end,
			lower(during) + interval '1 microsecond')
		from instrument_use
		where survey_id = any($1) and recorded_at <= $2 and (withdrawn_at is null or withdrawn_at > $2) and (not live or lower(during) < $3)
		order by series_id, lower(during)`, surveyIDs, at, at.Add(-liveDelay)).
		Query(func(rows pgx.Rows) error {
			of := map[uuid.UUID][]series.Span{}
			var id uuid.UUID
			var from, to time.Time
			_, err := pgx.ForEachRow(rows, []any{&id, &from, &to}, func() error {
				of[id] = withSpan(of[id], series.Span{From: from.UTC(), To: to.UTC()})
				return nil
			})
			*stretches = of
			return err
		})
}

// dataOfImport returns what an import found in the samples of the series that it made.
func dataOfImport(m survey.Import) (data []calibration.SeriesData) {
	for _, s := range m.Result.Series {
		t := s.Traits
		data = append(data, calibration.SeriesData{
			SeriesID: s.ID, Samples: int(t.Samples), UnderRange: int(t.Under), OverRange: int(t.Over),
			AtLimit: int(t.AtLower.Samples + t.AtUpper.Samples), NearFloor: int(t.Floor.Samples), LongestConstant: int(t.Constant.Samples),
		})
	}
	return data
}
