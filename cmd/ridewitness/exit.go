package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"strings"

	"ridewitness/decode/document"
)

// Exit statuses, one table everywhere. `help exit` prints it.
const (
	exitDone       = 0 // done, nothing found
	exitFailed     = 1 // the tool itself failed
	exitUsage      = 2 // wrong use, or input that can't be read
	exitWarning    = 3 // a warning was given; also: altered, something needs doing
	exitCannotTell = 4 // nothing can be told; also: cut short, unsealed where that was the question
)

// verdict ends a command that did its work with a status other than 0. It prints nothing: the
// output has said it.
type verdict int

func (v verdict) Error() string { return fmt.Sprintf("exit status %d", int(v)) }

// usageError is a command line or an input that can't be used.
type usageError struct {
	err  error
	hint string // what to do about it
}

func (e *usageError) Error() string {
	if e.hint == "" {
		return e.err.Error()
	}
	return e.err.Error() + "\nhint: " + e.hint
}

func (e *usageError) Unwrap() error { return e.err }

// usage returns a usageError.
func usage(hint, format string, args ...any) error {
	return &usageError{err: fmt.Errorf(format, args...), hint: hint}
}

// unreadable marks err as one of the input: exit status 2 in place of 1.
func unreadable(err error, hint string) error {
	if err == nil {
		return nil
	}
	var already *usageError
	if errors.As(err, &already) {
		return err
	}
	return &usageError{err: plain(err), hint: hint}
}

// plain takes the name of the system call out of a file error: 'open wagon.yaml: no such file' says
// no more than 'wagon.yaml: no such file'.
func plain(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) && p == err {
		return fmt.Errorf("%s: %w", p.Path, p.Err)
	}
	return err
}

// message returns what to tell the user, "" where the output has said it.
func message(err error) string {
	var v verdict
	if err == nil || errors.As(err, &v) {
		return ""
	}
	if errors.Is(err, context.Canceled) {
		return "interrupted"
	}
	return strings.TrimSpace(err.Error())
}

// status returns the exit status for an error.
func status(err error) int {
	var v verdict
	var u *usageError
	var d *document.Error
	switch {
	case err == nil:
		return exitDone
	case errors.As(err, &v):
		return int(v)
	case errors.As(err, &u), errors.As(err, &d):
		return exitUsage
	default:
		return exitFailed
	}
}
