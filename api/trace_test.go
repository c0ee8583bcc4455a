package api_test

import (
	"bytes"
	"encoding/json"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"leveltrail/api"
)

// TestTraceContext sends traceparent headers; those that are valid are of W3C Trace Context, section 3.2.
func TestTraceContext(t *testing.T) {
	t.Parallel()
	var log bytes.Buffer
	s := serveWith(t, api.Config{Log: slog.New(slog.NewJSONHandler(&log, nil)), Now: time.Now})
	const trace = "4bf92f3577b34da6a3ce929d0e0e4736" // the example of the standard
	tests := []struct {
		name, header string
		valid        bool
	}{
		{"the standard's example", "00-" + trace + "-00f067aa0ba902b7-01", true},
		{"not sampled", "00-" + trace + "-00f067aa0ba902b7-00", true},
		{"a later version with more", "cc-" + trace + "-00f067aa0ba902b7-01-what-else", true},
		{"none", "", false},
		{"version ff", "ff-" + trace + "-00f067aa0ba902b7-01", false},
		{"version 00 with more", "00-" + trace + "-00f067aa0ba902b7-01-what-else", false},
		{"capitals", "00-" + strings.ToUpper(trace) + "-00f067aa0ba902b7-01", false},
		{"a trace of zeros", "00-" + strings.Repeat("0", 32) + "-00f067aa0ba902b7-01", false},
		{"a parent of zeros", "00-" + trace + "-0000000000000000-01", false},
		{"too short", "00-" + trace[1:] + "-00f067aa0ba902b7-01", false},
		{"no flags", "00-" + trace + "-00f067aa0ba902b7", false},
	}
	for _, tt := range tests {
		log.Reset()
		a := s.call("GET", "/v1/nothing", nil, "Traceparent", tt.header)
		var line object
		if err := json.Unmarshal(log.Bytes(), &line); err != nil {
			t.Fatalf("%s: the log is %q: %v", tt.name, log.String(), err)
		}
		id := a.header.Get("X-Request-Id")
		if strings.HasPrefix(id, trace+"-") != tt.valid || a.body["request_id"] != id || line["request_id"] != id {
			t.Errorf("%s: request id %q in the header, %v in the problem, %v in the log; want one that begins with the trace: %t",
				tt.name, id, a.body["request_id"], line["request_id"], tt.valid)
		}
		if _, logged := line["trace_id"]; logged != tt.valid || logged && line["trace_id"] != trace {
			t.Errorf("%s: the log says trace_id %v; want the trace's: %t", tt.name, line["trace_id"], tt.valid)
		}
	}
	a := s.call("GET", "/v1/nothing", nil, "Traceparent", tests[0].header, "X-Request-Id", "job-7")
	if id := a.header.Get("X-Request-Id"); id != "job-7" || !strings.Contains(log.String(), trace) {
		t.Errorf("with both headers the request id is %q; want the caller's own, the trace in the log: %s", id, log.String())
	}
}

func TestMetrics(t *testing.T) {
	t.Parallel()
	registry := prometheus.NewRegistry()
	s := serveWith(t, api.Config{Log: discard, Now: time.Now, Metrics: registry})
	registry.MustRegister(s.store.Metrics())
	client := s.create("/v1/clients", object{"name": "Invented Mill"})
	s.must(200, "GET", "/v1/clients/"+client, nil)
	s.must(404, "GET", "/v1/clients/00000000-0000-7000-8000-000000000000", nil)
	s.ask("BREW", "/a", nil)
	s.ask("STEEP", "/b", nil)
	s.must(404, "GET", "/metrics", nil) // not for those who reach the service
	want := `
		# HELP leveltrail_http_requests_total Requests answered.
		# TYPE leveltrail_http_requests_total counter
		leveltrail_http_requests_total{method="GET",route="/v1/clients/:id",status="200"} 1
		leveltrail_http_requests_total{method="GET",route="/v1/clients/:id",status="404"} 1
		leveltrail_http_requests_total{method="POST",route="/v1/clients",status="201"} 1
		leveltrail_http_requests_total{method="other",route="none",status="404"} 3
		# HELP leveltrail_journal_unsealed Entries of the journal that are not sealed yet.
		# TYPE leveltrail_journal_unsealed gauge
		leveltrail_journal_unsealed 2
		# HELP leveltrail_webhook_deliveries_pending Messages that webhooks are still owed.
		# TYPE leveltrail_webhook_deliveries_pending gauge
		leveltrail_webhook_deliveries_pending 0
	`
	if err := testutil.GatherAndCompare(registry, strings.NewReader(want),
		"leveltrail_http_requests_total", "leveltrail_journal_unsealed", "leveltrail_webhook_deliveries_pending"); err != nil {
		t.Error(err)
	}
	problems, err := testutil.GatherAndLint(registry)
	if err != nil || len(problems) != 0 {
		t.Errorf("metrics: %v, %v", problems, err)
	}
	n, err := testutil.GatherAndCount(registry, "leveltrail_db_connections", "leveltrail_http_request_duration_seconds")
	if err != nil || n != 2+3 {
		t.Errorf("%d series of connections and durations, %v; want 2 and 3", n, err)
	}
}
