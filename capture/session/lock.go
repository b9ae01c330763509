package session

import (
	"errors"
	"os"
	"time"
)

// How long a lock that somebody has is tried for: who follows the file looks at its lock now and then,
// and holds it meanwhile for a few microseconds.
const (
	lockTries = 20
	lockPause = 5 * time.Millisecond
)

// take takes a file for this process until it is closed: two sections that were added at once would
// both hang on the same one. A file that stays taken is ErrBusy.
func take(f *os.File, path string) error {
	for try := 1; ; try++ {
		err := lock(f)
		switch {
		case err == nil:
			return nil
		case !errors.Is(err, ErrBusy):
			return &MediumError{File: path, Err: err}
		case try == lockTries:
			return &FormatError{File: path, Block: "file", Err: ErrBusy}
		}
		time.Sleep(lockPause)
	}
}
