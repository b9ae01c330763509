package host

import "golang.org/x/sys/unix"

// ClockNow asks the kernel by adjtimex(2), which needs no privilege to read.
func ClockNow() Clock {
	var t unix.Timex
	if _, err := unix.Adjtimex(&t); err != nil {
		return Clock{}
	}
	return Clock{Known: true, Synchronised: t.Status&unix.STA_UNSYNC == 0}
}
