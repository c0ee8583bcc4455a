package survey

import (
	"strings"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/fault"
)

// Note is what a person wrote down at a survey. It never changes: a correction
// is a note that names the one it corrects.
type Note struct {
	ClientID   uuid.UUID
	ID         uuid.UUID
	Version    int // always 1
	CreatedAt  time.Time
	RecordedAt time.Time
	SurveyID   uuid.UUID
	PositionID uuid.UUID // zero: about no position
	At         time.Time // what it is about, not when it was written
	Text       string
	Author     string
	CorrectsID uuid.UUID // the note of the same survey that it corrects; zero: none
}

// Validate reports every member that makes n unfit to store.
func (n Note) Validate() error {
	var bad fault.Fields
	bad.Check(n.SurveyID != uuid.Nil, "survey_id", "required", "is required")
	bad.Check(plausible(n.At), "at", "out_of_range", "must lie between 1970 and 2200")
	bad.Check(strings.TrimSpace(n.Text) != "", "text", "required", "must not be blank")
	text(&bad, "author", n.Author)
	return bad.Err("note")
}
