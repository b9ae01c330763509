//go:build linux

package main

import (
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/capture/socketcan/kerneltest"
)

// setClock sets the wall clock of the machine.
func setClock(t *testing.T, to time.Time) {
	t.Helper()
	at := unix.NsecToTimespec(to.UnixNano())
	require.NoError(t, unix.ClockSettime(unix.CLOCK_REALTIME, &at))
}

// The clock of the machine is set forward by an hour and back again while it records: stamps go on as if
// nothing had happened, the lines say what did, and a mark set then lies among the frames of its time.
func TestKernelMachineHazard13ClockIsSet(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		ownDoor(t)
		kerneltest.AddLink(t, "vcan0", "vcan")
		file := filepath.Join(t.TempDir(), "clock.pcapng")
		n := numbersOn(t, "vcan0")
		p := begin(t, append(oneCorner(t), "vcan0", "--output", file)...)
		p.says(1, "state ")
		defer n.every(5 * time.Millisecond)()
		p.says(1, "state WATCHING")

		setClock(t, time.Now().Add(time.Hour))
		p.says(1, "clock the clock of this computer was set by 1h0m0s; times here go on as before")
		marks(t, file, "note", "--note", "while it is an hour ahead")
		p.says(1, "mark note while it is an hour ahead")
		setClock(t, time.Now().Add(-time.Hour))
		p.says(1, "clock the clock of this computer was set by -1h0m0s; times here go on as before")
		before := n.count()
		p.until("more frames", func() bool { return n.count() > before+100 })
		require.Equal(t, exitDone, p.stop(), p.complained())
		require.NotContains(t, p.told(), "behind", "nothing is late because a clock was set")

		k := holds(t, file)
		require.Equal(t, session.Sealed, k.integrity.Verdict, k.integrity.Why)
		require.Greater(t, len(k.stamps), before+100)
		require.Equal(t, upTo(0, len(k.stamps)), k.numbers["vcan0"])
		for i, at := range k.stamps[1:] {
			between := at.Sub(k.stamps[i])
			require.Positive(t, between, "frame %d", i+1)
			require.Less(t, between, 10*time.Second, "frame %d: nowhere near an hour", i+1)
		}
		first, last := k.stamps[0], k.stamps[len(k.stamps)-1]
		require.Equal(t, 1, eventsBetween(t, file, session.KindMark, first, last), "the mark has the time of the frames around it")
	})
}

// eventsBetween counts the journal records of a kind that lie between two times.
func eventsBetween(t *testing.T, file, kind string, from, to capture.Stamp) int {
	t.Helper()
	count := 0
	walk(t, file, func(*capture.Frame) {}, func(e *capture.Event) {
		if e.Kind == capture.EventJournal && e.Name == kind && e.At > from && e.At < to {
			count++
		}
	})
	return count
}
