package survey

import (
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/fault"
)

// SoundEvent is a span marked at a position of a survey, such as the passing of a train.
type SoundEvent struct {
	ClientID   uuid.UUID
	ID         uuid.UUID
	Version    int
	CreatedAt  time.Time
	RecordedAt time.Time
	SurveyID   uuid.UUID
	PositionID uuid.UUID
	Kind       string // what such events are summed up by: "freight train"
	Note       *string
	StartsAt   time.Time
	EndsAt     time.Time
	Author     string
	Removed    bool
}

// longestEvent bounds an event: what is longer is a time of day, and summaries serve it.
const longestEvent = 24 * time.Hour

// Validate reports every member that makes e unfit to store.
func (e SoundEvent) Validate() error {
	var bad fault.Fields
	bad.Check(e.PositionID != uuid.Nil, "position_id", "required", "is required")
	text(&bad, "kind", e.Kind)
	bad.Check(plausible(e.StartsAt), "from", "out_of_range", "must lie between 1970 and 2200")
	bad.Check(plausible(e.EndsAt), "to", "out_of_range", "must lie between 1970 and 2200")
	bad.Check(e.StartsAt.Before(e.EndsAt), "to", "out_of_order", "must be later than from")
	bad.Check(e.EndsAt.Sub(e.StartsAt) <= longestEvent, "to", "out_of_range", "must lie within 24 h of from")
	return bad.Err("sound event")
}
