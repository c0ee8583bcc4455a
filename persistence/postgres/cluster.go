package postgres

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
)

const (
	// Database is the database of the service on a private server.
	Database = "leveltrail"

	// OwnerRole owns the database and migrates it.
	OwnerRole = "leveltrail_owner"

	// AppRole serves requests. It owns nothing, so that row-level security binds it.
	AppRole = "leveltrail_app"
)

// lockPatience is how long a start waits for the server of a program that was
// killed a moment ago to finish its shutdown.
const lockPatience = 5 * time.Second

// DefaultDir returns the directory of the user's private server: one for
// application data, for root /var/lib/leveltrail.
func DefaultDir() (string, error) {
	if os.Geteuid() == 0 {
		return "/var/lib/leveltrail", nil
	}
	if dir := os.Getenv("XDG_DATA_HOME"); dir != "" {
		return filepath.Join(dir, "leveltrail"), nil
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "", err
	}
	if runtime.GOOS == "darwin" {
		return filepath.Join(home, "Library", "Application Support", "leveltrail"), nil
	}
	return filepath.Join(home, ".local", "share", "leveltrail"), nil
}

// makeDir returns the absolute directory of the server, made with its socket directory.
func makeDir(a account, cfg Config) (dir string, err error) {
	switch {
	case cfg.Dir != "":
		dir, err = filepath.Abs(cfg.Dir)
	case cfg.Throwaway:
		if dir, err = os.MkdirTemp("", "leveltrail-pg-"); err == nil {
			err = os.Chmod(dir, 0o755) // the account that serves must get in
		}
	default:
		dir, err = DefaultDir()
	}
	if err != nil {
		return "", err
	}
	if socket := filepath.Join(dir, "run", ".s.PGSQL."+port); len(socket) > maxSocketPath {
		return "", fmt.Errorf("the path of the socket %s has %d bytes, at most %d work: choose a shorter directory",
			socket, len(socket), maxSocketPath)
	}
	if err := os.MkdirAll(filepath.Dir(dir), 0o755); err != nil {
		return "", err
	}
	if err := a.mkdir(dir); err != nil {
		return "", err
	}
	if wall := a.barred(dir); wall != "" {
		return "", fmt.Errorf("user %s, as whom PostgreSQL runs because root may not, cannot enter %s: choose a directory elsewhere",
			a.name, wall)
	}
	run := filepath.Join(dir, "run")
	if err := a.mkdir(run); err != nil {
		return "", err
	}
	return dir, os.Chmod(run, 0o700)
}

// acquire locks dir for one server. The lock is the open file's: it is free
// when this program and every process of its server have ended.
func acquire(ctx context.Context, dir string) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(ctx, lockPatience)
	defer cancel()
	for {
		err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		if err == nil {
			return f, nil
		}
		if !errors.Is(err, syscall.EWOULDBLOCK) {
			f.Close()
			return nil, fmt.Errorf("lock %s: %w", f.Name(), err)
		}
		select {
		case <-ctx.Done():
			f.Close()
			pid := "not known"
			if b, err := os.ReadFile(filepath.Join(dir, "data", "postmaster.pid")); err == nil {
				pid, _, _ = strings.Cut(string(b), "\n")
			}
			return nil, fmt.Errorf("%s is in use by another program (process of its PostgreSQL: %s): stop that one or choose another directory",
				dir, pid)
		case <-time.After(50 * time.Millisecond):
		}
	}
}

// initCluster creates the cluster beside its place and moves it there when it is whole.
func (s *Server) initCluster(ctx context.Context, bin string) error {
	fresh := s.data() + ".new"
	if err := os.RemoveAll(fresh); err != nil {
		return err
	}
	if err := s.account.mkdir(fresh); err != nil {
		return err
	}
	args := []string{"-D", fresh, "-U", s.Superuser(), "--no-locale", "-E", "UTF8", "-A", "trust", "--no-instructions"}
	if s.throwaway {
		args = append(args, "--no-sync")
	} else {
		args = append(args, "--data-checksums")
	}
	runtime.LockOSThread() // the parent-death signal belongs to the thread
	defer runtime.UnlockOSThread()
	cmd := s.account.command(ctx, filepath.Join(bin, "initdb"), fresh, syscall.SIGINT, args...)
	if out, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("create the database cluster: %w: %s", err, strings.TrimSpace(string(out)))
	}
	return os.Rename(fresh, s.data())
}

// provision makes the roles and the database of the service where they are missing.
func provision(ctx context.Context, conn *pgx.Conn) error {
	if err := EnsureRoles(ctx, conn, ""); err != nil {
		return err
	}
	var exists bool
	if err := conn.QueryRow(ctx, `select exists (select from pg_database where datname = $1)`, Database).Scan(&exists); err != nil {
		return err
	}
	if exists {
		return nil
	}
	_, err := conn.Exec(ctx, "create database "+Database+" owner "+OwnerRole)
	return err
}

// EnsureRoles creates [OwnerRole] and [AppRole] where they are missing, as a
// superuser. A role it creates gets the password, none when that is empty; a
// role that exists is left as it is.
func EnsureRoles(ctx context.Context, conn *pgx.Conn, password string) error {
	for _, role := range []string{OwnerRole, AppRole} {
		var create string
		err := conn.QueryRow(ctx, `
			select format('create role %I login nosuperuser nobypassrls password %L', $1::text, nullif($2, ''))
			where not exists (select from pg_roles where rolname = $1)`, role, password).Scan(&create)
		if errors.Is(err, pgx.ErrNoRows) {
			continue
		}
		if err == nil {
			_, err = conn.Exec(ctx, create)
		}
		if err != nil {
			return fmt.Errorf("create role %s: %w", role, err)
		}
	}
	return nil
}
