package replay

import (
	"runtime"
	"time"

	"golang.org/x/sys/unix"
)

// sleepKernel sleeps until deadline by the kernel's monotonic clock, which Go's time runs on.
func sleepKernel(deadline time.Time) {
	var now unix.Timespec
	if unix.ClockGettime(unix.CLOCK_MONOTONIC, &now) != nil {
		return
	}
	d := time.Until(deadline)
	if d <= 0 {
		return
	}
	until := unix.NsecToTimespec(now.Nano() + int64(d))
	for unix.ClockNanosleep(unix.CLOCK_MONOTONIC, unix.TIMER_ABSTIME, &until, nil) == unix.EINTR {
	}
}

// Keen locks the goroutine to its thread and asks the kernel to wake that thread on time: by default
// it may come 50 µs late (prctl(2), PR_SET_TIMERSLACK). The returned function undoes both. The
// goroutine that waits for deadlines calls it.
func Keen() (undo func()) {
	runtime.LockOSThread()
	// Zero stands for the default of the thread, which is what it had.
	_ = unix.Prctl(unix.PR_SET_TIMERSLACK, 1, 0, 0, 0)
	return func() {
		_ = unix.Prctl(unix.PR_SET_TIMERSLACK, 0, 0, 0, 0)
		runtime.UnlockOSThread()
	}
}
