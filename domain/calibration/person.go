package calibration

import (
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"

	"leveltrail/domain/civil"
	"leveltrail/domain/fault"
)

// Person is one version of the record of someone who measures.
type Person struct {
	ID             uuid.UUID
	Name           string
	Authorisations []Authorisation

	Version    int
	CreatedAt  time.Time
	RecordedAt time.Time
}

// Authorisation is a period in which a person may work by a method.
type Authorisation struct {
	Method string     // the code of a rule profile or the name of the house's own method
	From   civil.Date // first day
	Until  civil.Date `json:",omitzero"` // last day, none while it lasts
}

// Validate reports every field that makes p unfit to store, as one [fault.Error].
func (p Person) Validate() error {
	var bad fault.Fields
	required(&bad, "name", p.Name)
	for i, a := range p.Authorisations {
		at := fmt.Sprintf("authorisations/%d/", i)
		required(&bad, at+"method", a.Method)
		bad.Check(!a.From.IsZero(), at+"from", "required", "must be a date")
		inOrder(&bad, at+"until", a.From, a.Until, "must not lie before from")
	}
	return bad.Err("person")
}

// authorised reports whether p may work by method on day.
func (p Person) authorised(method string, day civil.Date) bool {
	for _, a := range p.Authorisations {
		if strings.EqualFold(strings.TrimSpace(a.Method), strings.TrimSpace(method)) &&
			!day.Before(a.From) && (a.Until.IsZero() || !day.After(a.Until)) {
			return true
		}
	}
	return false
}

// people remarks on days of use on which the operator was not authorised for the method.
func (j *judge) people() {
	if len(j.facts.People) == 0 {
		return
	}
	method := j.facts.Method
	if method == "" {
		method = j.facts.Profile.Code
	}
	about, who := Subject{"survey", j.facts.SurveyID, j.facts.SurveyVersion}, "An operator without a record"
	var operator Person
	for _, p := range j.facts.People {
		if SamePerson(p.Name, j.facts.Operator) {
			operator, about, who = p, Subject{"person", p.ID, p.Version}, p.Name
		}
	}
	var days []civil.Date
	for _, d := range j.days {
		if !operator.authorised(method, d) {
			days = append(days, d)
		}
	}
	if len(days) > 0 {
		first, last := days[0], days[len(days)-1]
		j.add(OperatorNotAuthorised, SeverityRemark, about, j.daySpan(first, last),
			"%s was not authorised for %s on %s.", who, method, dayRange(first, last))
	}
}

func (p Person) row() row { return row{p.ID, p.Version, p.RecordedAt} }
