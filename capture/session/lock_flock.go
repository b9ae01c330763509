//go:build linux || darwin || freebsd || netbsd || openbsd || dragonfly

package session

import (
	"os"
	"syscall"
)

// lock takes the file for this process until it is closed: two sections that were added at once would
// both hang on the same one.
func lock(f *os.File) error {
	return syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
}
