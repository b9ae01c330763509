//go:build !linux

package replay

import (
	"runtime"
	"time"
)

// sleepKernel sleeps until a little before deadline: how late the runtime's timers are differs from
// system to system.
func sleepKernel(deadline time.Time) {
	const late = 2 * time.Millisecond
	if d := time.Until(deadline) - late; d > 0 {
		time.Sleep(d)
	}
}

// Keen locks the goroutine to its thread. The returned function undoes it.
func Keen() (undo func()) {
	runtime.LockOSThread()
	return runtime.UnlockOSThread
}
