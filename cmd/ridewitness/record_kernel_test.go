//go:build linux

package main

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture/session"
	"ridewitness/capture/socketcan/kerneltest"
)

// The command `record` on real links of a kernel.

// HAZARDS H12: what comes from a virtual link says so, in the session, in the lines and in its review.
func TestKernelRecordSaysVirtual(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		ownDoor(t)
		kerneltest.AddLink(t, "vcan0", "vcan")
		file := filepath.Join(t.TempDir(), "virtual.pcapng")
		n := numbersOn(t, "vcan0")
		p := begin(t, append(oneCorner(t), "vcan0", "--output", file)...)
		p.says(1, "origin virtual")
		n.some(t, 50)
		p.says(1, "state WATCHING")
		require.Equal(t, exitDone, p.stop(), p.complained())
		require.Contains(t, p.told(), "recorded: "+file+"\nnext: ridewitness review "+file+"\n")

		k := holds(t, file)
		require.Equal(t, session.Sealed, k.integrity.Verdict, k.integrity.Why)
		require.Equal(t, session.OriginVirtual, k.head.Origin)
		require.Equal(t, []session.LinkRecord{{Bus: "vcan0", Type: "vcan"}}, k.head.Links)
		require.Equal(t, upTo(0, 50), k.numbers["vcan0"])
		out, errs, _ := does(t, "review", file)
		require.Empty(t, errs)
		require.Contains(t, out, "virtual")
	})
}

// HAZARDS H07: a link that goes down, or away and comes back as another one by the same name: the lines say
// so, nothing passes for news meanwhile, and what comes afterwards is recorded.
func TestKernelRecordLinkComesAndGoes(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		ownDoor(t)
		kerneltest.AddLink(t, "vcan0", "vcan")
		file := filepath.Join(t.TempDir(), "links.pcapng")
		n := numbersOn(t, "vcan0")
		p := begin(t, append(oneCorner(t), "vcan0", "--output", file)...)
		p.says(1, "state ")
		n.some(t, 20)
		p.says(1, "state WATCHING")
		p.says(1, "Do not lower: rear-left 0.05 bar, least 1.00.")

		kerneltest.SetDown(t, "vcan0")
		p.says(1, "blind vcan0: the link is down")
		p.says(1, "state ?? BLIND ?? adapter lost")
		p.says(1, "BLIND adapter lost, rear-left hangs empty. Do not lower.")
		require.Error(t, n.one(), "nothing goes over a link that is down")
		marks(t, file, "note", "--note", "taken while nothing is heard")
		kerneltest.SetUp(t, "vcan0")
		p.says(1, "link vcan0 is there again, up")
		n.some(t, 30)
		p.says(2, "state WATCHING")

		kerneltest.RemoveLink(t, "vcan0")
		p.says(1, "blind vcan0: the adapter is gone")
		p.says(2, "state ?? BLIND ?? adapter lost")
		kerneltest.AddLink(t, "vcan0", "vcan")
		p.says(2, "link vcan0 is there again, up")
		n.again(t, "vcan0")
		n.some(t, 40)
		p.says(3, "state WATCHING")
		require.Equal(t, exitDone, p.stop(), p.complained())

		k := holds(t, file)
		require.Equal(t, session.Sealed, k.integrity.Verdict, k.integrity.Why)
		require.Equal(t, upTo(0, 90), k.numbers["vcan0"], "all that was sent while a link was there")
		require.Equal(t, map[string]int64{"vcan0": 0}, k.lost)
		var states []string
		for _, l := range journal[session.LinkRecord](t, file, session.KindLink) {
			states = append(states, l.State)
		}
		require.Equal(t, []string{"up", "down", "up", "gone", "up"}, states)
	})
}
