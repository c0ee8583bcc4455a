package postgres

import (
	"io"
	"os/exec"
	"strconv"
	"syscall"
)

// guard is a shell that outlives this program by the moment it takes to end a
// throw-away server and remove its directory. It waits for the pipe that only
// this program holds to close, which no way of dying prevents.
type guard struct {
	cmd  *exec.Cmd
	pipe io.WriteCloser
}

// watch guards the server process pid in dir.
func watch(pid int, dir string) (*guard, error) {
	const script = `read -r _
kill -QUIT "$0" 2>/dev/null
for _ in 1 2 3 4 5 6 7 8 9 10 11 12 13 14 15 16 17 18 19 20; do kill -0 "$0" 2>/dev/null || break; sleep 0.1; done
rm -rf "$1"`
	cmd := exec.Command("/bin/sh", "-c", script, strconv.Itoa(pid), dir)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Dir = "/"
	pipe, err := cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, err
	}
	return &guard{cmd, pipe}, nil
}

// dismiss ends the guard, once the server has ended.
func (g *guard) dismiss() {
	_ = g.cmd.Process.Kill() // it may have ended
	_ = g.cmd.Wait()
}
