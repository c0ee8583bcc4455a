package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestCommittedDocument fails when the comments of package api have changed and nobody ran "go generate ./openapi".
func TestCommittedDocument(t *testing.T) {
	t.Parallel()
	want, err := generate(filepath.Join("..", ".."))
	if err != nil {
		t.Fatal(err)
	}
	got, err := os.ReadFile(filepath.Join("..", "openapi.json"))
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), string(got)); diff != "" {
		t.Errorf("openapi.json is stale, run go generate ./openapi (-generated +committed):\n%.4000s", diff)
	}
}

const goTypes = `package api

// Record is what every answer adds.
type Record struct {
	ID string ` + "`json:\"id\"`" + `
}

// Survey is
// one campaign.
type Survey struct {
	Record
	Name    string     ` + "`json:\"name\"`" + `
	Ended   *string    ` + "`json:\"ended_at\"`" + `
	Note    *string    ` + "`json:\"note,omitempty\"`" + `
	Levels  []*float64 ` + "`json:\"levels_db\"`" + `
	Range   *Range     ` + "`json:\"range\"`" + `
	hidden  int
}

type Range struct{}
type List[T any] struct{ Items []T }
`

// swagged is what swag v2.0.0-rc6 writes for such types, shortened.
const swagged = `{
 "openapi": "3.1.0", "externalDocs": {"description": "", "url": ""},
 "components": {"schemas": {
  "main.standInUUID": {"type": "string", "enum": ["uuid"], "x-enum-varnames": ["asUUID"]},
  "api.Range": {"type": "object"},
  "api.List-api_Survey": {"type": "object", "properties": {"Items": {"type": "array", "items": {"$ref": "#/components/schemas/api.Survey"}}}},
  "api.Problem": {"type": "object"},
  "api.Survey": {"type": "object", "properties": {
   "id": {"$ref": "#/components/schemas/main.standInUUID", "description": "Identifier"},
   "name": {"type": "string", "example": "Invented"}, "ended_at": {"type": "string"}, "note": {"type": "string"},
   "levels_db": {"type": "array", "uniqueItems": false, "items": {"type": "number"}},
   "range": {"$ref": "#/components/schemas/api.Range"}}}
 }},
 "paths": {"/v1/surveys": {"get": {"responses": {"200": {"content": {"application/json": {"schema": {"$ref": "#/components/schemas/api.List-api_Survey"}}}}}}},
 "/v1/surveys/{id}": {"patch": {
  "requestBody": {"content": {
   "application/json": {"schema": {"$ref": "#/components/schemas/api.Survey", "summary": "survey", "description": "What changes"}},
   "application/merge-patch+json": {"schema": {"type": "string"}}}},
  "responses": {"200": {"content": {"application/octet-stream": {"schema": {"type": "file"}}}},
   "default": {"content": {"application/octet-stream": {"schema": {"$ref": "#/components/schemas/api.Problem"}}}}}}}}
}`

const mended = `{
 "openapi": "3.1.0",
 "components": {
  "schemas": {
   "Range": {"type": "object"},
   "SurveyList": {"type": "object", "properties": {"Items": {"type": "array", "items": {"$ref": "#/components/schemas/Survey"}}}},
   "Problem": {"type": "object"},
   "RangePatch": {"type": "object", "description": "RangePatch holds the members to change; null removes one that may be absent."},
   "Survey": {"type": "object", "description": "Survey is one campaign.", "additionalProperties": false,
    "required": ["id", "name", "ended_at", "levels_db", "range"],
    "properties": {
     "id": {"type": "string", "format": "uuid", "description": "Identifier"},
     "name": {"type": "string", "examples": ["Invented"]}, "ended_at": {"type": ["string", "null"]}, "note": {"type": ["string", "null"]},
     "levels_db": {"type": "array", "items": {"type": ["number", "null"]}},
     "range": {"oneOf": [{"$ref": "#/components/schemas/Range"}, {"type": "null"}]}}},
   "SurveyPatch": {"type": "object", "description": "SurveyPatch holds the members to change; null removes one that may be absent.",
    "additionalProperties": false,
    "properties": {
     "id": {"type": "string", "format": "uuid", "description": "Identifier"},
     "name": {"type": "string", "examples": ["Invented"]}, "ended_at": {"type": ["string", "null"]}, "note": {"type": ["string", "null"]},
     "levels_db": {"type": "array", "items": {"type": ["number", "null"]}},
     "range": {"oneOf": [{"$ref": "#/components/schemas/RangePatch"}, {"type": "null"}]}}}
 }},
 "paths": {"/v1/surveys": {"get": {"responses": {"200": {"content": {"application/json": {"schema": {"$ref": "#/components/schemas/SurveyList"}}}}}}},
 "/v1/surveys/{id}": {"patch": {
  "requestBody": {"content": {"application/merge-patch+json": {"schema": {"$ref": "#/components/schemas/SurveyPatch"}}}},
  "responses": {"200": {"content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}}},
   "default": {"content": {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}}}}}}}
}`

func TestNormalise(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "types.go"), []byte(goTypes), 0o600); err != nil {
		t.Fatal(err)
	}
	shapes, err := readShapes(dir)
	if err != nil {
		t.Fatal(err)
	}
	doc := parse(t, []byte(swagged))
	if err := normalise(doc, shapes); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(parse(t, []byte(mended)), reparse(t, doc)); diff != "" {
		t.Errorf("normalise (-want +got):\n%s", diff)
	}
}

func TestNormaliseRefusesTwoTypesOfOneName(t *testing.T) {
	t.Parallel()
	doc := parse(t, []byte(`{"components": {"schemas": {"api.Survey": {}, "survey.Survey": {}}}}`))
	if err := normalise(doc, nil); err == nil {
		t.Error("normalise merged api.Survey and survey.Survey")
	}
}

func TestAddConventions(t *testing.T) {
	t.Parallel()
	doc := parse(t, []byte(`{"paths": {
		"/healthz": {"get": {}},
		"/v1/uploads/{id}": {"patch": {}},
		"/v1/surveys/{id}": {"get": {}, "put": {}, "delete": {}, "patch": {"parameters": [{"name": "If-Match"}]}},
		"/v1/surveys": {"post": {}}}}`))
	addConventions(doc)
	doc = reparse(t, doc)
	delete(doc, "components")
	want := parse(t, []byte(`{"paths": {
		"/healthz": {"get": {}},
		"/v1/uploads/{id}": {"patch": {"security": [{"Bearer": []}]}},
		"/v1/surveys/{id}": {
			"get": {"security": [{"Bearer": []}]},
			"put": {"security": [{"Bearer": []}], "parameters": [{"$ref": "#/components/parameters/IfNoneMatch"}]},
			"delete": {"security": [{"Bearer": []}], "parameters": [{"$ref": "#/components/parameters/IfMatch"}]},
			"patch": {"security": [{"Bearer": []}], "parameters": [{"name": "If-Match"}]}},
		"/v1/surveys": {"post": {"security": [{"Bearer": []}], "parameters": [{"$ref": "#/components/parameters/IdempotencyKey"}]}}}}`))
	if diff := cmp.Diff(want, doc); diff != "" {
		t.Errorf("addConventions (-want +got):\n%s", diff)
	}
}

func parse(t *testing.T, text []byte) object {
	t.Helper()
	var o object
	if err := json.Unmarshal(text, &o); err != nil {
		t.Fatal(err)
	}
	return o
}

func reparse(t *testing.T, o object) object {
	t.Helper()
	text, err := json.Marshal(o)
	if err != nil {
		t.Fatal(err)
	}
	return parse(t, text)
}
