package api_test

import (
	"bytes"
	"context"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"leveltrail/api"
	"leveltrail/domain/request"
	"leveltrail/domain/survey"
	"leveltrail/persistence"
)

func TestProblemsOfRequests(t *testing.T) {
	t.Parallel()
	s := serve(t)
	client := "/v1/clients/" + s.create("/v1/clients", object{"name": "Invented Mill"})
	tests := []struct {
		name, method, path string
		body               any
		headers            []string
		status             int
		code               string
		wrong              []string
	}{
		{name: "unknown route", method: "GET", path: "/v2/clients", status: 404, code: "route_unknown"},
		{name: "route with a slash too many", method: "GET", path: "/v1/clients/", status: 404, code: "route_unknown"},
		{name: "route in capitals", method: "GET", path: "/v1/Clients", status: 404, code: "route_unknown"},
		{name: "no problem of this kind", method: "GET", path: "/problems/unheard-of", status: 404, code: "route_unknown"},
		{name: "wrong method", method: "DELETE", path: "/v1/clients", status: 405, code: "method_not_allowed"},
		{name: "wrong method on a record", method: "PUT", path: client, body: object{"name": "x"}, status: 405, code: "method_not_allowed"},
		{name: "id that is none", method: "GET", path: "/v1/clients/7", status: 404, code: "not_found"},
		{name: "id in another form", method: "GET", path: "/v1/clients/" + strings.ReplaceAll(uuid.NewString(), "-", ""), status: 404, code: "not_found"},
		{name: "unknown id", method: "GET", path: "/v1/clients/" + uuid.NewString(), status: 404, code: "not_found"},
		{name: "unknown id of a change", method: "PATCH", path: "/v1/clients/" + uuid.NewString(), body: object{}, headers: []string{"If-Match", `"v1"`}, status: 404, code: "not_found"},
		{name: "path of bytes that are not UTF-8", method: "GET", path: "/v1/clients/%ff", status: 404, code: "not_found"},
		{name: "no body", method: "POST", path: "/v1/clients", headers: []string{"Content-Type", "application/json"}, status: 400, code: "not_json"},
		{name: "no media type", method: "POST", path: "/v1/clients", body: `{"name": "x"}`, headers: []string{"Content-Type", ""}, status: 415, code: "unsupported_media_type"},
		{name: "form", method: "POST", path: "/v1/clients", body: "name=x", headers: []string{"Content-Type", "application/x-www-form-urlencoded"}, status: 415, code: "unsupported_media_type"},
		{name: "merge patch as JSON", method: "PATCH", path: client, body: object{}, headers: []string{"If-Match", `"v1"`, "Content-Type", "application/json"}, status: 415, code: "unsupported_media_type"},
		{name: "unknown parameter", method: "GET", path: "/v1/clients?colour=red", status: 400, code: "unknown_parameter", wrong: []string{"colour unknown_parameter"}},
		{name: "unknown parameter of a POST", method: "POST", path: "/v1/clients?colour=red", body: object{"name": "x"}, status: 400, code: "unknown_parameter", wrong: []string{"colour unknown_parameter"}},
		{name: "parameter in capitals", method: "GET", path: "/v1/clients?Limit=1", status: 400, code: "unknown_parameter", wrong: []string{"Limit unknown_parameter"}},
		{name: "parameter twice", method: "GET", path: "/v1/clients?limit=1&limit=2", status: 400, code: "duplicate", wrong: []string{"limit duplicate"}},
		{name: "query that is none", method: "GET", path: "/v1/clients?limit=%zz", status: 400, code: "bad_request"},
		{name: "parameter that is no text", method: "GET", path: "/v1/projects?reference=%ff", status: 400, code: "type", wrong: []string{"reference type"}},
		{name: "parameter with U+0000", method: "GET", path: "/v1/surveys?operator=a%00b", status: 400, code: "type", wrong: []string{"operator type"}},
		{name: "limit of nothing", method: "GET", path: "/v1/clients?limit=0", status: 400, code: "out_of_range", wrong: []string{"limit out_of_range"}},
		{name: "limit too large", method: "GET", path: "/v1/clients?limit=201", status: 400, code: "out_of_range", wrong: []string{"limit out_of_range"}},
		{name: "cursor that is none", method: "GET", path: "/v1/clients?cursor=x", status: 400, code: "unknown_cursor", wrong: []string{"cursor unknown_cursor"}},
		{name: "unknown kind", method: "GET", path: "/v1/surveys?kind=kettle", status: 400, code: "not_allowed", wrong: []string{"kind not_allowed"}},
		{name: "unknown state", method: "GET", path: "/v1/surveys?state=", status: 400, code: "not_allowed", wrong: []string{"state not_allowed"}},
		{name: "half an answer", method: "GET", path: "/v1/surveys?include_void=maybe", status: 400, code: "not_allowed", wrong: []string{"include_void not_allowed"}},
		{name: "time without an offset", method: "GET", path: "/v1/surveys?from=2026-03-03T07:00:00", status: 400, code: "type", wrong: []string{"from type"}},
		{name: "id that is none in a filter", method: "GET", path: "/v1/surveys?client_id=7", status: 400, code: "type", wrong: []string{"client_id type"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := *s
			s.t = t
			s.refused(tt.status, tt.code, tt.wrong, tt.method, tt.path, tt.body, tt.headers...)
		})
	}

	a := s.call("DELETE", "/v1/clients", nil)
	if got := a.header.Get("Allow"); !strings.Contains(got, "GET") || !strings.Contains(got, "POST") {
		t.Errorf("Allow of a wrong method = %q; want GET and POST", got)
	}
	a = s.call("PATCH", client, object{}, "If-Match", `"v1"`, "Content-Type", "application/json")
	if got := a.header.Get("Accept-Patch"); got != "application/merge-patch+json" {
		t.Errorf("Accept-Patch = %q; want application/merge-patch+json", got)
	}
	a = s.call("POST", "/v1/clients", strings.Repeat(" ", 32<<20)+"{}")
	if a.status != 413 || a.body["code"] != "too_large" {
		t.Errorf("POST of more than 32 MiB = %d %s; want 413 too_large", a.status, a.raw)
	}
	if got := s.must(200, "GET", "/v1/clients", nil).ids(); len(got) != 1 {
		t.Errorf("%d clients after refused requests; want the one", len(got))
	}
}

