package main

import (
	"bytes"
	"io"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"
)

// dataDir returns a directory for a private PostgreSQL: short, because it holds a socket,
// and open to the account that PostgreSQL runs as where root may not run it.
func dataDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "lt-") //nolint:usetesting // t.TempDir is too long for a socket and closed to others
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	return dir + "/pg"
}

// notify passes on what is written and sends the first text that holds want.
type notify struct {
	w    io.Writer
	want string
	seen chan<- string
}

func (n notify) Write(b []byte) (int, error) {
	if strings.Contains(string(b), n.want) {
		select {
		case n.seen <- string(b):
		default:
		}
	}
	return n.w.Write(b)
}

// TestDemo runs the demo twice in one directory: from nothing, and on its data of before.
func TestDemo(t *testing.T) {
	t.Parallel()
	args := []string{"demo", "--once", "--data-dir", dataDir(t), "--listen", "127.0.0.1:0"}
	demo := func() (out string, took time.Duration) {
		var stdout, stderr bytes.Buffer
		start := time.Now()
		if err := run(t.Context(), args, settings(), &stdout, &stderr); err != nil {
			t.Fatalf("demo: %v\n%s%s", err, stdout.String(), stderr.String())
		}
		return stdout.String(), time.Since(start)
	}
	first, firstTook := demo()
	checkDemo(t, first)

	second, secondTook := demo()
	if !strings.Contains(second, "is there already") {
		t.Errorf("the second run loaded the data again:\n%s", second)
	}
	if table(first) != table(second) {
		t.Errorf("the second run prints another table:\n%s\nbefore:\n%s", table(second), table(first))
	}
	if secondTook > firstTook/3 {
		t.Errorf("the second run took %s; want under a third of the first one's %s", secondTook, firstTook)
	}
}

// checkDemo looks for what a person should see: every outcome, a figure in every row, how to go on.
func checkDemo(t *testing.T, out string) {
	t.Helper()
	for _, outcome := range []string{"valid", "valid_with_remarks", "valid_in_part", "undetermined", "not_valid"} {
		if !regexp.MustCompile(`(?m)  ` + outcome + `  `).MatchString(out) {
			t.Errorf("no row has the outcome %s", outcome)
		}
	}
	rows := strings.Split(table(out), "\n")
	figure := regexp.MustCompile(`  \d{2,3}\.\d  `)
	for _, row := range rows[1:] {
		if row != "" && !figure.MatchString(row) {
			t.Errorf("no figure in the row %q", row)
		}
	}
	for _, want := range []string{`/docs\n`, `Admin key:  lvt_`} {
		if !regexp.MustCompile(want).MatchString(out) {
			t.Errorf("the output lacks %s", want)
		}
	}
	if n := len(regexp.MustCompile(`(?m)^curl -s -H 'Authorization: Bearer lvt_\w+' 'http://127\.0\.0\.1:\d+/v1/[^']+'$`).FindAllString(out, -1)); n != 3 {
		t.Errorf("%d curl lines; want 3", n)
	}
	if t.Failed() {
		t.Log("\n" + out)
	}
}

// table returns the part of the output that is the table of results.
func table(out string) string {
	_, out, _ = strings.Cut(out, "SURVEY")
	out, _, _ = strings.Cut(out, "\n\n")
	return out
}
