package api_test

import (
	"net/http"
	"strings"
	"testing"

	"github.com/google/uuid"
)

// TestUnknownParameters asks every operation with a query parameter that nobody knows, and with what is no query.
func TestUnknownParameters(t *testing.T) {
	t.Parallel()
	s := serve(t)
	doc, err := description()
	if err != nil {
		t.Fatal(err)
	}
	asked := 0
	for path, item := range doc.Paths.Map() {
		if !strings.HasPrefix(path, "/v1/") {
			continue
		}
		path = strings.NewReplacer("{id}", uuid.NewString(), "{delivery}", uuid.NewString(), "{code}", "environmental").Replace(path)
		for method := range item.Operations() {
			for query, code := range map[string]string{"colour=red": "unknown_parameter", "%63olour": "unknown_parameter", "colour=%": "bad_request"} {
				asked++
				a := s.ask(method, path+"?"+query, nil)
				if a.status != http.StatusBadRequest || method != http.MethodHead && a.body["code"] != code {
					t.Errorf("%s %s?%s = %d %s; want 400 %s", method, path, query, a.status, a.raw, code)
				}
			}
		}
	}
	if asked < 300 {
		t.Errorf("%d requests; want 300 or more", asked)
	}
}

// TestBlankFilters asks lists for those of a name that is blank: whoever looks a job up by a number
// left empty by mistake must not be given the first job there is.
func TestBlankFilters(t *testing.T) {
	t.Parallel()
	s := newSite(t)
	for path, name := range map[string]string{
		"/v1/projects": "reference", "/v1/instruments": "serial_number", "/v1/certificates": "number", "/v1/surveys": "operator",
		"/v1/projects/" + s.project() + "/surveys": "operator", "/v1/surveys/" + s.survey + "/background": "period", "/v1/rule-profiles/environmental": "edition",
	} {
		for _, blank := range []string{"", "%20"} {
			s.refused(400, "required", []string{name + " required"}, "GET", path+"?"+name+"="+blank, nil)
		}
	}
}
