package postgres_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"leveltrail/persistence/postgres"
)

// dir returns a directory with a short path that any user may enter.
func dir(t *testing.T) string {
	t.Helper()
	parent, err := os.MkdirTemp("/tmp", "lt-") //nolint:usetesting // the path of a socket must be short
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(parent) })
	if err := os.Chmod(parent, 0o755); err != nil {
		t.Fatal(err)
	}
	return filepath.Join(parent, "server")
}

func start(t *testing.T, cfg postgres.Config) *postgres.Server {
	t.Helper()
	s, err := postgres.Start(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Stop() })
	return s
}

func connect(t *testing.T, url string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close(context.WithoutCancel(t.Context())) })
	return conn
}

func query[T any](t *testing.T, conn *pgx.Conn, sql string) T {
	t.Helper()
	rows, _ := conn.Query(t.Context(), sql)
	v, err := pgx.CollectExactlyOneRow(rows, pgx.RowTo[T])
	if err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return v
}

func TestServerKeepsItsData(t *testing.T) {
	t.Parallel()
	home := dir(t)
	var steps []string
	cfg := postgres.Config{Dir: home, Progress: func(s string) { steps = append(steps, s) }}
	s := start(t, cfg)
	if len(steps) != 1 {
		t.Errorf("first start told of %q; want of the new cluster alone", steps)
	}
	owner := connect(t, s.URL(postgres.OwnerRole, postgres.Database))
	for sql, want := range map[string]string{
		"show listen_addresses": "",
		"show fsync":            "on",
		"show data_checksums":   "on",
		"show server_encoding":  "UTF8",
		"select datcollate::text from pg_database where datname = current_database()": "C",
		"show unix_socket_permissions": "0700",
		"select rolsuper::text || rolbypassrls || rolcanlogin from pg_roles where rolname = current_user":     "falsefalsetrue",
		"select rolsuper::text || rolbypassrls || rolcanlogin from pg_roles where rolname = 'leveltrail_app'": "falsefalsetrue",
		"select pg_get_userbyid(datdba)::text from pg_database where datname = current_database()":            "leveltrail_owner",
	} {
		if got := query[string](t, owner, sql); got != want {
			t.Errorf("%s = %q; want %q", sql, got, want)
		}
	}
	if _, err := owner.Exec(t.Context(), "create table note (t text); insert into note values ('kept')"); err != nil {
		t.Fatal(err)
	}
	for _, d := range []string{home, filepath.Join(home, "run"), filepath.Join(home, "data")} {
		if info, err := os.Stat(d); err != nil || info.Mode().Perm() != 0o700 {
			t.Errorf("mode of %s: %v, %v; want 0700", d, info.Mode(), err)
		}
	}

	// A second server in the same directory is refused while the first lives.
	ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	if _, err := postgres.Start(ctx, cfg); err == nil || !strings.Contains(err.Error(), "is in use by another program") {
		t.Errorf("second Start = %v; want that the directory is in use", err)
	}

	if err := s.Stop(); err != nil {
		t.Fatalf("Stop() = %v", err)
	}
	log, err := os.ReadFile(filepath.Join(home, "server.log"))
	if err != nil || !strings.Contains(string(log), "database system is shut down") {
		t.Errorf("server.log: %v, does not tell of an orderly end:\n%s", err, log)
	}

	// A process that died may leave its pid file, and the pid may be another's now: this test's.
	stale := fmt.Sprintf("%d\n%s\n", os.Getpid(), filepath.Join(home, "data"))
	if err := os.WriteFile(filepath.Join(home, "data", "postmaster.pid"), []byte(stale), 0o600); err != nil {
		t.Fatal(err)
	}
	steps = nil
	s = start(t, cfg)
	if steps != nil {
		t.Errorf("restart told of %q; want nothing", steps)
	}
	if got := query[string](t, connect(t, s.URL(postgres.OwnerRole, postgres.Database)), "select t from note"); got != "kept" {
		t.Errorf("after the restart: %q; want kept", got)
	}
}

func TestClusterOfAnotherMajorVersionIsRefused(t *testing.T) {
	t.Parallel()
	for version, want := range map[string]string{
		"12\n":  "was made by PostgreSQL 12: ",
		"9.6\n": "was made by PostgreSQL 9.6, which is too old",
	} {
		home := dir(t)
		file := filepath.Join(home, "data", "PG_VERSION")
		if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(home, 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(version), 0o600); err != nil {
			t.Fatal(err)
		}
		s, err := postgres.Start(t.Context(), postgres.Config{Dir: home})
		if err == nil {
			_ = s.Stop()
		}
		if err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("Start on a cluster of version %q = %v; want one line with %q", version, err, want)
		}
	}
}

func TestLongSocketPathIsRefused(t *testing.T) {
	t.Parallel()
	home := dir(t)
	room := 103 - len(home+"/run/.s.PGSQL.5432")
	_, err := postgres.Start(t.Context(), postgres.Config{Dir: home + strings.Repeat("x", room+1)})
	if err == nil || !strings.Contains(err.Error(), "has 104 bytes") {
		t.Errorf("Start with a socket path of 104 bytes = %v; want that it is refused", err)
	}
	start(t, postgres.Config{Dir: home + strings.Repeat("x", room), Throwaway: true})
}

func TestThrowawayIsRemovedByStop(t *testing.T) {
	t.Parallel()
	s := start(t, postgres.Config{Throwaway: true})
	conn := connect(t, s.URL(s.Superuser(), postgres.Database))
	if got := query[string](t, conn, "show fsync"); got != "off" {
		t.Errorf("fsync = %s; want off", got)
	}
	data := query[string](t, conn, "show data_directory")
	if err := s.Stop(); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Dir(data)); !os.IsNotExist(err) {
		t.Errorf("after Stop, the directory of a throw-away server: %v; want none", err)
	}
	if err := s.Stop(); err != nil {
		t.Errorf("second Stop() = %v", err)
	}
}

// helperDir names the directory in which this test binary, run as a program of
// its own, starts a server and then dies.
const helperDir = "LEVELTRAIL_TEST_KILLED_DIR"

func TestMain(m *testing.M) {
	if home := os.Getenv(helperDir); home != "" {
		s, err := postgres.Start(context.Background(), postgres.Config{Dir: home, Throwaway: os.Getenv("THROWAWAY") != ""})
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		conn, err := pgx.Connect(context.Background(), s.URL(postgres.OwnerRole, postgres.Database))
		if err == nil {
			_, err = conn.Exec(context.Background(), "create table note (t text); insert into note values ('committed')")
		}
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
	}
	os.Exit(m.Run())
}
