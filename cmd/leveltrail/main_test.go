package main

import (
	"bytes"
	"context"
	"net"
	"strings"
	"testing"

	"leveltrail/domain/access"
)

// settings returns a getenv of values, "NAME=value".
func settings(values ...string) func(string) string {
	return func(name string) string {
		for _, v := range values {
			if value, ok := strings.CutPrefix(v, name+"="); ok {
				return value
			}
		}
		return ""
	}
}

func TestRunRefuses(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name string
		args []string
		want string
	}{
		{"no command", nil, "expected one of"},
		{"unknown command", []string{"fly"}, "unexpected argument fly"},
		{"unknown flag", []string{"serve", "--fast"}, "unknown flag --fast"},
		{"no database to serve", []string{"serve"}, "DATABASE_URL"},
		{"no database to migrate", []string{"migrate", "up"}, "DATABASE_URL"},
		{"no database for a key", []string{"key", "create"}, "DATABASE_URL"},
		{"no database of the journal", []string{"audit", "verify"}, "DATABASE_URL"},
		{"no database of the head", []string{"audit", "head"}, "DATABASE_URL"},
		{"no database to verify", []string{"audit", "verify", "--samples"}, "DATABASE_URL"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			var out, log bytes.Buffer
			err := run(t.Context(), tt.args, settings(), &out, &log)
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("run(%q) = %v; want an error with %q", tt.args, err, tt.want)
			}
		})
	}
}

func TestHelp(t *testing.T) {
	t.Parallel()
	var out, log bytes.Buffer
	if err := run(t.Context(), []string{"--help"}, settings(), &out, &log); err != nil {
		t.Fatal(err)
	}
	for _, command := range []string{"serve", "demo", "migrate up", "migrate down", "migrate status", "key create", "audit verify", "audit head"} {
		if !strings.Contains(out.String(), "\n  "+command) {
			t.Errorf("the help does not name %q", command)
		}
	}
}

func TestKeyPrint(t *testing.T) {
	t.Parallel()
	var out, log bytes.Buffer
	if err := run(t.Context(), []string{"key", "create", "--print"}, settings(), &out, &log); err != nil {
		t.Fatal(err)
	}
	if _, ok := access.KeyOf(strings.TrimSpace(out.String())); !ok {
		t.Errorf("key create --print printed %q, which is no key", out.String())
	}
}

func TestListenOrElsewhere(t *testing.T) {
	t.Parallel()
	taken, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	var said string
	l, err := listenOrElsewhere(taken.Addr().String(), func(line string) { said = line })
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	if l.Addr().String() == taken.Addr().String() || !strings.Contains(said, l.Addr().String()) {
		t.Errorf("listens at %s and says %q; want another port, named", l.Addr(), said)
	}
}

// TestServeStops holds serveHTTP to end without an error when it is asked to.
func TestServeStops(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(t.Context())
	var out, log bytes.Buffer
	done := make(chan error, 1)
	started := make(chan string, 1)
	env := settings("LEVELTRAIL_LISTEN=127.0.0.1:0")
	go func() {
		done <- run(ctx, []string{"serve", "--data-dir", dataDir(t)}, env, &out, notify{&log, "\"msg\":\"serving\"", started})
	}()
	select {
	case <-started:
		cancel()
	case err := <-done:
		t.Fatalf("serve ended by itself: %v\n%s", err, log.String())
	}
	if err := <-done; err != nil {
		t.Errorf("serve, asked to stop, = %v", err)
	}
}
