package api

import (
	"net/http"
	"strings"

	"github.com/gin-gonic/gin"
)

// heads answers HEAD like GET without the body (RFC 9110, 9.3.2), but where a route has a HEAD of its own.
type heads struct {
	*gin.Engine
	own []string // paths of such routes, up to their first parameter
}

func withHeads(e *gin.Engine) heads {
	h := heads{Engine: e}
	for _, r := range e.Routes() {
		if r.Method == http.MethodHead {
			path, _, _ := strings.Cut(r.Path, ":")
			h.own = append(h.own, path)
		}
	}
	return h
}

// ServeHTTP implements http.Handler.
func (h heads) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.Method == http.MethodHead && !h.hasOwn(r.URL.Path) {
		r = r.Clone(r.Context())
		r.Method = http.MethodGet
		w = bodiless{w}
	}
	h.Engine.ServeHTTP(w, r)
}

func (h heads) hasOwn(path string) bool {
	for _, own := range h.own {
		if strings.HasPrefix(path, own) {
			return true
		}
	}
	return false
}

// bodiless drops the body of an answer.
type bodiless struct{ http.ResponseWriter }

// Write implements http.ResponseWriter.
func (bodiless) Write(b []byte) (int, error) { return len(b), nil }

// WriteString implements io.StringWriter.
func (bodiless) WriteString(s string) (int, error) { return len(s), nil }

// Flush implements http.Flusher: there is nothing to send early.
func (bodiless) Flush() {}
