package persistence

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"io"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/access"
	"leveltrail/domain/fault"
	"leveltrail/domain/survey"
)

const uploadColumns = `client_id, id, created_at, expires_at, survey_id, key_id, name, media_type, bytes, sha256, received, state, writer`

// CreateUpload begins an upload to u.SurveyID, on the key of the caller. It is a
// Conflict with code uploads_too_many where that key has as much under way as it may.
func (s *Store) CreateUpload(ctx context.Context, u survey.Upload) (survey.Upload, error) {
	err := s.write(ctx, func(tx pgx.Tx) error {
		v, err := surveyToChange(ctx, tx, u.SurveyID)
		if fault.KindOf(err) == fault.NotFound {
			return unknown("upload", "survey_id", "names no survey")
		}
		if err != nil {
			return err
		}
		u.ClientID, u.KeyID, u.State = v.ClientID, access.From(ctx).KeyID, survey.Open
		if _, err := tx.Exec(ctx, `select pg_advisory_xact_lock(hashtextextended($1, 3))`, u.KeyID); err != nil {
			return err
		}
		var under int
		var size int64
		err = tx.QueryRow(ctx, `
			select count(*), coalesce(sum(bytes), 0) from upload
			where key_id = $1 and state in ('arriving', 'open', 'complete') and expires_at > $2`, u.KeyID, u.CreatedAt).Scan(&under, &size)
		if err != nil {
			return err
		}
		if under >= survey.MaxUploads || size+u.Bytes > survey.MaxUploadBytes {
			return &fault.Error{Kind: fault.Conflict, Code: "uploads_too_many", Message: fmt.Sprintf(
				"this key has %d uploads of %d bytes that are not imported yet; at most %d of %d bytes together are taken",
				under, size, survey.MaxUploads, int64(survey.MaxUploadBytes))}
		}
		u, err = insertUpload(ctx, tx, u)
		return err
	})
	return u, err
}

// insertUpload stores u under a new id.
func insertUpload(ctx context.Context, tx pgx.Tx, u survey.Upload) (survey.Upload, error) {
	if u.ID == uuid.Nil {
		u.ID = uuid.Must(uuid.NewV7())
	}
	if u.SHA256 == nil {
		u.SHA256 = []byte{}
	}
	_, err := tx.Exec(ctx, `insert into upload (`+uploadColumns+`) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)`,
		u.ClientID, u.ID, u.CreatedAt, u.ExpiresAt, u.SurveyID, u.KeyID, u.Name, u.MediaType, u.Bytes, u.SHA256, u.Received, u.State, u.Writer)
	return u, classify(err, "upload")
}

// uploadWhere returns the one upload, arriving in pieces, that a statement ending in the condition finds.
func uploadWhere(ctx context.Context, q conn, statement string, args ...any) (survey.Upload, error) {
	rows, _ := q.Query(ctx, statement, args...)
	u, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[survey.Upload])
	return u, classify(err, "upload")
}

// Upload returns the upload of the given id.
func (s *Store) Upload(ctx context.Context, id uuid.UUID) (u survey.Upload, err error) {
	err = s.read(ctx, func(q conn) error {
		u, err = uploadWhere(ctx, q, `select `+uploadColumns+` from upload where id = $1 and state <> 'arriving'`, id)
		return err
	})
	return u, err
}

// ClaimUpload makes the caller the only one who may add to the upload of the given
// id: whoever claimed it before may no longer, so that a request whose sender is gone stands in no one's way.
func (s *Store) ClaimUpload(ctx context.Context, id uuid.UUID) (u survey.Upload, err error) {
	err = s.write(ctx, func(tx pgx.Tx) error {
		u, err = uploadWhere(ctx, tx, `
			update upload set writer = writer + 1 where id = $1 and state <> 'arriving' returning `+uploadColumns, id)
		if err == nil {
			_, err = surveyToChange(ctx, tx, u.SurveyID)
		}
		return err
	})
	return u, err
}

