package openapi_test

import (
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"

	"leveltrail/openapi"
)

func TestDocs(t *testing.T) {
	tests := []struct {
		path, contentType, holds string
		status                   int
	}{
		{"/docs", "text/html; charset=utf-8", `src="/docs/init.js"`, 200},
		{"/docs/", "text/html; charset=utf-8", `src="/docs/standalone.js"`, 200},
		{"/docs/init.js", "text/javascript; charset=utf-8", `url: "/openapi.json"`, 200},
		{"/docs/standalone.js", "text/javascript; charset=utf-8", "@scalar/api-reference 1.46.4", 200},
		{"/docs/standalone.js.LICENSE", "", "MIT License", 200},
		{"/docs/absent.js", "text/plain; charset=utf-8", "not found", 404},
	}
	for _, tt := range tests {
		w := httptest.NewRecorder()
		openapi.Docs().ServeHTTP(w, httptest.NewRequest(http.MethodGet, tt.path, nil))
		if w.Code != tt.status || !strings.Contains(w.Body.String(), tt.holds) {
			t.Errorf("GET %s = %d; want %d and %q within", tt.path, w.Code, tt.status, tt.holds)
		}
		if got := w.Header().Get("Content-Type"); tt.contentType != "" && got != tt.contentType {
			t.Errorf("GET %s: Content-Type %q; want %q", tt.path, got, tt.contentType)
		}
	}
}

// TestDocsAskNobodyElse holds the page to its promise to work without a network.
func TestDocsAskNobodyElse(t *testing.T) {
	w := httptest.NewRecorder()
	openapi.Docs().ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/docs", nil))
	policy := w.Header().Get("Content-Security-Policy")
	if !strings.HasPrefix(policy, "default-src 'none';") || !strings.Contains(policy, "connect-src 'self'") {
		t.Errorf("Content-Security-Policy = %q; want default-src 'none' and connect-src 'self'", policy)
	}
	elsewhere := regexp.MustCompile(`(https?:)?//[a-z]|https?:|'unsafe-eval'|script-src[^;]*'unsafe-inline'`)
	for _, text := range []string{policy, w.Body.String()} {
		if found := elsewhere.FindString(text); found != "" {
			t.Errorf("%q in the page or its policy leads elsewhere", found)
		}
	}

	w = httptest.NewRecorder()
	openapi.Docs().ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/docs/init.js", nil))
	for _, off := range []string{"withDefaultFonts: false", "telemetry: false", "agent: { disabled: true }"} {
		if !strings.Contains(w.Body.String(), off) {
			t.Errorf("init.js does not set %q", off)
		}
	}
}
