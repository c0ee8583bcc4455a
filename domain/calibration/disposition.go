package calibration

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/fault"
)

// Decisions on a finding.
const (
	Accept = "accept"
	Reject = "reject"
)

// Disposition is one version of a quality lead's decision on a finding of a
// survey. It counts from its instant in what was known, and never changes the finding's facts.
type Disposition struct {
	ClientID   uuid.UUID
	ID         uuid.UUID
	SurveyID   uuid.UUID
	FindingKey string
	Decision   string // Accept or Reject
	Reason     string
	By         string `db:"decided_by"` // the name of who decided

	Version    int
	CreatedAt  time.Time
	RecordedAt time.Time
}

// Validate reports every field that makes d unfit to store, as one [fault.Error].
func (d Disposition) Validate() error {
	var bad fault.Fields
	required(&bad, "finding_key", d.FindingKey)
	oneOf(&bad, "decision", d.Decision, Accept, Reject)
	required(&bad, "reason", d.Reason)
	return bad.Err("disposition")
}

// Accepts reports whether a decision on f has an effect: an undetermined finding can be accepted or
// rejected, a fail only accepted, where it is disposable: a meter first calibrated after its use, and found to
// conform then. It looks at the severity before any decision.
func (f Finding) Accepts(decision string) bool {
	severity := f.Severity
	if f.Disposition != nil {
		severity = SeverityUndetermined
		if f.Disposable {
			severity = SeverityFail
		}
	}
	return severity == SeverityUndetermined || severity == SeverityFail && f.Disposable && decision == Accept
}

// dispose applies the decisions: accepted, a finding is a remark; rejected, a fail.
func (j *judge) dispose() {
	var deciders []Disposition
	for i, f := range j.findings {
		d, ok := decisionOn(j.facts.Dispositions, f.Key)
		if !ok || !f.Accepts(d.Decision) {
			continue
		}
		j.findings[i].Disposition = &d
		if j.findings[i].Severity = SeverityFail; d.Decision == Accept {
			j.findings[i].Severity = SeverityRemark
		}
		if SamePerson(d.By, j.facts.Operator) {
			deciders = append(deciders, d)
		}
	}
	for _, d := range deciders {
		j.add(NotIndependent, SeverityRemark, Subject{"disposition", d.ID, d.Version}, nil,
			"%s measured and decided on a finding of the survey.", d.By)
	}
	if SamePerson(j.facts.Signatory, j.facts.Operator) {
		j.add(NotIndependent, SeverityRemark, Subject{"survey", j.facts.SurveyID, j.facts.SurveyVersion}, nil,
			"%s measured and signs off.", j.facts.Signatory)
	}
}

// decisionOn returns the latest decision on the finding of a key.
func decisionOn(all []Disposition, key string) (latest Disposition, ok bool) {
	for _, d := range all {
		if d.FindingKey == key && (!ok || cmp.Or(d.RecordedAt.Compare(latest.RecordedAt), slices.Compare(d.ID[:], latest.ID[:])) > 0) {
			latest, ok = d, true
		}
	}
	return latest, ok
}

// SamePerson reports whether two names, as people write them, are one; no name is nobody's.
func SamePerson(a, b string) bool {
	a, b = strings.Join(strings.Fields(a), " "), strings.Join(strings.Fields(b), " ")
	return a != "" && strings.EqualFold(a, b)
}

func (d Disposition) row() row { return row{d.ID, d.Version, d.RecordedAt} }
