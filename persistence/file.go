package persistence

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"sync"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"leveltrail/domain/access"
	"leveltrail/domain/logfile"
	"leveltrail/domain/survey"
)

// KeepFile stores the bytes of r, each part as it comes, for an import into the
// survey v, which takes the file: until then it is an upload in state arriving.
// Where r fails, nothing stays and its error is returned. Where o is given, the
// file is read while it comes and what was found is returned for [Store.Import];
// nil stands for a file that has to be read again.
func (s *Store) KeepFile(ctx context.Context, v survey.Survey, name string, r io.Reader, o *survey.ImportOptions) (survey.File, *logfile.Scanned, error) {
	now := s.stamp()
	f := survey.File{ClientID: v.ClientID, ID: uuid.Must(uuid.NewV7()), CreatedAt: now, Name: name}
	var reading *logfile.Options
	err := s.write(ctx, func(tx pgx.Tx) error {
		if _, err := surveyToChange(ctx, tx, v.ID); err != nil {
			return err
		}
		_, err := insertUpload(ctx, tx, survey.Upload{
			ClientID: f.ClientID, ID: f.ID, CreatedAt: now, ExpiresAt: now.Add(survey.FormLife), SurveyID: v.ID,
			KeyID: access.From(ctx).KeyID, Name: name, State: survey.Arriving,
		})
		if err != nil || o == nil {
			return err
		}
		if p, err := projects.get(ctx, tx, v.ProjectID); err != nil {
			return err
		} else if l, err := layoutGiven(ctx, tx, *o); err == nil { // else the import says what is wrong
			given := o.Reading(p, v, l)
			reading = &given
		}
		return nil
	})
	if err != nil {
		return f, nil, err
	}
	found, err := s.keepParts(ctx, &f, r, reading)
	if err != nil {
		return f, nil, errors.Join(err, s.DropFile(context.WithoutCancel(ctx), f))
	}
	return f, found, nil
}

// inFlight is how many parts of one file are in memory at once while it comes.
const inFlight = 5

// keepParts stores the parts of r as they come, and reads them where o is given. It notes
// the file's length and digest.
func (s *Store) keepParts(ctx context.Context, f *survey.File, r io.Reader, o *logfile.Options) (found *logfile.Scanned, err error) {
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	var work sync.WaitGroup
	store, ahead := make(chan *piece, inFlight), make(chan *piece, inFlight)
	users := []chan *piece{store}
	var failed error
	work.Go(func() {
		if failed = s.storeParts(ctx, f, store); failed != nil {
			stop(failed)
		}
	})
	if o != nil {
		users = append(users, ahead)
		work.Go(func() { found = scanAhead(ctx, *o, ahead) })
	}
	err = receiveParts(ctx, r, users)
	work.Wait()
	return found, errors.Join(err, failed)
}

// receiveParts passes the parts of r to each of users, and closes them after the last one.
func receiveParts(ctx context.Context, r io.Reader, users []chan *piece) error {
	for _, u := range users {
		defer close(u)
	}
	free := make(chan *piece, inFlight)
	for made := 0; ; {
		var p *piece
		if made < inFlight && len(free) == 0 {
			p = &piece{packed: make(chan []byte, 1), free: free}
			made++
		} else {
			select {
			case p = <-free:
			case <-ctx.Done():
				return nil // storing says why
			}
		}
		n, err := io.ReadFull(r, p.bytes[:])
		if p.n = n; n > 0 {
			p.users.Store(int32(len(users)))
			go p.pack()
			for _, u := range users {
				u <- p
			}
		}
		switch err {
		case nil:
		case io.EOF, io.ErrUnexpectedEOF:
			return nil
		default:
			return err
		}
	}
}

// storeParts stores parts as they come, and notes the length and digest of them all.
func (s *Store) storeParts(ctx context.Context, f *survey.File, parts <-chan *piece) error {
	digest := sha256.New()
	part := 0
	for p := range parts {
		digest.Write(p.bytes[:p.n])
		f.Bytes += int64(p.n)
		packed := <-p.packed
		p.leave()
		err := s.write(ctx, func(tx pgx.Tx) error {
			b := &pgx.Batch{}
			if ctx.Value(txKey{}) == nil {
				// The commit of the file's own row makes its parts durable too: it comes after them in the log.
				b.Queue(`set local synchronous_commit = off`)
			}
			b.Queue(`insert into file_part (client_id, file_id, part, data) values ($1, $2, $3, $4)`, f.ClientID, f.ID, part, packed)
			return tx.SendBatch(ctx, b).Close()
		})
		if err != nil {
			return fmt.Errorf("keeping a file: %w", err)
		}
		part++
	}
	f.SHA256 = digest.Sum(nil)
	return nil
}

