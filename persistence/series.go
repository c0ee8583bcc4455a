package persistence

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/acoustic"
	"leveltrail/domain/fault"
	"leveltrail/domain/request"
	"leveltrail/domain/series"
	"leveltrail/domain/survey"
)

var seriesKind = kindOf[series.Series]("series",
	`client_id id version created_at recorded_at survey_id position_id instrument_id channel quantity band_fraction band_nominal_hz
	interval_us range_from_db range_to_db import_id withdrawn residual`)

// CreateSeries stores a new series of h.SurveyID with its first samples, if any,
// and returns it with what it holds.
func (s *Store) CreateSeries(ctx context.Context, h series.Series, runs []series.Run) (series.Series, series.Content, error) {
	var content series.Content
	err := s.write(ctx, func(tx pgx.Tx) error {
		v, err := surveyToChange(ctx, tx, h.SurveyID)
		if err != nil {
			return err
		}
		h, err = s.insertSeries(ctx, tx, v, h)
		if err != nil {
			return err
		}
		a := appender{tx: tx, survey: v, header: h, now: s.stamp()}
		if err := a.add(ctx, runs...); err != nil {
			return err
		}
		content, err = a.flush(ctx)
		return err
	})
	return h, content, err
}

// insertSeries stores the header of a new series of v.
func (s *Store) insertSeries(ctx context.Context, tx pgx.Tx, v survey.Survey, h series.Series) (series.Series, error) {
	if err := atProject(ctx, tx, h.PositionID, v.ProjectID); err != nil {
		return h, err
	}
	h.ClientID = v.ClientID
	h, err := seriesKind.insert(ctx, tx, h, s.stamp())
	if err != nil {
		return h, err
	}
	_, err = tx.Exec(ctx, `
		insert into series_content (client_id, series_id, revision, numbers, under, over, lowest, highest)
		values ($1, $2, 0, 0, 0, 0, 0, 0)`, h.ClientID, h.ID)
	return h, err
}

// AppendSamples adds runs to the series of the given id and returns what it holds
// then. Equal samples that are there already have no effect. It is a Conflict
// with code samples_contradict where a sample differs from one that is there.
func (s *Store) AppendSamples(ctx context.Context, id uuid.UUID, runs []series.Run) (series.Series, series.Content, error) {
	var h series.Series
	var content series.Content
	err := s.write(ctx, func(tx pgx.Tx) error {
		var err error
		if h, err = seriesKind.get(ctx, tx, id); err != nil {
			return err
		}
		v, err := surveyToChange(ctx, tx, h.SurveyID)
		if err != nil {
			return err
		}
		a := appender{tx: tx, survey: v, header: h, now: s.stamp()}
		if err := a.add(ctx, runs...); err != nil {
			return err
		}
		content, err = a.flush(ctx)
		return err
	})
	return h, content, err
}

// HoldsSamples reports whether the series of the given id has all samples of runs already.
func (s *Store) HoldsSamples(ctx context.Context, id uuid.UUID, runs []series.Run) (holds bool, err error) {
	err = s.write(ctx, func(tx pgx.Tx) error {
		h, err := seriesKind.get(ctx, tx, id)
		if err != nil {
			return err
		}
		before, err := contentOf(ctx, tx, h)
		if err != nil {
			return err
		}
		v, err := surveys.get(ctx, tx, h.SurveyID)
		if err != nil {
			return err
		}
		// Samples that are there have no effect when they are added: try, and take it back.
		err = pgx.BeginFunc(ctx, tx, func(try pgx.Tx) error {
			a := appender{tx: try, survey: v, header: h, now: s.stamp()}
			if err := a.add(ctx, runs...); err != nil {
				return err
			}
			after, err := a.flush(ctx)
			if err != nil {
				return err
			}
			holds = after.Samples() == before.Samples()
			return errRollBack
		})
		if err == errRollBack || fault.KindOf(err) != fault.Internal { //nolint:errorlint // returned as is by BeginFunc
			return nil
		}
		return err
	})
	return holds, err
}

// Series returns the series of the given id with what it holds.
func (s *Store) Series(ctx context.Context, id uuid.UUID) (h series.Series, c series.Content, err error) {
	err = s.read(ctx, func(q conn) error {
		if h, err = seriesKind.get(ctx, q, id); err != nil {
			return err
		}
		c, err = contentOf(ctx, q, h)
		return err
	})
	return h, c, err
}

// FirstSeries returns the first version of the series of the given id.
func (s *Store) FirstSeries(ctx context.Context, id uuid.UUID) (series.Series, error) {
	return first(ctx, s, seriesKind, id)
}

// SeriesVersions returns every version of the series of the given id, oldest first.
func (s *Store) SeriesVersions(ctx context.Context, id uuid.UUID) ([]series.Series, error) {
	return versions(ctx, s, seriesKind, id)
}

// SeriesOfSurvey returns a page of the series of a survey and what each holds, withdrawn ones left out.
func (s *Store) SeriesOfSurvey(ctx context.Context, surveyID uuid.UUID, p request.Page) (hs []series.Series, cs []series.Content, err error) {
	err = s.read(ctx, func(q conn) error {
		v, err := surveys.get(ctx, q, surveyID)
		if err != nil {
			return err
		}
		hs, err = seriesKind.where(ctx, q, `client_id = $1 and survey_id = $2 and not withdrawn and id > $3 order by id limit $4`,
			v.ClientID, surveyID, p.After, p.Limit)
		for _, h := range hs {
			if err != nil {
				return err
			}
			var c series.Content
			c, err = contentOf(ctx, q, h)
			cs = append(cs, c)
		}
		return err
	})
	return hs, cs, err
}

