package classroom

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/decode/signaldef"
	"ridewitness/safety/jobcard"
)

// tracked returns a track of samples every 100 ms.
func tracked(values ...float64) *track {
	var t track
	for i, v := range values {
		t.add(point{capture.Stamp(i) * capture.Stamp(finest), v, true})
	}
	t.finish()
	return &t
}

func TestReadingsAge(t *testing.T) {
	k := tracked(1, 2, 3)
	last := capture.Stamp(2 * finest)
	require.Equal(t, reading{value: 3, valid: true, heard: true}, k.read(last))
	require.Equal(t, 2.0, k.read(last-1).value, "nothing of what comes later")
	require.False(t, k.read(-1).heard)
	require.True(t, k.read(last.Add(time.Second)).valid)
	old := k.read(last.Add(1001 * time.Millisecond))
	require.False(t, old.valid, "older than three periods and a second")
	require.Equal(t, "\u2013\u2013", figure(old, "%.2f"), "an old value is not shown as one")
	require.Equal(t, "no pressure for 00:01", missing(old, reading{valid: true}))
	require.Equal(t, "height not heard", missing(reading{valid: true}, reading{}))
	require.Equal(t, "nothing heard", missing(reading{}, reading{}))
	require.Equal(t, "no news for 00:01", missing(old, old))
	require.Equal(t, "\u22120.10", figure(reading{value: -0.1, valid: true}, "%.2f"))
}

// An invalid value is no value, at once, whatever came before.
func TestInvalidIsNoValue(t *testing.T) {
	var k track
	k.add(point{0, 4, true})
	k.add(point{1, 0, false})
	k.finish()
	require.Len(t, k.points, 2, "a change of validity is kept, however close")
	require.False(t, k.read(1).valid)
	require.Equal(t, 4.0, k.greatest[1])
	require.Equal(t, 4.0, k.least[1], "and counts into no extreme")
}

func TestTracksAreBounded(t *testing.T) {
	var k track
	for i := range 3 * maxPoints {
		k.add(point{capture.Stamp(i) * capture.Stamp(finest), float64(i), true})
	}
	require.LessOrEqual(t, len(k.points), maxPoints)
	require.Zero(t, k.points[0].at, "the beginning is kept")
	require.Equal(t, 4*finest, k.every)
	var flicker track
	for i := range 3 * maxPoints {
		flicker.add(point{capture.Stamp(i), 0, i%2 == 0})
	}
	require.LessOrEqual(t, len(flicker.points), maxPoints)
}

// By hand: 0, 1, 2, 3 over 300 ms in a window of 300 ms and a scale of 0 to 3 are four points at
// 0, 60, 120 and 180 of 180 columns.
func TestPaths(t *testing.T) {
	k := tracked(0, 1, 2, 3)
	end := capture.Stamp(3 * finest)
	require.Equal(t, "M0 100.0L333 66.7L666 33.3L1000 0.0", k.path(0, end, 0, 3))
	require.Equal(t, "M0 100.0L500 66.7L1000 33.3", k.path(0, end-1-capture.Stamp(finest)+1, 0, 3), "a window that ends earlier")
	require.Equal(t, "", k.path(end, end, 0, 3))

	var gap track
	for _, p := range []point{{0, 1, true}, {1e8, 1, true}, {2e8, 0, false}, {3e8, 1, true}, {4e8, 1, true}} {
		gap.add(p)
	}
	gap.finish()
	require.Equal(t, "M0 0.0L250 0.0M750 0.0L1000 0.0", gap.path(0, 4e8, 0, 1), "no line where nothing is known")
}

// Columns keep the least and the greatest: a dip of one sample stays to be seen.
func TestPathsKeepExtremes(t *testing.T) {
	values := make([]float64, 3600)
	for i := range values {
		values[i] = 2
	}
	values[1801] = 0
	k := tracked(values...)
	require.Contains(t, k.path(0, capture.Stamp(3600*finest), 0, 2), " 100.0")
}

