package terminal

import (
	"context"
	"os"
	"time"
)

// keyWait is how long one look for a key lasts: how late a reader notices that it is to end.
const keyWait = 100 * time.Millisecond

// Keys that are no letters.
const (
	Interrupt = 0x03 // Ctrl-C
	Suspend   = 0x1a // Ctrl-Z
	Escape    = 0x1b
)

// ReadKeys hands every key of a terminal to press until ctx is done or the terminal ends: at once where
// it is in raw mode, else when a line is entered. Sequences of an arrow or function key are left out.
func ReadKeys(ctx context.Context, in *os.File, press func(byte)) {
	var buf [64]byte
	var seq escape
	for ctx.Err() == nil {
		there, err := waitReadable(in, keyWait)
		if err != nil {
			return
		}
		if !there {
			if seq == 1 {
				press(Escape) // by itself, and not the head of a sequence
			}
			seq = 0
			continue
		}
		n, err := in.Read(buf[:])
		if err != nil || n == 0 {
			return
		}
		for _, b := range buf[:n] {
			if seq.skips(b) {
				continue
			}
			press(b)
		}
	}
}

// escape is how far a control sequence has come: none, ESC, inside.
type escape int

// skips reports whether b belongs to a control sequence (ECMA-48, 5.4: parameters and intermediates,
// then a final byte from 0x40 on).
func (e *escape) skips(b byte) bool {
	switch {
	case b == Escape:
		*e = 1
	case *e == 1 && (b == '[' || b == 'O'):
		*e = 2
	case *e == 1:
		*e = 0
	case *e == 2:
		if b >= 0x40 {
			*e = 0
		}
	default:
		return false
	}
	return true
}
