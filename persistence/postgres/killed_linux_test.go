package postgres_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"leveltrail/persistence/postgres"
)

// killed runs a program that starts a server in home and is killed at once.
func killed(t *testing.T, home, throwaway string) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), helperDir+"="+home, "THROWAWAY="+throwaway)
	if out, err := cmd.CombinedOutput(); err == nil || err.Error() != "signal: killed" {
		t.Fatalf("the program to be killed: %v: %s", err, out)
	}
}

func TestKilledProgramLeavesNoServerAndLosesNothing(t *testing.T) {
	t.Parallel()
	home := dir(t)
	killed(t, home, "")
	s := start(t, postgres.Config{Dir: home}) // fails while the other server lives
	conn := connect(t, s.URL(postgres.OwnerRole, postgres.Database))
	if got := query[string](t, conn, "select t from note"); got != "committed" {
		t.Errorf("after the kill: %q; want committed", got)
	}
}

func TestKilledProgramLeavesNoThrowawayDirectory(t *testing.T) {
	t.Parallel()
	home := dir(t)
	killed(t, home, "yes")
	for deadline := time.Now().Add(10 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if _, err := os.Stat(home); os.IsNotExist(err) {
			return
		}
		if time.Now().After(deadline) {
			entries, _ := filepath.Glob(filepath.Join(home, "*"))
			t.Fatalf("still there: %v", entries)
		}
	}
}
