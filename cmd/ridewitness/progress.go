package main

import (
	"fmt"
	"time"

	"ridewitness/capture"
)

// progressAfter is how long work must take before a terminal is told how far it is.
const progressAfter = time.Second

// progress returns what to call while a session is read: on a terminal it says now and then how far
// it is, elsewhere it is nil.
func (a *App) progress() func(capture.Stamp) {
	if !a.Terminal {
		return nil
	}
	begun := a.Now()
	var start, told capture.Stamp
	last := begun
	return func(at capture.Stamp) {
		if start == 0 {
			start = at
		}
		// Looking at the clock costs more than a batch; once a second of the session will do.
		if at.Sub(told) < time.Second {
			return
		}
		told = at
		now := a.Now()
		if now.Sub(begun) < progressAfter || now.Sub(last) < progressAfter/4 {
			return
		}
		last = now
		a.showing = true
		fmt.Fprintf(a.Err, "\rread up to %s of the session", at.Sub(start).Round(time.Second))
	}
}

// progressDone takes the line away again.
func (a *App) progressDone() {
	if a.showing {
		fmt.Fprint(a.Err, "\r\x1b[K")
		a.showing = false
	}
}
