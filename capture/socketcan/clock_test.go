package socketcan

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ridewitness/capture"
	"ridewitness/capture/session"
)

const (
	second = int64(time.Second)
	hour   = int64(time.Hour)
	// wall0 is 2026-03-02T09:14:05Z: 1772442845 by date(1).
	wall0 = 1772442845 * second
)

// at is a reading that many nanoseconds after the start, with the wall clock set on by set and the
// machine asleep for slept until then. The monotonic clock began at 100 s.
func at(elapsed, set, slept int64) reading {
	return reading{
		wall: wall0 + elapsed + set + slept, monotonic: 100*second + elapsed, boot: 100*second + elapsed + slept,
		width: 2000,
	}
}

func TestClockRunsOnThroughChanges(t *testing.T) {
	c := newClock(at(0, 0, 0))
	require.Equal(t, capture.Stamp(wall0), c.now())

	_, any := c.update(at(second, 0, 0))
	require.False(t, any)
	require.Equal(t, capture.Stamp(wall0+second/2), c.stamp(wall0+second/2))

	// Set on by an hour between the seconds 1 and 2.
	happened, any := c.update(at(2*second, hour, 0))
	require.True(t, any)
	require.Equal(t, change{step: hour}, happened)
	require.Equal(t, capture.Stamp(wall0+1200*second/1000), c.stamp(wall0+1200*second/1000), "stamped before it was set")
	require.Equal(t, capture.Stamp(wall0+1800*second/1000), c.stamp(wall0+1800*second/1000+hour), "stamped afterwards")

	// Asleep for ten minutes between the seconds 2 and 3.
	happened, any = c.update(at(3*second, hour, 600*second))
	require.True(t, any)
	require.Equal(t, change{slept: 600 * second}, happened)
	require.Equal(t, capture.Stamp(wall0+2500*second/1000), c.stamp(wall0+2500*second/1000+hour), "before the sleep")
	require.Equal(t, capture.Stamp(wall0+2900*second/1000), c.stamp(wall0+2900*second/1000+hour+600*second), "after it")

	// Asleep for a minute and set back meanwhile.
	happened, any = c.update(at(4*second, 0, 660*second))
	require.True(t, any)
	require.Equal(t, change{step: -hour, slept: 60 * second}, happened)

	_, any = c.update(at(5*second, 0, 660*second))
	require.False(t, any)
	require.Equal(t, capture.Stamp(wall0+5*second), c.now())
}

func TestClockIgnoresNoise(t *testing.T) {
	for name, row := range map[string]struct {
		moved, width int64
		told         bool
	}{
		"half a millisecond":             {noise / 2, 2000, false},
		"one millisecond":                {noise, 0, false},
		"three milliseconds":             {3 * noise, 2000, true},
		"three milliseconds back":        {-3 * noise, 2000, true},
		"less than the clocks are apart": {3 * noise, 4 * noise, false},
	} {
		c := newClock(at(0, 0, 0))
		r := at(second, row.moved, 0)
		r.width = row.width
		_, any := c.update(r)
		require.Equal(t, row.told, any, name)
	}
}

// A stamp that fits neither side of a change is put where it was read, never an hour off.
func TestClockStampThatFitsNowhere(t *testing.T) {
	c := newClock(at(0, 0, 0))
	c.update(at(second, hour, 0))
	require.Equal(t, capture.Stamp(wall0+second), c.stamp(wall0+hour/2))
}

// However often the clock is set and the machine sleeps, a frame's time is the monotonic time of its
// arrival.
func TestClockFollowsMonotonicTime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := newClock(at(0, 0, 0))
		elapsed, set, slept := int64(0), int64(0), int64(0)
		for range rapid.IntRange(1, 20).Draw(t, "readings") {
			arrived := elapsed + rapid.Int64Range(1, second).Draw(t, "wait")
			wall := at(arrived, set, slept).wall
			// Whole hours, so that the old and the new time never both fit; and one change at a time.
			hours := hour * rapid.Int64Range(-2, 2).Draw(t, "hours")
			if rapid.Bool().Draw(t, "asleep") {
				slept += max(hours, -hours)
			} else {
				set += hours
			}
			elapsed = arrived + rapid.Int64Range(1, second).Draw(t, "rest")
			c.update(at(elapsed, set, slept))
			require.Equal(t, capture.Stamp(wall0+arrived), c.stamp(wall))
		}
	})
}

func TestClockRecordText(t *testing.T) {
	c := newClock(at(0, 0, 0))
	r := at(second, hour, 0)
	r.synced = true
	happened, _ := c.update(r)
	e := c.record(happened)
	require.Equal(t, capture.EventJournal, e.Kind)
	require.Equal(t, session.KindClock, e.Name)
	require.Equal(t, capture.Stamp(wall0+second), e.At)
	require.JSONEq(t, `{"kind":"clock","wall":"2026-03-02T10:14:06.000000000Z","monotonic_ns":101000000000,
		"boot_ns":101000000000,"within_ns":2000,"synchronised":true,"step_ns":3600000000000}`, string(e.Body))
	var back ClockRecord
	require.NoError(t, json.Unmarshal(e.Body, &back))
	require.Equal(t, hour, back.StepNS)
}

func TestJournalTellsWhatHasNoText(t *testing.T) {
	e := journal(5, "x", func() {})
	require.Equal(t, capture.EventDamage, e.Kind)
	require.Error(t, e.Err)
}
