package openapi_test

import (
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/google/go-cmp/cmp"

	"leveltrail/openapi"
)

func load(t *testing.T) *openapi3.T {
	t.Helper()
	doc, err := openapi3.NewLoader().LoadFromData(openapi.JSON)
	if err != nil {
		t.Fatal(err)
	}
	return doc
}

// TestValid holds the description against OpenAPI 3.1 as kin-openapi reads it.
func TestValid(t *testing.T) {
	doc := load(t)
	if doc.OpenAPI != "3.1.0" || doc.Paths.Len() == 0 {
		t.Fatalf("openapi %q with %d paths; want 3.1.0 and some", doc.OpenAPI, doc.Paths.Len())
	}
	if err := doc.Validate(t.Context()); err != nil {
		t.Error(err)
	}
}

// TestOperations asks of every operation what a reader of the page needs.
func TestOperations(t *testing.T) {
	doc := load(t)
	var tags []string
	for _, tag := range doc.Tags {
		tags = append(tags, tag.Name)
		if tag.Description == "" {
			t.Errorf("tag %s has no description", tag.Name)
		}
	}
	for path, item := range doc.Paths.Map() {
		for method, op := range item.Operations() {
			name := method + " " + path
			if op.Summary == "" || strings.HasSuffix(op.Summary, ".") {
				t.Errorf("%s: summary %q; want a phrase without a full stop", name, op.Summary)
			}
			if len(op.Tags) != 1 || !slices.Contains(tags, op.Tags[0]) {
				t.Errorf("%s: tags %v; want one of %v", name, op.Tags, tags)
			}
			if r := op.Responses.Default(); r == nil || r.Value.Content["application/problem+json"] == nil {
				t.Errorf("%s: the default response is no application/problem+json", name)
			}
			if secured := op.Security != nil && len(*op.Security) > 0; secured != strings.HasPrefix(path, "/v1/") {
				t.Errorf("%s: asks for a key: %t", name, secured)
			}
			for _, p := range append(slices.Clone(item.Parameters), op.Parameters...) {
				if p.Value.Description == "" {
					t.Errorf("%s: parameter %s has no description", name, p.Value.Name)
				}
			}
			for status, r := range op.Responses.Map() {
				if r.Value.Description == nil || *r.Value.Description == "" {
					t.Errorf("%s: response %s has no description", name, status)
				}
			}
		}
	}
}

// plain matches names of members that say themselves what they are, by their unit or by a word used alike everywhere.
var plain = regexp.MustCompile(`(^|_)(db|hz|s|m|deg|id|ids|at|on|sha256|bytes)$|` +
	`^(from|to|items|next_cursor|version|name|title|kind|state|note|reason|detail|quantity|samples|outcome|levels|label|number)$`)

// ofRecords reports whether p is a record, or a list or map of records, that is described in its own place.
func ofRecords(p *openapi3.SchemaRef) bool {
	items, values := p.Value.Items, p.Value.AdditionalProperties.Schema
	return p.Ref != "" || len(p.Value.OneOf) > 0 && p.Value.OneOf[0].Ref != "" || items != nil && items.Ref != "" || values != nil && values.Ref != ""
}

// TestMembers asks every member of every record for a description, unless its name is one.
func TestMembers(t *testing.T) {
	doc := load(t)
	if doc.Components == nil || len(doc.Components.Schemas) == 0 {
		t.Fatal("no schemas")
	}
	for name, s := range doc.Components.Schemas {
		if s.Value.Description == "" {
			t.Errorf("%s has no description", name)
		}
		for member, p := range s.Value.Properties {
			if p.Value.Description == "" && !plain.MatchString(member) && !ofRecords(p) {
				t.Errorf("%s.%s has no description", name, member)
			}
		}
	}
}

// TestVersioned holds the description to its promise of version 1: what is not under /v1 is about the
// service itself, and words of which more may appear are no closed enumeration, on which generated clients would fail.
func TestVersioned(t *testing.T) {
	doc := load(t)
	var beside []string
	for path := range doc.Paths.Map() {
		if !strings.HasPrefix(path, "/v1/") {
			beside = append(beside, path)
		}
	}
	slices.Sort(beside)
	if diff := cmp.Diff([]string{"/feeds/{secret}.ics", "/healthz", "/openapi.json", "/problems/{slug}", "/readyz"}, beside); diff != "" {
		t.Errorf("paths that are not under /v1 (-want +got):\n%s", diff)
	}
	if !strings.Contains(doc.Info.Description, "Values of an enumeration may be added later.") {
		t.Error("the introduction does not say that values of an enumeration may be added")
	}
	open := 0
	for name, s := range doc.Components.Schemas {
		for member, p := range s.Value.Properties {
			if !strings.Contains(p.Value.Description, "may appear") {
				continue
			}
			if open++; len(p.Value.Enum) > 0 {
				t.Errorf("%s.%s: further ones may appear, but for clients it is one of %v", name, member, p.Value.Enum)
			}
		}
	}
	if open < 9 {
		t.Errorf("%d members say that further values may appear; want 9", open)
	}
}
