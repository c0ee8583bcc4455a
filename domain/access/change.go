package access

import (
	"maps"
	"slices"
	"strings"
)

// changed holds, of each kind of record whose changes are told to others, what
// else happens to it than being created and changed.
var changed = map[string][]string{
	"attachment": nil, "calendar_feed": {"deleted"}, "certificate": {"confirmed"}, "certificate_document": nil,
	"certificate_status": nil, "client": nil, "component": nil, "disposition": nil, "event": nil,
	"exclusion": {"removed"}, "field_check": nil, "import": nil, "instrument": nil, "laboratory": nil,
	"layout": {"removed"}, "limit": {"removed"}, "nonconformity": nil, "note": nil, "person": nil, "position": nil,
	"project": nil, "rule_profile": nil, "series": nil, "sign_off": nil, "sign_off_review": {"opened", "closed"},
	"sound_event": {"removed"}, "survey": {"signed_off", "certificate_withdrawn"},
}

// ChangeKinds returns the kinds of record whose changes are told to others, in alphabetical order.
func ChangeKinds() []string { return slices.Sorted(maps.Keys(changed)) }

// ChangeType reports whether t is a type of change, such as "survey.created",
// or "survey.*" for all of a kind.
func ChangeType(t string) bool {
	kind, what, _ := strings.Cut(t, ".")
	more, known := changed[kind]
	return known && (what == "*" || what == "created" || what == "changed" || slices.Contains(more, what))
}
