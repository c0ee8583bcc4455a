package survey

import (
	"github.com/google/uuid"

	"leveltrail/domain/calibration"
)

// RelatedIDs name records that others refer to, by their kinds. An id may be there more than once.
type RelatedIDs struct{ Clients, Projects, Surveys, Positions, Instruments, Laboratories []uuid.UUID }

// Related are the records of [RelatedIDs] that are there, each once, in no order.
type Related struct {
	Clients      []Client
	Projects     []Project
	Surveys      []Survey
	Positions    []Position
	Instruments  []calibration.Instrument
	Laboratories []calibration.Laboratory
}
