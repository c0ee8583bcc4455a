package persistence

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/calibration"
	"leveltrail/domain/series"
)

// addCoverage adds to the facts which share of the survey's time each of its series was measured
// in. The parts in which one quantity was logged at one position count together. A survey
// that runs asks for no time yet; readings at instants measure none, and of what was measured with
// the sound in question off only a sample is asked.
func (k *knownSurvey) addCoverage(known []series.Exclusion) {
	v, uses := k.Survey, k.Facts.Series
	if v.EndedAt == nil || !v.EndedAt.After(v.StartedAt) {
		return
	}
	excluded := map[uuid.UUID][]series.Span{}
	for _, x := range known {
		if !x.Removed {
			excluded[x.SeriesID] = append(excluded[x.SeriesID], series.Span{From: x.StartsAt, To: x.EndsAt})
		}
	}
	type what struct {
		position uuid.UUID
		use      string
	}
	measured := map[what][]series.Span{}
	counts := func(h series.Series) bool { return h.IntervalUS > 0 && !h.Residual }
	for _, u := range uses {
		if h := k.headers[u.ID]; counts(h) {
			less := append(excluded[u.ID], series.Span{To: v.StartedAt}, series.Span{From: *v.EndedAt, To: maxTime})
			slices.SortFunc(less, func(a, b series.Span) int { return a.From.Compare(b.From) })
			of := what{h.PositionID, h.Use()}
			measured[of] = append(measured[of], series.Subtract(u.Stretches, less)...)
		}
	}
	asked := v.EndedAt.Sub(v.StartedAt)
	for _, u := range uses {
		if h := k.headers[u.ID]; counts(h) {
			var d *calibration.SeriesData
			k.Facts.Data, d = dataOf(k.Facts.Data, u.ID)
			share := float64(lengthOf(measured[what{h.PositionID, h.Use()}])) / float64(asked)
			d.Coverage = &share
		}
	}
}

// lengthOf returns how long the spans last together, in any order and overlapping.
func lengthOf(spans []series.Span) (sum time.Duration) {
	spans = slices.Clone(spans)
	slices.SortFunc(spans, func(a, b series.Span) int { return a.From.Compare(b.From) })
	var until time.Time
	for _, s := range spans {
		if from := later(s.From, until); s.To.After(from) {
			sum += s.To.Sub(from)
			until = s.To
		}
	}
	return sum
}

// addWeather adds to the facts when the weather at the positions of the series lay beyond the
// limits of the rule profile, by the side measurements of the survey.
func (k *knownSurvey) addWeather(ctx context.Context, q conn) error {
	rules := k.Facts.Profile.Data
	var stations []calibration.Station
	for _, u := range k.side {
		h := k.headers[u.ID]
		quantity, _ := series.ParseQuantity(h.Quantity)
		limit, ok := rules.WeatherLimit(quantity)
		if !ok || len(u.Stretches) == 0 || h.IntervalUS == 0 {
			continue
		}
		runs, err := runsBeyond(ctx, q, h, u.Stretches, limit.Value*float64(quantity.PerUnit))
		if err != nil {
			return fmt.Errorf("samples of series %s: %w", h.ID, err)
		}
		stations = append(stations, calibration.Station{
			SeriesID: h.ID, PositionID: h.PositionID, Quantity: quantity, Interval: h.Interval(), Runs: runs,
		})
	}
	if stations == nil {
		return nil
	}
	for _, u := range k.Facts.Series {
		if bad := rules.BadWeather(stations, k.headers[u.ID].PositionID); len(bad) > 0 {
			var d *calibration.SeriesData
			k.Facts.Data, d = dataOf(k.Facts.Data, u.ID)
			d.Weather = bad
		}
	}
	return nil
}

// runsBeyond returns the samples of h in the stretches, of the hours in which one is greater than limit or flagged.
func runsBeyond(ctx context.Context, q conn, h series.Series, stretches []series.Span, limit float64) (all []series.Run, err error) {
	content, err := contentOf(ctx, q, h)
	if err != nil || float64(content.Highest) <= limit && content.Over == 0 {
		return nil, err
	}
	c := reader{conn: q, facts: series.Facts{Series: h}}
	rows, err := q.Query(ctx, `
		select hour, data || rest from sample_block
		where client_id = $1 and series_id = $2 and hour > $3 and hour < $4 and ($5 or highest > $6) order by hour`,
		h.ClientID, h.ID, stretches[0].From.Add(-time.Hour), stretches[len(stretches)-1].To, content.Over > 0, limit)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		_, err := c.block(rows, func(_ time.Time, runs []series.Run) bool {
			for _, r := range runs {
				for _, s := range stretches {
					if part, ok := r.Within(s, h.Interval()); ok {
						part.Levels = slices.Clone(part.Levels)
						all = append(all, part)
					}
				}
			}
			return true
		})
		if err != nil {
			return nil, err
		}
	}
	return all, rows.Err()
}
