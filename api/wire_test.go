package api_test

import (
	"bufio"
	"encoding/binary"
	"io"
	"net"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/jackc/pgx/v5/pgconn"
)

// wire passes on what a program says to its database, and notes the statements.
type wire struct {
	mu         sync.Mutex
	statements []string
}

// tapped returns a connection string to the database at url, whose statements are noted.
func tapped(t *testing.T, database string) (*wire, string) {
	t.Helper()
	config, err := pgconn.ParseConfig(database)
	if err != nil {
		t.Fatal(err)
	}
	network, address := pgconn.NetworkAddress(config.Host, config.Port)
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { listener.Close() })
	w := &wire{}
	go func() {
		for {
			here, err := listener.Accept()
			if err != nil {
				return
			}
			there, err := (&net.Dialer{}).DialContext(t.Context(), network, address)
			if err != nil {
				here.Close()
				continue
			}
			go func() { _, _ = io.Copy(here, there); here.Close() }()
			go func() { w.pass(there, here); there.Close() }()
		}
	}()
	u := url.URL{
		Scheme: "postgres", User: url.UserPassword(config.User, config.Password), Host: listener.Addr().String(),
		Path: "/" + config.Database, RawQuery: "sslmode=disable",
	}
	return w, u.String()
}

// pass passes on messages: <type, 1 byte> <length, 4 bytes, itself included> <content>,
// the first without a type (PostgreSQL's protocol 3.0, message formats).
func (w *wire) pass(to io.Writer, from io.Reader) {
	in := bufio.NewReader(from)
	for typed := false; ; typed = true {
		head := make([]byte, 4, 5)
		if typed {
			head = head[:5]
		}
		if _, err := io.ReadFull(in, head); err != nil {
			return
		}
		content := make([]byte, binary.BigEndian.Uint32(head[len(head)-4:])-4)
		if _, err := io.ReadFull(in, content); err != nil {
			return
		}
		if typed {
			w.note(head[0], string(content))
		}
		if _, err := to.Write(append(head, content...)); err != nil {
			return
		}
	}
}

func (w *wire) note(kind byte, content string) {
	parts := strings.Split(content, "\x00")
	var statement string
	switch kind {
	case 'Q': // a query as text
		statement, _, _ = strings.Cut(parts[0], "'") // up to what differs from caller to caller
	case 'B': // Bind: portal and statement, which the driver names for its text
		statement = parts[1]
	}
	// A read's end is no one's to wait for, so it may come during the next request; the pool
	// asks after connections that were idle.
	if statement == "" || slices.Contains([]string{"commit", "rollback", "-- ping"}, statement) {
		return
	}
	w.mu.Lock()
	w.statements = append(w.statements, statement)
	w.mu.Unlock()
}

// said returns the statements since the last call.
func (w *wire) said() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	said := slices.Clone(w.statements)
	w.statements = nil
	return said
}
