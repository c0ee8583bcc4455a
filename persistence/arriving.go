package persistence

import (
	"bytes"
	"context"
	"errors"
	"io"
	"sync/atomic"

	"leveltrail/domain/logfile"
)

// piece is a part of a file while it comes, for all that use it.
type piece struct {
	bytes  [partSize]byte
	n      int
	packed chan []byte // gives it once
	users  atomic.Int32
	free   chan<- *piece // takes it back
}

func (p *piece) pack() { p.packed <- pack(p.bytes[:p.n]) }

// leave ends one use.
func (p *piece) leave() {
	if p.users.Add(-1) == 0 {
		p.free <- p
	}
}

// arriving reads a file while it comes. It can go back to the beginning as long as it
// has not left the first piece.
type arriving struct {
	ctx   context.Context // its cause says why no more comes
	next  chan *piece     // closed at the end of the file
	piece *piece
	count int // of pieces that came
	at    int // in piece
}

// errPast tells that a file has to be read again, from what is kept.
var errPast = errors.New("the beginning of the file has gone by")

// Read implements io.Reader.
func (a *arriving) Read(b []byte) (int, error) {
	for a.piece == nil || a.at == a.piece.n {
		select {
		case p, ok := <-a.next:
			if !ok {
				return 0, io.EOF
			}
			if a.piece != nil {
				a.piece.leave()
			}
			a.piece, a.at = p, 0
			if a.count++; a.count == 1 && bytes.HasPrefix(p.bytes[:p.n], []byte("PK\x03\x04")) {
				return 0, errPast // a spreadsheet, which is read from its end
			}
		case <-a.ctx.Done():
			return 0, context.Cause(a.ctx)
		}
	}
	n := copy(b, a.piece.bytes[a.at:a.piece.n])
	a.at += n
	return n, nil
}

// Seek implements io.Seeker, to the beginning only.
func (a *arriving) Seek(offset int64, whence int) (int64, error) {
	if offset != 0 || whence != io.SeekStart || a.count > 1 {
		return 0, errPast
	}
	a.at = 0
	return 0, nil
}

// scanAhead reads what comes to next, so that an import need not wait for it. The result
// is nil where the file has to be read from what is kept, which also says what is wrong with it.
func scanAhead(ctx context.Context, o logfile.Options, next chan *piece) *logfile.Scanned {
	a := &arriving{ctx: ctx, next: next}
	found, err := logfile.Scan(a, o)
	if a.piece != nil {
		a.piece.leave()
	}
	for p := range next { // of a file that is not read to its end
		p.leave()
	}
	if err != nil {
		return nil
	}
	return found
}
