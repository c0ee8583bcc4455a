package api_test

import (
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"leveltrail/api"
	"leveltrail/domain/access"
)

// An admin of some clients can neither see keys nor make, rotate or revoke one: it could make itself one that sees all.
func TestKeysOfLimitedAdmin(t *testing.T) {
	t.Parallel()
	s := serve(t)
	mine := s.create("/v1/clients", object{"name": "Invented Mill"})
	other := s.must(http.StatusCreated, http.MethodPost, "/v1/keys", object{"name": "Another", "role": "qa"})
	whole := s.key
	s.key = newKey(t, s, access.Key{Name: "Limited", Role: "admin", ClientIDs: []uuid.UUID{uuid.MustParse(mine)}})
	id := "/v1/keys/" + other.body["id"].(string)
	for _, tt := range []struct {
		method, path string
		body         any
	}{
		{http.MethodGet, "/v1/keys", nil},
		{http.MethodGet, id, nil},
		{http.MethodPost, "/v1/keys", object{"name": "More", "role": "admin"}},
		{http.MethodPost, id + "/rotation", object{"overlap_s": 60}},
		{http.MethodDelete, id, nil},
	} {
		if a := s.call(tt.method, tt.path, tt.body, "If-Match", `"v1"`); a.status != http.StatusForbidden {
			t.Errorf("%s %s = %d %s; want 403", tt.method, tt.path, a.status, a.raw)
		}
	}
	s.must(http.StatusOK, http.MethodGet, "/v1/clients/"+mine, nil)
	routes := s.must(http.StatusOK, http.MethodGet, "/v1/me", nil).body["routes"].([]any)
	if slices.ContainsFunc(routes, func(r any) bool { return strings.Contains(r.(string), "/v1/keys") }) {
		t.Errorf("it is told that it may use keys: %v", routes)
	}
	s.key = whole
	s.must(http.StatusOK, http.MethodGet, id, nil)
}

// TestKeyRotation replaces keys: both open until the overlap ends, or the old one expires before. Each is
// replaced from the version that the caller saw, and tells when it was last used.
func TestKeyRotation(t *testing.T) {
	t.Parallel()
	begin := time.Now().UTC().Truncate(time.Second)
	now := begin
	s := serveWith(t, api.Config{Log: discard, Now: func() time.Time { return now }})
	for name, tt := range map[string]struct{ life, want time.Duration }{
		"without end":         {0, time.Hour},
		"ends after it":       {48 * time.Hour, time.Hour},
		"ends in the overlap": {30 * time.Minute, 30 * time.Minute},
	} {
		now = begin
		body := object{"name": name, "role": "qa"}
		if tt.life > 0 {
			body["expires_at"] = begin.Add(tt.life).Format(time.RFC3339)
		}
		old := s.must(201, "POST", "/v1/keys", body)
		path := "/v1/keys/" + old.body["id"].(string)
		if used := s.must(200, "GET", path, nil).body["last_used_at"]; used != nil {
			t.Errorf("%s: last used at %v before any use", name, used)
		}
		before := s.as(old.body["secret"].(string))
		before.must(200, "GET", "/v1/clients", nil)
		if used, err := time.Parse(time.RFC3339, s.must(200, "GET", path, nil).body["last_used_at"].(string)); err != nil || used.Second() != 0 || begin.Sub(used).Abs() > time.Hour {
			t.Errorf("%s: last used at %v, %v; want about now, to the minute", name, used, err)
		}

		fresh := s.must(201, "POST", path+"/rotation", object{"overlap_s": 3600}, "If-Match", old.header.Get("ETag"))
		answered(t, with(body, object{"client_ids": nil, "revoked_at": nil, "last_used_at": nil, "version": 1.}), fresh)
		after := s.as(fresh.body["secret"].(string))
		left := s.must(200, "GET", path, nil)
		answered(t, object{"version": 2., "expires_at": begin.Add(tt.want).Format(time.RFC3339)}, left)
		a := s.call("POST", path+"/rotation", object{"overlap_s": 3600}, "If-Match", old.header.Get("ETag"))
		if a.status != http.StatusPreconditionFailed || a.body["current_etag"] != left.header.Get("ETag") {
			t.Errorf("%s, again: %d %s; want 412 with current_etag %s", name, a.status, a.raw, left.header.Get("ETag"))
		}

		now = begin.Add(tt.want - time.Second)
		before.must(200, "GET", "/v1/clients", nil)
		after.must(200, "GET", "/v1/clients", nil)
		now = begin.Add(tt.want)
		before.refused(401, "unauthorized", nil, "GET", "/v1/clients", nil)
		if tt.life == 0 || tt.life > tt.want {
			after.must(200, "GET", "/v1/clients", nil)
		}
		s.must(200, "DELETE", "/v1/keys/"+fresh.body["id"].(string), nil, "If-Match", "*")
		after.refused(401, "unauthorized", nil, "GET", "/v1/clients", nil)
	}
	if got := len(s.must(200, "GET", "/v1/keys", nil).items()); got != 7 { // the test's own, and two of each
		t.Errorf("%d keys; want 7", got)
	}
}

// TestKeyOfThePast asks for a key that would open nothing from the first day.
func TestKeyOfThePast(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 3, 3, 7, 0, 0, 0, time.UTC)
	s := serveWith(t, api.Config{Log: discard, Now: func() time.Time { return now }})
	for expires, ok := range map[string]bool{"2025-03-03T07:00:00Z": false, "2026-03-03T07:00:00Z": false, "2026-03-03T07:00:00.000001Z": true} {
		in := object{"name": "Office", "role": "qa", "expires_at": expires}
		if ok {
			s.must(201, "POST", "/v1/keys", in)
			continue
		}
		s.refused(422, "invalid", []string{"/expires_at out_of_range"}, "POST", "/v1/keys", in)
	}
}
