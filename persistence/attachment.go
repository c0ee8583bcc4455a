package persistence

import (
	"context"
	"io"
	"slices"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/request"
	"leveltrail/domain/survey"
)

var attachments = kindOf[survey.Attachment]("attachment",
	`client_id id version created_at recorded_at survey_id position_id at caption author file_id name media_type bytes sha256`)

// CreateAttachment stores a new attachment of the survey a.SurveyID with its bytes.
func (s *Store) CreateAttachment(ctx context.Context, a survey.Attachment, data []byte) (survey.Attachment, error) {
	err := s.write(ctx, func(tx pgx.Tx) error {
		v, err := surveyToChange(ctx, tx, a.SurveyID)
		if err != nil {
			return err
		}
		if err := positionOf(ctx, tx, "attachment", a.PositionID, v); err != nil {
			return err
		}
		a.ClientID, a.FileID = v.ClientID, uuid.Must(uuid.NewV7())
		now := s.stamp()
		if err := keepBytes(ctx, tx, survey.File{ClientID: a.ClientID, ID: a.FileID, CreatedAt: now, Name: a.Name, Bytes: a.Bytes, SHA256: a.SHA256}, data); err != nil {
			return err
		}
		a, err = attachments.insert(ctx, tx, a, now)
		return err
	})
	return a, err
}

// keepBytes stores the bytes of f, a file that came whole.
func keepBytes(ctx context.Context, tx pgx.Tx, f survey.File, data []byte) error {
	b := &pgx.Batch{}
	b.Queue(`insert into file (client_id, id, created_at, name, bytes, sha256) values ($1, $2, $3, $4, $5, $6)`,
		f.ClientID, f.ID, f.CreatedAt, f.Name, f.Bytes, f.SHA256)
	part := 0
	for piece := range slices.Chunk(data, partSize) {
		b.Queue(`insert into file_part (client_id, file_id, part, data) values ($1, $2, $3, $4)`,
			f.ClientID, f.ID, part, pack(piece))
		part++
	}
	return tx.SendBatch(ctx, b).Close()
}

// Attachment returns the attachment of the given id, without its bytes.
func (s *Store) Attachment(ctx context.Context, id uuid.UUID) (survey.Attachment, error) {
	return get(ctx, s, attachments, id)
}

// AttachmentsOfSurvey returns a page of the attachments of a survey, in the order of their ids.
func (s *Store) AttachmentsOfSurvey(ctx context.Context, surveyID uuid.UUID, p request.Page) (as []survey.Attachment, err error) {
	err = s.read(ctx, func(q conn) error {
		v, err := surveys.get(ctx, q, surveyID)
		if err != nil {
			return err
		}
		as, err = attachments.where(ctx, q, `client_id = $1 and survey_id = $2 and id > $3 order by id limit $4`, v.ClientID, v.ID, p.After, p.Limit)
		return err
	})
	return as, err
}

// FileBytes returns the bytes of a kept file; it is for small ones.
func (s *Store) FileBytes(ctx context.Context, id uuid.UUID) (data []byte, err error) {
	err = s.read(ctx, func(q conn) error {
		f, err := fileOf(ctx, q, id)
		if err != nil {
			return err
		}
		data, err = io.ReadAll(newFileReader(ctx, q, f))
		return err
	})
	return data, err
}