// DropFile deletes a file of [Store.KeepFile] unless an import has taken it.
func (s *Store) DropFile(ctx context.Context, f survey.File) error {
	return s.write(ctx, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `delete from upload where client_id = $1 and id = $2 and state = 'arriving'`, f.ClientID, f.ID)
		if err != nil || tag.RowsAffected() == 0 {
			return err
		}
		return dropParts(ctx, tx, f)
	})
}

func dropParts(ctx context.Context, tx pgx.Tx, f survey.File) error {
	_, err := tx.Exec(ctx, `delete from file_part where client_id = $1 and file_id = $2`, f.ClientID, f.ID)
	return err
}

// takeFile makes f, which was uploaded, a file that stays, in the transaction of the
// import that has it. A file that an earlier import has is there already.
func takeFile(ctx context.Context, tx pgx.Tx, f survey.File) error {
	tag, err := tx.Exec(ctx, `
		update upload set state = 'imported' where client_id = $1 and id = $2 and state in ('arriving', 'complete', 'imported')`, f.ClientID, f.ID)
	if err != nil {
		return err
	}
	if tag.RowsAffected() == 0 {
		_, err := fileOf(ctx, tx, f.ID) // forgotten in the meantime, unless an import has it
		return err
	}
	_, err = tx.Exec(ctx, `
		insert into file (client_id, id, created_at, name, bytes, sha256) values ($1, $2, $3, $4, $5, $6) on conflict (client_id, id) do nothing`,
		f.ClientID, f.ID, f.CreatedAt, f.Name, f.Bytes, f.SHA256)
	return classify(err, "file")
}

// fileReader reads a kept file, part by part. While one part is read, the next is unpacked.
type fileReader struct {
	packed func(part int) ([]byte, error)
	file   survey.File
	at     int64
	part   int // of data, -1 for none
	data   []byte
	ahead  int           // the part being unpacked, where next is not nil
	next   chan unpacked // gives it
}

type unpacked struct {
	data []byte
	err  error
}

func newFileReader(ctx context.Context, q conn, f survey.File) *fileReader {
	return &fileReader{file: f, part: -1, packed: func(part int) (b []byte, err error) {
		err = q.QueryRow(ctx, `select data from file_part where client_id = $1 and file_id = $2 and part = $3`, f.ClientID, f.ID, part).Scan(&b)
		if err != nil {
			err = fmt.Errorf("reading part %d of file %s: %w", part, f.ID, err)
		}
		return b, err
	}}
}

// Read implements io.Reader.
func (r *fileReader) Read(p []byte) (int, error) {
	if r.at >= r.file.Bytes {
		return 0, io.EOF
	}
	if part := int(r.at / partSize); part != r.part {
		if err := r.load(part); err != nil {
			return 0, err
		}
	}
	n := copy(p, r.data[r.at%partSize:])
	r.at += int64(n)
	return n, nil
}

// load makes part the one that is read.
func (r *fileReader) load(part int) error {
	if r.next != nil && r.ahead != part {
		<-r.next
		r.next = nil
	}
	if r.next == nil {
		if err := r.fetch(part, nil); err != nil {
			return err
		}
	}
	u := <-r.next
	if r.next = nil; u.err != nil {
		return u.err
	}
	spare := r.data
	r.part, r.data = part, u.data
	if int64(part+1)*partSize < r.file.Bytes {
		return r.fetch(part+1, spare)
	}
	return nil
}

// fetch begins to unpack part into buf.
func (r *fileReader) fetch(part int, buf []byte) error {
	b, err := r.packed(part)
	if err != nil {
		return err
	}
	next := make(chan unpacked, 1)
	go func() {
		data, err := unpack(b, buf)
		next <- unpacked{data, err}
	}()
	r.ahead, r.next = part, next
	return nil
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
