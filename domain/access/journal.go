package access

import (
	"encoding/json"
	"time"

	"github.com/google/uuid"
)

// Entry is a sealed line of the journal: who did what to which version of which
// record, when and why.
type Entry struct {
	Seq        int64 // counts from 1 without a gap
	At         time.Time
	KeyID      string // public part of the key; empty for the service itself
	Actor      string // name of the key
	RequestID  string
	Type       string // "survey.created"
	RecordType string
	RecordID   uuid.UUID
	ClientID   uuid.UUID // zero: of no client
	Version    int
	Reason     string
	Detail     json.RawMessage // of what has no version of its own; nil if there is none
	SHA256     []byte          // of the chain up to here
}

// Verification is what checking the chain of the journal found.
type Verification struct {
	Entries int64 // sealed
	Open    int64 // not sealed yet
	Head    []byte
	BadSeq  int64  // the first entry that is not what was sealed, zero if all are
	Why     string // what is wrong there
}

// Head is the last link of the journal's chain: with it at hand, nobody can have
// altered, without being found, what was sealed up to there.
type Head struct {
	Seq      int64
	SHA256   []byte
	SealedAt time.Time
}
