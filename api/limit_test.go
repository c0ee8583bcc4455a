package api_test

import (
	"log/slog"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"

	"leveltrail/api"
	"leveltrail/domain/access"
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

// A key that floods waits for itself: its requests beyond the seats do not run.
func TestInFlightLimit(t *testing.T) {
	t.Parallel()
	s, _ := limited(t, api.Limits{InFlight: 2})
	path := "/v1/clients/" + uuid.NewString()
	var wg sync.WaitGroup
	var answered atomic.Int64
	for range 50 {
		wg.Go(func() {
			if s.call(http.MethodGet, path, nil).status == http.StatusNotFound {
				answered.Add(1)
			}
		})
	}
	wg.Wait()
	if answered.Load() != 50 {
		t.Errorf("%d of 50 requests were answered", answered.Load())
	}
}
