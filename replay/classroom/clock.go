package classroom

import (
	"ridewitness/capture"
	"ridewitness/replay"
)

// Speeds that a trainer can choose, in session seconds per second.
var speeds = [...]float64{0.25, 0.5, 1, 2, 4, 8}

const normalSpeed = 2 // index of 1

// clock is the session's clock with the few things that a trainer does to it.
type clock struct {
	*replay.Steered
	speed int // index into speeds
}

// newClock returns a clock that stands.
func newClock(at capture.Stamp) clock {
	c := clock{replay.NewSteered(at, speeds[normalSpeed]), normalSpeed}
	c.set(at, false) // a steered clock is born running
	return c
}

// set moves the clock and leaves it playing or not.
func (c *clock) set(at capture.Stamp, playing bool) {
	c.Pause()
	c.Jump(at)
	if playing {
		c.Resume()
	}
}

// turn changes the speed by steps, within the list.
func (c *clock) turn(steps int) {
	c.speed = min(max(c.speed+steps, 0), len(speeds)-1)
	c.SetSpeed(speeds[c.speed])
}
