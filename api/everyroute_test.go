package api_test

import (
	"bytes"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"leveltrail/api"
	"leveltrail/domain/access"
	"leveltrail/persistence/pgtest"
)

// atOnce is how many equal requests are sent at the same time.
const atOnce = 50

// noEntry are the POSTs that the journal has nothing of: they compute, add samples, announce a file or send
// a message again.
var noEntry = []string{
	"POST /v1/imports/preview", "POST /v1/surveys/:id/rating-level", "POST /v1/series/:id/samples", "POST /v1/uploads",
	"POST /v1/webhooks/:id/deliveries/:delivery/redelivery",
}

// TestEveryPostOnce sends each POST under one Idempotency-Key fifty times at once: all are answered alike,
// by one request that did it.
func TestEveryPostOnce(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("short")
	}
	s := serveWith(t, api.Config{Log: discard, Now: time.Now})
	pool := pgtest.Connect(t, s.db.Superuser)
	asked := 0
	for _, route := range everyRoute(s) {
		if !strings.HasPrefix(route, "POST ") {
			continue
		}
		asked++
		r := newRecords(s)
		about := r.request(t, route)
		before := entries(t, pool)
		about.headers = append(about.headers, "Idempotency-Key", "once "+route)
		answers := together(about, s, func(a answer) bool { return a.body["code"] == "request_in_flight" })
		replayed := 0
		for _, a := range answers {
			if a.status != answers[0].status || !bytes.Equal(a.raw, answers[0].raw) || a.header.Get("Location") != answers[0].header.Get("Location") ||
				a.header.Get("ETag") != answers[0].header.Get("ETag") {
				t.Fatalf("%s = %d %.300s and %d %.300s; want all alike", about, answers[0].status, answers[0].raw, a.status, a.raw)
			}
			if a.header.Get("Idempotency-Replayed") == "true" {
				replayed++
			}
		}
		if want := examples[route].status; answers[0].status != want && (want != 0 || answers[0].status >= 300) {
			t.Errorf("%s = %d %s; want %d (0: a success)", about, answers[0].status, answers[0].raw, want)
		}
		if replayed != atOnce-1 {
			t.Errorf("%s: %d answers replayed; want %d", about, replayed, atOnce-1)
		}
		did := entries(t, pool) - before
		if changes := answers[0].status < 300 && !slices.Contains(noEntry, route); did > 1 || did == 0 && changes {
			t.Errorf("%s: %d requests changed something; want one, if any", about, did)
		}
	}
	if asked < 30 {
		t.Errorf("%d routes were asked; want more", asked)
	}
}

// TestEveryChangeOnce sends each change of a record without its entity tag, with an old one, and with the
// right one fifty times at once: one of these is done, the others find that the record has changed.
func TestEveryChangeOnce(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("short")
	}
	s := serveWith(t, api.Config{Log: discard, Now: time.Now})
	pool := pgtest.Connect(t, s.db.Superuser)
	asked := map[string]int{}
	for _, route := range everyRoute(s) {
		r := newRecords(s)
		method, pattern, _ := strings.Cut(route, " ")
		about := r.request(t, route)
		at := slices.Index(about.headers, "If-Match")
		if at < 0 {
			if (method == http.MethodPatch || method == http.MethodDelete) && !strings.HasPrefix(pattern, "/v1/uploads") {
				t.Errorf("%s takes no If-Match", route)
			}
			continue
		}
		asked[method]++
		record := "/" + strings.Join(strings.Split(about.path, "/")[1:4], "/")
		if strings.HasPrefix(pattern, "/v1/calibrations/") {
			record = about.path
		}
		first := s.must(200, "GET", record, nil)
		tag := first.header.Get("ETag")
		if tag == "" || strings.HasPrefix(tag, "W/") {
			t.Errorf("GET %s: ETag %q; want a strong one", record, tag)
			continue
		}
		with := func(headers ...string) question {
			q := about
			q.headers = slices.Concat(about.headers[:at], about.headers[at+2:], headers)
			return q
		}
		before := entries(t, pool)
		if a := with().by(s); a.status != http.StatusPreconditionRequired || a.body["code"] != "precondition_required" {
			t.Errorf("%s without If-Match = %d %s; want 428", about, a.status, a.raw)
		}
		if a := with("If-Match", `"v77"`).by(s); a.status != http.StatusPreconditionFailed || a.body["current_etag"] != tag {
			t.Errorf("%s of another version = %d %s; want 412 with current_etag %s", about, a.status, a.raw, tag)
		}
		if did := entries(t, pool) - before; did != 0 {
			t.Errorf("%s refused changed something", about)
		}
		if want := examples[route].status; want != 0 {
			continue
		}
		done := 0
		for _, a := range together(with("If-Match", tag), s, nil) {
			switch {
			case a.status < 300:
				done++
			case a.status == http.StatusPreconditionFailed && a.body["current_etag"] != nil:
			case a.status == http.StatusNotFound && method == http.MethodDelete:
			default:
				t.Errorf("%s at once = %d %s; want one success, else 412 with current_etag, or 404 once it is gone", about, a.status, a.raw)
			}
		}
		if did := entries(t, pool) - before; done != 1 || did != 1 {
			t.Errorf("%s at once: done %d times, by %d requests; want one", about, done, did)
		}
	}
	rows, _ := pool.Query(t.Context(), `select distinct type from journal where record_type not in ('key', 'webhook')`)
	types, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil || len(types) < 40 {
		t.Errorf("types of changes %q, %v; want 40 or more", types, err)
	}
	for _, told := range types {
		if !access.ChangeType(told) {
			t.Errorf("%s happens, and no webhook may ask for it", told)
		}
	}
	if asked["PATCH"] < 15 || asked["DELETE"] < 4 || asked["POST"] < 4 {
		t.Errorf("routes asked by method: %v; want more", asked)
	}
}

