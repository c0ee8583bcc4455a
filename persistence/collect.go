package persistence

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/series"
	"leveltrail/domain/survey"
)

// CollectSurvey answers from the samples what plan asks of each series of a
// survey, withdrawn ones left out, all on one snapshot: of as many series as
// plan is given, it returns the Asks of each. Asks and answers are in their order.
func (s *Store) CollectSurvey(ctx context.Context, surveyID uuid.UUID, plan func([]series.Facts) ([][]series.Ask, error)) ([][]series.Answer, error) {
	return s.collect(ctx, `h.survey_id = $1 and not h.withdrawn`, surveyID, func(q conn, facts []series.Facts) ([][]series.Ask, error) {
		if len(facts) == 0 {
			_, err := surveys.get(ctx, q, surveyID)
			return nil, err
		}
		return plan(facts)
	})
}

// CollectPosition is as [Store.CollectSurvey], of the series of a position in all surveys
// of its project that are not void.
func (s *Store) CollectPosition(ctx context.Context, positionID uuid.UUID, plan func([]series.Facts) ([][]series.Ask, error)) ([][]series.Answer, error) {
	const where = `h.position_id = $1 and not h.withdrawn and not exists (
		select from survey v where v.client_id = h.client_id and v.id = h.survey_id and v.void_reason is not null)`
	return s.collect(ctx, where, positionID, func(q conn, facts []series.Facts) ([][]series.Ask, error) {
		if len(facts) == 0 {
			_, err := positions.get(ctx, q, positionID)
			return nil, err
		}
		return plan(facts)
	})
}

// CollectSeries is as [Store.CollectAll] for one Ask.
func (s *Store) CollectSeries(ctx context.Context, id uuid.UUID, plan func(series.Facts) (series.Ask, error)) (series.Answer, error) {
	answers, err := s.CollectAll(ctx, id, func(f series.Facts) ([]series.Ask, error) {
		ask, err := plan(f)
		return []series.Ask{ask}, err
	})
	if err != nil {
		return series.Answer{}, err
	}
	return answers[0], nil
}

// CollectAll is as [Store.CollectSurvey], of one series.
func (s *Store) CollectAll(ctx context.Context, id uuid.UUID, plan func(series.Facts) ([]series.Ask, error)) ([]series.Answer, error) {
	answers, err := s.collect(ctx, `h.id = $1`, id, func(_ conn, facts []series.Facts) ([][]series.Ask, error) {
		if len(facts) == 0 {
			return nil, notFound("series")
		}
		asks, err := plan(facts[0])
		return [][]series.Ask{asks}, err
	})
	if err != nil {
		return nil, err
	}
	return answers[0], nil
}

func (s *Store) collect(
	ctx context.Context, where string, id uuid.UUID, plan func(conn, []series.Facts) ([][]series.Ask, error),
) (answers [][]series.Answer, err error) {
	var facts []series.Facts
	var fresh []madeDay
	first := &pgx.Batch{}
	queueFacts(first, &facts, where, id)
	err = s.readAfter(ctx, first, func(q conn) error {
		asks, err := plan(q, facts)
		if err != nil {
			return err
		}
		answers = make([][]series.Answer, len(asks))
		for i := range asks {
			for _, ask := range asks[i] {
				c := reader{conn: q, facts: facts[i], ask: ask, now: s.stamp()}
				a, err := c.answer(ctx)
				if err != nil {
					return fmt.Errorf("samples of series %s: %w", facts[i].Series.ID, err)
				}
				answers[i] = append(answers[i], a)
				fresh = append(fresh, c.made...)
			}
		}
		return nil
	})
	if err == nil {
		err = s.keepDays(ctx, fresh)
	}
	return answers, err
}

// factsRow is the facts of a series without its exclusions.
type factsRow struct {
	series.Series
	TimeZone         string
	Revision         int64
	StartsAt, EndsAt *time.Time
	Numbers          int64
	Under, Over      int64
	Lowest, Highest  int16
	Primary          bool
}

var headerColumns = "h." + strings.ReplaceAll(seriesKind.list, ", ", ", h.")

// queueFacts asks the facts of the series h, by their ids, for which where holds with $1 an id.
func queueFacts(b *pgx.Batch, facts *[]series.Facts, where string, id uuid.UUID) {
	b.Queue(`
		select `+headerColumns+`, p.time_zone, c.revision, c.starts_at, c.ends_at, c.numbers, c.under, c.over, c.lowest, c.highest,
			coalesce(o.primary_instrument_id = h.instrument_id, false) as "primary"
		from series h join series_content c on (c.client_id, c.series_id) = (h.client_id, h.id)
		join survey v on (v.client_id, v.id) = (h.client_id, h.survey_id) join project p on (p.client_id, p.id) = (v.client_id, v.project_id)
		join position o on (o.client_id, o.id) = (h.client_id, h.position_id)
		where `+where+` order by h.id`, id).
		Query(func(rows pgx.Rows) error {
			found, err := pgx.CollectRows(rows, pgx.RowToStructByName[factsRow])
			for _, r := range found {
				f := series.Facts{Series: r.Series, Zone: survey.Project{TimeZone: r.TimeZone}.Zone(), Primary: r.Primary}
				f.Content = series.Content{Revision: r.Revision, Numbers: r.Numbers, Under: r.Under, Over: r.Over}
				if r.StartsAt != nil {
					f.Content.Extent = series.Span{From: *r.StartsAt, To: *r.EndsAt}
					f.Content.Lowest, f.Content.Highest = acoustic.Level(r.Lowest), acoustic.Level(r.Highest)
				}
				*facts = append(*facts, f)
			}
			return err
		})
	b.Queue(`
		select `+exclusions.list+` from exclusion
		where (client_id, series_id) in (select h.client_id, h.id from series h where `+where+`) and not removed order by starts_at, id`, id).
		Query(func(rows pgx.Rows) error {
			found, err := pgx.CollectRows(rows, pgx.RowToStructByName[series.Exclusion])
			for _, x := range found {
				for i := range *facts {
					if f := &(*facts)[i]; f.Series.ID == x.SeriesID {
						f.Exclusions = append(f.Exclusions, x)
					}
				}
			}
			return err
		})
}

// factsOf returns the facts of a series.
func factsOf(ctx context.Context, q conn, id uuid.UUID) (series.Facts, error) {
	var facts []series.Facts
	b := &pgx.Batch{}
	queueFacts(b, &facts, `h.id = $1`, id)
	if err := q.SendBatch(ctx, b).Close(); err != nil {
		return series.Facts{}, err
	}
	if len(facts) == 0 {
		return series.Facts{}, notFound("series")
	}
	return facts[0], nil
}
