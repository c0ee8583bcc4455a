package api_test

import (
	"bytes"
	"log/slog"
	"net/http"
	"strings"
	"testing"
	"time"

	"leveltrail/api"
	"leveltrail/domain/access"
	"leveltrail/persistence/pgtest"
)

// TestSecretsStayOutOfTheLog makes, uses and mislays every kind of secret and looks for it in all that is logged.
func TestSecretsStayOutOfTheLog(t *testing.T) {
	t.Parallel()
	var log bytes.Buffer
	s := serveWith(t, api.Config{
		Log: slog.New(slog.NewJSONHandler(&log, &slog.HandlerOptions{Level: slog.LevelDebug})), Now: time.Now,
		Limits: api.Limits{RequestsPerS: 1e9, Burst: 1e9},
	})
	secrets := []string{s.key}
	keep := func(a answer) answer {
		t.Helper()
		secret, ok := a.body["secret"].(string)
		if !ok {
			t.Fatalf("no secret in %s", a.raw)
		}
		secrets = append(secrets, secret)
		return a
	}
	key := keep(s.must(201, "POST", "/v1/keys", object{"name": "Van 3", "role": "field"}, "Idempotency-Key", "one"))
	keep(s.must(201, "POST", "/v1/keys", object{"name": "Van 3", "role": "field"}, "Idempotency-Key", "one")) // once more from what was kept
	rotated := keep(s.must(201, "POST", "/v1/keys/"+key.body["id"].(string)+"/rotation", object{"overlap_s": 60}, "If-Match", "*"))
	hook := keep(s.must(201, "POST", "/v1/webhooks", aHook))
	keep(s.must(201, "POST", "/v1/webhooks/"+hook.body["id"].(string)+"/rotation", object{"overlap_s": 60}, "If-Match", "*"))

	wrong := access.NewKey()
	secrets = append(secrets, wrong)
	s.as(wrong).refused(401, "unauthorized", nil, "GET", "/v1/me", nil)
	s.as(rotated.body["secret"].(string)).must(200, "GET", "/v1/me", nil)
	for _, secret := range secrets { // where none belongs
		s.ask("GET", "/v1/me?key="+secret, nil)
		s.ask("GET", "/v1/clients/"+secret, nil)
		s.ask("GET", "/feeds/"+secret+".ics", nil)
		s.ask("POST", "/v1/clients", object{"name": secret, "secret": secret})
		s.ask("POST", "/v1/clients", "{"+secret)
	}
	if lines := strings.Count(log.String(), "\n"); lines < 30 {
		t.Fatalf("%d lines of log; want more", lines)
	}
	for _, secret := range secrets {
		tail := secret[len(secret)-24:]
		if strings.Contains(log.String(), tail) {
			for line := range strings.SplitSeq(log.String(), "\n") {
				if strings.Contains(line, tail) {
					t.Errorf("the log tells the secret %s: %s", secret, line)
				}
			}
		}
	}
	// At rest no secret is readable either, but those that messages are signed with.
	var kept string
	if err := pgtest.Connect(t, s.db.Superuser).QueryRow(t.Context(), `select string_agg(k::text, '') from api_key k`).Scan(&kept); err != nil {
		t.Fatal(err)
	}
	for _, secret := range secrets {
		if strings.Contains(kept, secret[len(secret)-24:]) {
			t.Errorf("the database keeps the key %s", secret)
		}
	}
}

// TestAnswersAreInert asks every GET and looks at the headers that keep a browser from running,
// guessing or showing what it gets; what is not JSON or a page of our own is a download.
func TestAnswersAreInert(t *testing.T) {
	t.Parallel()
	s := serve(t)
	r := &records{service: s, client: s.create("/v1/clients", object{"name": "Invented Mill"}), made: map[string]string{}}
	answers := map[string]answer{}
	for _, route := range everyRoute(s) {
		if strings.HasPrefix(route, "GET ") {
			answers[route] = r.request(t, route).by(s)
		}
	}
	for _, path := range []string{"/healthz", "/openapi.json", "/problems/not-found", "/docs", "/nothing", "/v1/clients/7"} {
		answers[path] = s.ask("GET", path, nil)
	}
	downloads := 0
	for route, a := range answers {
		mediaType, _, _ := strings.Cut(a.header.Get("Content-Type"), ";")
		if a.header.Get("X-Content-Type-Options") != "nosniff" || !strings.Contains(a.header.Get("Content-Security-Policy"), "default-src 'none'") ||
			!strings.Contains(a.header.Get("Content-Security-Policy"), "frame-ancestors 'none'") || a.header.Get("Referrer-Policy") != "no-referrer" {
			t.Errorf("%s = %d with %v; want nosniff, a policy of nothing and no referrer", route, a.status, a.header)
		}
		if a.header.Get("Server") != "" || a.header.Get("X-Powered-By") != "" || a.header.Get("Access-Control-Allow-Origin") != "" {
			t.Errorf("%s tells what it runs on, or lets other origins read: %v", route, a.header)
		}
		if strings.HasPrefix(route, "GET /v1/") && a.status == http.StatusOK && !strings.Contains(a.header.Get("Cache-Control"), "private") {
			t.Errorf("%s may be kept by caches that are shared: Cache-Control %q", route, a.header.Get("Cache-Control"))
		}
		ours := mediaType == "application/json" || mediaType == "application/problem+json" ||
			!strings.HasPrefix(route, "GET /v1/") && (mediaType == "text/html" || mediaType == "text/plain")
		if !ours {
			downloads++
			if !strings.HasPrefix(a.header.Get("Content-Disposition"), "attachment") {
				t.Errorf("%s answers %s shown in place: Content-Disposition %q; want an attachment", route, mediaType, a.header.Get("Content-Disposition"))
			}
		}
	}
	if downloads < 2 {
		t.Errorf("%d downloads; want the log file and the document of a certificate", downloads)
	}
}
