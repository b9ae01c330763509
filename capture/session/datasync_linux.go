package session

import (
	"os"

	"golang.org/x/sys/unix"
)

func dataSync(f *os.File) error {
	for {
		err := unix.Fdatasync(int(f.Fd()))
		if err == nil {
			return nil
		}
		if err != unix.EINTR {
			return &os.PathError{Op: "fdatasync", Path: f.Name(), Err: err}
		}
	}
}
