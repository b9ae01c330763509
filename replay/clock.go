package replay

import (
	"context"
	"math"
	"sync"
	"time"

	"ridewitness/capture"
)

// Clock tells the time of a session and waits for it.
//
// Until returns nil once at is reached, at once when that lies in the past, or else the error of
// ctx. A Clock may be used by several goroutines.
type Clock interface {
	Now() capture.Stamp
	Until(ctx context.Context, at capture.Stamp) error
}

// Wall is a Clock that runs with the wall from the moment at which it was made.
type Wall struct {
	start capture.Stamp
	begun time.Time
	mu    sync.Mutex
	lag   lag
}

// NewWall returns a Wall that shows start now.
func NewWall(start capture.Stamp) *Wall { return &Wall{start: start, begun: time.Now()} }

// Now implements Clock.
func (w *Wall) Now() capture.Stamp { return w.start.Add(time.Since(w.begun)) }

// Until implements Clock. It is late by some microseconds on a thread made keen (see Keen), by up to
// a millisecond on others.
func (w *Wall) Until(ctx context.Context, at capture.Stamp) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	deadline := w.begun.Add(between(w.start, at))
	if err := sleepUntil(ctx, nil, deadline, finely); err != nil {
		return err
	}
	if at >= w.start {
		w.met(time.Since(deadline))
	}
	return nil
}

func (w *Wall) met(late time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.lag.add(late)
}

// Lateness sums up how late the deadlines of Until were met.
func (w *Wall) Lateness() Lateness {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.lag.sum()
}

// Bounds of the speed of a Steered clock, in seconds of the session per second.
const (
	Slowest = 0.1
	Fastest = 1000
)

// AsFastAsItGoes is the speed at which a Steered clock waits for nothing.
const AsFastAsItGoes = 0

// Steered is a Clock that somebody steers: its speed, a pause, a jump. The zero Steered is not one;
// see NewSteered.
//
//	position = at + (wall - since) x rate        running
//	position = at                                paused, or as fast as it goes
type Steered struct {
	fine bool

	mu     sync.Mutex
	wake   chan struct{} // closed and replaced whenever a deadline moves
	at     capture.Stamp
	since  time.Time
	speed  float64
	paused bool
	byHand bool
	hurry  hurry
	lag    lag
}

// hurry is a stretch that runs at a rate of its own, whatever the speed.
type hurry struct {
	to   capture.Stamp
	rate float64 // 0: none
}

// NewSteered returns a running clock that shows at now. It waits with timers of the runtime, which
// are late by a millisecond: enough for a screen.
func NewSteered(at capture.Stamp, speed float64) *Steered {
	return &Steered{wake: make(chan struct{}), at: at, since: time.Now(), speed: bounded(speed)}
}

// NewFineSteered returns a steered clock that is late by some microseconds, as a bus needs it.
func NewFineSteered(at capture.Stamp, speed float64) *Steered {
	c := NewSteered(at, speed)
	c.fine = true
	return c
}

func bounded(speed float64) float64 {
	if !(speed > AsFastAsItGoes) { // and not a number
		return AsFastAsItGoes
	}
	return min(max(speed, Slowest), Fastest)
}

// Now implements Clock.
func (c *Steered) Now() capture.Stamp {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.position(time.Now())
}

// Speed returns the speed, AsFastAsItGoes or Slowest to Fastest.
func (c *Steered) Speed() float64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.speed
}

// Paused reports whether the clock stands.
func (c *Steered) Paused() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.paused
}

// SetSpeed changes the speed, within Slowest and Fastest; AsFastAsItGoes or less waits for nothing.
// From then on a Player's Pace no longer changes it.
func (c *Steered) SetSpeed(speed float64) {
	c.change(func() { c.speed, c.byHand, c.hurry = bounded(speed), true, hurry{} })
}

// pace changes the speed for a plan, unless somebody has set it by hand.
func (c *Steered) pace(speed float64) {
	c.change(func() {
		if !c.byHand {
			c.speed = max(speed, AsFastAsItGoes)
		}
	})
}

// Pause stops the clock where it is.
func (c *Steered) Pause() { c.change(func() { c.paused = true }) }

// Resume lets it run again.
func (c *Steered) Resume() { c.change(func() { c.paused = false }) }

// Jump sets the position, forward or back.
func (c *Steered) Jump(to capture.Stamp) { c.change(func() { c.at, c.hurry = to, hurry{} }) }

