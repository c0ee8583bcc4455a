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
	var anew []surveyedSeries
	err = s.read(ctx, func(q conn) error {
		known, err := surveysKnown(ctx, q, []uuid.UUID{surveyID}, at)
		if err != nil {
			return err
		}
		if len(known) == 0 {
			return notKnown("survey", asKnownAt)
		}
		f, anew = known[0].Facts, known[0].anew
		return nil
	})
	if err == nil {
		err = s.keepTraits(ctx, anew)
	}
	return f, err
}

// knownSurvey is a survey and what its verdict rests on, as known at an instant.
type knownSurvey struct {
	survey.Touched
	headers map[uuid.UUID]series.Series // of all series that count, side measurements too
	side    []calibration.SeriesUse     // the side measurements, which stand on no such calibration
	anew    []surveyedSeries            // what was found in samples and is not kept yet
}

// factsKnown returns the surveys of the given ids with what their verdicts rest on,
// as known at an instant. Surveys not known then, or not visible, are left out.
// The number of round trips does not depend on how many there are, but for series whose
// samples must be looked at: those that grew, and the weather where it was bad.
func factsKnown(ctx context.Context, q conn, ids []uuid.UUID, at time.Time) ([]survey.Touched, error) {
	known, err := surveysKnown(ctx, q, ids, at)
	all := make([]survey.Touched, len(known))
	for i, k := range known {
		all[i] = k.Touched
	}
	return all, err
}

// surveysKnown is factsKnown with what it found on the way.
func surveysKnown(ctx context.Context, q conn, ids []uuid.UUID, at time.Time) ([]knownSurvey, error) {
	const own = `(client_id, id) in (select client_id, id from survey where id = any($2))`
	const under = `(client_id, survey_id) in (select client_id, id from survey where id = any($2))`
	var r surveyRows
	b := &pgx.Batch{}
	b.Queue(genericPlans)
	surveys.queueKnown(b, &r.surveys, at, own, ids)
	projects.queueKnown(b, &r.projects, at, `(client_id, id) in (select client_id, project_id from survey where id = any($2))`, ids)
	seriesKind.queueKnown(b, &r.series, at, under, ids)
	imports.queueKnown(b, &r.imports, at, under, ids)
	dispositions.queueKnown(b, &r.dispositions, at, under, ids)
	people.queueKnown(b, &r.people, at, `true`)
	ruleProfiles.queueKnown(b, &r.editions, at, `true`)
	exclusions.queueKnown(b, &r.exclusions, at, `(client_id, series_id) in (select client_id, id from series where survey_id = any($2))`, ids)
	queueUses(b, &r.stretches, at, ids)
	queueOverlaps(b, &r.overlaps, at, ids)
	if err := q.SendBatch(ctx, b).Close(); err != nil {
		return nil, err
	}
	all, err := r.bySurvey(at)
	if err != nil {
		return nil, err
	}
	var traits map[uuid.UUID]foundTraits // by series, what is kept
	var near nearRows
	b = &pgx.Batch{}
	queueTraits(b, &traits, all)
	near.queue(b, all, at)
	if err := q.SendBatch(ctx, b).Close(); err != nil {
		return nil, err
	}
	if err := addTraits(ctx, q, all, traits); err != nil {
		return nil, err
	}
	for i := range all {
		if err := all[i].addWeather(ctx, q); err != nil {
			return nil, err
		}
	}
	return all, addCalibrationNear(ctx, q, all, near, at)
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
	exclusions   []series.Exclusion                  // removed ones too
	stretches    map[uuid.UUID][]series.Span         // by series, in time order
	overlaps     map[uuid.UUID][]calibration.Overlap // by series
}

// bySurvey puts the rows together.
func (r surveyRows) bySurvey(at time.Time) ([]knownSurvey, error) {
	sites := map[uuid.UUID]survey.Project{}
	for _, p := range r.projects {
		sites[p.ID] = p
	}
	all := make([]knownSurvey, 0, len(r.surveys))
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
		all = append(all, knownSurvey{headers: map[uuid.UUID]series.Series{}, Touched: survey.Touched{Survey: v, Project: site, Facts: calibration.Facts{
			SurveyID: v.ID, SurveyVersion: v.Version, Zone: site.Zone(), AsKnownAt: at, Profile: profile, Operator: v.Operator, People: r.people,
		}}})
	}
	for _, h := range r.series {
		i, ok := place[h.SurveyID]
		if !ok || h.Withdrawn {
			continue
		}
		all[i].headers[h.ID] = h
		u := calibration.SeriesUse{
			ID: h.ID, Version: h.Version, InstrumentID: h.InstrumentID, Channel: h.Channel, Bands: h.BandFraction != nil, Stretches: r.stretches[h.ID],
			PositionID: h.PositionID, Quantity: h.Use(), ImportID: h.ImportID,
		}
		if q, _ := series.ParseQuantity(h.Quantity); q.Level() {
			all[i].Facts.Series = append(all[i].Facts.Series, u)
		} else {
			all[i].side = append(all[i].side, u)
		}
	}
	for _, m := range r.imports {
		if i, ok := place[m.SurveyID]; ok {
			all[i].Facts.Data = append(all[i].Facts.Data, dataOfImport(m)...)
		}
	}
	for i := range all {
		all[i].addCoverage(r.exclusions)
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
		d := calibration.SeriesData{SeriesID: s.ID}
		countTraits(&d, s.Traits)
		data = append(data, d)
	}
	return data
}

// genericPlans has statements that look rows up by ids planned once, and not for each list of ids.
const genericPlans = `set local plan_cache_mode = force_generic_plan`
