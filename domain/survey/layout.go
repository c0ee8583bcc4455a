package survey

import (
	"errors"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/fault"
	"leveltrail/domain/logfile"
)

// Layout is a named layout of the log files of a meter or of meters of one model.
// What it leaves open is detected in each file.
type Layout struct {
	ID           uuid.UUID
	Version      int
	CreatedAt    time.Time
	RecordedAt   time.Time
	Name         string
	InstrumentID uuid.UUID // the meter that writes such files; zero: not one alone
	Layout       logfile.Layout
	Removed      bool
}

// Validate reports every member that makes l unfit to store.
func (l Layout) Validate() error {
	var bad fault.Fields
	text(&bad, "name", l.Name)
	err := l.Layout.Validate()
	if f, ok := errors.AsType[*fault.Error](err); ok {
		bad = append(bad, f.Fields...)
	}
	return bad.Err("layout")
}