// Hurry lets the position run to a later one within d of wall time, and then on at the speed.
func (c *Steered) Hurry(to capture.Stamp, d time.Duration) {
	c.change(func() {
		if way := between(c.at, to); way > 0 && d > 0 && c.speed != AsFastAsItGoes {
			c.hurry = hurry{to, float64(way) / float64(d)}
		}
	})
}

// Lateness sums up how late the deadlines of Until were met, in wall time. What lies behind the
// position when it is asked for, as after a jump, has no deadline and does not count.
func (c *Steered) Lateness() Lateness {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.lag.sum()
}

// change settles the position, makes the change and wakes whoever waits.
func (c *Steered) change(do func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.settle(time.Now())
	do()
	close(c.wake)
	c.wake = make(chan struct{})
}

// settle makes the position at now the start of a new line.
func (c *Steered) settle(now time.Time) {
	c.at = c.position(now)
	c.since = now
	if c.hurry.rate > 0 && c.at >= c.hurry.to {
		c.hurry = hurry{}
	}
}

// position returns the session time at now.
func (c *Steered) position(now time.Time) capture.Stamp {
	if c.paused || c.free() {
		return c.at
	}
	d := now.Sub(c.since)
	if c.hurry.rate == 0 {
		return c.at.Add(scale(d, c.speed))
	}
	way := between(c.at, c.hurry.to)
	if run := scale(d, c.hurry.rate); run < way {
		return c.at.Add(run)
	}
	return c.hurry.to.Add(scale(d-scale(way, 1/c.hurry.rate), c.speed))
}

func (c *Steered) free() bool { return c.speed == AsFastAsItGoes }

// horizon is the time up to which frames may be handed on now.
func (c *Steered) horizon() capture.Stamp {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.free() && !c.paused {
		return math.MaxInt64
	}
	return c.position(time.Now())
}

// Until implements Clock. It waits through pauses, and for a deadline that moves.
func (c *Steered) Until(ctx context.Context, at capture.Stamp) error {
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		deadline, wake, wait := c.deadline(at)
		if !wait {
			return nil
		}
		if err := c.sleep(ctx, wake, deadline); err != nil {
			return err
		}
	}
}

func (c *Steered) sleep(ctx context.Context, wake <-chan struct{}, deadline time.Time) error {
	if !deadline.IsZero() {
		return sleepUntil(ctx, wake, deadline, c.fine)
	}
	select {
	case <-wake:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// deadline returns when at will be reached as things stand, the zero time for never, or that there
// is nothing to wait for.
func (c *Steered) deadline(at capture.Stamp) (deadline time.Time, wake <-chan struct{}, wait bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	now := time.Now()
	if c.hurry.rate > 0 && c.position(now) >= c.hurry.to {
		c.settle(now)
	}
	switch {
	case c.position(now) >= at:
		c.met(at, now)
		return time.Time{}, nil, false
	case c.paused:
		return time.Time{}, c.wake, true
	case c.free():
		c.at = at
		return time.Time{}, nil, false
	}
	rate, to := c.speed, at
	if c.hurry.rate > 0 {
		rate, to = c.hurry.rate, min(at, c.hurry.to)
	}
	// Rounding may put the deadline a nanosecond too early, and then there is nothing to wait for.
	deadline = c.since.Add(scale(between(c.at, to), 1/rate))
	return later(deadline, now.Add(1)), c.wake, true
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// met counts how late a deadline was met.
func (c *Steered) met(at capture.Stamp, now time.Time) {
	if c.paused || c.free() || c.hurry.rate > 0 || at < c.at {
		return
	}
	c.lag.add(now.Sub(c.since.Add(scale(between(c.at, at), 1/c.speed))))
}

// longest bounds a duration, so that a stamp may be added to it.
const longest = 100 * 365 * 24 * time.Hour

// between returns the time from one stamp to another, at most `longest` either way: stamps of
// damaged files may lie further apart than a Duration holds.
func between(from, to capture.Stamp) time.Duration {
	if to < from {
		return -between(to, from)
	}
	return time.Duration(min(uint64(to)-uint64(from), uint64(longest)))
}

// scale multiplies a duration. Speed 1 stays exact.
func scale(d time.Duration, by float64) time.Duration {
	if by == 1 {
		return d
	}
	return time.Duration(min(max(float64(d)*by, -float64(longest)), float64(longest)))
}
