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
	c := &collection{plan: plan, where: `h.survey_id = $1 and not h.withdrawn`, id: surveyID}
	return s.collect(ctx, c, func(q conn) error { _, err := surveys.get(ctx, q, surveyID); return err })
}

// CollectPosition is as [Store.CollectSurvey], of the series of a position in all surveys
// of its project that are not void.
func (s *Store) CollectPosition(ctx context.Context, positionID uuid.UUID, plan func([]series.Facts) ([][]series.Ask, error)) ([][]series.Answer, error) {
	c := &collection{plan: plan, id: positionID, where: `h.position_id = $1 and not h.withdrawn and not exists (
		select from survey v where v.client_id = h.client_id and v.id = h.survey_id and v.void_reason is not null)`}
	return s.collect(ctx, c, func(q conn) error { _, err := positions.get(ctx, q, positionID); return err })
}

// CollectSeries is as [Store.CollectAll] for one Ask.
func (s *Store) CollectSeries(ctx context.Context, id uuid.UUID, span series.Span, plan func(series.Facts) (series.Ask, error)) (series.Answer, error) {
	answers, err := s.CollectAll(ctx, id, span, func(f series.Facts) ([]series.Ask, error) {
		ask, err := plan(f)
		return []series.Ask{ask}, err
	})
	if err != nil {
		return series.Answer{}, err
	}
	return answers[0], nil
}

// CollectAll is as [Store.CollectSurvey], of one series. The span is where the first Ask is
// expected, zero at an end that is not known: its days are read in the round trip that
// tells what plan is to know.
func (s *Store) CollectAll(ctx context.Context, id uuid.UUID, span series.Span, plan func(series.Facts) ([]series.Ask, error)) ([]series.Answer, error) {
	c := &collection{where: `h.id = $1`, id: id, plan: func(facts []series.Facts) ([][]series.Ask, error) {
		asks, err := plan(facts[0])
		return [][]series.Ask{asks}, err
	}}
	c.expect(span)
	answers, err := s.collect(ctx, c, func(conn) error { return notFound("series") })
	if err != nil {
		return nil, err
	}
	return answers[0], nil
}

// collection is what is asked of the samples of some series.
type collection struct {
	where string // which series, with $1 an id, as [queueFacts] takes it
	id    uuid.UUID
	plan  func([]series.Facts) ([][]series.Ask, error) // is asked of one series or more

	expected [2]time.Time // the first and the last day of one series that are read ahead begin in between; zero: none
	facts    []series.Facts
	readers  [][]*reader // as the Asks of plan
	failed   error       // of plan, or of what was read ahead
}

// expect has the days of a span read ahead, which is zero at an end that is not known.
func (c *collection) expect(span series.Span) {
	if span.To.IsZero() {
		span.To = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)
	}
	c.expected = [2]time.Time{span.From.Add(-2 * day), span.To}
}

// begin plans, once the facts are known.
func (c *collection) begin(now time.Time) error {
	asks, err := c.plan(c.facts)
	if err != nil {
		return err
	}
	c.readers = make([][]*reader, len(asks))
	for i := range asks {
		for _, ask := range asks[i] {
			c.readers[i] = append(c.readers[i], newReader(c.facts[i], ask, now))
		}
	}
	return nil
}

// queueAhead asks the days of a series in hours, of which the first reader takes what it needs.
func (c *collection) queueAhead(b *pgx.Batch, now time.Time) {
	b.Queue(`
		select starts_at, ends_at, hours from sample_day
		where (client_id, series_id) = (select h.client_id, h.id from series h where `+c.where+`) and starts_at between $2 and $3 order by starts_at`,
		c.id, c.expected[0], c.expected[1]).
		Query(func(rows pgx.Rows) error {
			if len(c.facts) == 0 {
				return rows.Err()
			}
			if c.failed = c.begin(now); c.failed == nil && len(c.readers[0]) > 0 {
				c.failed = c.readers[0][0].takeAhead(rows, c.expected)
			}
			return nil
		})
}

// collect answers a collection; none says what it means that it has no series.
func (s *Store) collect(ctx context.Context, c *collection, none func(conn) error) (answers [][]series.Answer, err error) {
	now := s.stamp()
	first := &pgx.Batch{}
	queueFacts(first, &c.facts, c.where, c.id)
	if !c.expected[1].IsZero() {
		c.queueAhead(first, now)
	}
	var fresh []madeDay
	err = s.read(ctx, func(q conn) error {
		if err := q.SendBatch(ctx, first).Close(); err != nil {
			return err
		}
		if len(c.facts) == 0 {
			return none(q)
		}
		if c.readers == nil && c.failed == nil {
			c.failed = c.begin(now)
		}
		if c.failed != nil {
			return c.failed
		}
		answers = make([][]series.Answer, len(c.readers))
		for i := range c.readers {
			for _, r := range c.readers[i] {
				a, err := r.answer(ctx, q)
				if err != nil {
					return fmt.Errorf("samples of series %s: %w", c.facts[i].Series.ID, err)
				}
				answers[i] = append(answers[i], a)
				fresh = append(fresh, r.made...)
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
