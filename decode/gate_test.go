package decode

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
)

// sharedSensor is one pressure sensor in a valve block and the valves of two corners: the pressure in
// byte 0 of 0x300, the left valve in 0x301, the right one in 0x302.
func sharedSensor(settled time.Duration, alone bool) []Signal {
	valve := func(name string, id capture.ID) Signal {
		s := pressureAt(name, id, 0)
		s.Scale, s.States = 0, map[uint64]string{0: "closed", 1: "open", 2: "open"}
		return s
	}
	corner := func(name, valve string) Signal {
		s := pressureAt(name, 0x300, 0)
		s.ValidWhile = &ValidWhile{Signal: valve, Equals: "open", Alone: alone, SettledNS: int64(settled)}
		return s
	}
	return []Signal{corner("left", "left_valve"), corner("right", "right_valve"),
		valve("left_valve", 0x301), valve("right_valve", 0x302)}
}

// step is a state of both valves and the pressure that is sent 1 ms after it.
type step struct {
	at          time.Duration
	left, right byte
}

// passed plays steps and returns which corner's values came, by the time of the step.
func passed(t *testing.T, signals []Signal, steps []step) map[time.Duration]string {
	d := decoderOn(t, signals, "can0")
	got := map[time.Duration]string{}
	for _, s := range steps {
		frame := func(id capture.ID, after time.Duration, b byte) capture.Frame {
			return capture.Frame{At: capture.Stamp(s.at + after), ID: id, Len: 1, Data: [capture.MaxData]byte{b}}
		}
		for _, sample := range d.Decode([]capture.Frame{frame(0x301, 0, s.left), frame(0x302, 0, s.right), frame(0x300, time.Millisecond, 50)}, nil) {
			if name := signals[sample.Signal].Name; name == "left" || name == "right" {
				got[s.at] += name
			}
		}
	}
	return got
}

// Hazard H06: a shared sensor gives values of a corner at the right times only. The times were worked
// out by hand.
func TestHazard06SharedSensorSpeaksForOneCorner(t *testing.T) {
	const ms = time.Millisecond
	for _, c := range []struct {
		name    string
		settled time.Duration
		alone   bool
		steps   []step
		want    map[time.Duration]string
	}{
		{"nobody's", 0, true, []step{{0, 0, 0}, {100 * ms, 0, 0}}, map[time.Duration]string{}},
		{"one, then the other", 0, true, []step{{0, 1, 0}, {100 * ms, 0, 0}, {200 * ms, 0, 1}},
			map[time.Duration]string{0: "left", 200 * ms: "right"}},
		{"both open is nobody's", 0, true, []step{{0, 1, 0}, {100 * ms, 1, 1}, {200 * ms, 1, 0}},
			map[time.Duration]string{0: "left", 200 * ms: "left"}},
		{"both open, not asked to be alone", 0, false, []step{{0, 1, 1}}, map[time.Duration]string{0: "leftright"}},
		{"only once settled", 300 * ms, true, []step{{0, 1, 0}, {100 * ms, 1, 0}, {200 * ms, 1, 0}, {300 * ms, 1, 0}, {400 * ms, 1, 0}},
			map[time.Duration]string{300 * ms: "left", 400 * ms: "left"}},
		{"closed in between: settles anew", 200 * ms, true, []step{{0, 1, 0}, {100 * ms, 0, 0}, {200 * ms, 1, 0}, {300 * ms, 1, 0}, {400 * ms, 1, 0}},
			map[time.Duration]string{400 * ms: "left"}},
		{"state that nobody named", 0, true, []step{{0, 1, 7}, {100 * ms, 7, 0}}, map[time.Duration]string{}},
		{"state last heard too long ago: settles anew", 200 * ms, true, []step{{0, 1, 0}, {200 * ms, 1, 0}, {5 * time.Second, 1, 0}, {5*time.Second + 200*ms, 1, 0}},
			map[time.Duration]string{200 * ms: "left", 5*time.Second + 200*ms: "left"}},
		{"time steps back: settles anew", 200 * ms, true, []step{{800 * ms, 1, 0}, {0, 1, 0}, {100 * ms, 1, 0}, {200 * ms, 1, 0}},
			map[time.Duration]string{200 * ms: "left"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			require.Equal(t, c.want, passed(t, sharedSensor(c.settled, c.alone), c.steps))
		})
	}
}

func TestSharedSensorNeedsAFreshState(t *testing.T) {
	signals := sharedSensor(0, true)
	d := decoderOn(t, signals, "can0")
	at := func(at time.Duration, id capture.ID, b byte) []capture.Frame {
		return []capture.Frame{{At: capture.Stamp(at), ID: id, Len: 1, Data: [capture.MaxData]byte{b}}}
	}
	pressure := func(when time.Duration) []string { return told(signals, d.Decode(at(when, 0x300, 50), nil)) }
	require.Empty(t, pressure(0), "no state was heard")
	d.Decode(at(0, 0x301, 1), nil)
	require.Empty(t, pressure(0), "the other corner's state was not heard: it may be open too")
	d.Decode(at(0, 0x302, 0), nil)
	require.Equal(t, []string{"left=50"}, pressure(time.Second))
	require.Empty(t, pressure(time.Second+1), "states older than their rhythm allows say nothing")
}

// TestStateOfTheSamePayloadCounts has the valve in the same frame as the sensor, defined after it.
func TestStateOfTheSamePayloadCounts(t *testing.T) {
	signals := sharedSensor(0, false)[:3:3]
	signals[2].Origin.ID, signals[2].Field = 0x300, Field{From: 1, To: 1, Mask: 0xFF}
	signals = []Signal{signals[0], signals[2]}
	d := decoderOn(t, signals, "can0")
	play := func(payload string) []string {
		return told(signals, d.Decode([]capture.Frame{standard(t, 0x300, payload)}, nil))
	}
	require.Equal(t, []string{"left=50", "left_valve=open"}, play("32 01"))
	require.Equal(t, []string{"left_valve=closed"}, play("32 00"), "closed in the payload that holds the value")
	require.Equal(t, []string{"left=50", "left_valve=open"}, play("32 02"), "both patterns of the word count")
}
