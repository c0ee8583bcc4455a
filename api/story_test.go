package api_test

import (
	"encoding/json"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
)

// chapter is one request of the examples in the description; see openapi/examples.
type chapter struct {
	Name      string // What it makes: $name stands for the id of that from there on, $name.a.0 for a member
	Request   string // Method and path
	Body      any    // JSON, the options where there is a file; nil: none
	File      *struct{ Name, Text string }
	Text      string // A body that is no JSON
	MediaType string `json:"media_type"` // Of Text
}

// chapters reads the examples of the description in their order.
func chapters(t testing.TB) []chapter {
	t.Helper()
	files, err := filepath.Glob("../openapi/examples/[0-9]*.json")
	if err != nil || len(files) == 0 {
		t.Fatalf("%d files of examples, %v", len(files), err)
	}
	var all []chapter
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		var some []chapter
		if err := json.Unmarshal(text, &some); err != nil {
			t.Fatalf("%s: %v", file, err)
		}
		all = append(all, some...)
	}
	return all
}

// story sends examples to a service and keeps what was answered, by their names.
type story struct {
	*service
	answers map[string]any
}

var reference = regexp.MustCompile(`\$([a-z_]+)((?:\.[a-z0-9_]+)*)`)

// resolved returns v with the references in its texts replaced by what was answered.
func (s story) resolved(v any) any {
	switch v := v.(type) {
	case string:
		return reference.ReplaceAllStringFunc(v, s.referred)
	case []any:
		out := make([]any, len(v))
		for i := range v {
			out[i] = s.resolved(v[i])
		}
		return out
	case object:
		out := object{}
		for name := range v {
			out[name] = s.resolved(v[name])
		}
		return out
	default:
		return v
	}
}

func (s story) referred(text string) string {
	m := reference.FindStringSubmatch(text)
	v, ok := s.answers[m[1]]
	if !ok {
		s.t.Fatalf("an example refers to %s, which no example before it is called", text)
	}
	path := strings.Split(strings.TrimPrefix(m[2], "."), ".")
	if m[2] == "" {
		path = []string{"id"}
	}
	for _, step := range path {
		switch at := v.(type) {
		case object:
			v = at[step]
		case []any:
			if i, err := strconv.Atoi(step); err == nil && i < len(at) {
				v = at[i]
				continue
			}
			s.t.Fatalf("an example refers to %s; answered was %v", text, s.answers[m[1]])
		}
	}
	found, ok := v.(string)
	if !ok {
		s.t.Fatalf("an example refers to %s; answered was %v", text, s.answers[m[1]])
	}
	return found
}

// message is a request ready to be sent.
type message struct {
	method, path string
	body         any
	headers      []string
}

// request returns what e asks, with the ids of what was made before.
func (s story) request(e chapter) message {
	s.t.Helper()
	method, path, ok := strings.Cut(e.Request, " ")
	if !ok {
		s.t.Fatalf("example %s: request %q; want a method and a path", e.Name, e.Request)
	}
	r := message{method: method, path: s.resolved(path).(string), body: s.resolved(e.Body)}
	switch {
	case e.File != nil:
		var mediaType string
		r.body, mediaType = form(s.t, e.File.Name, e.File.Text, r.body, false)
		r.headers = []string{"Content-Type", mediaType}
	case e.MediaType != "":
		r.body, r.headers = e.Text, []string{"Content-Type", e.MediaType}
	}
	doc, err := description()
	if err != nil {
		s.t.Fatal(err)
	}
	route, _ := routeOf(doc, mustRequest(s.t, method, r.path))
	if route == nil {
		s.t.Fatalf("example %s: %s is not described", e.Name, e.Request)
	}
	r.headers = append(r.headers, s.neededHeaders(route.Operation, r.path)...)
	return r
}

func mustRequest(t testing.TB, method, path string) *http.Request {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), method, path, nil)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// neededHeaders returns the headers that op cannot do without, for the record at path as it is.
func (s story) neededHeaders(op *openapi3.Operation, path string) []string {
	var headers []string
	for _, p := range op.Parameters {
		if p.Value.In != "header" || !p.Value.Required {
			continue
		}
		value := "0"
		switch p.Value.Name {
		case "If-None-Match":
			value = "*"
		case "If-Match":
			record := strings.Join(strings.Split(path, "/")[:4], "/")
			value = s.ask(http.MethodGet, record, nil).header.Get("ETag")
		}
		headers = append(headers, p.Value.Name, value)
	}
	return headers
}

// tell sends e and keeps what was answered.
func (s story) tell(e chapter) answer {
	s.t.Helper()
	r := s.request(e)
	a := s.call(r.method, r.path, r.body, r.headers...)
	if a.status >= 300 {
		s.t.Fatalf("example %s: %s %s = %d %s", e.Name, r.method, r.path, a.status, a.raw)
	}
	s.answers[e.Name] = a.body
	return a
}
