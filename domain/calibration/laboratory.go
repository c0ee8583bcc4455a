package calibration

import (
	"fmt"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/civil"
	"leveltrail/domain/fault"
)

// Laboratory is one version of the record of a calibration laboratory.
type Laboratory struct {
	ID             uuid.UUID
	Name           string
	Accreditations []Accreditation // empty: no period is recorded

	Version    int
	CreatedAt  time.Time
	RecordedAt time.Time
}

// Accreditation is a period in which a laboratory was accredited (ISO/IEC 17025).
type Accreditation struct {
	Body   string // who accredits
	Number string
	Scope  string     // as the accreditation words it; empty if not recorded
	From   civil.Date // first day
	To     civil.Date `json:",omitzero"` // last day, none while it lasts
}

// Validate reports every field that makes l unfit to store, as one [fault.Error].
func (l Laboratory) Validate() error {
	var bad fault.Fields
	required(&bad, "name", l.Name)
	for i, a := range l.Accreditations {
		at := fmt.Sprintf("accreditations/%d/", i)
		required(&bad, at+"body", a.Body)
		required(&bad, at+"number", a.Number)
		bad.Check(!a.From.IsZero(), at+"from", "required", "must be a date")
		inOrder(&bad, at+"to", a.From, a.To, "must not lie before from")
	}
	return bad.Err("laboratory")
}

// accreditedOn reports whether a recorded period includes day. Accreditation is
// judged on the day of calibration: a later suspension changes nothing.
func (l Laboratory) accreditedOn(day civil.Date) bool { return l.accreditation(day) != nil }

// accreditation returns the first recorded period that includes day, nil if none does.
func (l Laboratory) accreditation(day civil.Date) *Accreditation {
	for _, a := range l.Accreditations {
		if !day.Before(a.From) && (a.To.IsZero() || !day.After(a.To)) {
			return &a
		}
	}
	return nil
}

// inOrder notes at path that second lies before first, where both are dates.
func inOrder(bad *fault.Fields, path string, first, second civil.Date, reason string) {
	bad.Check(first.IsZero() || second.IsZero() || !second.Before(first), path, "out_of_order", reason)
}