func TestSilences(t *testing.T) {
	c := Course{silent: []span{{10, 20}, {30, 40}}}
	for at, want := range map[capture.Stamp]capture.Stamp{5: 5, 10: 10, 11: 20, 19: 20, 20: 20, 25: 25, 35: 40, 50: 50} {
		require.Equal(t, want, c.skip(at), "from %d", at)
	}
}

func TestSessionTimes(t *testing.T) {
	for text, want := range map[string]time.Duration{"00:00": 0, "12:30": 750 * time.Second, "1:02:03": 3723 * time.Second,
		"0:05.5": 5500 * time.Millisecond, "100:00:00": 100 * time.Hour} {
		got, err := parseSessionTime(text)
		require.NoError(t, err, text)
		require.Equal(t, want, got, text)
	}
	for _, text := range []string{"", "5", "1:2", "1:02:3", "-1:00", "60:00", "1:60:00", "1:00:60", "1:00,5", " 1:00"} {
		_, err := parseSessionTime(text)
		require.Error(t, err, text)
	}
	require.Equal(t, "59:59", sessionTime(time.Hour-1))
	require.Equal(t, "1:00:00", sessionTime(time.Hour))
	require.Equal(t, "00:00", sessionTime(-time.Second))
}

// The origin comes from the session's own record, and a vehicle's label stays hidden unless it is
// wanted.
func TestOriginAndLabel(t *testing.T) {
	card, err := jobcard.Load("c.yaml", []byte("version: 1\nvehicle: {label: number 12}\n"))
	require.NoError(t, err)
	watch := func(origin string, show bool) *Course {
		source := &capture.Slice{Events: []capture.Event{{Kind: capture.EventJournal, Name: "session", Body: []byte(`{"kind":"session","origin":"` + origin + `"}`)}}}
		c, err := Watch(context.Background(), Input{Source: source, Card: card, ShowLabel: show})
		require.NoError(t, err)
		return c
	}
	require.Equal(t, "unknown", watch("", false).Origin)
	require.Equal(t, "vehicle", watch("vehicle", false).Origin)
	require.Equal(t, "", watch("vehicle", false).Label)
	require.Equal(t, "number 12", watch("vehicle", true).Label)
	require.Equal(t, "number 12", watch("virtual", false).Label)
}

// An absolute pressure is shown as gauge once a barometer was heard, and not before. By hand:
// 4.00 bar absolute less 95 kPa are 3.05 bar gauge.
func TestAbsolutePressuresNeedABarometer(t *testing.T) {
	signals, err := signaldef.Load("s.yaml", []byte(`version: 1
signals:
  - {name: p, corner: rear-left, quantity: pressure, unit: bar, reference: absolute, from: {frame: 0x10, format: standard}, bytes: 0, scale: 0.1, offset: 0}
  - {name: b, quantity: barometric-pressure, unit: kPa, reference: absolute, from: {frame: 0x11, format: standard}, bytes: 0, scale: 1, offset: 0}
`))
	require.NoError(t, err)
	frame := func(at int64, id capture.ID, value byte) capture.Frame {
		return capture.Frame{At: capture.Stamp(at), ID: id, Len: 1, Data: [capture.MaxData]byte{value}}
	}
	source := &capture.Slice{
		Events: []capture.Event{{Kind: capture.EventBus, Name: "can0"}},
		Frames: []capture.Frame{frame(0, 0x10, 40), frame(1e9, 0x11, 95), frame(2e9, 0x10, 40)},
	}
	c, err := Watch(context.Background(), Input{Source: source, Signals: signals})
	require.NoError(t, err)
	require.False(t, c.corners[decode.RearLeft].pressure.read(1e9).heard)
	require.InDelta(t, 3.05, c.corners[decode.RearLeft].pressure.read(2e9).value, 1e-9)
}

// broken is a source that ends with an error.
type broken struct{ error }

func (b broken) Next(context.Context, *capture.Batch) error { return b.error }

func TestABrokenSource(t *testing.T) {
	wrong := errors.New("the disk is gone")
	_, err := Watch(context.Background(), Input{Source: broken{wrong}})
	require.ErrorIs(t, err, wrong)
}
