package replay

import (
	"context"
	"time"
)

// How a deadline is met. The runtime's timers are late by a millisecond, so they carry the wait only
// up to `nap` before it; the kernel's clock carries it to `spinning` before it, and the rest is spun.
// More spinning uses up the thread's claim to be woken first when every core is busy.
const (
	nap      = 4 * time.Millisecond
	spinning = 50 * time.Microsecond
)

// finely says that a deadline is met within microseconds. It needs real time.
const finely = true

// sleepUntil waits for a deadline, for wake or for ctx, whichever comes first. Only ctx is an error.
func sleepUntil(ctx context.Context, wake <-chan struct{}, deadline time.Time, fine bool) error {
	early := deadline
	if fine {
		early = deadline.Add(-nap)
	}
	if d := time.Until(early); d > 0 {
		t := time.NewTimer(d)
		defer t.Stop()
		select {
		case <-t.C:
		case <-wake:
			return nil
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	if !fine {
		return nil
	}
	sleepKernel(deadline.Add(-spinning))
	for time.Until(deadline) > 0 {
	}
	return nil
}
