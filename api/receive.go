package api

import (
	"context"
	"errors"
	"io"
	"net/http"
	"sync"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"leveltrail/domain/fault"
	"leveltrail/domain/survey"
)

const (
	// keepAfter is how long bytes of an upload may be in memory only.
	keepAfter = time.Second

	// keepAt is how many of them may be so, in bytes.
	keepAt = 1 << 20

	// silence is how long a sender may send nothing before its request ends.
	silence = time.Minute

	// pieceLife bounds the time that one piece may take.
	pieceLife = 15 * time.Minute
)

// receiver is a request that adds to an upload in this process.
type receiver struct{ stop, done chan struct{} }

// receivers are those of each upload, the newest one each. Those of other
// processes are told apart by [survey.Upload.Writer].
type receivers struct {
	mu sync.Mutex
	of map[uuid.UUID]*receiver
}

// enter returns the new receiver of an upload, after the one before has kept what it had.
func (rs *receivers) enter(id uuid.UUID) *receiver {
	mine := &receiver{make(chan struct{}), make(chan struct{})}
	rs.mu.Lock()
	before := rs.of[id]
	rs.of[id] = mine
	rs.mu.Unlock()
	if before != nil {
		close(before.stop)
		<-before.done
	}
	return mine
}

// leave ends mine, which keeps nothing any more.
func (rs *receivers) leave(id uuid.UUID, mine *receiver) {
	rs.mu.Lock()
	if rs.of[id] == mine {
		delete(rs.of, id)
	}
	rs.mu.Unlock()
	close(mine.done)
}

// received is a piece of a body, or how it ended.
type receivedBytes struct {
	bytes []byte
	err   error
}

// receive keeps the body of c as it comes, until it ends, breaks or another request
// goes on with the upload; what came before a break is kept. It returns the upload as it is then.
func (h uploadHandlers) receive(c *gin.Context, u survey.Upload, mine *receiver) (survey.Upload, error) {
	ctx := context.WithoutCancel(c.Request.Context()) // what came is kept also when its sender is gone
	conn := http.NewResponseController(c.Writer)
	r := &pieceReader{conn: conn, pieces: make(chan receivedBytes), quit: make(chan struct{}), ended: make(chan struct{})}
	go r.read(c.Request.Body)
	defer r.end()

	var pending []byte
	keep := func() (err error) {
		if len(pending) > 0 {
			if next, e := h.store.KeepUploaded(ctx, u, pending); e == nil || next.ID != uuid.Nil && isDigestMismatch(e) {
				u, err = next, e
			} else {
				err = e
			}
			pending = pending[:0]
		}
		return err
	}
	timer := time.NewTicker(keepAfter)
	defer timer.Stop()
	for {
		select {
		case p := <-r.pieces:
			pending = append(pending, p.bytes...)
			if u.Received+int64(len(pending)) > u.Bytes {
				return u, tooManyBytes(u)
			}
			if p.err == nil && int64(len(pending)) < keepAt-u.Received%keepAt {
				continue
			}
			if err := keep(); err != nil {
				return u, err
			}
			switch p.err {
			case nil:
			case io.EOF: //nolint:errorlint // the contract of io.Reader
				return u, nil
			default:
				return u, brokenPiece(p.err)
			}
		case <-timer.C:
			if err := keep(); err != nil {
				return u, err
			}
		case <-mine.stop:
			if err := keep(); err != nil {
				return u, err
			}
			return u, &fault.Error{Kind: fault.Conflict, Code: "upload_superseded", Message: "another request goes on with this upload"}
		}
	}
}

// pieceReader reads a body beside who keeps what it reads.
type pieceReader struct {
	conn        *http.ResponseController
	pieces      chan receivedBytes
	quit, ended chan struct{}
	mu          sync.Mutex
	over        bool // the body ended, or no one wants the rest
}

// read sends what body holds until it ends.
func (r *pieceReader) read(body io.Reader) {
	defer close(r.ended)
	body = http.MaxBytesReader(nil, io.NopCloser(body), maxAppend)
	latest := time.Now().Add(pieceLife)
	buf := make([]byte, 64<<10)
	for r.wait(latest) {
		n, err := body.Read(buf)
		if err != nil {
			r.mu.Lock()
			r.over = true
			r.mu.Unlock()
		}
		select {
		case r.pieces <- receivedBytes{append([]byte(nil), buf[:n]...), err}:
		case <-r.quit:
			return
		}
	}
}

// wait bounds how long the next read may take, and reports whether there is to be one.
func (r *pieceReader) wait(latest time.Time) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.over {
		return false
	}
	next := time.Now().Add(silence)
	if next.After(latest) {
		next = latest
	}
	_ = r.conn.SetReadDeadline(next) // where there can be none, the body is in memory
	return true
}

// end has the reader end. A read that waits for a silent sender would keep the answer from being written.
func (r *pieceReader) end() {
	close(r.quit)
	r.mu.Lock()
	waits := !r.over && r.conn.SetReadDeadline(time.Unix(1, 0)) == nil
	over := r.over
	r.over = true
	r.mu.Unlock()
	if waits || over {
		<-r.ended
	}
}

func isDigestMismatch(err error) bool {
	f, ok := errors.AsType[*fault.Error](err)
	return ok && f.Code == "digest_mismatch"
}

// brokenPiece says how a body ended before its end.
func brokenPiece(err error) error {
	if _, ok := errors.AsType[*http.MaxBytesError](err); ok {
		return &refusal{status: http.StatusRequestEntityTooLarge, code: "too_large", detail: "a piece has at most 8388608 bytes: send several"}
	}
	return &refusal{status: http.StatusBadRequest, code: "body_unreadable", detail: "the body ended early; what came of it is kept: ask for the offset and go on from there"}
}
