package main

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"go.yaml.in/yaml/v4"
)

type composeFile struct {
	Services map[string]struct {
		Image, Build string
		Command      []string
		Environment  map[string]string
		Ports        []string
		Networks     []string
		HealthCheck  struct{ Test []string }               `yaml:"healthcheck"`
		DependsOn    map[string]struct{ Condition string } `yaml:"depends_on"`
	}
	Networks map[string]struct{ Internal bool }
	Volumes  map[string]any
}

// TestCompose holds docker-compose.yml to what it promises. No container engine is needed for it.
func TestCompose(t *testing.T) {
	t.Parallel()
	var f composeFile
	if err := yaml.Unmarshal(read(t, "docker-compose.yml"), &f); err != nil {
		t.Fatal(err)
	}
	db, service := f.Services["postgres"], f.Services["leveltrail"]
	if len(f.Services) != 2 || !strings.HasPrefix(db.Image, "postgres:") || service.Build != "." {
		t.Fatalf("services %v; want the service, built here, and PostgreSQL", f.Services)
	}
	if len(db.Ports) != 0 || !slices.Equal(db.Networks, []string{"inside"}) || !f.Networks["inside"].Internal {
		t.Errorf("the database is reachable from outside: ports %v, networks %v", db.Ports, db.Networks)
	}
	if len(db.HealthCheck.Test) == 0 || service.DependsOn["postgres"].Condition != "service_healthy" {
		t.Error("the service does not wait for a healthy database")
	}
	if !slices.Equal(service.Ports, []string{"127.0.0.1:8080:8080"}) {
		t.Errorf("the service is published at %v; want this machine's port 8080 only", service.Ports)
	}
	known := regexp.MustCompile(`getenv\("(\w+)"\)`).FindAllStringSubmatch(sources(t), -1)
	for name := range service.Environment {
		if !slices.ContainsFunc(known, func(m []string) bool { return m[1] == name }) {
			t.Errorf("the service reads no setting %s", name)
		}
	}
	if err := run(t.Context(), append(slices.Clone(service.Command), "--help"), settings(), &strings.Builder{}, &strings.Builder{}); err != nil {
		t.Errorf("the service's command %q: %v", service.Command, err)
	}
	for _, environment := range []map[string]string{db.Environment, service.Environment} {
		for name, value := range environment {
			secret := regexp.MustCompile(`PASSWORD|KEY|URL`).MatchString(name)
			if fromOutside := regexp.MustCompile(`\$\{\w+:[?-]`).MatchString(value); secret && !fromOutside {
				t.Errorf("%s is written into the file", name)
			}
		}
	}
}

func TestDockerfile(t *testing.T) {
	t.Parallel()
	file := string(read(t, "Dockerfile"))
	_, last, ok := strings.Cut(file, "\nFROM debian")
	if !ok || !strings.Contains(file, "CGO_ENABLED=0") {
		t.Fatal("the program is not built static in a stage of its own")
	}
	user := regexp.MustCompile(`(?m)^USER (\d+)$`).FindStringSubmatch(last)
	if user == nil || user[1] == "0" {
		t.Error("the last stage runs as root")
	}
	if !strings.Contains(last, "HEALTHCHECK") || !strings.Contains(last, "/readyz") {
		t.Error("the last stage has no health check of /readyz")
	}
	for _, dir := range regexp.MustCompile(`(?m)^!(\S+)$`).FindAllStringSubmatch(string(read(t, ".dockerignore")), -1) {
		if _, err := os.Stat(filepath.Join("..", "..", dir[1])); err != nil {
			t.Errorf(".dockerignore lets in what is not there: %v", err)
		}
	}
}

// read returns a file of the module's top directory.
func read(t *testing.T, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", name))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// sources returns the Go files of this package.
func sources(t *testing.T) string {
	t.Helper()
	names, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	var all strings.Builder
	for _, n := range names {
		b, err := os.ReadFile(n)
		if err != nil {
			t.Fatal(err)
		}
		all.Write(b)
	}
	return all.String()
}
