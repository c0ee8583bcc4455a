package persistence

import (
	"context"
	"fmt"
	"io"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/survey"
)

// What goes with a sign-off byte for byte is said here and nowhere else: which
// files there are, and how the bytes of each are read.

// Enclosures returns the files that go with a survey's sign-off: the log files of
// its accepted imports, its photos and sketches, and the documents of those certificates
// that have one.
func (s *Store) Enclosures(ctx context.Context, surveyID uuid.UUID, certificateIDs []uuid.UUID) (es []survey.Enclosure, err error) {
	err = s.read(ctx, func(q conn) error {
		v, err := surveys.get(ctx, q, surveyID)
		if err != nil {
			return err
		}
		rows, _ := q.Query(ctx, `
			select $3 as kind, m.id, f.name, 'application/octet-stream' as media_type, f.bytes, f.sha256
			from import m join file f on (f.client_id, f.id) = (m.client_id, m.file_id)
			where m.client_id = $1 and m.survey_id = $2 and m.state = 'accepted'
			union all
			select $6, id, name, media_type, bytes, sha256 from attachment where client_id = $1 and survey_id = $2
			union all
			select $4, d.id, '', d.media_type, d.bytes, d.sha256 from certificate_document d where d.id = any($5)
			order by 1, 2`, v.ClientID, v.ID, survey.LogFile, survey.CertificateDocument, certificateIDs, survey.AttachedFile)
		es, err = pgx.CollectRows(rows, pgx.RowToStructByName[survey.Enclosure])
		return err
	})
	return es, err
}

// CopyEnclosure writes the bytes of an enclosure to w.
func (s *Store) CopyEnclosure(ctx context.Context, e survey.Enclosure, w io.Writer) error {
	switch e.Kind {
	case survey.LogFile:
		return s.copyFileOf(ctx, `select file_id from import where id = $1`, e.ID, w)
	case survey.AttachedFile:
		return s.copyFileOf(ctx, `select file_id from attachment where id = $1`, e.ID, w)
	case survey.CertificateDocument:
		_, data, err := s.DocumentBytes(ctx, e.ID)
		if err == nil {
			_, err = w.Write(data)
		}
		return err
	}
	return fmt.Errorf("enclosure %s of the unknown kind %q", e.ID, e.Kind)
}

// copyFileOf writes the bytes of the file whose id a statement gives of a record.
func (s *Store) copyFileOf(ctx context.Context, statement string, id uuid.UUID, w io.Writer) error {
	return s.read(ctx, func(q conn) error {
		var fileID uuid.UUID
		if err := q.QueryRow(ctx, statement, id).Scan(&fileID); err != nil {
			return classify(err, "file")
		}
		f, err := fileOf(ctx, q, fileID)
		if err != nil {
			return err
		}
		_, err = io.Copy(w, newFileReader(ctx, q, f))
		return err
	})
}
