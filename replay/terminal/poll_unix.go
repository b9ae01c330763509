//go:build unix

package terminal

import (
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// waitReadable waits up to d for something to read, so that a reader can be ended.
func waitReadable(f *os.File, d time.Duration) (bool, error) {
	fds := []unix.PollFd{{Fd: int32(f.Fd()), Events: unix.POLLIN}}
	n, err := unix.Poll(fds, int(d.Milliseconds()))
	if err == unix.EINTR {
		return false, nil
	}
	return n > 0, err
}
