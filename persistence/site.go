package persistence

import (
	"context"
	"fmt"
	"slices"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/calibration"
	"leveltrail/domain/series"
	"leveltrail/domain/survey"
)

// oneKnown returns a survey as it is now, with what its verdict rests on.
func (s *Store) oneKnown(ctx context.Context, q conn, surveyID uuid.UUID) (k survey.Touched, err error) {
	all, err := factsKnown(ctx, q, []uuid.UUID{surveyID}, s.stamp())
	if err == nil && len(all) == 0 {
		err = notFound("survey")
	}
	if err != nil {
		return k, err
	}
	return all[0], nil
}

// PlannedUse returns what a survey is about to go out with.
func (s *Store) PlannedUse(ctx context.Context, surveyID uuid.UUID) (p calibration.PlannedUse, err error) {
	err = s.read(ctx, func(q conn) error {
		k, err := s.oneKnown(ctx, q, surveyID)
		if err != nil {
			return err
		}
		f := calibration.Facts{
			SurveyID: k.ID, SurveyVersion: k.Version, Zone: k.Facts.Zone, Profile: k.Facts.Profile, AsKnownAt: k.Facts.AsKnownAt,
			Operator: k.Operator, People: k.Facts.People,
		}
		p.Time = k.PlannedTime(f.Zone)
		if k.Planned != nil {
			p.Taking, p.Bands = k.Planned.Instruments, k.Planned.Bands
		}
		for _, id := range p.Taking { // so that all that is known of it is read
			f.Series = append(f.Series, calibration.SeriesUse{InstrumentID: id, Stretches: []series.Span{p.Time}})
		}
		all := []knownSurvey{{Touched: survey.Touched{Survey: k.Survey, Project: k.Project, Facts: f}}}
		err = addCalibration(ctx, q, all, f.AsKnownAt)
		p.Facts = all[0].Facts
		return err
	})
	return p, err
}

// Site returns what a survey has so far.
func (s *Store) Site(ctx context.Context, surveyID uuid.UUID) (site calibration.Site, err error) {
	err = s.read(ctx, func(q conn) error {
		k, err := s.oneKnown(ctx, q, surveyID)
		if err != nil {
			return err
		}
		site.Facts = k.Facts
		if site.Positions, err = plannedPositions(ctx, q, k.Survey); err != nil {
			return err
		}
		headers, err := seriesKind.where(ctx, q, `client_id = $1 and survey_id = $2 and not withdrawn and not residual order by id`, k.ClientID, k.ID)
		if err != nil {
			return err
		}
		excluded, err := exclusions.where(ctx, q, `client_id = $1 and not removed and not residual and
			series_id in (select id from series where client_id = $1 and survey_id = $2)`, k.ClientID, k.ID)
		if err != nil {
			return err
		}
		counts, err := countsOf(ctx, q, k.Survey)
		if err != nil {
			return err
		}
		for _, h := range headers {
			i := slices.IndexFunc(k.Facts.Series, func(u calibration.SeriesUse) bool { return u.ID == h.ID })
			if i < 0 || counts[h.ID] == 0 {
				continue // a side measurement, or empty
			}
			m := calibration.MeasuredSeries{ID: h.ID, Version: h.Version, PositionID: h.PositionID, Use: h.Use(), Spot: h.IntervalUS == 0, Readings: 1}
			if m.Spot {
				m.Readings = counts[h.ID]
			}
			var out []series.Span
			for _, e := range excluded {
				if e.SeriesID == h.ID {
					out = append(out, series.Span{From: e.StartsAt, To: e.EndsAt})
				}
			}
			slices.SortFunc(out, func(a, b series.Span) int { return a.From.Compare(b.From) })
			m.Stretches = series.Subtract(k.Facts.Series[i].Stretches, out)
			site.Measured = append(site.Measured, m)
		}
		if err := addFiles(ctx, q, k.Survey, &site); err != nil {
			return err
		}
		for _, c := range k.Facts.Checks {
			if c.MeterAt != nil {
				site.Clocks = append(site.Clocks, calibration.ClockComparison{InstrumentID: c.InstrumentID, Ahead: c.MeterAt.Sub(c.At)})
			}
		}
		return nil
	})
	return site, err
}

func plannedPositions(ctx context.Context, q conn, v survey.Survey) (planned []calibration.PlannedPosition, err error) {
	if v.Planned == nil {
		return nil, nil
	}
	known, err := positions.where(ctx, q, `client_id = $1 and project_id = $2`, v.ClientID, v.ProjectID)
	for _, p := range v.Planned.Positions {
		for _, k := range known {
			if k.ID == p.PositionID {
				planned = append(planned, calibration.PlannedPosition{
					ID: k.ID, Version: k.Version, Number: k.Number, Label: k.Label, Readings: p.Readings, Duration: p.Duration,
				})
			}
		}
	}
	return planned, err
}

// countsOf returns how many samples each series of v has, flagged ones included.
func countsOf(ctx context.Context, q conn, v survey.Survey) (map[uuid.UUID]int, error) {
	rows, _ := q.Query(ctx, `
		select series_id, (numbers + under + over)::int from series_content
		where client_id = $1 and series_id in (select id from series where client_id = $1 and survey_id = $2)`, v.ClientID, v.ID)
	counts := map[uuid.UUID]int{}
	var id uuid.UUID
	var n int
	_, err := pgx.ForEachRow(rows, []any{&id, &n}, func() error { counts[id] = n; return nil })
	return counts, err
}

// addFiles adds the files of v that did not become series, and the clock comparisons of those that did.
func addFiles(ctx context.Context, q conn, v survey.Survey, site *calibration.Site) error {
	tried, err := imports.where(ctx, q, `client_id = $1 and survey_id = $2 order by id`, v.ClientID, v.ID)
	if err != nil {
		return err
	}
	accepted := map[string]bool{}
	for _, m := range tried {
		if m.State != survey.Accepted {
			continue
		}
		accepted[string(m.SHA256)] = true
		for _, k := range m.Options.ClockChecks {
			site.Clocks = append(site.Clocks, calibration.ClockComparison{InstrumentID: m.Options.InstrumentID, Ahead: k.MeterAt.Sub(k.TrueAt), Applied: true})
		}
		if off := m.Options.ClockOffset; off != 0 {
			site.Clocks = append(site.Clocks, calibration.ClockComparison{InstrumentID: m.Options.InstrumentID, Ahead: -off, Applied: true})
		}
	}
	for _, m := range tried {
		if m.State == survey.Rejected && !accepted[string(m.SHA256)] {
			why := "it cannot be read"
			for _, p := range m.Result.Problems {
				if p.Refuses {
					why = p.Detail
					if p.Line > 0 {
						why = fmt.Sprintf("%s (line %d)", why, p.Line)
					}
					break
				}
			}
			site.Files = append(site.Files, calibration.UnreadFile{Subject: calibration.Subject{Type: "import", ID: m.ID, Version: m.Version}, Name: m.Result.FileName, Why: why})
		}
	}
	rows, _ := q.Query(ctx, `
		select id, name from upload where client_id = $1 and survey_id = $2 and state in ('open', 'complete') and expires_at > $3 order by id`,
		v.ClientID, v.ID, site.Facts.AsKnownAt)
	var id uuid.UUID
	var name string
	_, err = pgx.ForEachRow(rows, []any{&id, &name}, func() error {
		site.Files = append(site.Files, calibration.UnreadFile{Subject: calibration.Subject{Type: "upload", ID: id}, Name: name})
		return nil
	})
	return err
}
