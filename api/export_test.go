package api

import (
	"net/http"

	"github.com/gin-gonic/gin"
)

// Unguarded serves the projects of c's store without keys, limits and roles: what a guarded answer is measured against.
func Unguarded(c Config) http.Handler {
	s := &server{store: c.Store, log: c.Log, now: c.Now}
	e := gin.New()
	e.Use(s.identify, s.recoverPanic)
	projectHandlers{s}.routes(e.Group("/v1"))
	return e
}

// ShownUncertainty and ShownCoverage are what the page of a sign-off shows.
var (
	ShownUncertainty = shownUncertainty
	ShownCoverage    = shownCoverage
)

// Granted returns the roles that may use a route, admin aside.
func Granted(route string) []string { return granted[route] }
