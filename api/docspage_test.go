package api_test

import (
	"context"
	"encoding/json"
	"io"
	"net/http"
	"net/http/httptest"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"
)

// reporting has browsers report here where a page breaks its policy: also each
// request to another host, which the policy forbids.
type reporting struct{ http.ResponseWriter }

func (w reporting) WriteHeader(status int) {
	if policy := w.Header().Get("Content-Security-Policy"); policy != "" {
		w.Header().Set("Content-Security-Policy", policy+"; report-uri /broken-policy")
	}
	w.ResponseWriter.WriteHeader(status)
}

// triesEval reports whether a report is of the page's script trying if eval is
// allowed: it is not, and the script does without.
func triesEval(report []byte) bool {
	var r struct {
		Report struct {
			Blocked   string `json:"blocked-uri"`
			Directive string `json:"effective-directive"`
			Source    string `json:"source-file"`
		} `json:"csp-report"`
	}
	err := json.Unmarshal(report, &r)
	return err == nil && r.Report.Blocked == "eval" && r.Report.Directive == "script-src" && strings.HasSuffix(r.Report.Source, "/docs/standalone.js")
}

// TestDocsInABrowser opens the page of the description in a browser that reaches
// nothing but the service: it shows the operations, breaks its policy nowhere and
// asks nobody else. The anchors that answers link to are there.
func TestDocsInABrowser(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("short")
	}
	browser, err := exec.LookPath("chromium")
	if err != nil {
		leftOut(t, "chromium is not installed: it is needed to try the page at /docs")
	}
	s := newSite(t)
	s.measure("LAF")
	definitions := s.must(200, "GET", "/v1/surveys/"+s.survey+"/summary", nil).body["evidence"].(object)["definitions"].([]any)
	var mu sync.Mutex
	var asked []string
	watch := func(next http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			mu.Lock()
			defer mu.Unlock()
			if r.Method == http.MethodPost {
				report, _ := io.ReadAll(io.LimitReader(r.Body, 2000)) // as much as there is
				if !triesEval(report) {
					t.Errorf("the page broke its policy: %s", report)
				}
				return
			}
			asked = append(asked, r.Method+" "+r.URL.Path)
			next.ServeHTTP(reporting{w}, r)
		})
	}
	server := httptest.NewServer(watch(s.handler))
	defer server.Close()
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	c := exec.CommandContext(ctx, browser,
		"--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
		"--disable-component-update", "--disable-sync", "--disable-default-apps", "--disable-domain-reliability", "--user-data-dir="+t.TempDir(),
		"--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1", "--no-proxy-server", "--enable-logging=stderr", "--v=0",
		"--virtual-time-budget=10000", "--timeout=60000", "--dump-dom", server.URL+"/docs")
	var page, log strings.Builder
	c.Stdout, c.Stderr = &page, &log
	if err := c.Run(); err != nil {
		t.Fatalf("chromium: %v\n%.2000s", err, log.String())
	}
	mu.Lock()
	defer mu.Unlock()
	dom := page.String()
	shown := []string{"Create a client", "/v1/clients"}
	for _, d := range definitions {
		shown = append(shown, `"`+strings.TrimPrefix(d.(object)["link"].(string), "/docs#")+`"`)
	}
	if len(shown) < 10 {
		t.Errorf("the evidence links to %d definitions; want at least 8", len(definitions))
	}
	for _, shown := range shown {
		if !strings.Contains(dom, shown) {
			t.Errorf("the page, %d bytes, does not show %q", len(dom), shown)
		}
	}
	for _, bad := range []string{"Content Security Policy", "Content-Security-Policy", "Refused to", "violates", "ERR_NAME_NOT_RESOLVED"} {
		for line := range strings.SplitSeq(log.String(), "\n") {
			if strings.Contains(line, bad) {
				t.Errorf("the browser says: %.300s", line)
			}
		}
	}
	for _, path := range asked {
		if !strings.HasPrefix(path, "GET /docs") && path != "GET /openapi.json" && path != "GET /favicon.ico" {
			t.Errorf("the page asks %s", path)
		}
	}
}