// TestProblem holds one problem against RFC 9457 and what the service adds to it.
func TestProblem(t *testing.T) {
	t.Parallel()
	s := serve(t)
	a := s.call("POST", "/v1/clients", object{"name": " "}, "X-Request-Id", "night-7.a_B")
	answered(t, object{
		"type": "/problems/invalid", "title": "Unprocessable Entity", "status": 422., "code": "invalid", "instance": "/v1/clients",
		"detail": "invalid client: name must not be blank", "request_id": "night-7.a_B",
		"errors": []any{object{"pointer": "/name", "code": "required", "detail": "must not be blank"}},
	}, a)
	if a.header.Get("X-Request-Id") != "night-7.a_B" || a.header.Get("Cache-Control") != "private, no-cache" || a.header.Get("X-Content-Type-Options") != "nosniff" {
		t.Errorf("headers = %v; want the request id, private, no-cache and nosniff", a.header)
	}
	for _, id := range []string{"", "a b", "a\nb", strings.Repeat("a", 65), "ä"} {
		made := s.call("GET", "/v1/nothing", nil, "X-Request-Id", id)
		if got := made.header.Get("X-Request-Id"); len(got) != 24 || made.body["request_id"] != got {
			t.Errorf("X-Request-Id for %q = %q, in the problem %q; want one made, alike in both", id, got, made.body["request_id"])
		}
	}
}