// KeepUploaded adds data, the bytes after the first u.Received, to an upload as
// claimed, and returns it as it is then. It is a Conflict with code
// upload_superseded where another claimed it since. With the last byte the
// whole is compared with the digest announced: where they differ it is Invalid with
// code digest_mismatch, and the upload is empty again.
func (s *Store) KeepUploaded(ctx context.Context, u survey.Upload, data []byte) (survey.Upload, error) {
	differs := false
	err := s.write(ctx, func(tx pgx.Tx) (err error) {
		had := u.Received
		u, err = uploadWhere(ctx, tx, `
			update upload set received = received + $1, state = case when received + $1 = bytes then 'complete' else state end
			where client_id = $2 and id = $3 and writer = $4 and received = $5 and state = 'open' and received + $1 <= bytes
			returning `+uploadColumns, len(data), u.ClientID, u.ID, u.Writer, had)
		if fault.KindOf(err) == fault.NotFound {
			return &fault.Error{Kind: fault.Conflict, Code: "upload_superseded", Message: "another request goes on with this upload"}
		}
		if err != nil {
			return err
		}
		if err := keepPartsFrom(ctx, tx, u.File(), had, data); err != nil || u.State != survey.Complete {
			return err
		}
		sum := sha256.New()
		if _, err := io.Copy(sum, newFileReader(ctx, tx, u.File())); err != nil {
			return err
		}
		if differs = !bytes.Equal(sum.Sum(nil), u.SHA256); !differs {
			return nil
		}
		u.Received, u.State = 0, survey.Open
		if _, err := tx.Exec(ctx, `update upload set received = 0, state = 'open' where client_id = $1 and id = $2`, u.ClientID, u.ID); err != nil {
			return err
		}
		return dropParts(ctx, tx, u.File())
	})
	if err == nil && differs {
		err = &fault.Error{
			Kind: fault.Invalid, Code: "digest_mismatch",
			Message: "the bytes that came do not have the digest that was announced; they are dropped: send the file from its beginning",
		}
	}
	return u, err
}

// keepPartsFrom stores data, which begins at offset in the file f, in the parts that follow, the one that offset lies in included.
func keepPartsFrom(ctx context.Context, tx pgx.Tx, f survey.File, offset int64, data []byte) error {
	if begun := offset % partSize; begun > 0 {
		f.Bytes = offset
		r := newFileReader(ctx, tx, f)
		r.at = offset - begun
		had, err := io.ReadAll(r)
		if err != nil {
			return err
		}
		data, offset = append(had, data...), offset-begun
	}
	b := &pgx.Batch{}
	for ; len(data) > 0; offset += partSize {
		n := min(partSize, len(data))
		part := int(offset / partSize)
		b.Queue(`delete from file_part where client_id = $1 and file_id = $2 and part = $3`, f.ClientID, f.ID, part)
		b.Queue(`insert into file_part (client_id, file_id, part, data) values ($1, $2, $3, $4)`,
			f.ClientID, f.ID, part, pack(data[:n]))
		data = data[n:]
	}
	return tx.SendBatch(ctx, b).Close()
}

// DropUpload ends the upload of the given id. What an import has of it stays.
func (s *Store) DropUpload(ctx context.Context, id uuid.UUID) error {
	return s.write(ctx, func(tx pgx.Tx) error {
		u, err := uploadWhere(ctx, tx, `delete from upload where id = $1 and state <> 'arriving' returning `+uploadColumns, id)
		if err == nil {
			_, err = surveyToChange(ctx, tx, u.SurveyID)
		}
		if err != nil || u.State == survey.Imported {
			return err
		}
		return dropParts(ctx, tx, u.File())
	})
}

// tombstones is how long it is remembered that an upload was, after it expired.
const tombstones = 30 * 24 * time.Hour

// ForgetUploads drops the bytes of uploads that had expired at now without having
// been imported, and of files whose import was cut short.
func (s *Store) ForgetUploads(ctx context.Context, now time.Time) error {
	ctx = access.With(ctx, access.Caller{All: true})
	for {
		n := 0
		err := s.write(ctx, func(tx pgx.Tx) error {
			rows, _ := tx.Query(ctx, `
				update upload set state = 'forgotten' where (client_id, id) in (
					select client_id, id from upload where expires_at <= $1 and state in ('arriving', 'open', 'complete')
					order by expires_at limit 20 for update skip locked)
				returning `+uploadColumns, now)
			expired, err := pgx.CollectRows(rows, pgx.RowToStructByName[survey.Upload])
			if err != nil {
				return err
			}
			n = len(expired)
			b := &pgx.Batch{}
			for _, u := range expired {
				b.Queue(`delete from file_part where client_id = $1 and file_id = $2`, u.ClientID, u.ID)
			}
			b.Queue(`delete from upload where expires_at <= $1 and state in ('imported', 'forgotten')`, now.Add(-tombstones))
			return tx.SendBatch(ctx, b).Close()
		})
		if err != nil || n == 0 {
			return err
		}
	}
}
