// Package postgres finds a PostgreSQL on this machine and runs a private server
// with it: reachable by a Unix socket only, by the user that runs the program only.
//
// A server lives in one directory:
//
//	lock        held for as long as a server process lives
//	data/       the database cluster
//	run/        the socket, mode 0700
//	server.log  what the server says; server.log.1 of the start before
//
// Callers that are given DATABASE_URL use that server and start none.
package postgres

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

const (
	// maxSocketPath is how many bytes the path of a Unix socket may have on
	// every system: sun_path is 104 bytes on macOS with its final zero.
	maxSocketPath = 103

	port = "5432" // names the socket; nothing listens on TCP

	stopPatience = time.Minute // for a fast shutdown, which writes a checkpoint
)

// Config says how to run a private server.
type Config struct {
	// Dir is the directory of the server, made when missing. Empty means
	// [DefaultDir], for a throw-away server a new temporary directory.
	Dir string

	// Throwaway gives up durability for speed and removes Dir when the server
	// stops, or when this program ends in whatever way.
	Throwaway bool

	// Progress, if not nil, is told in a sentence of each step that takes seconds.
	Progress func(string)
}

// Server is a running private server. It ends with this program: on Linux even
// when the program is killed.
type Server struct {
	dir       string
	account   account
	throwaway bool
	lock      *os.File
	cmd       *exec.Cmd
	exited    chan struct{} // closed when the server process has ended
	guard     *guard
	stop      func() error
}

// Start runs a private server, creating its cluster, [Database] and the roles
// [OwnerRole] and [AppRole] where they are missing. It fails when no PostgreSQL
// of version 15 or newer is found, when the cluster is of another major version
// than every one found, and when another program uses cfg.Dir. ctx bounds the
// start, not the life of the server.
func Start(ctx context.Context, cfg Config) (*Server, error) {
	progress := cfg.Progress
	if progress == nil {
		progress = func(string) {}
	}
	a, err := runAs()
	if err != nil {
		return nil, err
	}
	s := &Server{account: a, throwaway: cfg.Throwaway, exited: make(chan struct{})}
	s.stop = sync.OnceValue(s.end)
	if s.dir, err = makeDir(a, cfg); err != nil {
		return nil, err
	}
	if s.lock, err = acquire(ctx, s.dir); err != nil {
		return nil, err
	}
	if err := s.start(ctx, progress); err != nil {
		if s.cmd == nil {
			s.lock.Close()
		} else {
			_ = s.Stop() // the first error counts
		}
		if s.throwaway {
			os.RemoveAll(s.dir)
		}
		return nil, err
	}
	return s, nil
}

func (s *Server) start(ctx context.Context, progress func(string)) error {
	major, err := clusterMajor(s.data())
	if err != nil {
		return err
	}
	bin, err := machine(ctx, s.account, progress).find(major)
	if err != nil {
		if major != 0 {
			return fmt.Errorf("%s was made by PostgreSQL %d: %w", s.data(), major, err)
		}
		return err
	}
	if major == 0 {
		progress("Creating a database cluster in " + s.dir + ".")
		if err := s.initCluster(ctx, bin); err != nil {
			return err
		}
	}
	if err := s.spawn(bin); err != nil {
		return err
	}
	conn, err := s.connect(ctx)
	if err != nil {
		return err
	}
	defer conn.Close(ctx)
	return provision(ctx, conn)
}

// URL returns the connection string of user on database. The server trusts
// whoever reaches its socket, so there is no password.
func (s *Server) URL(user, database string) string {
	query := url.Values{"host": {s.socketDir()}, "port": {port}, "sslmode": {"disable"}}
	return (&url.URL{
		Scheme: "postgres", User: url.User(user), Path: "/" + database,
		RawQuery: query.Encode(), OmitHost: false,
	}).String()
}

// Superuser returns the name of the superuser, that of the OS user the server runs as.
func (s *Server) Superuser() string { return s.account.name }

// Stop ends the server, waiting for what is committed to be on disk. Open
// connections are closed. A second call returns what the first did.
func (s *Server) Stop() error { return s.stop() }