// TestEveryReadAgain reads each route twice, the second time with the entity tag of the first, and holds the
// headers of both against what caches and traces go by.
func TestEveryReadAgain(t *testing.T) {
	t.Parallel()
	s := serveWith(t, api.Config{Log: discard, Now: time.Now})
	r := newRecords(s)
	routes := everyRoute(s)
	tagged := 0
	for _, route := range routes {
		if !strings.HasPrefix(route, "GET ") {
			continue
		}
		about := r.request(t, route)
		about.headers = append(about.headers, "X-Request-Id", "reading-again")
		first := about.by(s)
		if first.status != http.StatusOK {
			t.Errorf("%s = %d %s; want 200", about, first.status, first.raw)
			continue
		}
		tag := first.header.Get("ETag")
		_, pattern, _ := strings.Cut(route, " ")
		if changes := slices.Contains(routes, "PATCH "+pattern) || slices.Contains(routes, "DELETE "+pattern); changes && tag == "" {
			t.Errorf("%s of what can change has no ETag", about)
		}
		answers := []answer{first}
		if tag != "" {
			tagged++
			if !strings.HasPrefix(tag, `"`) || !strings.HasSuffix(tag, `"`) {
				t.Errorf("%s: ETag %s; want a strong one", about, tag)
			}
			about.headers = append(about.headers, "If-None-Match", tag)
			again := about.by(s)
			if again.status != http.StatusNotModified || len(again.raw) != 0 || again.header.Get("ETag") != tag {
				t.Errorf("%s with If-None-Match = %d, %d bytes, ETag %s; want 304, none and %s", about, again.status, len(again.raw), again.header.Get("ETag"), tag)
			}
			answers = append(answers, again)
		}
		for _, a := range answers {
			if got := a.header.Get("Cache-Control"); got != "private, no-cache" && got != forever(route) {
				t.Errorf("%s = %d with Cache-Control %q; want private, no-cache, or what never changes kept", about, a.status, got)
			}
			if got := a.header.Get("X-Request-Id"); got != "reading-again" {
				t.Errorf("%s = %d with X-Request-Id %q; want the one sent", about, a.status, got)
			}
		}
	}
	if tagged < 25 {
		t.Errorf("%d routes have entity tags; want more", tagged)
	}
}

// forever is the Cache-Control of routes that answer what never changes, else empty.
func forever(route string) string {
	if strings.HasPrefix(route, "GET /v1/sign-offs/:id") && !strings.HasSuffix(route, "/review") {
		return "private, max-age=31536000, immutable"
	}
	return ""
}

func newRecords(s *service) *records {
	s.t.Helper()
	return &records{service: s, client: s.create("/v1/clients", object{"name": fresh("Mill")}), made: map[string]string{}}
}

// together asks atOnce times at the same time; those whose answer says so ask again.
func together(q question, s *service, again func(answer) bool) []answer {
	answers := make([]answer, atOnce)
	var wg sync.WaitGroup
	for i := range answers {
		wg.Go(func() {
			for answers[i] = q.by(s); again != nil && again(answers[i]); {
				answers[i] = q.by(s)
			}
		})
	}
	wg.Wait()
	return answers
}

// entries counts the requests that the journal has entries of.
func entries(t *testing.T, pool *pgxpool.Pool) (n int) {
	t.Helper()
	if err := pool.QueryRow(t.Context(), `select count(distinct request_id) from journal`).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}
