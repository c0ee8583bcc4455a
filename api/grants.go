package api

import (
	"net/http"
	"slices"
	"strings"

	"github.com/gin-gonic/gin"

	"leveltrail/domain/access"
)

// grants says which roles may use each route, admin aside, who may use all. A
// route that is not here is refused at start-up, so that none is open by oversight.
//
//	qa          reads all; keeps calibration records, decides, signs off
//	consultant  keeps the records of its clients
//	field       measures: its own surveys (see persistence.surveyToChange) and what belongs to them
//	job_system  clients, projects, changes; reads results
//	client      its projects and what was signed off for it
var grants = map[string]string{
	"GET /v1/clients":            "qa consultant field job_system client",
	"POST /v1/clients":           "consultant job_system",
	"GET /v1/clients/:id":        "qa consultant field job_system client",
	"PATCH /v1/clients/:id":      "consultant job_system",
	"GET /v1/projects":           "qa consultant field job_system client",
	"POST /v1/projects":          "consultant job_system",
	"GET /v1/projects/:id":       "qa consultant field job_system client",
	"PATCH /v1/projects/:id":     "consultant job_system",
	"GET /v1/me":                 "qa consultant field job_system client",
	"GET /v1/keys":               "",
	"POST /v1/keys":              "",
	"GET /v1/keys/:id":           "",
	"DELETE /v1/keys/:id":        "",
	"POST /v1/keys/:id/rotation": "",

	"GET /v1/changes":            "qa job_system",
	"GET /v1/audit":              "qa",
	"GET /v1/audit/verification": "qa",

	"GET /v1/webhooks":                                      "job_system",
	"POST /v1/webhooks":                                     "job_system",
	"GET /v1/webhooks/:id":                                  "job_system",
	"PATCH /v1/webhooks/:id":                                "job_system",
	"DELETE /v1/webhooks/:id":                               "job_system",
	"POST /v1/webhooks/:id/rotation":                        "job_system",
	"GET /v1/webhooks/:id/deliveries":                       "job_system",
	"POST /v1/webhooks/:id/deliveries/:delivery/redelivery": "job_system",

	"GET /v1/projects/:id/positions":  "qa consultant field job_system client",
	"POST /v1/projects/:id/positions": "consultant field",
	"GET /v1/positions/:id":           "qa consultant field job_system client",
	"PUT /v1/positions/:id":           "consultant field",
	"PATCH /v1/positions/:id":         "consultant field",

	"GET /v1/projects/:id/surveys":  "qa consultant field job_system",
	"POST /v1/projects/:id/surveys": "consultant field",
	"GET /v1/surveys":               "qa consultant field job_system",
	"GET /v1/surveys/:id":           "qa consultant field job_system",
	"PUT /v1/surveys/:id":           "consultant field",
	"PATCH /v1/surveys/:id":         "consultant field",
	"POST /v1/surveys/:id/void":     "consultant",
	"GET /v1/surveys/:id/versions":  "qa consultant field job_system",

	"GET /v1/surveys/:id/readiness":    "qa consultant field",
	"GET /v1/surveys/:id/outstanding":  "qa consultant field",
	"GET /v1/surveys/:id/notes":        "qa consultant field",
	"POST /v1/surveys/:id/notes":       "consultant field",
	"GET /v1/notes/:id":                "qa consultant field",
	"PUT /v1/notes/:id":                "consultant field",
	"GET /v1/surveys/:id/attachments":  "qa consultant field client",
	"POST /v1/surveys/:id/attachments": "consultant field",
	"GET /v1/attachments/:id":          "qa consultant field client",
	"PUT /v1/attachments/:id":          "consultant field",
	"GET /v1/attachments/:id/file":     "qa consultant field client",

	"GET /v1/surveys/:id/series":              "qa consultant field",
	"POST /v1/surveys/:id/series":             "consultant field",
	"GET /v1/series/:id":                      "qa consultant field",
	"PUT /v1/series/:id":                      "consultant field",
	"PATCH /v1/series/:id":                    "consultant field",
	"GET /v1/series/:id/versions":             "qa consultant field",
	"GET /v1/series/:id/samples":              "qa consultant field",
	"POST /v1/series/:id/samples":             "consultant field",
	"GET /v1/series/:id/exclusions":           "qa consultant field",
	"POST /v1/series/:id/exclusions":          "consultant field",
	"GET /v1/surveys/:id/exclusion-proposals": "qa consultant field",
	"GET /v1/exclusions/:id":                  "qa consultant field",
	"DELETE /v1/exclusions/:id":               "consultant",
	"GET /v1/exclusions/:id/versions":         "qa consultant field",

	"POST /v1/uploads":             "consultant field",
	"HEAD /v1/uploads/:id":         "consultant field",
	"PATCH /v1/uploads/:id":        "consultant field",
	"DELETE /v1/uploads/:id":       "consultant field",
	"POST /v1/imports/preview":     "consultant field",
	"GET /v1/layouts":              "qa consultant field",
	"POST /v1/layouts":             "consultant",
	"GET /v1/layouts/:id":          "qa consultant field",
	"PATCH /v1/layouts/:id":        "consultant",
	"DELETE /v1/layouts/:id":       "consultant",
	"GET /v1/layouts/:id/versions": "qa consultant field",

	"GET /v1/surveys/:id/imports":     "qa consultant field",
	"POST /v1/surveys/:id/imports":    "consultant field",
	"GET /v1/imports/:id":             "qa consultant field",
	"GET /v1/imports/:id/file":        "qa consultant field",
	"GET /v1/imports/:id/versions":    "qa consultant field",
	"POST /v1/imports/:id/withdrawal": "consultant",

	"GET /v1/series/:id/summary":    "qa consultant job_system",
	"GET /v1/positions/:id/summary": "qa consultant job_system",
	"GET /v1/surveys/:id/summary":   "qa consultant job_system",
	"GET /v1/surveys/:id/verdict":   "qa consultant field job_system",
	"GET /v1/surveys/:id/trace":     "qa consultant",

	"GET /v1/surveys/:id/sound-events":        "qa consultant field",
	"POST /v1/surveys/:id/sound-events":       "consultant field",
	"GET /v1/surveys/:id/sound-events/levels": "qa consultant job_system",
	"GET /v1/sound-events/:id":                "qa consultant field",
	"GET /v1/surveys/:id/background":          "qa consultant job_system",
	"DELETE /v1/sound-events/:id":             "consultant",
	"GET /v1/sound-events/:id/versions":       "qa consultant field",

	"POST /v1/surveys/:id/rating-level": "qa consultant",
	"GET /v1/surveys/:id/assessment":    "qa consultant job_system",

	"GET /v1/projects/:id/limits":  "qa consultant field job_system",
	"POST /v1/projects/:id/limits": "consultant",
	"GET /v1/limits/:id":           "qa consultant field job_system",
	"PATCH /v1/limits/:id":         "consultant",
	"DELETE /v1/limits/:id":        "consultant",
	"GET /v1/limits/:id/versions":  "qa consultant field job_system",

	"GET /v1/surveys/:id/sign-offs":  "qa consultant job_system client",
	"POST /v1/surveys/:id/sign-offs": "qa",
	"GET /v1/sign-offs":              "qa consultant job_system client",
	"GET /v1/sign-offs/:id":          "qa consultant job_system client",
	"GET /v1/sign-offs/:id/evidence": "qa consultant job_system client",
	"GET /v1/sign-offs/:id/review":   "qa consultant",
	"POST /v1/sign-offs/:id/review":  "qa",

	"GET /v1/surveys/:id/dispositions":  "qa consultant field",
	"POST /v1/surveys/:id/dispositions": "qa",

	"GET /v1/laboratories":                   "qa consultant",
	"POST /v1/laboratories":                  "qa",
	"GET /v1/laboratories/:id":               "qa consultant",
	"PATCH /v1/laboratories/:id":             "qa",
	"GET /v1/laboratories/:id/versions":      "qa consultant",
	"GET /v1/instruments":                    "qa consultant field",
	"POST /v1/instruments":                   "qa",
	"GET /v1/instruments/:id":                "qa consultant field",
	"PATCH /v1/instruments/:id":              "qa",
	"GET /v1/instruments/:id/versions":       "qa consultant field",
	"GET /v1/instruments/:id/history":        "qa",
	"GET /v1/instruments/:id/certificates":   "qa consultant field",
	"POST /v1/instruments/:id/certificates":  "qa",
	"GET /v1/certificates":                   "qa consultant field",
	"POST /v1/certificates":                  "qa",
	"GET /v1/certificates/:id":               "qa consultant field",
	"PATCH /v1/certificates/:id":             "qa",
	"GET /v1/certificates/:id/versions":      "qa consultant field",
	"GET /v1/instruments/:id/field-checks":   "qa consultant field",
	"POST /v1/instruments/:id/field-checks":  "qa consultant field",
	"GET /v1/field-checks/:id":               "qa consultant field",
	"PUT /v1/field-checks/:id":               "qa consultant field",
	"PATCH /v1/field-checks/:id":             "qa consultant field",
	"GET /v1/field-checks/:id/versions":      "qa consultant field",
	"GET /v1/surveys/:id/field-checks":       "qa consultant field",
	"POST /v1/surveys/:id/field-checks":      "qa consultant field",
	"GET /v1/affected-surveys":               "qa",
	"GET /v1/calibrations/due":               "qa",
	"GET /v1/calibrations/gaps":              "qa",
	"GET /v1/calibrations/feeds":             "qa",
	"POST /v1/calibrations/feeds":            "qa",
	"GET /v1/calibrations/feeds/:id":         "qa",
	"DELETE /v1/calibrations/feeds/:id":      "qa",
	"POST /v1/certificates/:id/withdrawal":   "qa",
	"POST /v1/certificates/:id/confirmation": "qa",
	"GET /v1/certificates/:id/statuses":      "qa consultant field",
	"GET /v1/certificates/:id/document":      "qa consultant field",
	"PUT /v1/certificates/:id/document":      "qa",
	"GET /v1/instruments/:id/events":         "qa consultant field",
	"POST /v1/instruments/:id/events":        "qa",
	"GET /v1/events/:id":                     "qa consultant field",
	"PATCH /v1/events/:id":                   "qa",
	"GET /v1/events/:id/versions":            "qa consultant field",
	"GET /v1/instruments/:id/components":     "qa consultant field",
	"POST /v1/instruments/:id/components":    "qa",
	"GET /v1/components/:id":                 "qa consultant field",
	"PATCH /v1/components/:id":               "qa",
	"GET /v1/components/:id/versions":        "qa consultant field",
	"GET /v1/people":                         "qa consultant",
	"POST /v1/people":                        "qa",
	"GET /v1/people/:id":                     "qa consultant",
	"PATCH /v1/people/:id":                   "qa",
	"GET /v1/people/:id/versions":            "qa consultant",
	"GET /v1/nonconformities":                "qa",
	"POST /v1/nonconformities":               "qa",
	"GET /v1/nonconformities/:id":            "qa",
	"PATCH /v1/nonconformities/:id":          "qa",
	"GET /v1/nonconformities/:id/versions":   "qa",
	"GET /v1/rule-profiles":                  "qa consultant field",
	"POST /v1/rule-profiles":                 "qa",
	"GET /v1/rule-profiles/:code":            "qa consultant field",
	"GET /v1/rule-profiles/:code/editions":   "qa consultant field",
}

