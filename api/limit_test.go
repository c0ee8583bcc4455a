package api_test

import (
	"context"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"

	"leveltrail/api"
	"leveltrail/domain/access"
	"leveltrail/domain/survey"
)

// limited serves with limits and a clock that stands still until moved.
func limited(t *testing.T, limits api.Limits) (s *service, clock *atomic.Int64) {
	t.Helper()
	clock = &atomic.Int64{}
	clock.Store(time.Now().UnixNano())
	s = serveWith(t, api.Config{
		Log: slog.New(slog.DiscardHandler), Limits: limits,
		Now: func() time.Time { return time.Unix(0, clock.Load()) },
	})
	return s, clock
}

func TestRateLimit(t *testing.T) {
	t.Parallel()
	s, clock := limited(t, api.Limits{RequestsPerS: 2, Burst: 3})
	for left := 2; left >= 0; left-- {
		a := s.must(http.StatusOK, http.MethodGet, "/v1/me", nil)
		if got, want := a.header.Get("RateLimit-Policy"), `"requests";q=3;w=2`; got != want {
			t.Errorf("RateLimit-Policy = %q; want %q", got, want)
		}
		if got, want := a.header.Get("RateLimit"), `"requests";r=`+string(rune('0'+left)); !strings.HasPrefix(got, want) {
			t.Errorf("RateLimit = %q; want it to begin with %q", got, want)
		}
	}
	a := s.must(http.StatusTooManyRequests, http.MethodGet, "/v1/me", nil)
	if a.header.Get("Retry-After") != "1" || a.body["code"] != "too_many_requests" {
		t.Errorf("the fourth request was answered %s with Retry-After %q", a.raw, a.header.Get("Retry-After"))
	}
	clock.Add(int64(time.Second / 2)) // one more at two a second
	s.must(http.StatusOK, http.MethodGet, "/v1/me", nil)
	s.must(http.StatusTooManyRequests, http.MethodGet, "/v1/me", nil)

	other := newKey(t, s, access.Key{Name: "another", Role: "admin"})
	s.key = other
	s.must(http.StatusOK, http.MethodGet, "/v1/me", nil)
}

// newKey makes a key through the store and returns it whole.
func newKey(t *testing.T, s *service, k access.Key) string {
	t.Helper()
	key := access.NewKey()
	made, _ := access.KeyOf(key)
	made.Name, made.Role, made.ClientIDs, made.ExpiresAt = k.Name, k.Role, k.ClientIDs, k.ExpiresAt
	ctx := access.With(t.Context(), access.Caller{Name: "test", All: true})
	if _, err := s.store.CreateKey(ctx, made); err != nil {
		t.Fatal(err)
	}
	return key
}

func TestByteLimit(t *testing.T) {
	t.Parallel()
	s, clock := limited(t, api.Limits{BytesPerS: 100, BytesBurst: 200})
	body := object{"name": "Invented Mill", "reference": strings.Repeat("x", 400)}
	s.must(http.StatusCreated, http.MethodPost, "/v1/clients", body) // never cut short
	a := s.must(http.StatusTooManyRequests, http.MethodPost, "/v1/clients", body)
	if a.header.Get("Retry-After") == "" {
		t.Error("no Retry-After")
	}
	s.must(http.StatusOK, http.MethodGet, "/v1/clients", nil) // reading is free
	clock.Add(int64(5 * time.Second))
	s.must(http.StatusCreated, http.MethodPost, "/v1/clients", body)
}

// slowStore holds up who asks for a project with the flooding key.
type slowStore struct {
	api.Store
	entered, leave chan struct{}
	inside, most   atomic.Int64
}

// Project is that of the store, when leave lets it go on.
func (s *slowStore) Project(ctx context.Context, id uuid.UUID) (survey.Project, error) {
	if access.From(ctx).Name == "flood" {
		s.most.Store(max(s.most.Load(), s.inside.Add(1))) // one at a time, or the test fails
		s.entered <- struct{}{}
		<-s.leave
		s.inside.Add(-1)
	}
	return s.Store.Project(ctx, id)
}

// TestFairShare has one key ask fifty times at once: its requests beyond its seats wait for each
// other, and another key's are answered meanwhile.
func TestFairShare(t *testing.T) {
	t.Parallel()
	s := serve(t)
	slow := &slowStore{Store: s.store, entered: make(chan struct{}), leave: make(chan struct{})}
	var err error
	s.handler, err = api.New(t.Context(), api.Config{Store: slow, Log: discard, Now: time.Now, Limits: api.Limits{Reads: 1, InFlight: 2}})
	if err != nil {
		t.Fatal(err)
	}
	client := s.create("/v1/clients", object{"name": "Invented Mill"})
	path := "/v1/projects/" + s.create("/v1/projects", object{"client_id": client, "reference": "J-1", "title": "Mill", "time_zone": "UTC"})
	flood, _ := s.newKey("flood", nil, client)
	reader, _ := s.newKey("reader", nil, client)
	const requests = 50
	var wg sync.WaitGroup
	var answered atomic.Int64
	for range requests {
		wg.Go(func() {
			if s.as(flood).ask(http.MethodGet, path, nil).status == http.StatusOK {
				answered.Add(1)
			}
		})
	}
	for i := range requests {
		<-slow.entered
		if i < 5 {
			s.as(reader).must(http.StatusOK, http.MethodGet, path, nil)
			s.as(flood).must(http.StatusCreated, http.MethodPost, path+"/positions", object{"number": i + 1, "label": "x"})
		}
		slow.leave <- struct{}{}
	}
	wg.Wait()
	if answered.Load() != requests || slow.most.Load() != 1 {
		t.Errorf("%d of %d requests were answered, %d at a time; want all, 1 at a time", answered.Load(), requests, slow.most.Load())
	}
}

// TestRefusalsWait has refusals keep a flood waiting, but not without end: what comes beyond 256 is refused at once.
func TestRefusalsWait(t *testing.T) {
	t.Parallel()
	s, _ := limited(t, api.Limits{RequestsPerS: 1e-6, Burst: 1, Pause: time.Hour})
	s.must(http.StatusOK, http.MethodGet, "/v1/me", nil)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	const requests, waiting = 300, 256
	statuses := make(chan int, requests)
	for range requests {
		go func() {
			r, _ := s.request(http.MethodGet, "/v1/me", nil)
			w := httptest.NewRecorder()
			s.handler.ServeHTTP(w, r.WithContext(ctx))
			statuses <- w.Code
		}()
	}
	for range requests - waiting {
		if status := <-statuses; status != http.StatusTooManyRequests {
			t.Errorf("a request beyond the allowance = %d; want 429", status)
		}
	}
	if n := len(statuses); n != 0 {
		t.Errorf("%d refusals more did not wait", n)
	}
	cancel() // who waits goes away
	for range waiting {
		<-statuses
	}
}
