package api_test

import (
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"

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
