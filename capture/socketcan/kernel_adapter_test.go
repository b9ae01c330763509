//go:build linux

package socketcan_test

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/capture/socketcan"
	"ridewitness/capture/socketcan/kerneltest"
	"ridewitness/replay/terminal/ptytest"
)

// lineDiscipline makes the kernel take a serial line for a CAN adapter (N_SLCAN of linux/tty.h).
const lineDiscipline = 17

// plug makes an adapter of kind `can` out of one end of a pseudo terminal, and returns its name and
// how to pull it. At the other end somebody takes what the driver writes; nothing ever answers.
func plug(t *testing.T) (name string, pull func()) {
	t.Helper()
	before := adapters(t)
	far, near := ptytest.Pair(t)
	raw, err := unix.IoctlGetTermios(int(near.Fd()), unix.TCGETS)
	require.NoError(t, err)
	raw.Lflag, raw.Oflag, raw.Iflag = 0, 0, 0
	require.NoError(t, unix.IoctlSetTermios(int(near.Fd()), unix.TCSETS, raw))
	require.NoError(t, unix.IoctlSetPointerInt(int(near.Fd()), unix.TIOCSETD, lineDiscipline))

	taken := make(chan struct{})
	go func() {
		defer close(taken)
		b := make([]byte, 64)
		for {
			if _, err := far.Read(b); err != nil {
				return
			}
		}
	}()
	pulled := false
	pull = func() {
		if pulled {
			return
		}
		pulled = true
		require.NoError(t, near.Close())
		<-taken
		require.NoError(t, far.Close())
	}
	t.Cleanup(pull)
	for name := range adapters(t) {
		if !before[name] {
			return name, pull
		}
	}
	require.Fail(t, "the kernel made no adapter")
	return "", nil
}

// adapters returns the names of the links of kind `can`.
func adapters(t *testing.T) map[string]bool {
	t.Helper()
	all, err := socketcan.Links()
	require.NoError(t, err)
	names := make(map[string]bool)
	for _, f := range all {
		if f.Kind == socketcan.KindAdapter {
			names[f.Name] = true
		}
	}
	return names
}

func TestKernelMachineAdapterMustBeListenOnly(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		name, _ := plug(t)
		_, err := socketcan.Open([]string{name}, socketcan.Options{})
		require.ErrorIs(t, err, socketcan.ErrDown)

		kerneltest.SetController(t, name, 500000, false)
		kerneltest.SetUp(t, name)
		_, err = socketcan.Open([]string{name}, socketcan.Options{})
		require.ErrorIs(t, err, socketcan.ErrNotSilent)
		source := open(t, socketcan.Options{NotSilent: true}, name)
		require.Equal(t, socketcan.ModeActive, source.Buses()[0].Facts.Mode)
		require.NoError(t, source.Close())

		kerneltest.SetDown(t, name)
		kerneltest.SetController(t, name, 250000, true)
		kerneltest.SetUp(t, name)
		source = open(t, socketcan.Options{}, name)
		facts := source.Buses()[0].Facts
		require.Equal(t, socketcan.Facts{
			Name: name, Index: linkIndex(t, name), Kind: socketcan.KindAdapter, CAN: true, Up: true, MTU: 16,
			Mode: socketcan.ModeListenOnly, State: socketcan.StateErrorActive, BitRate: 250000,
		}, facts)
	})
}

// An adapter is pulled and another one is put in under its name: both are told, and what the new one
// is set to.
func TestKernelMachineAdapterIsReplaced(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		name, pull := plug(t)
		kerneltest.SetController(t, name, 500000, true)
		kerneltest.SetUp(t, name)
		source := open(t, socketcan.Options{}, name)
		var r recording
		pull()
		r.until(t, source, func() bool { return len(r.links(t)) == 2 })

		again, _ := plug(t)
		require.Equal(t, name, again)
		kerneltest.SetController(t, name, 250000, false)
		kerneltest.SetUp(t, name)
		r.until(t, source, func() bool { return len(r.links(t)) == 3 })
		silent, active := true, false
		require.Equal(t, []session.LinkRecord{
			{Kind: "link", Bus: name, Type: "can", Bitrate: 500000, ListenOnly: &silent, State: "error-active"},
			{Kind: "link", Bus: name, Type: "can", Bitrate: 500000, ListenOnly: &silent, State: "gone"},
			{Kind: "link", Bus: name, Type: "can", Bitrate: 250000, ListenOnly: &active, State: "error-active"},
		}, r.links(t))
	})
}

// Recording puts nothing on the bus: the link's own count of what was sent stays 0.
func TestKernelRecordingSendsNothing(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		kerneltest.AddPair(t, "near", "far")
		source := open(t, socketcan.Options{}, "near")
		far := rawSocket(t, "far")
		for n := range byte(100) {
			send(t, far, classicFrame(0x6D4, 3, 0x22, 0x2B, n))
		}
		var r recording
		r.until(t, source, func() bool { return len(r.frames) == 100 })
		r.rest(t, source)
		for _, f := range r.frames {
			require.True(t, f.Flags.Has(capture.Inbound))
		}
		require.Equal(t, "0", sentBy(t, "near"))
		require.Equal(t, "100", sentBy(t, "far"))
	})
}

// sentBy returns how many frames a link has sent: the tenth number of its line in /proc/net/dev, which
// unlike /sys shows this network's links.
func sentBy(t *testing.T, link string) string {
	t.Helper()
	b, err := os.ReadFile("/proc/thread-self/net/dev")
	require.NoError(t, err)
	for line := range strings.Lines(string(b)) {
		if name, numbers, ok := strings.Cut(strings.TrimSpace(line), ":"); ok && name == link {
			return strings.Fields(numbers)[9]
		}
	}
	require.Fail(t, "no such link", link)
	return ""
}
