package api

import (
	"errors"
	"net/http"
	"slices"
	"strings"

	"github.com/gin-gonic/gin"

	"leveltrail/domain/fault"
)

// Problem is the body of every answer that is not a success (RFC 9457).
type Problem struct {
	Type        string       `json:"type"`                   // Page that explains this kind of problem
	Title       string       `json:"title"`                  // Kind of problem
	Status      int          `json:"status"`                 // HTTP status
	Detail      string       `json:"detail"`                 // What went wrong here
	Instance    string       `json:"instance"`               // Path of the request
	Code        string       `json:"code"`                   // Word for programs; further codes may appear
	RequestID   string       `json:"request_id"`             // To be quoted when asking about this answer
	Errors      []FieldError `json:"errors,omitempty"`       // Everything wrong with the request
	CurrentETag string       `json:"current_etag,omitempty"` // Of a failed precondition: the record's entity tag now
	Import      *Import      `json:"import,omitempty"`       // Of a refused log file: the import that keeps it

	ExpectedOffset *int64 `json:"expected_offset,omitempty"` // Of a piece of an upload: where to go on
}

// FieldError is one thing wrong with a member of the body or a query parameter.
type FieldError struct {
	Pointer   string `json:"pointer,omitempty"`   // JSON pointer to the member
	Parameter string `json:"parameter,omitempty"` // Query parameter or header
	Code      string `json:"code"`                // Word for programs
	Detail    string `json:"detail"`              // What is wrong with it
}

// refusal is an error that only the HTTP side knows.
type refusal struct {
	status      int
	code        string
	detail      string
	errors      []FieldError
	currentETag string
	imported    *Import
	location    string
	retryAfterS string

	expectedOffset *int64
}

func (r *refusal) Error() string { return r.code + ": " + r.detail }

func badParameter(name, code, detail string) error {
	return &refusal{
		status: http.StatusBadRequest, code: code, detail: "parameter " + name + " " + detail,
		errors: []FieldError{{Parameter: name, Code: code, Detail: detail}},
	}
}

// ofQuery makes a fault about fields one about the query parameters of those names.
func ofQuery(err error) error {
	f, ok := errors.AsType[*fault.Error](err)
	if !ok || f.Kind != fault.Invalid || len(f.Fields) == 0 {
		return err
	}
	r := &refusal{status: http.StatusUnprocessableEntity, code: "invalid", detail: f.Error()}
	for _, field := range f.Fields {
		r.errors = append(r.errors, FieldError{Parameter: field.Path, Code: field.Code, Detail: field.Reason})
	}
	return r
}

// renamed returns err with its fields under other names.
func renamed(err error, names map[string]string) error {
	f, ok := errors.AsType[*fault.Error](err)
	if !ok {
		return err
	}
	other := *f
	other.Fields = slices.Clone(f.Fields)
	for i := range other.Fields {
		if name, ok := names[other.Fields[i].Path]; ok {
			other.Fields[i].Path = name
		}
	}
	return &other
}

var statusOf = map[fault.Kind]int{
	fault.Invalid:  http.StatusUnprocessableEntity,
	fault.NotFound: http.StatusNotFound,
	fault.Conflict: http.StatusConflict, fault.Forbidden: http.StatusForbidden,
}

var codeOf = map[int]string{
	http.StatusBadRequest:            "bad_request",
	http.StatusUnauthorized:          "unauthorized",
	http.StatusForbidden:             "forbidden",
	http.StatusNotFound:              "not_found",
	http.StatusMethodNotAllowed:      "method_not_allowed",
	http.StatusConflict:              "conflict",
	http.StatusPreconditionFailed:    "precondition_failed",
	http.StatusRequestEntityTooLarge: "too_large",
	http.StatusUnsupportedMediaType:  "unsupported_media_type",
	http.StatusUnprocessableEntity:   "invalid",
	http.StatusPreconditionRequired:  "precondition_required",
	http.StatusTooManyRequests:       "too_many_requests",
	http.StatusInternalServerError:   "internal",
}

// problemOf renders err. What err says is shown only where it is a fault or a refusal.
func problemOf(c *gin.Context, err error) Problem {
	p := Problem{Status: http.StatusInternalServerError, Detail: "The service could not answer; the request id finds it in the log."}
	if r, ok := errors.AsType[*refusal](err); ok {
		p.Status, p.Code, p.Detail, p.CurrentETag, p.Import, p.Errors = r.status, r.code, r.detail, r.currentETag, r.imported, r.errors
		p.ExpectedOffset = r.expectedOffset
	} else if f, ok := errors.AsType[*fault.Error](err); ok && f.Kind != fault.Internal {
		p.Status, p.Code, p.Detail = statusOf[f.Kind], f.Code, f.Message
		for _, field := range f.Fields {
			code := field.Code
			if code == "" {
				code = "invalid"
			}
			p.Errors = append(p.Errors, FieldError{Pointer: pointer(field.Path), Code: code, Detail: field.Reason})
		}
		if len(f.Fields) > 0 {
			reasons := make([]string, len(f.Fields))
			for i, field := range f.Fields {
				reasons[i] = strings.TrimSpace(field.Path + " " + field.Reason)
			}
			p.Detail += ": " + strings.Join(reasons, "; ")
		}
	}
	if p.Code == "" {
		p.Code = codeOf[p.Status]
	}
	p.Title = http.StatusText(p.Status)
	p.Type = "/problems/" + strings.ReplaceAll(p.Code, "_", "-")
	p.Instance = shown(c.Request.URL.Path)
	p.RequestID = requestID(c)
	return p
}

// pointer returns the JSON pointer (RFC 6901) to a member, empty for the whole body.
func pointer(path string) string {
	if path == "" {
		return ""
	}
	return "/" + path
}
