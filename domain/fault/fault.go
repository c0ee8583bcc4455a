// Package fault defines the errors that cross package boundaries.
package fault

import (
	"errors"
	"fmt"
	"strings"
)

// Kind says what a caller can do about an error.
type Kind int

// Internal is the zero value, so an unclassified error is never shown to a client.
const (
	Internal  Kind = iota // our defect or the environment's; details are only logged
	Invalid               // the request can never succeed as written
	NotFound              // the named record does not exist, or the caller may not see it
	Conflict              // the request contradicts the stored state
	Forbidden             // it is for others to do
)

// Field is one thing wrong with one member of a request.
type Field struct {
	Path   string // JSON pointer without its leading slash: "name", "results/0/phase"
	Code   string // a word for programs: "required", "out_of_range"; empty reads "invalid"
	Reason string // a phrase for people: "must not be blank"
}

// Error is a classified error. Message, Code and Fields are for clients; Err is only logged.
type Error struct {
	Kind    Kind
	Code    string // a word for programs: "immutable", "reference_taken"; empty reads as the kind's
	Message string
	Fields  []Field
	Err     error
}

func (e *Error) Error() string {
	var s strings.Builder
	s.WriteString(e.Message)
	for _, f := range e.Fields {
		fmt.Fprintf(&s, "; %s %s", f.Path, f.Reason)
	}
	if e.Err != nil {
		s.WriteString(": " + e.Err.Error())
	}
	return s.String()
}

func (e *Error) Unwrap() error { return e.Err }

// KindOf returns the kind of err, Internal if it has none.
func KindOf(err error) Kind {
	if e, ok := errors.AsType[*Error](err); ok {
		return e.Kind
	}
	return Internal
}

// Fields collects what is wrong with a record, so that all of it is reported at once.
type Fields []Field

// Add notes that the member at path is wrong.
func (f *Fields) Add(path, code, reason string) {
	*f = append(*f, Field{Path: path, Code: code, Reason: reason})
}

// Check notes that the member at path is wrong unless ok.
func (f *Fields) Check(ok bool, path, code, reason string) {
	if !ok {
		f.Add(path, code, reason)
	}
}

// Bare records that the member at path begins or ends with white space: of two
// names by which something is looked up nobody would see the difference. A blank
// one is left to other checks.
func (f *Fields) Bare(path, s string) {
	bare := strings.TrimSpace(s)
	f.Check(bare == s || bare == "", path, "not_allowed", "must not begin or end with white space")
}

// Err returns an Invalid error about what, or nil if nothing is wrong.
func (f Fields) Err(what string) error {
	if len(f) == 0 {
		return nil
	}
	return &Error{Kind: Invalid, Message: "invalid " + what, Fields: f}
}
