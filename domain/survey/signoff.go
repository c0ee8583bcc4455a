package survey

import (
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/calibration"
	"leveltrail/domain/fault"
)

// SignOff is a frozen copy of a survey under a quality lead's name. It never
// changes and locks nothing. Its bytes are kept beside it, see [SignOffCopy].
type SignOff struct {
	ClientID      uuid.UUID
	ID            uuid.UUID
	Version       int // always 1
	CreatedAt     time.Time
	RecordedAt    time.Time
	SurveyID      uuid.UUID
	SurveyVersion int
	Revision      int     // counts the sign-offs of the survey, from 1
	Reason        *string // why there is another; nil: the first
	Statement     string
	SignedBy      string // name of the key that signed
	Outcome       string // of the verdict
	SHA256        []byte // of the frozen copy
	PageSHA256    []byte // of its page for people
}

// Validate reports every member that makes s unfit to store.
func (s SignOff) Validate() error {
	var bad fault.Fields
	text(&bad, "statement", s.Statement)
	if s.Reason != nil {
		text(&bad, "reason", *s.Reason)
	}
	bad.Check(s.Revision <= 1 || s.Reason != nil, "reason", "required", "must say why the survey is signed off again")
	return bad.Err("sign-off")
}

// SignOffCopy is the bytes of a sign-off.
type SignOffCopy struct {
	Frozen []byte // JSON
	Page   []byte // HTML
}

// SignOffFilter selects sign-offs; a zero member selects all.
type SignOffFilter struct {
	ClientID, SurveyID uuid.UUID
	ReviewDue          *bool
	Latest             bool // of each survey the last alone
}

// Basis tells apart what a sign-off was compared with: equal digests mean that
// nothing the figures, or the verdict, rest on has changed.
type Basis struct{ Figures, Verdict string }

// SignOffCheck is what was found when a sign-off was last compared with its survey.
type SignOffCheck struct {
	Basis
	CheckedAt time.Time
	Changes   []byte // JSON; nil: none
}

// Steps of a review.
const (
	ReviewOpened = "opened"
	ReviewClosed = "closed"
)

// Decisions that close a review.
const (
	Stands       = "stands"
	SignOffAgain = "sign_off_again"
)

// Review is an entry of the history of a sign-off's reviews: one is due while the newest entry is an opened one.
type Review struct {
	ClientID   uuid.UUID
	ID         uuid.UUID
	Version    int // always 1
	CreatedAt  time.Time
	RecordedAt time.Time
	SignOffID  uuid.UUID
	Step       string // ReviewOpened or ReviewClosed
	Decision   string // Stands or SignOffAgain; empty of an opened one
	Reason     string
	Author     string // name of the key
}

// Validate reports every member that makes r unfit to close a review.
func (r Review) Validate() error {
	var bad fault.Fields
	oneOf(&bad, "decision", r.Decision, []string{Stands, SignOffAgain})
	text(&bad, "reason", r.Reason)
	return bad.Err("review")
}

// NotIndependent reports whether a review was closed by the operator of the survey.
func (r Review) NotIndependent(operator string) bool {
	return r.Step == ReviewClosed && calibration.SamePerson(r.Author, operator)
}

// Kinds of enclosure.
const (
	LogFile             = "log_file"
	CertificateDocument = "certificate_document"
	AttachedFile        = "attachment" // photo or sketch
)

// Enclosure is a file that goes with a sign-off, byte for byte.
type Enclosure struct {
	Kind      string
	ID        uuid.UUID // of the import, of the certificate, of the attachment
	Name      string    // as it came; empty if it had none
	MediaType string
	Bytes     int64
	SHA256    []byte
}