func (s *Server) end() error {
	defer s.lock.Close()
	signals := []syscall.Signal{syscall.SIGINT, syscall.SIGQUIT} // fast, then immediate shutdown
	if s.throwaway {
		signals = signals[1:]
	}
	var err error
	for _, sig := range signals {
		_ = s.cmd.Process.Signal(sig) // it may have ended
		select {
		case <-s.exited:
			if s.guard != nil {
				s.guard.dismiss()
				err = os.RemoveAll(s.dir)
			}
			return err
		case <-time.After(stopPatience):
			err = fmt.Errorf("PostgreSQL in %s did not stop within %s of %s", s.dir, stopPatience, sig)
		}
	}
	return err
}

// spawn starts the server process.
func (s *Server) spawn(bin string) error {
	// The lock is held, so no server lives here: what a dead one left would only
	// stop the next, whose process id may by chance be the one written in it.
	if err := os.Remove(filepath.Join(s.data(), "postmaster.pid")); err != nil && !os.IsNotExist(err) {
		return err
	}
	log := filepath.Join(s.dir, "server.log")
	_ = os.Rename(log, log+".1") // there may be none
	out, err := os.Create(log)
	if err != nil {
		return err
	}
	defer out.Close()

	args := []string{
		"-D", s.data(), "-p", port, "-c", "listen_addresses=",
		"-c", `unix_socket_directories="` + strings.ReplaceAll(s.socketDir(), `"`, `""`) + `"`,
		"-c", "unix_socket_permissions=0700", "-c", "timezone=UTC", "-c", "log_timezone=UTC",
	}
	end := syscall.SIGINT
	if s.throwaway {
		args = append(args, "-c", "fsync=off", "-c", "synchronous_commit=off", "-c", "full_page_writes=off")
		end = syscall.SIGQUIT
	}
	cmd := s.account.command(context.Background(), filepath.Join(bin, "postgres"), s.data(), end, args...)
	cmd.Stdout, cmd.Stderr = out, out
	cmd.ExtraFiles = []*os.File{s.lock} // so that the lock lasts as long as any server process

	started := make(chan error)
	go func() {
		// The parent-death signal is sent when this thread ends, so it is kept until the server has ended.
		runtime.LockOSThread()
		err := cmd.Start()
		started <- err
		if err == nil {
			_ = cmd.Wait() // that it ended is all that counts
			close(s.exited)
		}
	}()
	if err := <-started; err != nil {
		return fmt.Errorf("start PostgreSQL: %w", err)
	}
	s.cmd = cmd
	if s.throwaway {
		s.guard, err = watch(cmd.Process.Pid, s.dir)
	}
	return err
}

// connect waits until the server answers, through its recovery if it crashed.
func (s *Server) connect(ctx context.Context) (*pgx.Conn, error) {
	for {
		conn, err := pgx.Connect(ctx, s.URL(s.Superuser(), "postgres"))
		if err == nil {
			return conn, nil
		}
		if pg, ok := errors.AsType[*pgconn.PgError](err); ok && pg.Code != "57P03" { // cannot_connect_now
			return nil, fmt.Errorf("connect to the private PostgreSQL: %w", err)
		}
		select {
		case <-s.exited:
			log, _ := os.ReadFile(filepath.Join(s.dir, "server.log"))
			return nil, fmt.Errorf("PostgreSQL in %s ended at its start: %s", s.dir, lastLine(log))
		case <-ctx.Done():
			return nil, fmt.Errorf("wait for PostgreSQL in %s: %w", s.dir, ctx.Err())
		case <-time.After(10 * time.Millisecond):
		}
	}
}

func (s *Server) data() string      { return filepath.Join(s.dir, "data") }
func (s *Server) socketDir() string { return filepath.Join(s.dir, "run") }

func lastLine(b []byte) string {
	lines := strings.Split(strings.TrimSpace(string(b)), "\n")
	return lines[len(lines)-1]
}

// clusterMajor returns the major version that made the cluster in data, 0 when there is none.
func clusterMajor(data string) (int, error) {
	b, err := os.ReadFile(filepath.Join(data, "PG_VERSION"))
	if os.IsNotExist(err) {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	major, err := strconv.Atoi(strings.TrimSpace(string(b)))
	if err != nil {
		return 0, fmt.Errorf("%s was made by PostgreSQL %s, which is too old", data, strings.TrimSpace(string(b)))
	}
	return major, nil
}
