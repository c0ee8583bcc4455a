// Command generate writes openapi.json: it has swag read the comments of package api,
// puts right what swag gets wrong, and adds what holds for every operation alike.
// It runs in the directory openapi, as "go generate" does.
package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
)

func main() {
	doc, err := generate("..")
	if err == nil {
		err = os.WriteFile("openapi.json", doc, 0o644)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "generate:", err)
		os.Exit(1)
	}
}

// generate returns the description of the module at root.
func generate(root string) ([]byte, error) {
	raw, err := runSwag(root)
	if err != nil {
		return nil, err
	}
	var doc object
	if err := json.Unmarshal(raw, &doc); err != nil {
		return nil, fmt.Errorf("reading swag's output: %w", err)
	}
	shapes, err := readShapes(filepath.Join(root, "api"), filepath.Join(root, "domain"))
	if err != nil {
		return nil, err
	}
	text, err := os.ReadFile(filepath.Join(root, "openapi", "description.md"))
	if err != nil {
		return nil, err
	}
	child(doc, "info")["description"] = string(text)
	if err := normalise(doc, shapes); err != nil {
		return nil, err
	}
	addConventions(doc)
	if err := addExamples(doc, filepath.Join(root, "openapi", "examples")); err != nil {
		return nil, err
	}

	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	err = enc.Encode(doc)
	return b.Bytes(), err
}

// The stand-ins take the place of Go types whose wire form swag cannot see; see overrides.
// Each has one constant, so that swag keeps the type as an enum, whose only value leads to the schema.
type (
	standInUUID    string
	standInInstant string
	standInDate    string
	standInLevel   string
	standInLevels  string
)

const (
	asUUID    standInUUID    = "uuid"
	asInstant standInInstant = "instant"
	asDate    standInDate    = "date"
	asLevel   standInLevel   = "level"
	asLevels  standInLevels  = "levels"
)

// overrides names the Go types that swag cannot see through, and what stands in for them:
// by the names that package api writes.
var overrides = []struct {
	goType  string
	standIn any
}{
	{"uuid.UUID", asUUID},
	{"time.Time", asInstant},
	{"civil.Date", asDate},
	{"acoustic.Level", asLevel},
	{"Level", asLevel},
	{"Reading", asLevel},
	{"Levels", asLevels},
}

// standInSchemas are what the types are on the wire, by the value of their stand-in.
var standInSchemas = map[any]object{
	string(asUUID):    {"type": "string", "format": "uuid"},
	string(asInstant): {"type": "string", "format": "date-time"},
	string(asDate):    {"type": "string", "format": "date"},
	string(asLevel):   {"type": "number"},
	string(asLevels):  {"type": "array", "items": object{"type": []any{"number", "null"}}},
}

// runSwag returns the document that swag makes of the module at root.
func runSwag(root string) ([]byte, error) {
	tmp, err := os.MkdirTemp("", "leveltrail-openapi-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(tmp)

	var replace strings.Builder
	for _, o := range overrides {
		fmt.Fprintf(&replace, "replace %s %T\n", o.goType, o.standIn)
	}
	replaceFile := filepath.Join(tmp, "overrides")
	if err := os.WriteFile(replaceFile, []byte(replace.String()), 0o600); err != nil {
		return nil, err
	}
	cmd := exec.Command("go", "tool", "swag", "init", "--v3.1", "--generalInfo", "general.go",
		"--dir", "openapi/generate,api,domain", "--overridesFile", replaceFile, "--outputTypes", "json", "--output", tmp)
	cmd.Dir = root
	out, err := cmd.CombinedOutput()
	if err != nil || bytes.Contains(out, []byte("error in file")) {
		return nil, fmt.Errorf("swag: %w\n%s", err, lastLines(out, 12))
	}
	return os.ReadFile(filepath.Join(tmp, "swagger.json"))
}

// lastLines returns the last n lines of out, or, where swag panicked, the n around the panic.
func lastLines(out []byte, n int) string {
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	for i, l := range lines {
		if strings.HasPrefix(l, "panic:") {
			return strings.Join(lines[max(0, i-n):i+1], "\n")
		}
	}
	return strings.Join(lines[max(0, len(lines)-n):], "\n")
}
