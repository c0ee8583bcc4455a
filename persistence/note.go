package persistence

import (
	"context"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/fault"
	"leveltrail/domain/request"
	"leveltrail/domain/survey"
)

var notes = kindOf[survey.Note]("note",
	`client_id id version created_at recorded_at survey_id position_id at text author corrects_id`)

// CreateNote stores a new note on the survey n.SurveyID.
func (s *Store) CreateNote(ctx context.Context, n survey.Note) (survey.Note, error) {
	err := s.write(ctx, func(tx pgx.Tx) error {
		v, err := surveyToChange(ctx, tx, n.SurveyID)
		if err != nil {
			return err
		}
		if err := positionOf(ctx, tx, "note", n.PositionID, v); err != nil {
			return err
		}
		if n.CorrectsID != uuid.Nil {
			old, err := notes.get(ctx, tx, n.CorrectsID)
			if fault.KindOf(err) == fault.NotFound || err == nil && old.SurveyID != v.ID {
				return unknown("note", "corrects_id", "names no note on the survey")
			}
			if err != nil {
				return err
			}
		}
		n.ClientID = v.ClientID
		n, err = notes.insert(ctx, tx, n, s.stamp())
		return err
	})
	return n, err
}

// positionOf refuses a position, unless it is zero, that is none of the project of v.
func positionOf(ctx context.Context, tx pgx.Tx, what string, id uuid.UUID, v survey.Survey) error {
	if id == uuid.Nil {
		return nil
	}
	p, err := positions.get(ctx, tx, id)
	if fault.KindOf(err) == fault.NotFound || err == nil && p.ProjectID != v.ProjectID {
		return unknown(what, "position_id", "names no position of the survey's project")
	}
	return err
}

// Note returns the note of the given id.
func (s *Store) Note(ctx context.Context, id uuid.UUID) (survey.Note, error) {
	return get(ctx, s, notes, id)
}

// NotesOfSurvey returns a page of the notes on a survey, in the order of their ids.
func (s *Store) NotesOfSurvey(ctx context.Context, surveyID uuid.UUID, p request.Page) (ns []survey.Note, err error) {
	err = s.read(ctx, func(q conn) error {
		v, err := surveys.get(ctx, q, surveyID)
		if err != nil {
			return err
		}
		ns, err = notes.where(ctx, q, `client_id = $1 and survey_id = $2 and id > $3 order by id limit $4`, v.ClientID, v.ID, p.After, p.Limit)
		return err
	})
	return ns, err
}
