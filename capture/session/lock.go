package session

import (
	"errors"
	"os"
	"time"
)

// How long a lock is tried for that only onlookers have: who follows the file looks at its lock now and
// then, and holds it meanwhile for a few microseconds.
const (
	lockTries = 20
	lockPause = 5 * time.Millisecond
)

// take takes a file for this process until it is closed: two sections that were added at once would
// both hang on the same one. A file that another writer has is ErrBusy, at once: a mark that goes to the
// recorder instead must not come late.
func take(f *os.File, path string) error {
	for try := 1; ; try++ {
		err := lock(f)
		switch {
		case err == nil:
			return nil
		case !errors.Is(err, ErrBusy):
			return &MediumError{File: path, Err: err}
		case try == lockTries || !unlocked(f):
			return &FormatError{File: path, Block: "file", Err: ErrBusy}
		}
		time.Sleep(lockPause)
	}
}
