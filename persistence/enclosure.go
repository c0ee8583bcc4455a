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
// its accepted imports and the documents of those certificates that have one.
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
			select $4, d.id, '', d.media_type, d.bytes, d.sha256 from certificate_document d where d.id = any($5)
			order by 1, 2`, v.ClientID, v.ID, survey.LogFile, survey.CertificateDocument, certificateIDs)
		es, err = pgx.CollectRows(rows, pgx.RowToStructByName[survey.Enclosure])
		return err
	})
	return es, err
}

// CopyEnclosure writes the bytes of an enclosure to w.
func (s *Store) CopyEnclosure(ctx context.Context, e survey.Enclosure, w io.Writer) error {
	switch e.Kind {
	case survey.LogFile:
		return s.read(ctx, func(q conn) error {
			m, err := imports.get(ctx, q, e.ID)
			if err != nil {
				return err
			}
			f, err := fileOf(ctx, q, m.FileID)
			if err != nil {
				return err
			}
			_, err = io.Copy(w, newFileReader(ctx, q, f))
			return err
		})
	case survey.CertificateDocument:
		_, data, err := s.DocumentBytes(ctx, e.ID)
		if err == nil {
			_, err = w.Write(data)
		}
		return err
	}
	return fmt.Errorf("enclosure %s of the unknown kind %q", e.ID, e.Kind)
}