func TestStrictBodies(t *testing.T) {
	t.Parallel()
	s := serve(t)
	client := s.create("/v1/clients", object{"name": "Invented Mill"})
	project := s.create("/v1/projects", object{"client_id": client, "reference": "J-1", "title": "Mill at night", "time_zone": "Europe/Vienna"})
	positions := "/v1/projects/" + project + "/positions"
	tests := []struct {
		name, body, code string
		status           int
		wrong            []string
	}{
		{name: "cut off", body: `{"number": 1, "label"`, status: 400, code: "not_json"},
		{name: "two values", body: `{"number": 1, "label": "a"} {}`, status: 400, code: "not_json"},
		{name: "byte order mark", body: "\ufeff" + `{"number": 1, "label": "a"}`, status: 400, code: "not_json"},
		{name: "comment", body: `{"number": 1, /* one */ "label": "a"}`, status: 400, code: "not_json"},
		{name: "NaN", body: `{"number": NaN, "label": "a"}`, status: 400, code: "not_json"},
		{name: "not UTF-8", body: "{\"number\": 1, \"label\": \"\xff\"}", status: 400, code: "not_json"},
		{name: "high half of a surrogate pair", body: `{"number": 1, "label": "\ud83d"}`, status: 400, code: "not_json"},
		{name: "low half of a surrogate pair", body: `{"number": 1, "label": "\uDE00 "}`, status: 400, code: "not_json"},
		{name: "surrogates the wrong way round", body: `{"number": 1, "label": "\ude00\ud83d"}`, status: 400, code: "not_json"},
		{name: "nested too deeply", body: `{"number": ` + strings.Repeat("[", 21) + strings.Repeat("]", 21) + `}`, status: 400, code: "not_json"},
		{name: "array", body: `[]`, status: 422, code: "invalid", wrong: []string{" type"}},
		{name: "null", body: `null`, status: 422, code: "invalid", wrong: []string{" null"}},
		{name: "number", body: `7`, status: 422, code: "invalid", wrong: []string{" type"}},
		{name: "unknown member", body: `{"number": 1, "label": "a", "colour": 1}`, status: 422, code: "invalid", wrong: []string{"/colour unknown_member"}},
		{name: "member in capitals", body: `{"number": 1, "Label": "a"}`, status: 422, code: "invalid", wrong: []string{"/Label unknown_member", "/label required"}},
		{name: "member twice", body: `{"number": 1, "label": "a", "number": 2}`, status: 422, code: "invalid", wrong: []string{"/number duplicate_member"}},
		{name: "member twice, once escaped", body: `{"number": 1, "label": "a", "l\u0061bel": "b"}`, status: 422, code: "invalid", wrong: []string{"/label duplicate_member"}},
		{name: "name to be escaped", body: `{"number": 1, "label": "a", "a/b~c": 2}`, status: 422, code: "invalid", wrong: []string{"/a~1b~0c unknown_member"}},
		{name: "null where none is allowed", body: `{"number": null, "label": "a"}`, status: 422, code: "invalid", wrong: []string{"/number null"}},
		{name: "null for a text", body: `{"number": 1, "label": "a", "setting": null}`, status: 422, code: "invalid", wrong: []string{"/setting null"}},
		{name: "fraction for a whole number", body: `{"number": 1.5, "label": "a"}`, status: 422, code: "invalid", wrong: []string{"/number type"}},
		{name: "number beyond all bounds", body: `{"number": 1e99, "label": "a", "height_m": 1e999}`, status: 422, code: "invalid", wrong: []string{"/number type", "/height_m type"}},
		{name: "text for a number", body: `{"number": "1", "label": "a"}`, status: 422, code: "invalid", wrong: []string{"/number type"}},
		{name: "U+0000", body: `{"number": 1, "label": "a\u0000b"}`, status: 422, code: "invalid", wrong: []string{"/label not_allowed"}},
		{
			name:   "all at once",
			body:   `{"number": 0, "label": 7, "latitude_deg": 91, "longitude_deg": -181, "height_m": "high", "setting": "roof", "colour": {}}`,
			status: 422, code: "invalid",
			wrong: []string{
				"/number out_of_range", "/label type", "/latitude_deg out_of_range", "/longitude_deg out_of_range", "/height_m type",
				"/setting not_allowed", "/colour unknown_member",
			},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := *s
			s.t = t
			s.refused(tt.status, tt.code, tt.wrong, "POST", positions, tt.body)
		})
	}
	// What looks alike and is allowed.
	made := s.must(201, "POST", positions, `{"number": 1, "label": "\ud83d\ude00 \\ud83d \"[[[", "height_m": null}`)
	answered(t, object{"label": "😀 \\ud83d \"[[[", "setting": "free_field"}, made)
	if got := s.must(200, "GET", positions, nil).ids(); len(got) != 1 {
		t.Errorf("%d positions; want the one", len(got))
	}
}

// TestLongTexts sends what no index of the database can hold.
func TestLongTexts(t *testing.T) {
	t.Parallel()
	s := serve(t)
	client := s.create("/v1/clients", object{"name": "Invented Mill"})
	// Letters that compress badly, from a fixed rule.
	long := make([]byte, 9000)
	for i, x := 0, uint32(1); i < len(long); i++ {
		x = x*1664525 + 1013904223
		long[i] = 'a' + byte(x>>24)%26
	}
	text := string(long)
	s.refused(422, "invalid", []string{"/reference too_long"}, "POST", "/v1/projects",
		object{"client_id": client, "reference": text, "title": "Mill at night", "time_zone": "Europe/Vienna"})
	for path, body := range map[string]object{
		"/v1/clients":      {"name": "Invented Mill", "reference": text},
		"/v1/laboratories": {"name": text},
		"/v1/instruments":  with(aMeter, object{"serial_number": text}),
		"/v1/projects":     {"client_id": client, "reference": "J-1", "title": "Mill", "time_zone": "Europe/Vienna", "site": text},
	} {
		if a := s.call("POST", path, body); a.status != 422 {
			t.Errorf("POST %s with 9,000 letters = %d %.300s; want 422", path, a.status, a.raw)
		}
	}
}

// brokenStore is a store whose list of clients fails as it is told.
type brokenStore struct {
	*persistence.Store
	fail func() error
}

func (b brokenStore) Clients(context.Context, request.Page) ([]survey.Client, error) {
	return nil, b.fail()
}

