//go:build linux || darwin || freebsd || netbsd || openbsd || dragonfly

package session

import (
	"os"
	"syscall"
)

// lock takes the lock of a file, or says ErrBusy where somebody has it.
func lock(f *os.File) error {
	err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if err == syscall.EWOULDBLOCK {
		return ErrBusy
	}
	return err
}

// unlocked reports whether it is certain that nobody has the lock of a file. The lock is taken for that,
// shared with whoever else looks, and given back at once: there is no way to ask only.
func unlocked(f *os.File) bool {
	if syscall.Flock(int(f.Fd()), syscall.LOCK_SH|syscall.LOCK_NB) != nil {
		return false
	}
	return syscall.Flock(int(f.Fd()), syscall.LOCK_UN) == nil
}
