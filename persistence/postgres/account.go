package postgres

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"
)

// account is the named OS user that PostgreSQL runs as.
type account struct {
	name     string
	uid, gid uint32
	drop     bool // this program is root, which PostgreSQL refuses to run as
}

// runAs returns the current user, for root one without its rights: postgres, else nobody.
func runAs() (account, error) {
	if os.Geteuid() != 0 {
		u, err := user.Current()
		if err != nil {
			return account{}, fmt.Errorf("PostgreSQL needs a user with a name: %w", err)
		}
		return account{name: u.Username}, nil
	}
	for _, name := range []string{"postgres", "nobody"} {
		u, err := user.Lookup(name)
		if err != nil {
			continue
		}
		uid, err := strconv.ParseUint(u.Uid, 10, 32)
		if err != nil {
			return account{}, err
		}
		gid, err := strconv.ParseUint(u.Gid, 10, 32)
		if err != nil {
			return account{}, err
		}
		return account{name: name, uid: uint32(uid), gid: uint32(gid), drop: true}, nil
	}
	return account{}, errors.New("PostgreSQL does not run as root, and there is no user postgres or nobody: run this program as another user")
}

// command prepares bin to run as a, in dir, in a process group of its own so
// that an interrupt at the terminal reaches this program first. Where the
// system can, it gets the signal end when the thread that starts it ends; when
// ctx is done it gets it anywhere.
func (a account) command(ctx context.Context, bin, dir string, end syscall.Signal, args ...string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, bin, args...)
	cmd.Cancel = func() error { return cmd.Process.Signal(end) }
	cmd.Dir = dir
	cmd.Env = []string{"PATH=" + os.Getenv("PATH"), "HOME=" + dir, "LC_ALL=C", "TZ=UTC"}
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if a.drop {
		cmd.SysProcAttr.Credential = &syscall.Credential{Uid: a.uid, Gid: a.gid}
	}
	endWithParent(cmd.SysProcAttr, end)
	return cmd
}

// mkdir makes the directory path for a alone, unless it exists.
func (a account) mkdir(path string) error {
	err := os.Mkdir(path, 0o700)
	if errors.Is(err, os.ErrExist) {
		return nil
	}
	if err == nil && a.drop {
		err = os.Chown(path, int(a.uid), int(a.gid))
	}
	return err
}

// barred returns the nearest directory on the way up from path that a may not
// enter, "" when there is none. Only a dropped account is looked at.
func (a account) barred(path string) string {
	if !a.drop {
		return ""
	}
	for dir := path; ; dir = filepath.Dir(dir) {
		if info, err := os.Stat(dir); err == nil {
			enter := os.FileMode(0o001)
			switch st := info.Sys().(*syscall.Stat_t); {
			case st.Uid == a.uid:
				enter = 0o100
			case st.Gid == a.gid:
				enter = 0o010
			}
			if info.Mode()&enter == 0 {
				return dir
			}
		}
		if dir == filepath.Dir(dir) {
			return ""
		}
	}
}
