package openapi_test

import (
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/google/uuid"
)

// TestEveryBodyHasAnExample fails where an operation takes a body and no example of one is shown.
func TestEveryBodyHasAnExample(t *testing.T) {
	bodies := 0
	for path, item := range load(t).Paths.Map() {
		for method, op := range item.Operations() {
			if op.RequestBody == nil {
				continue
			}
			bodies++
			if !slices.ContainsFunc(slices.Collect(maps.Values(op.RequestBody.Value.Content)), func(m *openapi3.MediaType) bool { return len(m.Examples) > 0 }) {
				t.Errorf("%s %s has no example: add one to openapi/examples, run go test ./api -run TestExamples -update and go generate ./openapi", method, path)
			}
		}
	}
	if bodies < 40 {
		t.Errorf("%d operations with a body; want 40 or more", bodies)
	}
}

// TestExamplesFit holds every example, of bodies and of members, against its schema.
func TestExamplesFit(t *testing.T) {
	openapi3.DefineStringFormatValidator("uuid", openapi3.NewCallbackValidator(uuid.Validate))
	doc := load(t)
	fits := func(where string, schema *openapi3.Schema, value any, options ...openapi3.SchemaValidationOption) {
		if err := schema.VisitJSON(value, append(options, openapi3.MultiErrors(), openapi3.EnableFormatValidation(), openapi3.SetSchemaErrorMessageCustomizer(place))...); err != nil {
			t.Errorf("%s: the example does not fit: %v", where, err)
		}
	}
	shown := 0
	for path, item := range doc.Paths.Map() {
		for method, op := range item.Operations() {
			where := method + " " + path
			if op.RequestBody != nil {
				for media, m := range op.RequestBody.Value.Content {
					for name, e := range m.Examples {
						shown++
						fits(where+" "+media+" "+name, m.Schema.Value, e.Value.Value, openapi3.VisitAsRequest())
					}
				}
			}
			for status, r := range op.Responses.Map() {
				for _, m := range r.Value.Content {
					for name, e := range m.Examples {
						shown++
						fits(where+" "+status+" "+name, m.Schema.Value, e.Value.Value, openapi3.VisitAsResponse())
					}
				}
			}
		}
	}
	for name, s := range doc.Components.Schemas {
		for member, p := range s.Value.Properties {
			for _, e := range p.Value.Examples {
				shown++
				fits(name+"."+member, p.Value, e)
			}
		}
	}
	if shown < 150 {
		t.Errorf("%d examples found; want 150 or more", shown)
	}
}

// place says where an example does not fit, and why, without the schema.
func place(e *openapi3.SchemaError) string {
	return "/" + strings.Join(e.JSONPointer(), "/") + " " + e.Reason
}
