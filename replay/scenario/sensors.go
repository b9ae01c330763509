package scenario

import "math"

// field is how a value lies on a network: raw = (value - offset) / scale, rounded, from 0 to the
// greatest raw value that means a number; `invalid` is sent when the sensor has none.
type field struct {
	scale, offset float64
	greatest      uint16
	invalid       uint16
}

// raw returns the bit pattern of a value. What does not fit is sent as the nearest that does, as a
// control unit does it.
func (f field) raw(value float64) uint16 {
	n := math.Floor((value-f.offset)/f.scale + 0.5)
	return uint16(min(max(n, 0), float64(f.greatest)))
}

// condition is what is wrong with a sensor.
type condition uint8

const (
	working condition = iota
	dead              // no frame
	frozen            // the frame goes on with the last value
	broken            // the frame goes on and says that there is no value
)

// sensor measures one value: it follows with a lag, adds an offset and noise that hangs together in
// time, and ends in steps.
type sensor struct {
	field
	lag    float64 // s
	offset float64 // of this piece, in the value's unit
	noise  float64 // standard deviation, in the value's unit
	keep   float64 // share of the noise that lives on to the next frame

	followed float64 // the value after the lag
	wander   float64
	random   stream

	condition condition
	shift     float64 // a fault's, in the value's unit
	factor    float64 // a fault's; 1 for none
	last      uint16
}

// follow lets the sensor see a value for one step.
func (s *sensor) follow(value, seconds float64) {
	share := min(seconds/s.lag, 1)
	s.followed += float64((value - s.followed) * share)
}

// read returns what the next frame carries, and whether there is one. Noise is drawn by frame, not
// by time, so that a slower network of the same seed sees the same numbers.
func (s *sensor) read() (raw uint16, sent bool) {
	fresh := math.Sqrt(1-float64(s.keep*s.keep)) * s.noise
	s.wander = float64(s.wander*s.keep) + float64(fresh*s.random.gauss())
	switch s.condition {
	case dead:
		return 0, false
	case frozen:
		return s.last, true
	case broken:
		return s.invalid, true
	}
	measured := s.followed + s.offset + s.wander + s.shift
	s.last = s.raw(float64(measured * s.factor))
	return s.last, true
}
