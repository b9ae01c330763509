package session

import (
	"os"
	"path/filepath"

	"ridewitness/capture"
)

// created is a file that is being recorded to. Its Sync asks for the content and its length, which is
// all that a reader needs after a crash.
type created struct{ *os.File }

// Sync implements File.
func (c created) Sync() error { return dataSync(c.File) }

// Create makes a new file for a recording and takes it for this process until it is closed. An
// existing file is never opened: the error is then fs.ErrExist.
func Create(path string) (File, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY|os.O_APPEND, 0o644)
	if err != nil {
		return nil, err
	}
	if err := take(f, path); err != nil {
		f.Close()
		return nil, err
	}
	syncFolder(path)
	return created{f}, nil
}

// syncFolder makes the name of a new file last. Not every file system can; the file itself is synced.
func syncFolder(path string) {
	if dir, err := os.Open(filepath.Dir(path)); err == nil {
		_ = dir.Sync()
		dir.Close()
	}
}

// End is how far a finished file goes: what a section behind it hangs on, and with which numbers it
// goes on.
type End struct {
	Previous Previous
	Records  uint64
	Packets  uint64
	At       capture.Stamp // of the last packet or record
}

// Continue opens a finished session for another section behind its end, and takes it for this process
// until it is closed. It refuses what Append refuses.
func Continue(path string) (File, End, error) {
	f, end, err := openForMore(path)
	if err != nil {
		return nil, End{}, err
	}
	return created{f}, End{Previous: end.last, Records: end.records, Packets: end.packets, At: max(end.at, end.told)}, nil
}
