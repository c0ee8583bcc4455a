package api_test

import (
	"bytes"
	"encoding/json"
	"log/slog"
	"maps"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"testing"
	"time"

	"leveltrail/api"
	"leveltrail/domain/access"
	"leveltrail/persistence"
	"leveltrail/persistence/pgtest"
)

// TestMain runs the tests away from UTC, where an instant that is not put in UTC shows.
func TestMain(m *testing.M) {
	time.Local = time.FixedZone("away", -5*60*60)
	os.Exit(m.Run())
}

// object is a JSON object, in a request or an answer.
type object = map[string]any

// service is the whole service on a database of its own, asked with an admin key.
type service struct {
	t       testing.TB
	db      pgtest.Database
	store   *persistence.Store
	handler http.Handler
	key     string
}

// serve starts the service for one test.
func serve(t testing.TB) *service {
	t.Helper()
	return serveWith(t, api.Config{Log: slog.New(slog.NewTextHandler(t.Output(), nil)), Now: time.Now})
}

// serveWith is serve with a log and a clock of the test's own.
func serveWith(t testing.TB, config api.Config) *service {
	t.Helper()
	db := pgtest.New(t)
	store, err := persistence.Open(t.Context(), db.App)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(store.Close)
	key := access.NewKey()
	k, _ := access.KeyOf(key)
	if err := store.SetAdminKey(t.Context(), k); err != nil {
		t.Fatal(err)
	}
	config.Store = store
	handler, err := api.New(t.Context(), config)
	if err != nil {
		t.Fatal(err)
	}
	return &service{t: t, db: db, store: store, handler: handler, key: key}
}

// discard is a log that nobody reads.
var discard = slog.New(slog.DiscardHandler)

// answer is what the service answered.
type answer struct {
	status int
	header http.Header
	raw    []byte
	body   object // nil where the body is no JSON object
}

// call asks the service and holds request and answer against the description.
// body is nil, a text to be sent as it is, or a value to be sent as JSON; headers
// are names and values in turn and replace those that every request has.
func (s *service) call(method, path string, body any, headers ...string) answer {
	s.t.Helper()
	r, sent := s.request(method, path, body, headers...)
	w := httptest.NewRecorder()
	s.handler.ServeHTTP(w, r)
	described(s.t, r, sent, w)
	return answerOf(w)
}

// ask is call without the description.
func (s *service) ask(method, path string, body any, headers ...string) answer {
	s.t.Helper()
	r, _ := s.request(method, path, body, headers...)
	w := httptest.NewRecorder()
	s.handler.ServeHTTP(w, r)
	return answerOf(w)
}

func (s *service) request(method, path string, body any, headers ...string) (r *http.Request, sent []byte) {
	s.t.Helper()
	switch b := body.(type) {
	case nil:
	case string:
		sent = []byte(b)
	default:
		var err error
		if sent, err = json.Marshal(b); err != nil {
			s.t.Fatal(err)
		}
	}
	r = httptest.NewRequestWithContext(s.t.Context(), method, path, bytes.NewReader(sent))
	r.Header.Set("Authorization", "Bearer "+s.key)
	if sent != nil {
		r.Header.Set("Content-Type", "application/json")
		if method == http.MethodPatch {
			r.Header.Set("Content-Type", "application/merge-patch+json")
		}
	}
	for pair := range slices.Chunk(headers, 2) {
		r.Header.Set(pair[0], pair[1])
	}
	return r, sent
}

func answerOf(w *httptest.ResponseRecorder) answer {
	a := answer{status: w.Code, header: w.Header(), raw: w.Body.Bytes()}
	_ = json.Unmarshal(a.raw, &a.body)
	return a
}

// must asks the service and fails the test unless it answers with the given status.
func (s *service) must(status int, method, path string, body any, headers ...string) answer {
	s.t.Helper()
	a := s.call(method, path, body, headers...)
	if a.status != status {
		s.t.Fatalf("%s %s = %d %s; want %d", method, path, a.status, a.raw, status)
	}
	return a
}

// create posts body to path and returns the id of what was made.
func (s *service) create(path string, body any) string {
	s.t.Helper()
	return s.must(http.StatusCreated, http.MethodPost, path, body).body["id"].(string)
}

// refused asks the service and compares the problem it answers with: its status,
// its code and what it names as wrong, each as pointer or parameter, a space, and code.
func (s *service) refused(status int, code string, wrong []string, method, path string, body any, headers ...string) {
	s.t.Helper()
	a := s.call(method, path, body, headers...)
	var got []string
	list, _ := a.body["errors"].([]any)
	for _, e := range list {
		e := e.(object)
		at, _ := e["pointer"].(string)
		if p, ok := e["parameter"].(string); ok {
			at = p
		}
		got = append(got, at+" "+e["code"].(string))
	}
	slices.Sort(got)
	slices.Sort(wrong)
	if a.status != status || a.body["code"] != code || !slices.Equal(got, wrong) || a.header.Get("Content-Type") != "application/problem+json" {
		s.t.Errorf("%s %s = %d %s\nwant %d %s, wrong %q; got %q", method, path, a.status, a.raw, status, code, wrong, got)
	}
}

// with returns a copy of o with some members changed; a nil value leaves the member out.
func with(o object, members object) object {
	out := object{}
	maps.Copy(out, o)
	for k, v := range members {
		if out[k] = v; v == nil {
			delete(out, k)
		}
	}
	return out
}

// items returns what a list answered.
func (a answer) items() []object {
	list, _ := a.body["items"].([]any)
	out := make([]object, len(list))
	for i := range list {
		out[i] = list[i].(object)
	}
	return out
}

// ids returns the ids of what a list answered.
func (a answer) ids() []string {
	ids := []string{}
	for _, o := range a.items() {
		ids = append(ids, o["id"].(string))
	}
	return ids
}
