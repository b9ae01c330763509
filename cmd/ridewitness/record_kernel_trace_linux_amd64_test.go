package main

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"ridewitness/capture/session"
	"ridewitness/capture/socketcan/kerneltest"
)

// traced runs a program under a tracer.
func traced(t *testing.T, p *process) *tracer {
	t.Helper()
	tr := newTracer()
	started := make(chan error, 1)
	var failed error
	go func() {
		defer close(p.ended)
		p.exit, failed = tr.run(p.Cmd, started)
	}()
	require.NoError(t, <-started)
	t.Cleanup(func() { require.NoError(t, failed, "the tracer") })
	p.killAtEnd()
	return tr
}

// The tracer sees every way to send, also by a socket that goes under another number, and takes nothing
// else for one.
func TestKernelTracerSeesWhoSends(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		kerneltest.AddLink(t, "vcan0", "vcan")
		p := newProcess(t, program(t, "sends", "vcan0"))
		tr := traced(t, p)
		require.Equal(t, exitDone, p.status(), p.told())
		require.Equal(t, waysNamed, tr.sends, p.told())
		require.Len(t, ways, len(waysNamed))
		require.Contains(t, tr.families(), uint64(unix.AF_NETLINK), "what went to the kernel is no frame")
	})
}

// HAZARDS H11: a whole recording, with marks, a link that goes down and up and one that comes back, asks the
// kernel at no time to send anything on a bus. Every system call of every thread is looked at.
func TestKernelHazard11RecordSendsNothing(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		ownDoor(t)
		kerneltest.AddLink(t, "vcan0", "vcan")
		kerneltest.AddLink(t, "vcan1", "vcan")
		file := filepath.Join(t.TempDir(), "traced.pcapng")
		n, other := numbersOn(t, "vcan0"), numbersOn(t, "vcan1")
		p := newProcess(t, program(t, "ridewitness", append(append([]string{"record"}, oneCorner(t)...), "vcan0", "vcan1", "--output", file)...))
		tr := traced(t, p)

		p.says(1, "state ")
		n.some(t, 300)
		other.some(t, 300)
		p.says(1, "state WATCHING")
		marks(t, file, "bled", "--corner", "rear-left")
		p.says(1, "mark bled rear-left")
		kerneltest.SetDown(t, "vcan0")
		p.says(1, "blind vcan0: the link is down")
		kerneltest.SetUp(t, "vcan0")
		p.says(1, "link vcan0 is there again")
		n.again(t, "vcan0")
		kerneltest.RemoveLink(t, "vcan1")
		p.says(1, "blind vcan1: the adapter is gone")
		kerneltest.AddLink(t, "vcan1", "vcan")
		p.says(1, "link vcan1 is there again")
		marks(t, file, "going-down")
		p.says(1, "mark going-down")
		n.some(t, 300)
		require.Equal(t, exitDone, p.stop(), p.complained())

		k := holds(t, file)
		require.Equal(t, session.Sealed, k.integrity.Verdict, k.integrity.Why)
		require.Equal(t, upTo(0, 600), k.numbers["vcan0"])
		require.Equal(t, upTo(0, 300), k.numbers["vcan1"])

		require.Empty(t, tr.sends, "it sent on a bus, or could have")
		require.Zero(t, tr.children, "it started another program, or became one")
		require.GreaterOrEqual(t, tr.sockets[unix.AF_CAN], 3, "one for each link, and one for the link that came back")
		require.Equal(t, []uint64{unix.AF_UNIX, unix.AF_NETLINK, unix.AF_CAN}, tr.families(), "door, links, buses")
		require.Equal(t, []string{"bind", "getsockopt", "recvmmsg", "setsockopt"}, tr.asks(), "what is asked of the sockets of the buses")
		require.NotZero(t, tr.asked["recvmmsg"])
	})
}
