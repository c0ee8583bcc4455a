package persistence

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/klauspost/compress/zstd"

	"leveltrail/domain/survey"
)

// partSize is how much of a file one row holds, in bytes of the original.
const partSize = 1 << 20

var (
	zstdEncoder, _ = zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.SpeedFastest))
	zstdDecoder, _ = zstd.NewReader(nil, zstd.WithDecoderMaxMemory(2*partSize))
)

// KeepFile stores the bytes of r, each part as it comes, as a file of a client.
// Where r fails, nothing stays and its error is returned.
func (s *Store) KeepFile(ctx context.Context, clientID uuid.UUID, name string, r io.Reader) (survey.File, error) {
	f := survey.File{ClientID: clientID, ID: uuid.Must(uuid.NewV7()), CreatedAt: s.stamp(), Name: name}
	err := s.keepParts(ctx, &f, r)
	if err == nil {
		err = s.write(ctx, func(tx pgx.Tx) error {
			_, err := tx.Exec(ctx, `insert into file (client_id, id, created_at, name, bytes, sha256) values ($1, $2, $3, $4, $5, $6)`,
				f.ClientID, f.ID, f.CreatedAt, f.Name, f.Bytes, f.SHA256)
			return classify(err, "file")
		})
	}
	if err != nil {
		return f, errors.Join(err, s.dropParts(context.WithoutCancel(ctx), f))
	}
	return f, nil
}

func (s *Store) keepParts(ctx context.Context, f *survey.File, r io.Reader) error {
	digest := sha256.New()
	buf := make([]byte, partSize)
	var packed []byte
	for part := 0; ; part++ {
		n, err := io.ReadFull(r, buf)
		if n > 0 {
			digest.Write(buf[:n])
			f.Bytes += int64(n)
			packed = zstdEncoder.EncodeAll(buf[:n], packed[:0])
			err := s.write(ctx, func(tx pgx.Tx) error {
				_, err := tx.Exec(ctx, `insert into file_part (client_id, file_id, part, data) values ($1, $2, $3, $4)`,
					f.ClientID, f.ID, part, packed)
				return err
			})
			if err != nil {
				return fmt.Errorf("keeping a file: %w", err)
			}
		}
		switch err {
		case nil:
		case io.EOF, io.ErrUnexpectedEOF: //nolint:errorlint // returned as is by ReadFull
			f.SHA256 = digest.Sum(nil)
			return nil
		default:
			return err
		}
	}
}

// DropFile deletes a file that nothing refers to: its bytes are kept elsewhere.
func (s *Store) DropFile(ctx context.Context, f survey.File) error {
	return s.write(ctx, func(tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `delete from file where client_id = $1 and id = $2`, f.ClientID, f.ID)
		return errors.Join(err, s.dropParts(ctx, f))
	})
}

func (s *Store) dropParts(ctx context.Context, f survey.File) error {
	return s.write(ctx, func(tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `delete from file_part where client_id = $1 and file_id = $2`, f.ClientID, f.ID)
		return err
	})
}

// fileReader reads a kept file, part by part.
type fileReader struct {
	q    func(part int) ([]byte, error)
	file survey.File
	at   int64
	part int // of data, -1 for none
	data []byte
}

func newFileReader(ctx context.Context, q conn, f survey.File) *fileReader {
	return &fileReader{file: f, part: -1, q: func(part int) ([]byte, error) {
		var packed []byte
		err := q.QueryRow(ctx, `select data from file_part where client_id = $1 and file_id = $2 and part = $3`, f.ClientID, f.ID, part).Scan(&packed)
		if err != nil {
			return nil, fmt.Errorf("reading part %d of file %s: %w", part, f.ID, err)
		}
		return zstdDecoder.DecodeAll(packed, nil)
	}}
}

// Read implements io.Reader.
func (r *fileReader) Read(p []byte) (int, error) {
	if r.at >= r.file.Bytes {
		return 0, io.EOF
	}
	if part := int(r.at / partSize); part != r.part {
		data, err := r.q(part)
		if err != nil {
			return 0, err
		}
		r.part, r.data = part, data
	}
	n := copy(p, r.data[r.at%partSize:])
	r.at += int64(n)
	return n, nil
}

// Seek implements io.Seeker.
func (r *fileReader) Seek(offset int64, whence int) (int64, error) {
	switch whence {
	case io.SeekCurrent:
		offset += r.at
	case io.SeekEnd:
		offset += r.file.Bytes
	}
	if offset < 0 {
		return r.at, errors.New("seek before the beginning of a file")
	}
	r.at = offset
	return offset, nil
}

// CopyFile writes the bytes of the file of the given id to w, after started was called with it.
func (s *Store) CopyFile(ctx context.Context, id uuid.UUID, started func(survey.File), w io.Writer) error {
	return s.read(ctx, func(q conn) error {
		f, err := fileOf(ctx, q, id)
		if err != nil {
			return err
		}
		started(f)
		_, err = io.Copy(w, newFileReader(ctx, q, f))
		return err
	})
}

func fileOf(ctx context.Context, q conn, id uuid.UUID) (survey.File, error) {
	rows, _ := q.Query(ctx, `select client_id, id, created_at, name, bytes, sha256 from file where id = $1`, id)
	f, err := pgx.CollectExactlyOneRow(rows, pgx.RowToStructByName[survey.File])
	return f, classify(err, "file")
}
