package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// writeTo runs write over the file at path, or over standard output where path is "". A file appears
// whole or not at all: it is written under another name beside it, synced and renamed. An existing
// file is never overwritten.
func (a *App) writeTo(path string, write func(io.Writer) error) error {
	if path == "" {
		return write(a.Out)
	}
	if _, err := os.Lstat(path); err == nil {
		return usage("give another name; nothing is ever written over a file", "%s exists already", path)
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".ridewitness-*")
	if err != nil {
		return unreadable(plain(err), "is the folder there, and may you write into it?")
	}
	defer os.Remove(f.Name())
	if err := errors.Join(write(f), f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Chmod(f.Name(), 0o644); err != nil {
		return err
	}
	return settle(f.Name(), path)
}

// settle gives a finished file its name. A link refuses a name that is taken, where a rename would
// write over it; file systems without links get the rename.
func settle(from, to string) error {
	err := os.Link(from, to)
	switch {
	case err == nil:
		return nil
	case errors.Is(err, fs.ErrExist):
		return usage("give another name; nothing is ever written over a file", "%s exists already", to)
	default:
		return os.Rename(from, to)
	}
}

// freeNames returns the first number n from 1 for which none of the patterns names an existing file,
// and the names: 'demo-%d.pcapng' gives demo-1.pcapng.
func freeNames(patterns ...string) []string {
	const most = 100000
	for n := 1; n < most; n++ {
		names := make([]string, len(patterns))
		free := true
		for i, p := range patterns {
			names[i] = fmt.Sprintf(p, n)
			if _, err := os.Lstat(names[i]); err == nil {
				free = false
			}
		}
		if free {
			return names
		}
	}
	return nil
}
