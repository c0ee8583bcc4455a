package survey

import (
	"encoding/hex"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/fault"
)

// Limits of uploads, house values.
const (
	MaxFile        = 2 << 30            // bytes of one file
	MaxUploads     = 100                // that one key may have under way or not yet imported
	MaxUploadBytes = 8 << 30            // that these may come to
	UploadLife     = 7 * 24 * time.Hour // phones come back after a weekend
	FormLife       = 24 * time.Hour     // of a file that came in a form and was not imported: its request failed
)

// States of an upload.
const (
	Arriving  = "arriving"  // in the form of an import that is being answered
	Open      = "open"      // some bytes are missing
	Complete  = "complete"  // all bytes are kept
	Imported  = "imported"  // an import has its file, which stays
	Forgotten = "forgotten" // it ended before it was imported: its bytes are gone
)

// Upload is a file that comes in pieces, until an import has it.
type Upload struct {
	ClientID  uuid.UUID
	ID        uuid.UUID // of the file, too
	CreatedAt time.Time
	ExpiresAt time.Time
	SurveyID  uuid.UUID
	KeyID     string // public part of the key that began it
	Name      string // of the file
	MediaType string
	Bytes     int64  // of the whole file, as announced
	SHA256    []byte // likewise
	Received  int64  // bytes kept so far
	State     string
	Writer    int64 // counts the requests that claimed it; only the newest adds to it
}

// Validate reports every member that makes u unfit to begin.
func (u Upload) Validate() error {
	var bad fault.Fields
	bad.Check(u.SurveyID != uuid.Nil, "survey_id", "required", "is required")
	text(&bad, "name", u.Name)
	bad.Check(u.Bytes >= 1 && u.Bytes <= MaxFile, "bytes", "out_of_range", "must lie between 1 and 2147483648")
	bad.Check(len(u.SHA256) == 32, "sha256", "invalid", "must be the SHA-256 of the file in 64 hexadecimal digits")
	bad.Check(len(u.MediaType) <= 200, "media_type", "too_long", "must have at most 200 bytes")
	return bad.Err("upload")
}

// File returns the file that u becomes.
func (u Upload) File() File {
	return File{ClientID: u.ClientID, ID: u.ID, CreatedAt: u.CreatedAt, Name: u.Name, Bytes: u.Bytes, SHA256: u.SHA256}
}

// Digest returns the SHA-256 written in hexadecimal digits, nil if text is none.
func Digest(text string) []byte {
	b, err := hex.DecodeString(text)
	if err != nil || len(b) != 32 {
		return nil
	}
	return b
}
