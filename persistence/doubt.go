package persistence

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/calibration"
	"leveltrail/domain/series"
	"leveltrail/domain/survey"
)

// dataOf returns the entry of a series in data, added if there is none.
func dataOf(data []calibration.SeriesData, id uuid.UUID) ([]calibration.SeriesData, *calibration.SeriesData) {
	i := slices.IndexFunc(data, func(d calibration.SeriesData) bool { return d.SeriesID == id })
	if i < 0 {
		i = len(data)
		data = append(data, calibration.SeriesData{SeriesID: id})
	}
	return data, &data[i]
}

// withClock adds to data when series have samples outside their survey's time:
// either the meter's clock or the survey's times are wrong.
func withClock(data []calibration.SeriesData, uses []calibration.SeriesUse, v survey.Survey) []calibration.SeriesData {
	inside := series.Span{From: v.StartedAt, To: maxTime}
	if v.EndedAt != nil {
		inside.To = *v.EndedAt
	}
	for _, u := range uses {
		var d *calibration.SeriesData
		for _, s := range series.Subtract(u.Stretches, []series.Span{inside}) {
			if s.From.Equal(inside.To) && s.To.Sub(s.From) == time.Microsecond {
				continue // a reading at the very end
			}
			data, d = dataOf(data, u.ID)
			d.Clock = append(d.Clock, calibration.Doubt{Span: s, Reason: "Samples lie outside the time of the survey: the meter's clock or the survey's times may be wrong."})
		}
	}
	return data
}

// queueOverlaps asks when the channels of series of surveys were in use elsewhere too:
// in another survey, of whichever client, or at another position of the same one.
func queueOverlaps(b *pgx.Batch, overlaps *map[uuid.UUID][]calibration.Overlap, at time.Time, surveyIDs []uuid.UUID) {
	b.Queue(`
		select m.series_id, o.series_id, greatest(lower(m.during), lower(o.during)),
			greatest(
				least(case when m.live then least(upper(m.during), $3) else upper(m.during) end,
					case when o.live then least(upper(o.during), $3) else upper(o.during) end),
				greatest(lower(m.during), lower(o.during)) + interval '1 microsecond')
		from instrument_use m
		join instrument_use o on o.instrument_id = m.instrument_id and o.channel = m.channel and o.series_id <> m.series_id
			and o.during && m.during and lower(o.during) <= upper(m.during) and upper(o.during) >= lower(m.during)
		where m.survey_id = any($1)
			and (o.survey_id <> m.survey_id or
				(select position_id from series where client_id = m.client_id and id = o.series_id) <>
				(select position_id from series where client_id = m.client_id and id = m.series_id))
			and m.recorded_at <= $2 and (m.withdrawn_at is null or m.withdrawn_at > $2) and (not m.live or lower(m.during) < $3)
			and o.recorded_at <= $2 and (o.withdrawn_at is null or o.withdrawn_at > $2) and (not o.live or lower(o.during) < $3)
		order by 1, 2, 3`, surveyIDs, at, at.Add(-liveDelay)).
		Query(func(rows pgx.Rows) error {
			of := map[uuid.UUID][]calibration.Overlap{}
			var id, other uuid.UUID
			var from, to time.Time
			_, err := pgx.ForEachRow(rows, []any{&id, &other, &from, &to}, func() error {
				s := series.Span{From: from.UTC(), To: to.UTC()}
				if n := len(of[id]); n > 0 && of[id][n-1].SeriesID == other && !of[id][n-1].Span.To.Before(s.From) {
					of[id][n-1].Span.To = later(of[id][n-1].Span.To, s.To)
					return nil
				}
				// The other's version is not for everyone to see; the finding's key must be the same for all.
				of[id] = append(of[id], calibration.Overlap{SeriesID: other, Version: 1, Span: s})
				return nil
			})
			*overlaps = of
			return err
		})
}

// withOverlaps adds to data when the channels of series were in use elsewhere too.
func withOverlaps(data []calibration.SeriesData, uses []calibration.SeriesUse, overlaps map[uuid.UUID][]calibration.Overlap) []calibration.SeriesData {
	for _, u := range uses {
		if found := overlaps[u.ID]; found != nil {
			var d *calibration.SeriesData
			data, d = dataOf(data, u.ID)
			d.Overlaps = append(d.Overlaps, found...)
		}
	}
	return data
}

// SurveysOfSeries returns the surveys of those of the series that the caller may see.
func (s *Store) SurveysOfSeries(ctx context.Context, ids []uuid.UUID) (map[uuid.UUID]uuid.UUID, error) {
	found, err := list(ctx, s, seriesKind, `id = any($1)`, ids)
	of := map[uuid.UUID]uuid.UUID{}
	for _, h := range found {
		of[h.ID] = h.SurveyID
	}
	return of, err
}
