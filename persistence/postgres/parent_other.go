//go:build !linux

package postgres

import "syscall"

// endWithParent does nothing: this system knows no such signal. A server left
// behind holds the lock of its directory until it is stopped.
func endWithParent(*syscall.SysProcAttr, syscall.Signal) {}
