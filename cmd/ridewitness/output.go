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
	if err := mayWrite(path); err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".ridewitness-*")
	if err != nil {
		return noFolder(path, err)
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

// mayWrite says before the work what would be said after it: that the name is taken, or that there is
// no such folder. "" is standard output.
func mayWrite(path string) error {
	if path == "" {
		return nil
	}
	if _, err := os.Lstat(path); err == nil {
		return taken(path)
	}
	switch folder, err := os.Stat(filepath.Dir(path)); {
	case err != nil:
		return noFolder(path, err)
	case !folder.IsDir():
		return noFolder(path, errors.New(filepath.Dir(path)+" is no folder"))
	}
	return nil
}

func taken(path string) error {
	return usage("give another name; nothing is ever written over a file", "%s exists already", path)
}

// noFolder names the file that was asked for: the one that could not be made beside it has a name that
// nobody gave.
func noFolder(path string, err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		err = p.Err
	}
	return usage("is the folder there, and may you write into it?", "%s can't be written: %w", path, err)
}

// settle gives a finished file its name. A link refuses a name that is taken, where a rename would
// write over it; file systems without links get the rename.
func settle(from, to string) error {
	err := os.Link(from, to)
	switch {
	case err == nil:
		return nil
	case errors.Is(err, fs.ErrExist):
		return taken(to)
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