// UpdateSeries stores the version of h that follows h.Version.
func (s *Store) UpdateSeries(ctx context.Context, h series.Series) (series.Series, error) {
	err := s.write(ctx, func(tx pgx.Tx) error {
		v, err := surveyToChange(ctx, tx, h.SurveyID)
		if err != nil {
			return err
		}
		if err := atProject(ctx, tx, h.PositionID, v.ProjectID); err != nil {
			return err
		}
		h, err = seriesKind.update(ctx, tx, h, s.stamp())
		return err
	})
	return h, err
}

// atProject refuses a position that is not one of the project.
func atProject(ctx context.Context, tx pgx.Tx, positionID, projectID uuid.UUID) error {
	p, err := positions.get(ctx, tx, positionID)
	if fault.KindOf(err) == fault.NotFound || err == nil && p.ProjectID != projectID {
		return unknown("series", "position_id", "names no position of the survey's project")
	}
	return err
}

func contentOf(ctx context.Context, q conn, h series.Series) (series.Content, error) {
	return scanContent(q.QueryRow(ctx, selectContent, h.ClientID, h.ID))
}

const selectContent = `
	select revision, starts_at, ends_at, numbers, under, over, lowest, highest
	from series_content where client_id = $1 and series_id = $2`

func scanContent(row pgx.Row) (series.Content, error) {
	var c series.Content
	var from, to *time.Time
	var lowest, highest int16
	err := row.Scan(&c.Revision, &from, &to, &c.Numbers, &c.Under, &c.Over, &lowest, &highest)
	if err == nil && from != nil {
		c.Extent = series.Span{From: from.UTC(), To: to.UTC()}
		c.Lowest, c.Highest = acoustic.Level(lowest), acoustic.Level(highest)
	}
	return c, classify(err, "series")
}

// Samples returns the samples of a series that begin within the span, at most limit
// of them, and the beginning of the next one where there are more.
func (s *Store) Samples(ctx context.Context, id uuid.UUID, span series.Span, limit int) (h series.Series, runs []series.Run, next *time.Time, err error) {
	err = s.read(ctx, func(q conn) error {
		if h, err = seriesKind.get(ctx, q, id); err != nil {
			return err
		}
		c := reader{conn: q, facts: series.Facts{Series: h}}
		if c.facts.Content, err = contentOf(ctx, q, h); err != nil {
			return err
		}
		runs, next, err = c.page(ctx, span, limit)
		return err
	})
	return h, runs, next, err
}

// StreamSamples gives f the samples of a series that begin within the span, an hour's
// at a time, in time order and all on one snapshot. The runs are good until f returns;
// an error of f ends the stream and is returned.
func (s *Store) StreamSamples(ctx context.Context, id uuid.UUID, span series.Span, f func([]series.Run) error) error {
	return s.read(ctx, func(q conn) error {
		h, err := seriesKind.get(ctx, q, id)
		if err != nil {
			return err
		}
		c := reader{conn: q, facts: series.Facts{Series: h}}
		rows, err := q.Query(ctx, `
			select hour, data || rest from sample_block where client_id = $1 and series_id = $2 and hour > $3 and hour < $4 order by hour`,
			h.ClientID, h.ID, span.From.Add(-time.Hour), span.To)
		if err != nil {
			return err
		}
		defer rows.Close()
		var within []series.Run
		for rows.Next() {
			if _, err := c.block(rows, func(hour time.Time, runs []series.Run) bool {
				within = c.within(span, hour, runs)
				return true
			}); err != nil {
				return err
			}
			if len(within) > 0 {
				if err := f(within); err != nil {
					return err
				}
			}
		}
		return rows.Err()
	})
}

// blocksAtOnce is by how many blocks at most a page of samples is read.
const blocksAtOnce = 24

func (c *reader) page(ctx context.Context, span series.Span, limit int) (runs []series.Run, next *time.Time, err error) {
	interval := c.facts.Series.Interval()
	after := span.From.Truncate(time.Hour).Add(-time.Hour)
	for next == nil {
		blocks := blocksAtOnce
		if interval > 0 {
			blocks = min(blocks, limit/int(time.Hour/min(interval, time.Hour))+2)
		}
		rows, _ := c.Query(ctx, `
			select hour from sample_block where client_id = $1 and series_id = $2 and hour > $3 and hour < $4 order by hour limit $5`,
			c.facts.Series.ClientID, c.facts.Series.ID, after, span.To, blocks)
		hours, err := pgx.CollectRows(rows, pgx.RowTo[time.Time])
		if err != nil || len(hours) == 0 {
			return runs, nil, err
		}
		after = hours[len(hours)-1]
		b := &pgx.Batch{}
		within := series.Span{From: later(span.From, hours[0]), To: earlier(span.To, after.Add(time.Hour))}
		c.queueBlocks(b, []series.Span{within}, func(_ int, block []series.Run) bool {
			for _, r := range block {
				n := min(len(r.Levels), limit)
				limit -= n
				if n > 0 {
					runs = joined(runs, series.Run{Start: r.Start, Levels: r.Levels[:n]}, interval)
				}
				if n < len(r.Levels) {
					at := r.Start.Add(time.Duration(n) * interval)
					next = &at
					return false
				}
			}
			return true
		})
		if err := c.send(ctx, b); err != nil {
			return nil, nil, err
		}
	}
	return runs, next, nil
}

// joined adds a copy of r to runs, to the last of them where it goes on.
func joined(runs []series.Run, r series.Run, interval time.Duration) []series.Run {
	if n := len(runs); n > 0 && interval > 0 && endOf(runs[n-1], interval).Equal(r.Start) {
		runs[n-1].Levels = append(runs[n-1].Levels, r.Levels...)
		return runs
	}
	return append(runs, series.Run{Start: r.Start, Levels: slices.Clone(r.Levels)})
}
