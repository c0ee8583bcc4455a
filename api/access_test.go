package api_test

import (
	"bytes"
	"hash/crc32"
	"log/slog"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"leveltrail/api"
	"leveltrail/domain/access"
	"leveltrail/persistence/pgtest"
)

// newKey stores a key of role admin that sees the named clients, all without any.
func (s *service) newKey(name string, expires *time.Time, clients ...string) (secret string, key access.Key) {
	s.t.Helper()
	secret = access.NewKey()
	key, _ = access.KeyOf(secret)
	key.Name, key.Role, key.ExpiresAt = name, "admin", expires
	for _, c := range clients {
		key.ClientIDs = append(key.ClientIDs, uuid.MustParse(c))
	}
	if _, err := s.store.CreateKey(access.With(s.t.Context(), access.Caller{All: true}), key); err != nil {
		s.t.Fatal(err)
	}
	return secret, key
}

// as returns the service asked with another key.
func (s *service) as(key string) *service {
	other := *s
	other.key = key
	return &other
}

func TestKeys(t *testing.T) {
	t.Parallel()
	var log bytes.Buffer
	now := time.Now()
	s := serveWith(t, api.Config{Log: slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug})), Now: func() time.Time { return now }})
	expires := now.Add(time.Hour)
	brief, _ := s.newKey("brief", &expires)
	lasting, _ := s.newKey("lasting", nil)
	unknown := access.NewKey()
	wrong := []byte(lasting)
	wrong[20] ^= 1 // of the secret, so that the check sum does not fit
	refused := map[string]string{
		"none":               "",
		"other scheme":       "Basic " + lasting,
		"no scheme":          lasting,
		"empty":              "Bearer ",
		"malformed":          "Bearer lvt_short",
		"too long":           "Bearer " + lasting + "0",
		"wrong check sum":    "Bearer " + string(wrong),
		"unknown":            "Bearer " + unknown,
		"another's secret":   "Bearer " + mixed(lasting, unknown),
		"two keys":           "Bearer " + lasting + ", Bearer " + brief,
		"with quotes":        `Bearer "` + lasting + `"`,
		"lower-case id part": "Bearer " + strings.ToLower(lasting),
	}
	for name, header := range refused {
		a := s.call("GET", "/v1/clients", nil, "Authorization", header)
		if a.status != http.StatusUnauthorized || a.body["code"] != "unauthorized" || !strings.HasPrefix(a.header.Get("WWW-Authenticate"), "Bearer") {
			t.Errorf("%s: %d %s, WWW-Authenticate %q; want 401 unauthorized, Bearer", name, a.status, a.raw, a.header.Get("WWW-Authenticate"))
		}
	}
	if a := s.call("GET", "/v1/clients?key="+lasting, nil, "Authorization", ""); a.status != http.StatusUnauthorized {
		t.Errorf("a key in the query = %d; want 401", a.status)
	}
	for name, header := range map[string]string{"one in force": "Bearer " + lasting, "scheme in capitals": "BEARER " + lasting, "one that expires later": "Bearer " + brief} {
		if a := s.call("GET", "/v1/clients", nil, "Authorization", header); a.status != http.StatusOK {
			t.Errorf("%s: %d %s; want 200", name, a.status, a.raw)
		}
	}

	now = expires.Add(-time.Microsecond)
	s.as(brief).must(200, "GET", "/v1/clients", nil)
	now = expires
	s.as(brief).refused(401, "unauthorized", nil, "GET", "/v1/clients", nil)

	// Another key from the settings revokes the first, at the latest 30 s later.
	first := s.key
	s.must(200, "GET", "/v1/clients", nil)
	second := access.NewKey()
	k, _ := access.KeyOf(second)
	if err := s.store.SetAdminKey(t.Context(), k); err != nil {
		t.Fatal(err)
	}
	now = now.Add(31 * time.Second)
	s.as(first).refused(401, "unauthorized", nil, "GET", "/v1/clients", nil)
	s.as(second).must(200, "GET", "/v1/clients", nil)

	for _, secret := range []string{first, second, lasting, brief, unknown, string(wrong)} {
		if strings.Contains(log.String(), secret[17:]) {
			t.Errorf("the log tells a key:\n%s", log.String())
		}
	}
}

