package classroom

import (
	"time"

	"ridewitness/capture"
)

// Speeds that a trainer can choose, in session seconds per second.
var speeds = [...]float64{0.25, 0.5, 1, 2, 4, 8}

const normalSpeed = 2 // index of 1

// clock is session time that a trainer steers. It is worked out from the wall's monotonic time and
// never counted up, so a slow or sleeping reader loses nothing.
type clock struct {
	at      capture.Stamp // at since
	since   time.Time
	speed   int // index into speeds
	playing bool
}

// now returns the session time at a time of the wall.
func (c *clock) now(wall time.Time) capture.Stamp {
	if !c.playing {
		return c.at
	}
	return c.at.Add(time.Duration(float64(wall.Sub(c.since)) * speeds[c.speed]))
}

// set moves the clock and leaves it playing or not.
func (c *clock) set(at capture.Stamp, wall time.Time, playing bool) {
	c.at, c.since, c.playing = at, wall, playing
}

// turn changes the speed by steps, within the list.
func (c *clock) turn(steps int, wall time.Time) {
	c.set(c.now(wall), wall, c.playing)
	c.speed = min(max(c.speed+steps, 0), len(speeds)-1)
}
