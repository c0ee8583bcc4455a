package persistence

import (
	"context"
	"errors"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/calibration"
	"leveltrail/domain/fault"
	"leveltrail/domain/request"
)

var fieldChecks = kindOf[calibration.FieldCheck]("field_check",
	`id version created_at recorded_at instrument_id calibrator_id certificate_id channel at meter_at nominal_db frequency_hz expected_db
	as_found_db as_left_db signal weighting pressure_correction_db volume_correction_db microphone_correction_db
	static_pressure_kpa temperature_c`)

// CreateFieldCheck stores a new field check. Where c.ExpectedDB is zero it is
// computed: see [calibration.ExpectedFrom]. It is Invalid with code
// expected_level_unknown where no certificate states it.
func (s *Store) CreateFieldCheck(ctx context.Context, c calibration.FieldCheck) (calibration.FieldCheck, error) {
	err := s.write(ctx, func(tx pgx.Tx) (err error) {
		if c, err = completed(ctx, tx, c); err != nil {
			return err
		}
		c, err = fieldChecks.insert(ctx, tx, c, s.stamp())
		return err
	})
	return c, err
}

// FieldCheck returns the field check of the given id.
func (s *Store) FieldCheck(ctx context.Context, id uuid.UUID) (calibration.FieldCheck, error) {
	return get(ctx, s, fieldChecks, id)
}

// FirstFieldCheck returns the first version of the field check of the given id.
func (s *Store) FirstFieldCheck(ctx context.Context, id uuid.UUID) (calibration.FieldCheck, error) {
	return first(ctx, s, fieldChecks, id)
}

// FieldChecks returns a page of the field checks made on a meter.
func (s *Store) FieldChecks(ctx context.Context, instrumentID uuid.UUID, p request.Page) ([]calibration.FieldCheck, error) {
	return list(ctx, s, fieldChecks, `instrument_id = $1 and id > $2 order by id limit $3`, instrumentID, p.After, p.Limit)
}

// FieldChecksOfSurvey returns a page of the field checks that fall inside a
// series of a survey or bracket it: of the series' channel the last one up to its
// start and the first one from its end, neither further off than reach.
func (s *Store) FieldChecksOfSurvey(ctx context.Context, surveyID uuid.UUID, reach time.Duration, p request.Page) (recs []calibration.FieldCheck, err error) {
	err = s.read(ctx, func(q conn) error {
		if _, err := surveys.get(ctx, q, surveyID); err != nil {
			return err
		}
		recs, err = fieldChecks.where(ctx, q, `
			id > @after and exists (
				select from series u join series_content e on e.client_id = u.client_id and e.series_id = u.id
				where u.survey_id = @survey and not u.withdrawn and u.instrument_id = field_check.instrument_id
					and u.channel = field_check.channel
					and field_check.at between e.starts_at - @reach::interval and e.ends_at + @reach::interval
					and (field_check.at > e.starts_at or not exists (select from field_check d
						where d.instrument_id = u.instrument_id and d.channel = u.channel and d.at > field_check.at and d.at <= e.starts_at))
					and (field_check.at < e.ends_at or not exists (select from field_check d
						where d.instrument_id = u.instrument_id and d.channel = u.channel and d.at < field_check.at and d.at >= e.ends_at)))
			order by id limit @limit`,
			pgx.StrictNamedArgs{"after": p.After, "survey": surveyID, "reach": reach, "limit": p.Limit})
		return err
	})
	return recs, err
}

// FieldCheckVersions returns every version of the field check of the given id, oldest first.
func (s *Store) FieldCheckVersions(ctx context.Context, id uuid.UUID) ([]calibration.FieldCheck, error) {
	return versions(ctx, s, fieldChecks, id)
}

// UpdateFieldCheck stores the version of c that follows c.Version; c.ExpectedDB as in [Store.CreateFieldCheck].
func (s *Store) UpdateFieldCheck(ctx context.Context, c calibration.FieldCheck) (calibration.FieldCheck, error) {
	err := s.write(ctx, func(tx pgx.Tx) (err error) {
		if c, err = completed(ctx, tx, c); err != nil {
			return err
		}
		c, err = fieldChecks.update(ctx, tx, c, s.stamp())
		return err
	})
	return c, err
}

// completed returns c with its expected level, or an error that names every
// reference of c that names nothing, or an instrument that cannot play its part.
func completed(ctx context.Context, tx pgx.Tx, c calibration.FieldCheck) (calibration.FieldCheck, error) {
	var bad fault.Fields
	meter, err := instruments.get(ctx, tx, c.InstrumentID)
	if fault.KindOf(err) == fault.NotFound {
		bad.Add("instrument_id", "unknown_reference", "names no instrument")
	} else if err != nil {
		return c, err
	}
	calibrator, err := instruments.get(ctx, tx, c.CalibratorID)
	if fault.KindOf(err) == fault.NotFound {
		bad.Add("calibrator_id", "unknown_reference", "names no instrument")
	} else if err != nil {
		return c, err
	}
	if f, ok := errors.AsType[*fault.Error](c.ValidateWith(meter, calibrator)); ok {
		for _, field := range f.Fields {
			if field.Path == "instrument_id" && meter.ID != uuid.Nil || field.Path == "calibrator_id" && calibrator.ID != uuid.Nil {
				bad = append(bad, field)
			}
		}
	}
	if err := bad.Err("field check"); err != nil || c.ExpectedDB != 0 {
		return c, err
	}
	known, err := certificates.where(ctx, tx, `instrument_id = $1`, c.CalibratorID)
	if err != nil {
		return c, err
	}
	level, from, ok := calibration.ExpectedFrom(c, known)
	if !ok {
		bad.Add("expected_db", "expected_level_unknown", "must be given: no certificate of the calibrator states the level of this setting")
		return c, &fault.Error{Kind: fault.Invalid, Code: "expected_level_unknown", Message: "the expected level is unknown", Fields: bad}
	}
	c.ExpectedDB, c.CertificateID = level, from.ID
	return c, nil
}