// mixed returns a well-formed key of the id of one key and the secret of another:
// its last six characters are the CRC-32 (IEEE) of those before it, in base 62.
func mixed(id, secret string) string {
	const digits = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
	body := id[:17] + secret[17:49]
	sum := crc32.ChecksumIEEE([]byte(body))
	check := make([]byte, 6)
	for i := range check {
		check[5-i] = digits[sum%62]
		sum /= 62
	}
	return body + string(check)
}

// TestClientsApart asks everything that can be asked with an id, and every list, with another client's key.
func TestClientsApart(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	theirs := s.must(200, "GET", "/v1/surveys/"+s.survey, nil).body
	client, project := theirs["client_id"].(string), theirs["project_id"].(string)
	series := s.measure("LAF")
	imported := s.send(s.survey, "night.csv", strings.Replace(aLog, "LAF", "LCF", 1), with(aLogOptions(s), object{"quantity": "LCF"}))
	if imported.status != http.StatusCreated {
		t.Fatalf("import = %d %s", imported.status, imported.raw)
	}
	importID := imported.body["id"].(string)
	importedSeries := imported.body["series"].([]any)[0].(object)["id"].(string)
	ours := s.create("/v1/clients", object{"name": "Invented Quarry"})
	ourProject := s.create("/v1/projects", object{"client_id": ours, "reference": "J-2", "title": "Quarry", "time_zone": "Europe/Vienna"})
	secret, _ := s.newKey("quarry", nil, ours)
	us := s.as(secret)

	hook := s.create("/v1/webhooks", object{"name": "Mill", "url": "https://mill.example/"})
	if _, err := pgtest.Connect(t, s.db.Superuser).Exec(t.Context(), `update webhook set client_ids = array[$1::uuid]`, client); err != nil {
		t.Fatal(err) // made by a key of that client, without its being listed among the keys
	}
	ids := map[string]string{"webhooks": hook, "clients": client, "projects": project, "surveys": s.survey, "positions": s.position, "series": series, "imports": importID}
	doc, err := description()
	if err != nil {
		t.Fatal(err)
	}
	asked := 0
	for path, item := range doc.Paths.Map() {
		parts := strings.Split(path, "/")
		if item.Get == nil || parts[1] != "v1" {
			continue
		}
		id, known := ids[parts[2]]
		switch {
		case !strings.Contains(path, "{"):
			a := us.call("GET", path, nil)
			for what, id := range ids {
				if bytes.Contains(a.raw, []byte(id)) {
					t.Errorf("GET %s tells the id of another client's %s: %s", path, what, a.raw)
				}
			}
		case known:
			asked++
			theirPath := strings.Replace(path, "{id}", id, 1)
			if a := s.call("GET", theirPath, nil); a.status != http.StatusOK {
				t.Errorf("GET %s with a key of all clients = %d %s; want 200", path, a.status, a.raw)
			}
			us.refused(404, "not_found", nil, "GET", theirPath, nil)
		}
	}
	if asked < 15 {
		t.Errorf("%d routes asked; want at least 15", asked)
	}

	put := uuid.Must(uuid.NewV7()).String()
	for _, r := range []struct {
		method, path string
		body         any
		headers      []string
	}{
		{method: "PATCH", path: "/v1/clients/" + client, body: object{"name": "x"}, headers: []string{"If-Match", `"v1"`}},
		{method: "PATCH", path: "/v1/projects/" + project, body: object{"title": "x"}, headers: []string{"If-Match", `"v1"`}},
		{method: "PATCH", path: "/v1/surveys/" + s.survey, body: object{"operator": "x"}, headers: []string{"If-Match", `"v1"`}},
		{method: "PATCH", path: "/v1/positions/" + s.position, body: object{"label": "x"}, headers: []string{"If-Match", `"v1"`}},
		{method: "PATCH", path: "/v1/webhooks/" + hook, body: object{"url": "https://quarry.example/"}, headers: []string{"If-Match", `"v1"`}},
		{method: "DELETE", path: "/v1/webhooks/" + hook, headers: []string{"If-Match", `"v1"`}},
		{method: "POST", path: "/v1/webhooks/" + hook + "/rotation", body: object{"overlap_s": 0}, headers: []string{"If-Match", `"v1"`}},
		{method: "POST", path: "/v1/webhooks/" + hook + "/deliveries/" + put + "/redelivery"},
		{method: "PATCH", path: "/v1/series/" + series, body: object{"range": nil}, headers: []string{"If-Match", `"v1"`}},
		{method: "POST", path: "/v1/projects/" + project + "/positions", body: object{"number": 7, "label": "x"}},
		{method: "POST", path: "/v1/projects/" + project + "/surveys", body: object{"kind": "environmental", "started_at": "2026-03-03T07:00:00Z"}},
		{method: "POST", path: "/v1/surveys/" + s.survey + "/void", body: object{"reason": "x"}, headers: []string{"If-Match", `"v1"`}},
		{method: "POST", path: "/v1/series/" + series + "/samples", body: object{"started_at": "2026-03-03T09:00:00Z", "levels_db": []any{50}}},
		{method: "POST", path: "/v1/imports/" + importID + "/withdrawal", body: object{"reason": "x"}, headers: []string{"If-Match", `"v1"`}},
		// An id that another client holds.
		{method: "PUT", path: "/v1/positions/" + s.position, body: object{"project_id": ourProject, "number": 1, "label": "x"}, headers: []string{"If-None-Match", "*"}},
		{method: "PUT", path: "/v1/surveys/" + s.survey, body: object{"project_id": ourProject, "kind": "environmental", "started_at": "2026-03-03T07:00:00Z"}, headers: []string{"If-None-Match", "*"}},
	} {
		us.refused(404, "not_found", nil, r.method, r.path, r.body, r.headers...)
	}
	us.refused(422, "invalid", []string{"/project_id unknown_reference"}, "PUT", "/v1/positions/"+put,
		object{"project_id": project, "number": 1, "label": "x"}, "If-None-Match", "*")
	us.refused(422, "invalid", []string{"/client_id unknown_reference"}, "POST", "/v1/projects",
		object{"client_id": client, "reference": "J-3", "title": "x", "time_zone": "UTC"})
	us.refused(409, "reference_taken", nil, "POST", "/v1/projects",
		object{"client_id": ours, "reference": "J-1", "title": "x", "time_zone": "UTC"})
	if a := us.call("POST", "/v1/clients", object{"name": "Invented Harbour"}); a.status != http.StatusForbidden {
		t.Errorf("POST /v1/clients with a key of one client = %d %s; want 403", a.status, a.raw)
	}
	if a := us.send(s.survey, "x.csv", aLog, aLogOptions(s)); a.status != 404 {
		t.Errorf("import into another client's survey = %d %s; want 404", a.status, a.raw)
	}
	// A kept file of another client is no file.
	ourSurvey := us.create("/v1/projects/"+ourProject+"/surveys", object{"kind": "environmental", "started_at": "2026-03-03T07:00:00+01:00"})
	ourPosition := us.create("/v1/projects/"+ourProject+"/positions", object{"number": 101, "label": "Quarry"})
	us.refused(422, "invalid", []string{"/import_id unknown_reference"}, "POST", "/v1/surveys/"+ourSurvey+"/imports",
		with(aLogOptions(s), object{"position_id": ourPosition, "import_id": importID}))
	us.refused(422, "invalid", []string{"/position_id unknown_reference"}, "POST", "/v1/surveys/"+ourSurvey+"/series",
		object{"position_id": s.position, "instrument_id": s.meter, "quantity": "LAF", "interval_s": 1})

	// The meter was in use at both sites at once.
	us.create("/v1/surveys/"+ourSurvey+"/series", object{
		"position_id": ourPosition, "instrument_id": s.meter, "quantity": "LAF", "interval_s": 1,
		"started_at": "2026-03-03T07:00:00+01:00", "levels_db": []any{50, 51, 52},
	})
	a := us.must(200, "GET", "/v1/surveys/"+ourSurvey+"/verdict", nil)
	for what, id := range map[string]string{"survey": s.survey, "series": series, "imported series": importedSeries, "client": client, "project": project} {
		if bytes.Contains(a.raw, []byte(id)) {
			t.Errorf("the verdict tells another client's %s: %s", what, a.raw)
		}
	}
}
