//go:build linux || darwin || freebsd || netbsd || openbsd || dragonfly

package terminal

import (
	"os"

	"golang.org/x/sys/unix"
)

// KeepFlowing lets no Ctrl-S stop a terminal, since a warning must come through; where single keys are
// read it can't anyway. The function that is returned gives it back. Where f is no terminal it does nothing.
func KeepFlowing(f *os.File) (back func()) {
	fd := int(f.Fd())
	before, err := unix.IoctlGetTermios(fd, getTermios)
	if err != nil || before.Iflag&unix.IXON == 0 {
		return func() {}
	}
	flowing := *before
	flowing.Iflag &^= unix.IXON
	set(fd, &flowing)
	return func() { set(fd, before) }
}

// set sets a terminal, unless that of a program that is behind another one: who does that from there is
// stopped (SIGTTOU; POSIX.1-2017, 11.1.4). A terminal that is gone has nothing to be set.
func set(fd int, to *unix.Termios) {
	if front, err := unix.IoctlGetInt(fd, unix.TIOCGPGRP); err != nil || front == unix.Getpgrp() {
		_ = unix.IoctlSetTermios(fd, setTermios, to)
	}
}
