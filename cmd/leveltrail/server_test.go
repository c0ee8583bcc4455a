package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"
)

// TestSmuggling sends requests whose end two servers might see in different places (RFC 9112,
// 6.3 and 11.2): each is refused or read in the one safe way, and its connection is closed where it is refused.
func TestSmuggling(t *testing.T) {
	t.Parallel()
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	served := make(chan error, 1)
	go func() {
		served <- serveHTTP(ctx, listener, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			body, err := io.ReadAll(r.Body)
			if err != nil {
				http.Error(w, "body", http.StatusBadRequest)
				return
			}
			fmt.Fprintf(w, "<%s %s %s>", r.Method, r.URL.Path, body)
		}), slog.New(slog.DiscardHandler))
	}()
	t.Cleanup(func() {
		stop()
		if err := <-served; err != nil {
			t.Error(err)
		}
	})
	const smuggled = "GET /smuggled HTTP/1.1\r\nHost: x\r\n\r\n"
	tests := []struct {
		name, request string
		status        string
		answers       []string // bodies in turn; what is smuggled is none
	}{
		{"plain", "POST /a HTTP/1.1\r\nHost: x\r\nContent-Length: 2\r\nConnection: close\r\n\r\nhi", "200", []string{"<POST /a hi>"}},
		{"both lengths", "POST /a HTTP/1.1\r\nHost: x\r\nContent-Length: 50\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n" + smuggled, "200", []string{"<POST /a >"}},
		{"two content lengths", "POST /a HTTP/1.1\r\nHost: x\r\nContent-Length: 0\r\nContent-Length: 37\r\n\r\n" + smuggled, "400", nil},
		{"list of lengths", "POST /a HTTP/1.1\r\nHost: x\r\nContent-Length: 0, 37\r\n\r\n" + smuggled, "400", nil},
		{"signed length", "POST /a HTTP/1.1\r\nHost: x\r\nContent-Length: +0\r\n\r\n" + smuggled, "400", nil},
		{"two encodings", "POST /a HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\nTransfer-Encoding: identity\r\n\r\n0\r\n\r\n" + smuggled, "501", nil},
		{"unknown encoding", "POST /a HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: xchunked\r\n\r\n0\r\n\r\n" + smuggled, "501", nil},
		{"encoding in disguise", "POST /a HTTP/1.1\r\nHost: x\r\nTransfer-Encoding : chunked\r\n\r\n0\r\n\r\n" + smuggled, "400", nil},
		{"folded header", "POST /a HTTP/1.1\r\nHost: x\r\nX: y\r\n Content-Length: 37\r\nTransfer-Encoding:\x0bchunked\r\n\r\n" + smuggled, "4", nil},
		{"bad chunk", "POST /a HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\n0x0\r\n\r\n" + smuggled, "400", nil},
		{"two hosts", "GET /a HTTP/1.1\r\nHost: x\r\nHost: y\r\n\r\n", "400", nil},
		{"no host", "GET /a HTTP/1.1\r\n\r\n", "400", nil},
		{"NUL in a header", "GET /a HTTP/1.1\r\nHost: x\r\nX: a\x00b\r\n\r\n", "400", nil},
		{"headers without end", "GET /a HTTP/1.1\r\nHost: x\r\nX: " + strings.Repeat("a", 80<<10) + "\r\n\r\n", "431", nil},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			conn, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", listener.Addr().String())
			if err != nil {
				t.Fatal(err)
			}
			defer conn.Close()
			_ = conn.SetDeadline(time.Now().Add(20 * time.Second))
			_, _ = io.WriteString(conn, tt.request) // it may be refused before its end
			in := bufio.NewReader(conn)
			var status string
			var answers []string
			for {
				a, err := http.ReadResponse(in, nil)
				if err != nil {
					break // the connection is closed
				}
				body, _ := io.ReadAll(a.Body)
				if status == "" {
					status = a.Status
				}
				if a.StatusCode == http.StatusOK {
					answers = append(answers, string(body))
				}
				if strings.Contains(string(body), "smuggled") {
					t.Errorf("what was smuggled is answered: %s", body)
				}
			}
			if !strings.HasPrefix(status, tt.status) || strings.Join(answers, "") != strings.Join(tt.answers, "") {
				t.Errorf("status %q, answers %q; want %s, %q and then an end", status, answers, tt.status, tt.answers)
			}
		})
	}
}

// TestPatience holds the server to the bounds of a request: who sends slowly or much is given up.
func TestPatience(t *testing.T) {
	t.Parallel()
	s := newHTTPServer(http.NotFoundHandler(), slog.New(slog.DiscardHandler))
	if s.ReadHeaderTimeout <= 0 || s.ReadHeaderTimeout > 10*time.Second || s.ReadTimeout <= 0 || s.WriteTimeout <= 0 ||
		s.IdleTimeout <= 0 || s.IdleTimeout > 5*time.Minute || s.MaxHeaderBytes > 64<<10 {
		t.Errorf("the server waits %v for a head, %v for a request, %v for an answer, %v between, and takes %d bytes of head; want bounds",
			s.ReadHeaderTimeout, s.ReadTimeout, s.WriteTimeout, s.IdleTimeout, s.MaxHeaderBytes)
	}

	// The bound of the head works: a connection whose head never ends is closed.
	s.ReadHeaderTimeout = 50 * time.Millisecond
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go func() { _ = s.Serve(listener) }() // until it is closed
	defer s.Close()
	conn, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", listener.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	_, _ = io.WriteString(conn, "GET / HTTP/1.1\r\nHost: x\r\nX-Slow: ")
	_ = conn.SetDeadline(time.Now().Add(20 * time.Second))
	if said, err := io.ReadAll(conn); err != nil || strings.Contains(string(said), "404") {
		t.Errorf("a head without end is answered %q, %v; want that the connection is closed", said, err)
	}
}
