package survey

import (
	"bytes"
	"net/http"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/fault"
)

// MaxAttachment bounds a photo or sketch, in bytes (house value).
const MaxAttachment = 32 << 20

// AttachmentTypes are the media types taken: what phones, cameras and scanners make.
var AttachmentTypes = []string{"image/jpeg", "image/png", "image/webp", "image/gif", "image/tiff", "image/heic", "image/avif", "application/pdf"}

// Attachment is a photo or sketch made at a survey. It never changes.
type Attachment struct {
	ClientID   uuid.UUID
	ID         uuid.UUID
	Version    int // always 1
	CreatedAt  time.Time
	RecordedAt time.Time
	SurveyID   uuid.UUID
	PositionID uuid.UUID // zero: of no position
	At         time.Time // when it was made
	Caption    string
	Author     string
	FileID     uuid.UUID // its bytes
	Name       string    // of the file
	MediaType  string    // one of AttachmentTypes, as the bytes say
	Bytes      int64
	SHA256     []byte
}

// Validate reports every member that makes a unfit to store, its file aside.
func (a Attachment) Validate() error {
	var bad fault.Fields
	bad.Check(a.SurveyID != uuid.Nil, "survey_id", "required", "is required")
	bad.Check(plausible(a.At), "at", "out_of_range", "must lie between 1970 and 2200")
	text(&bad, "caption", a.Caption)
	text(&bad, "author", a.Author)
	return bad.Err("attachment")
}

// ValidateFile reports why the file of a is unfit to store.
func (a Attachment) ValidateFile() error {
	var bad fault.Fields
	bad.Check(a.Bytes > 0, "file", "required", "must not be empty")
	bad.Check(a.Bytes == 0 || a.MediaType != "", "file", "not_allowed", "must be a photo or sketch: JPEG, PNG, WebP, GIF, TIFF, HEIC, AVIF or PDF")
	text(&bad, "file/name", a.Name)
	return bad.Err("attachment")
}

// MediaTypeOf returns the media type of a file that begins with head, empty if it is none of AttachmentTypes.
func MediaTypeOf(head []byte) string {
	switch t := http.DetectContentType(head); t {
	case "image/jpeg", "image/png", "image/webp", "image/gif", "application/pdf":
		return t
	}
	if bytes.HasPrefix(head, []byte("II*\x00")) || bytes.HasPrefix(head, []byte("MM\x00*")) {
		return "image/tiff"
	}
	if len(head) >= 12 && string(head[4:8]) == "ftyp" { // ISO/IEC 14496-12, the file's major brand
		switch string(head[8:12]) {
		case "heic", "heix", "heim", "heis", "mif1":
			return "image/heic"
		case "avif":
			return "image/avif"
		}
	}
	return ""
}
