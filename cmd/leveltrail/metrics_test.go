package main

import (
	"bytes"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus"

	"leveltrail/persistence"
	"leveltrail/persistence/pgtest"
)

func TestMetricsAddress(t *testing.T) {
	t.Parallel()
	store, err := persistence.Open(t.Context(), pgtest.New(t).App)
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	var log bytes.Buffer
	stop, err := serveMetrics(t.Context(), "127.0.0.1:0", prometheus.NewRegistry(), store, slog.New(slog.NewJSONHandler(&log, nil)))
	if err != nil {
		t.Fatal(err)
	}
	var line struct{ Address string }
	if err := json.Unmarshal(log.Bytes(), &line); err != nil {
		t.Fatalf("%q: %v", log.String(), err)
	}
	for path, want := range map[string]string{"/metrics": "leveltrail_db_connections_max 24", "/v1/me": "not found", "/": "not found"} {
		r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "http://"+line.Address+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		a, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(a.Body)
		a.Body.Close()
		if err != nil || !strings.Contains(string(body), want) {
			t.Errorf("GET %s = %d %.300s, %v; want %q in it", path, a.StatusCode, body, err, want)
		}
	}
	stop()
	if _, err := serveMetrics(t.Context(), "nowhere", prometheus.NewRegistry(), store, slog.New(slog.DiscardHandler)); err == nil {
		t.Error("an address that is none is taken")
	}
}
