package persistence

import (
	"context"
	"fmt"
	"slices"
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
		v, zone, err := surveyKnown(ctx, q, surveyID, at)
		if err != nil {
			return err
		}
		f = calibration.Facts{SurveyID: v.ID, SurveyVersion: v.Version, Zone: zone, AsKnownAt: at, Operator: v.Operator}
		if f.Profile, err = profileEdition(ctx, q, v.RuleProfile, v.RuleProfileEdition); err != nil {
			return fmt.Errorf("survey %s, edition %q of rule profile %q: %w", v.ID, v.RuleProfileEdition, v.RuleProfile, err)
		}
		if f.Series, err = usesKnown(ctx, q, v, at); err != nil {
			return err
		}
		if f.Data, err = dataKnown(ctx, q, v, at); err != nil {
			return err
		}
		f.Data = withClock(f.Data, f.Series, v)
		if f.Data, err = withOverlaps(ctx, q, f, v.ClientID); err != nil {
			return err
		}
		if f.Dispositions, err = dispositions.known(ctx, q, at, `client_id = $2 and survey_id = $3`, v.ClientID, v.ID); err != nil {
			return err
		}
		if f.People, err = people.known(ctx, q, at, `true`); err != nil {
			return err
		}
		return addCalibration(ctx, q, &f)
	})
	return f, err
}

// surveyKnown returns a survey as known at an instant, and its site's time zone.
func surveyKnown(ctx context.Context, q conn, id uuid.UUID, at time.Time) (v survey.Survey, zone *time.Location, err error) {
	known, err := surveys.known(ctx, q, at, `id = $2`, id)
	if err != nil {
		return v, nil, err
	}
	if len(known) == 0 {
		return v, nil, notFound("survey")
	}
	v = known[0]
	of, err := projects.known(ctx, q, at, `id = $2`, v.ProjectID)
	if err != nil {
		return v, nil, err
	}
	if len(of) == 0 {
		return v, nil, notFound("project")
	}
	return v, of[0].Zone(), nil
}

// usesKnown returns the series of sound levels of a survey that counted at an
// instant, and when they had samples. Side measurements stand on no such calibration.
func usesKnown(ctx context.Context, q conn, v survey.Survey, at time.Time) ([]calibration.SeriesUse, error) {
	headers, err := seriesKind.known(ctx, q, at, `client_id = $2 and survey_id = $3`, v.ClientID, v.ID)
	if err != nil {
		return nil, err
	}
	var uses []calibration.SeriesUse
	for _, h := range headers {
		if q, _ := series.ParseQuantity(h.Quantity); !h.Withdrawn && q.Level() {
			uses = append(uses, calibration.SeriesUse{
				ID: h.ID, Version: h.Version, InstrumentID: h.InstrumentID, Channel: h.Channel, Bands: h.BandFraction != nil,
			})
		}
	}
	// A reading takes no time; the database's shortest stands for its instant. What
	// of a live stretch is known: see [appender.use].
	rows, _ := q.Query(ctx, `
		select series_id, lower(during), greatest(
			case when live then least(upper(during), $3) else upper(during) end,
			lower(during) + interval '1 microsecond')
		from instrument_use
		where survey_id = $1 and recorded_at <= $2 and (withdrawn_at is null or withdrawn_at > $2) and (not live or lower(during) < $3)
		order by series_id, lower(during)`, v.ID, at, at.Add(-liveDelay))
	var id uuid.UUID
	var from, to time.Time
	_, err = pgx.ForEachRow(rows, []any{&id, &from, &to}, func() error {
		if i := slices.IndexFunc(uses, func(u calibration.SeriesUse) bool { return u.ID == id }); i >= 0 {
			uses[i].Stretches = withSpan(uses[i].Stretches, series.Span{From: from.UTC(), To: to.UTC()})
		}
		return nil
	})
	return uses, err
}

// dataKnown returns what the imports known at an instant found in the samples of the series that they made.
func dataKnown(ctx context.Context, q conn, v survey.Survey, at time.Time) ([]calibration.SeriesData, error) {
	known, err := imports.known(ctx, q, at, `client_id = $2 and survey_id = $3`, v.ClientID, v.ID)
	var data []calibration.SeriesData
	for _, m := range known {
		for _, s := range m.Result.Series {
			t := s.Traits
			data = append(data, calibration.SeriesData{
				SeriesID: s.ID, Samples: int(t.Samples), UnderRange: int(t.Under), OverRange: int(t.Over),
				AtLimit: int(t.AtLower.Samples + t.AtUpper.Samples), NearFloor: int(t.Floor.Samples), LongestConstant: int(t.Constant.Samples),
			})
		}
	}
	return data, err
}

// addCalibration adds to f what was known at f.AsKnownAt of the calibration of
// the meters of its series and of the calibrators put on them.
func addCalibration(ctx context.Context, q conn, f *calibration.Facts) (err error) {
	var used []uuid.UUID
	var from, to time.Time
	for _, u := range f.Series {
		used = append(used, u.InstrumentID)
		for _, s := range u.Stretches {
			if from.IsZero() || s.From.Before(from) {
				from = s.From
			}
			if s.To.After(to) {
				to = s.To
			}
		}
	}
	if len(used) == 0 {
		return nil
	}
	reach := f.Profile.CheckReach.Value
	f.Checks, err = fieldChecks.known(ctx, q, f.AsKnownAt,
		`id in (select id from field_check_version where instrument_id = any($2) and at between $3 and $4)`,
		used, from.Add(-reach), to.Add(reach))
	if err != nil {
		return err
	}
	for _, c := range f.Checks {
		used = append(used, c.CalibratorID)
	}
	if f.Components, err = fittedOn(ctx, q, f.AsKnownAt, used); err != nil {
		return err
	}
	for _, c := range f.Components {
		used = append(used, c.InstrumentID, c.PartID)
	}
	if f.Events, err = events.known(ctx, q, f.AsKnownAt, `instrument_id = any($2)`, used); err != nil {
		return err
	}
	if f.Instruments, err = instruments.known(ctx, q, f.AsKnownAt, `id = any($2)`, used); err != nil {
		return err
	}
	if f.Certificates, err = certificates.known(ctx, q, f.AsKnownAt, `instrument_id = any($2)`, used); err != nil {
		return err
	}
	var issuers, issued []uuid.UUID
	for _, c := range f.Certificates {
		issuers, issued = append(issuers, c.LaboratoryID), append(issued, c.ID)
	}
	if f.Statuses, err = certificateStatuses.known(ctx, q, f.AsKnownAt, `certificate_id = any($2)`, issued); err != nil {
		return err
	}
	f.Laboratories, err = laboratories.known(ctx, q, f.AsKnownAt, `id = any($2)`, issuers)
	return err
}
