package calibration

import (
	"fmt"
	"reflect"

	"leveltrail/domain/fault"
)

// compared are the members of a certificate that may differ between two of one
// laboratory, number, revision and instrument, by their names on the wire.
var compared = []struct{ member, field string }{
	{"accreditation", "Accreditation"},
	{"accredited", "Accredited"},
	{"scope", "Scope"},
	{"item_serial_number", "ItemSerialNumber"},
	{"replaces_id", "ReplacesID"},
	{"calibrated_from", "CalibratedFrom"},
	{"calibrated_on", "CalibratedOn"},
	{"issued_on", "IssuedOn"},
	{"standard", "Standard"},
	{"as_found", "AsFound"},
	{"as_left", "AsLeft"},
	{"adjusted", "Adjusted"},
	{"pattern_evidence", "PatternEvidence"},
	{"laboratory_due_on", "LaboratoryDueOn"},
	{"due_override_on", "DueOverrideOn"},
	{"person_authorising", "PersonAuthorising"},
	{"reference_standards", "ReferenceStandards"},
	{"results", "Results"},
	{"parts", "Parts"},
}

// Again returns the error of recording c where old has its laboratory, number, revision and
// instrument: a Conflict with code already_recorded where they say the same, else with
// code certificate_differs and the members that differ.
func (c Certificate) Again(old Certificate) error {
	var bad fault.Fields
	a, b := reflect.ValueOf(c), reflect.ValueOf(old)
	for _, m := range compared {
		x, y := a.FieldByName(m.field), b.FieldByName(m.field)
		if x.Kind() == reflect.Slice && x.Len() == 0 && y.Len() == 0 {
			continue
		}
		if !reflect.DeepEqual(x.Interface(), y.Interface()) {
			bad.Add(m.member, "differs", "is not what is recorded")
		}
	}
	if c.State == Confirmed && old.State == Draft {
		bad.Add("state", "differs", "is draft of the one recorded, which may be confirmed")
	}
	if bad == nil {
		return &fault.Error{Kind: fault.Conflict, Code: "already_recorded", Message: "the certificate is recorded"}
	}
	return &fault.Error{
		Kind: fault.Conflict, Code: "certificate_differs", Fields: bad,
		Message: fmt.Sprintf("this %v is recorded with other content, as %v: a certificate that was issued anew is another revision", c, old.ID),
	}
}
