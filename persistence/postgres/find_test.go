package postgres

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// install puts programs that answer as PostgreSQL of that version does into dir.
func install(t *testing.T, dir, version string) {
	t.Helper()
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"initdb", "postgres"} {
		script := "#!/bin/sh\necho '" + name + " (PostgreSQL) " + version + "'\n"
		if err := os.WriteFile(filepath.Join(dir, name), []byte(script), 0o755); err != nil {
			t.Fatal(err)
		}
	}
}

func TestFind(t *testing.T) {
	t.Parallel()
	// What a machine may have, by name; root stands for its file system.
	root, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	at := func(path string) string { return filepath.Join(root, path) }
	install(t, at("own"), "16.1")
	install(t, at("old"), "14.12 (Debian 14.12-1)")
	install(t, at("path"), "17.2")
	install(t, at("npm"), "17.10")
	install(t, at("usr/lib/postgresql/9.6/bin"), "9.6.24")
	install(t, at("usr/lib/postgresql/15/bin"), "15.18 (Debian 15.18-0+deb12u1)")
	install(t, at("usr/lib/postgresql/16/bin"), "16beta2")
	install(t, at("usr/pgsql-18/bin"), "18.1")
	if err := os.MkdirAll(at("links"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(at("path/initdb"), at("links/initdb")); err != nil {
		t.Fatal(err)
	}

	tests := []struct {
		name        string
		pgBin, path string // relative to root; path is a list with colons
		noPlaces    bool   // nothing in the places where packages put it
		noNPM       bool
		want        int
		found       string
		err         string
	}{
		{name: "own directory first", pgBin: "own", path: "path", found: "own"},
		{name: "own directory is binding", pgBin: "none", path: "path", err: "LEVELTRAIL_PG_BIN"},
		{name: "own directory too old", pgBin: "old", path: "path", err: "holds PostgreSQL 14; needed is PostgreSQL 15 or newer"},
		{name: "own directory of another version", pgBin: "own", want: 15, err: "holds PostgreSQL 16; needed is PostgreSQL 15"},
		{name: "path before places", path: "nothing:path", found: "path"},
		{name: "path by a link", path: "links", found: "path"},
		{name: "path too old", path: "old", found: "usr/lib/postgresql/16/bin"},
		{name: "path of another version", path: "path", want: 15, found: "usr/lib/postgresql/15/bin"},
		{name: "newest of a place", found: "usr/lib/postgresql/16/bin"},
		{name: "next place", want: 18, found: "usr/pgsql-18/bin"},
		{name: "npm last", noPlaces: true, found: "npm"},
		{name: "npm of the version", want: 17, found: "npm"},
		{name: "npm is of another version", want: 19, err: "PostgreSQL 19 is not found: apt install postgresql, or set"},
		{name: "nothing", noPlaces: true, noNPM: true, err: "PostgreSQL 15 or newer is not found: apt install postgresql, or set"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			env := map[string]string{}
			if tt.pgBin != "" {
				env["LEVELTRAIL_PG_BIN"] = at(tt.pgBin)
			}
			var path []string
			for dir := range strings.SplitSeq(tt.path, ":") {
				if dir != "" {
					path = append(path, at(dir))
				}
			}
			env["PATH"] = strings.Join(path, ":")
			s := search{
				getenv:  func(key string) string { return env[key] },
				root:    root,
				fetch:   func() (string, error) { return at("npm"), nil },
				install: installHint("linux", "ID=debian\n"),
			}
			if tt.noPlaces {
				s.root = at("empty")
			}
			if tt.noNPM {
				s.fetch = func() (string, error) { return "", errNoNPM }
			}
			got, err := s.find(tt.want)
			if tt.err != "" {
				if err == nil || !strings.Contains(err.Error(), tt.err) {
					t.Fatalf("find(%d) = %q, %v; want an error with %q", tt.want, got, err, tt.err)
				}
				return
			}
			if err != nil || got != at(tt.found) {
				t.Errorf("find(%d) = %q, %v; want %q", tt.want, got, err, at(tt.found))
			}
		})
	}

	t.Run("npm failure is told", func(t *testing.T) {
		t.Parallel()
		s := search{
			getenv: func(string) string { return "" }, root: at("empty"), install: "do",
			fetch: func() (string, error) { return "", errors.New("no network") },
		}
		if _, err := s.find(0); err == nil || !strings.Contains(err.Error(), "(npm: no network)") {
			t.Errorf("find(0) = %v; want the failure of npm in it", err)
		}
	})
}

func TestInstallHint(t *testing.T) {
	t.Parallel()
	// The texts are of the form that os-release(5) gives, the IDs those systems use.
	got := map[string]string{}
	for name, release := range map[string]string{
		"Debian":    "PRETTY_NAME=\"Debian GNU/Linux 12\"\nID=debian\n",
		"Mint":      "ID=linuxmint\nID_LIKE=\"ubuntu debian\"\n",
		"Rocky":     "ID=\"rocky\"\nID_LIKE=\"rhel centos fedora\"\n",
		"Leap":      "ID=\"opensuse-leap\"\nID_LIKE=\"suse opensuse\"\n",
		"Alpine":    "ID=alpine\n",
		"something": "",
	} {
		got[name] = installHint("linux", release)
	}
	got["macOS"] = installHint("darwin", "")
	want := map[string]string{
		"Debian": "apt install postgresql", "Mint": "apt install postgresql",
		"Rocky": "dnf install postgresql-server", "Leap": "zypper install postgresql-server",
		"Alpine": "apk add postgresql", "macOS": "brew install postgresql@17",
		"something": "install it with this system's package manager",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("installHint (-want +got):\n%s", diff)
	}
}

func TestBarred(t *testing.T) {
	t.Parallel()
	root := t.TempDir() // whose own parent is closed to others
	if err := os.Chmod(root, 0o755); err != nil {
		t.Fatal(err)
	}
	stranger := account{uid: 4_000_000, gid: 4_000_000, drop: true}
	if got, want := stranger.barred(filepath.Join(root, "a", "b")), filepath.Dir(root); got != want {
		t.Errorf("barred = %q; want %q, made for its owner alone", got, want)
	}
	self := account{uid: uint32(os.Getuid()), gid: uint32(os.Getgid()), drop: true}
	if got := self.barred(root); got != "" {
		t.Errorf("barred for the owner = %q; want none", got)
	}
	if got := stranger.barred("/"); got != "" {
		t.Errorf("barred from / = %q; want none", got)
	}
}
