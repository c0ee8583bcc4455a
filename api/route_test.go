package api

import (
	"slices"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/google/go-cmp/cmp"

	"leveltrail/openapi"
)

// TestOpenAPIRoutes fails when a route is served and not described, or described and not served.
func TestOpenAPIRoutes(t *testing.T) {
	t.Parallel()
	doc, err := openapi3.NewLoader().LoadFromData(openapi.JSON)
	if err != nil {
		t.Fatal(err)
	}
	var described, served []string
	for path, item := range doc.Paths.Map() {
		for method := range item.Operations() {
			described = append(described, method+" "+path)
		}
	}
	for _, r := range newEngine(&server{}).Routes() {
		parts := strings.Split(r.Path, "/")
		for i, part := range parts {
			if name, ok := strings.CutPrefix(part, ":"); ok {
				name, ending, _ := strings.Cut(name, ".")
				parts[i] = strings.TrimSuffix("{"+name+"}."+ending, ".")
			}
		}
		if !strings.HasPrefix(r.Path, "/docs") { // the page that shows the description
			served = append(served, r.Method+" "+strings.Join(parts, "/"))
		}
	}
	slices.Sort(described)
	slices.Sort(served)
	if diff := cmp.Diff(served, described); diff != "" {
		t.Errorf("routes (-served +described):\n%s", diff)
	}
}

// A route that names no role must not be served.
func TestRouteWithoutRole(t *testing.T) {
	t.Parallel()
	defer func() {
		if said, want := recover(), "no role is declared for GET /v1/unheard-of"; said != want {
			t.Errorf("a route without a role: %v; want a panic: %s", said, want)
		}
	}()
	e := newEngine(&server{})
	e.GET("/v1/unheard-of")
	requireGrants(e)
}