func TestFailures(t *testing.T) {
	t.Parallel()
	var log bytes.Buffer
	s := serveWith(t, api.Config{Log: slog.New(slog.NewTextHandler(&log, nil)), Now: time.Now})
	store := s.store
	for name, fail := range map[string]func() error{
		"panic": func() error { panic("the reason of the panic") },
		"error": func() error { return context.DeadlineExceeded },
	} {
		handler, err := api.New(t.Context(), api.Config{Store: brokenStore{store, fail}, Log: slog.New(slog.NewTextHandler(&log, nil)), Now: time.Now})
		if err != nil {
			t.Fatal(err)
		}
		s.handler = handler
		log.Reset()
		a := s.call("GET", "/v1/clients", nil, "X-Request-Id", "seven")
		if a.status != 500 || a.body["code"] != "internal" || a.header.Get("Content-Type") != "application/problem+json" {
			t.Errorf("%s: %d %s; want 500 internal", name, a.status, a.raw)
		}
		if bytes.Contains(a.raw, []byte("reason")) || bytes.Contains(a.raw, []byte("deadline")) {
			t.Errorf("%s: the answer tells the cause: %s", name, a.raw)
		}
		if text := log.String(); !strings.Contains(text, "request_id=seven") || !strings.Contains(text, "the reason of the panic") && !strings.Contains(text, "deadline exceeded") {
			t.Errorf("%s: the log does not tell the cause: %s", name, text)
		}
	}
}

func TestService(t *testing.T) {
	t.Parallel()
	s := serve(t)
	for _, path := range []string{"/healthz", "/readyz", "/openapi.json", "/docs", "/problems/not-found"} {
		if a := s.call("GET", path, nil, "Authorization", ""); a.status != http.StatusOK {
			t.Errorf("GET %s without a key = %d %.200s; want 200", path, a.status, a.raw)
		}
	}
	s.store.Close()
	if a := s.call("GET", "/readyz", nil); a.status != 503 || a.body["code"] != "not_ready" {
		t.Errorf("GET /readyz without a database = %d %s; want 503 not_ready", a.status, a.raw)
	}
}

// codes finds the words that can become the code of a problem: of a refusal, a
// fault and a parameter, and those that stand for a status.
var codes = regexp.MustCompile(`(?:\bcode: +|\bCode: +|badParameter\([^,\n]+, +|http\.Status\w+: +|refuse\()"([a-z_]+)"`)

// TestProblemPages asks for a page for every code that package api and the store can answer with.
func TestProblemPages(t *testing.T) {
	t.Parallel()
	s := serve(t)
	seen := map[string]bool{}
	for _, dir := range []string{".", "../persistence"} {
		files, err := filepath.Glob(filepath.Join(dir, "*.go"))
		if err != nil {
			t.Fatal(err)
		}
		for _, file := range files {
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if strings.HasSuffix(file, "_test.go") {
				continue
			}
			for _, m := range codes.FindAllStringSubmatch(string(text), -1) {
				seen[m[1]] = true
			}
		}
	}
	if len(seen) < 40 {
		t.Errorf("%d codes found; want more than 40", len(seen))
	}
	for code := range seen {
		a := s.call("GET", "/problems/"+strings.ReplaceAll(code, "_", "-"), nil, "Authorization", "")
		if a.status != http.StatusOK || !strings.HasPrefix(a.header.Get("Content-Type"), "text/html") {
			t.Errorf("no page for %s", code)
		}
	}
}

// TestBareNames sends names by which something is looked up with white space at their ends: beside the same
// without it there would be two jobs, or two meters with half a history each, and nobody would see why.
func TestBareNames(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	project := object{"client_id": s.create("/v1/clients", object{"name": "Invented Mill"}), "reference": "J-7 ", "title": "Mill", "time_zone": "Europe/Vienna"}
	s.refused(422, "invalid", []string{"/reference not_allowed"}, "POST", "/v1/projects", project)
	s.refused(422, "invalid", []string{"/reference required"}, "POST", "/v1/projects", with(project, object{"reference": " "}))
	s.refused(422, "invalid", []string{"/reference not_allowed"}, "PATCH", "/v1/projects/"+s.project(), object{"reference": "\u00a0J-7"}, "If-Match", "*")
	s.refused(422, "invalid", []string{"/manufacturer not_allowed", "/model not_allowed", "/serial_number not_allowed"}, "POST", "/v1/instruments",
		with(aMeter, object{"manufacturer": " Invented Works", "model": "Mu\n", "serial_number": "\t0001"}))
	s.refused(422, "invalid", []string{"/number not_allowed"}, "POST", "/v1/instruments/"+s.meter+"/certificates", with(aCertificate, object{"scope": nil, "number": "N-9 "}))
}