// granted is grants as words: the roles of each route.
var granted = func() map[string][]string {
	roles := make(map[string][]string, len(grants))
	for route, words := range grants {
		roles[route] = strings.Fields(words)
	}
	return roles
}()

// authorize lets requests pass whose caller's role may use the route.
func (s *server) authorize(c *gin.Context) {
	if !may(access.From(c.Request.Context()), c.Request.Method+" "+c.FullPath()) {
		s.send(c, s.failure(c, &refusal{status: http.StatusForbidden, code: "forbidden", detail: "this key may not do this"}))
		c.Abort()
	}
}

// ofAllClients are the routes for those alone who see every client: whoever sees some could
// else make a key that sees more, or count what others do.
func ofAllClients(path string) bool {
	return strings.HasPrefix(path, "/v1/keys") || strings.HasPrefix(path, "/v1/nonconformities") || path == "/v1/audit/verification"
}

// may reports whether a caller may use a route.
func may(by access.Caller, route string) bool {
	roles, known := granted[route]
	_, path, _ := strings.Cut(route, " ")
	switch {
	case !known, ofAllClients(path) && !by.All:
		return false
	case by.Role == "admin":
		return true
	}
	return slices.Contains(roles, by.Role)
}

// requireGrants panics where a route of e under /v1 has no grant.
func requireGrants(e *gin.Engine) {
	for _, r := range e.Routes() {
		if _, ok := grants[r.Method+" "+r.Path]; !ok && strings.HasPrefix(r.Path, "/v1/") {
			panic("no role is declared for " + r.Method + " " + r.Path)
		}
	}
}
