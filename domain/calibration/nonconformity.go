package calibration

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/civil"
	"leveltrail/domain/fault"
)

// Nonconformity is one version of the record of work that did not conform: what was found,
// what it touches, what was decided, and who was told (ISO/IEC 17025:2017 7.10).
type Nonconformity struct {
	ID             uuid.UUID
	What           string
	FoundOn        civil.Date
	SurveyIDs      []uuid.UUID // that are affected
	InstrumentIDs  []uuid.UUID
	CertificateIDs []uuid.UUID
	Decision       string // what is done about it; empty while nothing is decided
	Informed       []Informed
	ClosedOn       civil.Date // none while it is open

	Version    int
	CreatedAt  time.Time
	RecordedAt time.Time
}

// Informed says that a client was told.
type Informed struct {
	ClientID uuid.UUID
	On       civil.Date
	By       string // who told it
	Note     string // how, and what was said
}

// Validate reports every field that makes n unfit to store, as one [fault.Error].
func (n Nonconformity) Validate() error {
	var bad fault.Fields
	required(&bad, "what", n.What)
	bad.Check(!n.FoundOn.IsZero(), "found_on", "required", "must be a date")
	inOrder(&bad, "closed_on", n.FoundOn, n.ClosedOn, "must not lie before found_on")
	bad.Check(n.ClosedOn.IsZero() || strings.TrimSpace(n.Decision) != "", "decision", "required", "must say what was decided before it is closed")
	for _, list := range []struct {
		member string
		ids    []uuid.UUID
	}{{"survey_ids", n.SurveyIDs}, {"instrument_ids", n.InstrumentIDs}, {"certificate_ids", n.CertificateIDs}} {
		for i, id := range list.ids {
			bad.Check(!slices.Contains(list.ids[:i], id), fmt.Sprintf("%s/%d", list.member, i), "duplicate", "must not repeat")
		}
	}
	for i, t := range n.Informed {
		at := fmt.Sprintf("informed/%d/", i)
		bad.Check(t.ClientID != uuid.Nil, at+"client_id", "required", "must name a client")
		bad.Check(!t.On.IsZero(), at+"on", "required", "must be a date")
		inOrder(&bad, at+"on", n.FoundOn, t.On, "must not lie before found_on")
		required(&bad, at+"by", t.By)
	}
	return bad.Err("nonconformity")
}

// NonconformityFilter selects nonconformities; a zero member selects all.
type NonconformityFilter struct {
	State                                 string    // open or closed
	SurveyID, InstrumentID, CertificateID uuid.UUID // that are affected
}
