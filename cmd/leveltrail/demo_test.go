package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"os/exec"
	"regexp"
	"slices"
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
	written, err := n.w.Write(b)
	if strings.Contains(string(b), n.want) {
		select {
		case n.seen <- string(b):
		default:
		}
	}
	return written, err
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
	checkServing(t, slices.Delete(slices.Clone(args), 1, 2)) // without --once
}

// curlLine matches a line to paste: the key, then the address.
var curlLine = regexp.MustCompile(`(?m)^curl -s -H 'Authorization: (Bearer lvt_\w+)' '(http://127\.0\.0\.1:\d+/v1/[^']+)'$`)

// checkServing asks what the printed lines ask while the demo serves, and then stops it.
func checkServing(t *testing.T, args []string) {
	t.Helper()
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	var stdout, stderr bytes.Buffer
	serving, done := make(chan string, 1), make(chan error, 1)
	go func() { done <- run(ctx, args, settings(), notify{&stdout, "Serving until", serving}, &stderr) }()
	select {
	case <-serving:
	case err := <-done:
		t.Fatalf("demo ended by itself: %v\n%s%s", err, stdout.String(), stderr.String())
	}
	lines := curlLine.FindAllStringSubmatch(stdout.String(), -1)
	if len(lines) != 3 {
		t.Errorf("%d curl lines; want 3", len(lines))
	}
	for _, line := range lines {
		r, err := http.NewRequestWithContext(ctx, http.MethodGet, line[2], nil)
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Authorization", line[1])
		resp, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		body, err := io.ReadAll(resp.Body)
		resp.Body.Close()
		if err != nil || resp.StatusCode != http.StatusOK || !json.Valid(body) {
			t.Errorf("%s answers %d: %.200s", line[0], resp.StatusCode, body)
		}
	}
	if toolsThere(t, "curl", "unzip", "sha256sum") {
		checkEvidence(t, stdout.String())
	}
	http.DefaultClient.CloseIdleConnections()
	stop()
	if err := <-done; err != nil {
		t.Errorf("demo, asked to stop, = %v", err)
	}
}

// checkEvidence runs the line that gets and checks the evidence of the survey that is signed off.
func checkEvidence(t *testing.T, printed string) {
	t.Helper()
	evidence := exec.CommandContext(t.Context(), "sh", "-ec", regexp.MustCompile(`(?m)^curl -s -o evidence\.zip .*$`).FindString(printed))
	evidence.Dir = t.TempDir()
	if out, err := evidence.CombinedOutput(); err != nil || strings.Count(string(out), ": OK\n") != 8 {
		t.Errorf("the line about the evidence prints %q, %v; want three log files, a page and four more", out, err)
	}
}

// toolsThere reports whether programs are on this machine. Where one is missing, what needs it is left out
// loudly; it is an error where LEVELTRAIL_TEST_ALL is set, as .ci/run does.
func toolsThere(t *testing.T, names ...string) bool {
	t.Helper()
	for _, name := range names {
		if _, err := exec.LookPath(name); err == nil {
			continue
		}
		if os.Getenv("LEVELTRAIL_TEST_ALL") != "" {
			t.Errorf("there is no %s here", name)
		}
		t.Logf("LEFT OUT: there is no %s here", name)
		return false
	}
	return true
}

// checkDemo looks for what a person should see: every outcome, a figure in every row, how to go on.
func checkDemo(t *testing.T, out string) {
	t.Helper()
	for _, outcome := range []string{"valid", "valid_with_remarks", "valid_in_part", "undetermined", "not_valid"} {
		if !regexp.MustCompile(`(?m)^  \d .*  ` + outcome + `$`).MatchString(out) {
			t.Errorf("no row has the outcome %s", outcome)
		}
	}
	rows := regexp.MustCompile(`(?m)^  \d \w.*$`).FindAllString(table(out), -1)
	if len(rows) != 8 {
		t.Errorf("%d positions; want 8", len(rows))
	}
	figures := regexp.MustCompile(`  \d{2,3}\.\d  +\d{2,3}\.\d  +(\d{2}\.\d|-)  `)
	for _, row := range rows {
		if !figures.MatchString(row) {
			t.Errorf("no figures in the row %q", row)
		}
	}
	for _, want := range []string{`/docs\n`, `Admin key:  lvt_`} {
		if !regexp.MustCompile(want).MatchString(out) {
			t.Errorf("the output lacks %s", want)
		}
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
