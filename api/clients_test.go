package api_test

import (
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"leveltrail/openapi"
)

// leftOut ends a test that needs what this machine lacks: by an error where
// LEVELTRAIL_TEST_ALL is set, as .ci/run does, and loudly elsewhere.
func leftOut(t *testing.T, what string) {
	t.Helper()
	if os.Getenv("LEVELTRAIL_TEST_ALL") != "" {
		t.Fatal(what)
	}
	t.Skip("LEFT OUT, set LEVELTRAIL_TEST_ALL=1 to make it an error: " + what)
}

// workplace copies a directory of testdata, with the description, to where a client can be made.
func workplace(t *testing.T, name string) (dir string) {
	t.Helper()
	dir = t.TempDir()
	if err := os.CopyFS(dir, os.DirFS(filepath.Join("testdata", name))); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "openapi.json"), openapi.JSON, 0o600); err != nil {
		t.Fatal(err)
	}
	return dir
}

// run runs a command in dir and returns all it wrote.
func run(t *testing.T, dir string, environment []string, name string, args ...string) (string, error) {
	t.Helper()
	c := exec.CommandContext(t.Context(), name, args...)
	c.Dir, c.Env = dir, append(os.Environ(), environment...)
	out, err := c.CombinedOutput()
	return string(out), err
}

// listening serves s on a port and returns what a client is told of it.
func listening(t *testing.T, s *service) []string {
	t.Helper()
	server := httptest.NewServer(s.handler)
	t.Cleanup(server.Close)
	return []string{"SERVICE=" + server.URL, "KEY=" + s.key}
}

// TestGoClient makes a Go client from the description and works with it.
func TestGoClient(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("short")
	}
	dir := workplace(t, "goclient")
	alone := []string{"GOFLAGS=-mod=readonly", "GOWORK=off"}
	if out, err := run(t, dir, alone, "go", "mod", "download"); err != nil {
		leftOut(t, "the modules of the generator of Go clients cannot be had: "+out)
	}
	if err := os.Mkdir(filepath.Join(dir, "leveltrail"), 0o700); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{
		{"tool", "oapi-codegen", "-generate", "types,client", "-package", "leveltrail", "-o", "leveltrail/client.go", "openapi.json"},
		{"vet", "./..."},
	} {
		if out, err := run(t, dir, alone, "go", args...); err != nil {
			t.Fatalf("go %s: %v\n%.3000s", strings.Join(args, " "), err, out)
		}
	}
	out, err := run(t, dir, append(alone, listening(t, serve(t))...), "go", "run", ".")
	if err != nil || !strings.Contains(out, "all is well") {
		t.Errorf("the client: %v\n%.3000s", err, out)
	}
}

// TestTypeScriptClient makes a TypeScript client from the description and works with it.
func TestTypeScriptClient(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("short")
	}
	for _, program := range []string{"node", "npm"} {
		if _, err := exec.LookPath(program); err != nil {
			leftOut(t, program+" is not installed: Node.js 20 with npm is needed for the TypeScript client")
		}
	}
	dir := workplace(t, "tsclient")
	if out, err := run(t, dir, nil, "npm", "ci", "--no-audit", "--no-fund", "--ignore-scripts"); err != nil {
		leftOut(t, "the packages of the TypeScript client cannot be had: "+out)
	}
	for _, args := range [][]string{
		{"node_modules/.bin/openapi-typescript", "openapi.json", "-o", "schema.d.ts"},
		{"node_modules/.bin/tsc", "--strict", "--noUncheckedIndexedAccess", "--target", "es2022", "--module", "nodenext", "--types", "node", "main.ts"},
	} {
		if out, err := run(t, dir, nil, filepath.Join(dir, args[0]), args[1:]...); err != nil {
			t.Fatalf("%s: %v\n%.3000s", strings.Join(args, " "), err, out)
		}
	}
	out, err := run(t, dir, listening(t, serve(t)), "node", "main.js")
	if err != nil || !strings.Contains(out, "all is well") {
		t.Errorf("the client: %v\n%.3000s", err, out)
	}
}
