package postgres

import "syscall"

// endWithParent has the kernel send sig to the child when the thread that started it ends.
func endWithParent(attr *syscall.SysProcAttr, sig syscall.Signal) { attr.Pdeathsig = sig }
