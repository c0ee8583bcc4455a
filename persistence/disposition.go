package persistence

import (
	"context"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/calibration"
	"leveltrail/domain/request"
)

var dispositions = kindOf[calibration.Disposition]("disposition",
	`client_id id version created_at recorded_at survey_id finding_key decision reason decided_by`)

// CreateDisposition stores a new decision on a finding of the survey d.SurveyID.
func (s *Store) CreateDisposition(ctx context.Context, d calibration.Disposition) (calibration.Disposition, error) {
	err := s.write(ctx, func(tx pgx.Tx) error {
		v, err := surveys.get(ctx, tx, d.SurveyID)
		if err != nil {
			return err
		}
		d.ClientID = v.ClientID
		d, err = dispositions.insert(ctx, tx, d, s.stamp())
		return err
	})
	return d, err
}

// DispositionsOfSurvey returns a page of the decisions on findings of a survey, oldest first.
func (s *Store) DispositionsOfSurvey(ctx context.Context, surveyID uuid.UUID, p request.Page) (ds []calibration.Disposition, err error) {
	err = s.read(ctx, func(q conn) error {
		v, err := surveys.get(ctx, q, surveyID)
		if err != nil {
			return err
		}
		ds, err = dispositions.where(ctx, q, `client_id = $1 and survey_id = $2 and id > $3 order by id limit $4`,
			v.ClientID, surveyID, p.After, p.Limit)
		return err
	})
	return ds, err
}
