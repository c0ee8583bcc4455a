package api_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"leveltrail/openapi"
)

// description is the committed description of the interface, read once.
var description = sync.OnceValues(func() (*openapi3.T, error) {
	openapi3filter.RegisterBodyDecoder("text/html", openapi3filter.PlainBodyDecoder)
	openapi3filter.RegisterBodyDecoder("text/calendar", openapi3filter.PlainBodyDecoder)
	openapi3.DefineStringFormatValidator("uuid", openapi3.NewCallbackValidator(uuid.Validate))
	return openapi3.NewLoader().LoadFromData(openapi.JSON)
})

// described reports where a request that was taken, or an answer, is not as the
// description of the interface says.
func described(t testing.TB, r *http.Request, sent []byte, w *httptest.ResponseRecorder) {
	t.Helper()
	doc, err := description()
	if err != nil {
		t.Fatal(err)
	}
	for _, wrong := range undescribed(doc, r, sent, w) {
		t.Errorf("%s %s = %d, %s", r.Method, r.URL, w.Code, wrong)
	}
}

// undescribed returns what is not as doc says in the request r with the body sent, if it was taken, and in its answer.
func undescribed(doc *openapi3.T, r *http.Request, sent []byte, w *httptest.ResponseRecorder) (wrong []string) {
	route, params := routeOf(doc, r)
	if route == nil {
		if strings.HasPrefix(r.URL.Path, "/v1/") && w.Code < 300 {
			wrong = append(wrong, "and is not described")
		}
		return wrong
	}
	again := r.Clone(context.Background())
	again.Body = io.NopCloser(bytes.NewReader(sent))
	asked := &openapi3filter.RequestValidationInput{
		Request: again, PathParams: params, Route: route, QueryParams: r.URL.Query(),
		Options: &openapi3filter.Options{
			MultiError: true, IncludeResponseStatus: true, SkipSettingDefaults: true,
			ExcludeRequestBody: len(sent) == 0 && r.Header.Get("Content-Type") == "application/partial-upload", // a piece of no bytes
			AuthenticationFunc: openapi3filter.NoopAuthenticationFunc,
		},
	}
	if w.Code < 300 {
		if err := openapi3filter.ValidateRequest(context.Background(), asked); err != nil {
			wrong = append(wrong, fmt.Sprintf("a request that the description forbids: %.3000s\n%.300s", err, sent))
		}
	}
	if w.Code == http.StatusNotModified {
		return wrong
	}
	err := openapi3filter.ValidateResponse(context.Background(), &openapi3filter.ResponseValidationInput{
		RequestValidationInput: asked, Status: w.Code, Header: w.Header(), Options: asked.Options,
		Body: io.NopCloser(bytes.NewReader(w.Body.Bytes())),
	})
	if err != nil {
		wrong = append(wrong, fmt.Sprintf("an answer that is not described: %.3000s\n%.1000s", err, w.Body))
	}
	return wrong
}

// routeOf returns the operation that describes r and the parameters in its path, nil if there is none.
func routeOf(doc *openapi3.T, r *http.Request) (*routers.Route, map[string]string) {
	segments := strings.Split(r.URL.Path, "/")
next:
	for path, item := range doc.Paths.Map() {
		op := item.GetOperation(r.Method)
		parts := strings.Split(path, "/")
		if op == nil || len(parts) != len(segments) {
			continue
		}
		params := map[string]string{}
		for i, part := range parts {
			if name, ok := strings.CutPrefix(part, "{"); ok {
				name, ending, _ := strings.Cut(name, "}")
				params[name] = strings.TrimSuffix(segments[i], ending)
			} else if part != segments[i] {
				continue next
			}
		}
		return &routers.Route{Spec: doc, Path: path, PathItem: item, Method: r.Method, Operation: op}, params
	}
	return nil, nil
}

// TestDefinitions: evidence names every definition of the description, in its order, by the
// anchor that the page gives its heading.
func TestDefinitions(t *testing.T) {
	t.Parallel()
	doc, err := description()
	if err != nil {
		t.Fatal(err)
	}
	_, definitions, ok := strings.Cut(doc.Info.Description, "\n## Definitions\n")
	if !ok {
		t.Fatal("the description has no definitions")
	}
	var want []any
	for line := range strings.Lines(definitions) {
		if name, ok := strings.CutPrefix(strings.TrimSpace(line), "### "); ok {
			name = strings.ToLower(name[:1]) + name[1:]
			slug := strings.ReplaceAll(strings.ToLower(name), " ", "-")
			want = append(want, object{"name": name, "link": "/docs#description/" + slug})
		}
	}
	s := newSite(t)
	id := s.record("LAeq", 60, "2026-03-03T07:00:00+01:00", repeated(50, 60), nil)
	got := s.must(200, "GET", "/v1/series/"+id+"/summary", nil).body["evidence"].(object)["definitions"]
	if diff := cmp.Diff(any(want), got); diff != "" || len(want) < 10 {
		t.Errorf("definitions (-described +named):\n%s", diff)
	}
}
