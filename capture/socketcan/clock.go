package socketcan

import (
	"encoding/json"
	"time"

	"ridewitness/capture"
	"ridewitness/capture/session"
)

// reading is one look at the clocks, in nanoseconds.
type reading struct {
	wall      int64 // CLOCK_REALTIME
	monotonic int64 // CLOCK_MONOTONIC: stands still while the machine sleeps, is never set
	boot      int64 // CLOCK_BOOTTIME: goes on while the machine sleeps
	width     int64 // by how much wall and monotonic may be apart
	synced    bool  // somebody keeps the wall clock right
}

// offset is constant as long as nobody sets the clock and the machine is awake, even while the clock
// is being slewed: both run at the same rate.
func (r *reading) offset() int64 { return r.wall - r.monotonic }

// slept is how long the machine has slept since it was started.
func (r *reading) slept() int64 { return r.boot - r.monotonic }

// noise is the change of the offset below which nothing happened. Our choice, no source.
const noise = int64(time.Millisecond)

// clock turns the kernel's stamps, which are in wall time, into the time of a recording: the wall
// clock at its start plus the monotonic time elapsed. It never jumps.
type clock struct {
	start  reading
	last   reading
	offset int64

	// Between these two, the offset changed to what it is now from what it was before.
	before   int64
	from, to int64 // monotonic
	changed  bool  // by the last update
}

func newClock(start reading) *clock {
	return &clock{start: start, last: start, offset: start.offset()}
}

// change is what happened to the clocks between two readings.
type change struct {
	step  int64 // by which the wall clock was set
	slept int64
}

// update takes a new reading, and reports what happened since the one before.
func (c *clock) update(r reading) (change, bool) {
	slept := r.slept() - c.last.slept()
	from := c.last.monotonic
	c.last = r
	moved := r.offset() - c.offset
	if c.changed = abs(moved) > noise+r.width; !c.changed {
		return change{}, false
	}
	c.before, c.offset = c.offset, r.offset()
	c.from, c.to = from, r.monotonic
	if slept <= noise {
		slept = 0
	}
	return change{step: moved - slept, slept: slept}, true
}

// stamp returns when a frame came that the kernel stamped with that wall time. A frame that came
// between two readings around a change carries the old time or the new one: it is the one that puts it
// between the readings. The newer one is tried first; where neither does, the frame is put at the end.
func (c *clock) stamp(wall int64) capture.Stamp {
	at := wall - c.offset
	if c.changed && !c.within(at) {
		if at = wall - c.before; !c.within(at) {
			at = c.to
		}
	}
	return c.since(at)
}

// within reports whether a monotonic time lies between the readings, give or take.
func (c *clock) within(at int64) bool { return at >= c.from-noise && at <= c.to+noise }

// now returns the time of the last reading.
func (c *clock) now() capture.Stamp { return c.since(c.last.monotonic) }

func (c *clock) since(monotonic int64) capture.Stamp {
	return capture.Stamp(c.start.wall + monotonic - c.start.monotonic)
}

func abs(n int64) int64 { return max(n, -n) }

// ClockRecord pairs the clocks, and says what happened to them: kind `clock`.
type ClockRecord struct {
	Kind         string `json:"kind"`
	Wall         string `json:"wall"` // RFC 3339
	MonotonicNS  int64  `json:"monotonic_ns"`
	BootNS       int64  `json:"boot_ns"`
	WithinNS     int64  `json:"within_ns"` // how far apart they were read
	Synchronised bool   `json:"synchronised"`
	StepNS       int64  `json:"step_ns,omitempty"`  // by which the wall clock was set since the record before
	SleptNS      int64  `json:"slept_ns,omitempty"` // how long the machine slept since then
}

// record returns the journal record of the last reading.
func (c *clock) record(happened change) capture.Event {
	r := &c.last
	return journal(c.now(), session.KindClock, ClockRecord{
		Kind: session.KindClock, Wall: capture.Stamp(r.wall).String(),
		MonotonicNS: r.monotonic, BootNS: r.boot, WithinNS: r.width, Synchronised: r.synced,
		StepNS: happened.step, SleptNS: happened.slept,
	})
}

// journal makes the event of a journal record. What is given are structs of plain values, which always
// have a text.
func journal(at capture.Stamp, kind string, record any) capture.Event {
	body, err := json.Marshal(record)
	if err != nil {
		return capture.Event{At: at, Kind: capture.EventDamage, Err: err}
	}
	return capture.Event{At: at, Kind: capture.EventJournal, Name: kind, Body: body}
}
