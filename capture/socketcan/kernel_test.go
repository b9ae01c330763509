//go:build linux

package socketcan_test

import (
	"context"
	"encoding/binary"
	"net"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"ridewitness/capture"
	"ridewitness/capture/socketcan"
	"ridewitness/capture/socketcan/kerneltest"
)

// Options of raw CAN sockets (linux/can/raw.h).
const (
	rawFDFrames = 5
)

// endID is the identifier of the frame that ends a test: no transfer uses it.
const endID = 0x7FF

// fdFrameLength is the length of struct canfd_frame.
const fdFrameLength = kerneltest.FDMTU

// rawSocket opens a plain socket on a link, for the tests' own needs: large enough to lose nothing,
// and deaf to what it sends itself.
func rawSocket(t testing.TB, link string) int {
	t.Helper()
	socket, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_CLOEXEC, unix.CAN_RAW)
	require.NoError(t, err)
	t.Cleanup(func() { unix.Close(socket) })
	require.NoError(t, unix.SetsockoptInt(socket, unix.SOL_CAN_RAW, rawFDFrames, 1))
	require.NoError(t, unix.SetsockoptInt(socket, unix.SOL_SOCKET, unix.SO_RCVBUFFORCE, 128<<20))
	require.NoError(t, unix.Bind(socket, &unix.SockaddrCAN{Ifindex: linkIndex(t, link)}))
	return socket
}

func linkIndex(t testing.TB, name string) int {
	t.Helper()
	link, err := net.InterfaceByName(name)
	require.NoError(t, err)
	return link.Index
}

// classicFrame is struct can_frame of linux/can.h.
func classicFrame(id uint32, data ...byte) []byte {
	b := make([]byte, kerneltest.ClassicMTU)
	binary.NativeEndian.PutUint32(b, id)
	b[4] = byte(len(data))
	copy(b[8:], data)
	return b
}

// fdFrame is struct canfd_frame of linux/can.h.
func fdFrame(id uint32, flags byte, data ...byte) []byte {
	b := make([]byte, fdFrameLength)
	binary.NativeEndian.PutUint32(b, id)
	b[4], b[5] = byte(len(data)), flags
	copy(b[8:], data)
	return b
}

// send puts frames on a link.
func send(t testing.TB, socket int, frames ...[]byte) {
	t.Helper()
	for _, f := range frames {
		n, err := unix.Write(socket, f)
		require.NoError(t, err)
		require.Equal(t, len(f), n)
	}
}

// tap keeps everything that a Source yields over a link until its end frame.
type tap struct {
	frames []capture.Frame
	events []capture.Event
	err    error
	ended  chan struct{}
}

// tapBuffer holds all frames of any test here: at full speed the kernel's transfers leave a single
// processor little time for whoever listens.
const tapBuffer = 128 << 20

// newTap begins to listen.
func newTap(t testing.TB, link string) *tap {
	t.Helper()
	source, err := socketcan.Open([]string{link}, socketcan.Options{Buffer: tapBuffer})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, source.Close()) })
	p := &tap{ended: make(chan struct{})}
	go func() {
		defer close(p.ended)
		b := capture.NewBatch()
		for {
			if p.err = source.Next(context.Background(), b); p.err != nil || p.take(b) {
				return
			}
		}
	}()
	return p
}

// take keeps a batch, and reports whether its last frame was the end.
func (p *tap) take(b *capture.Batch) (last bool) {
	p.events = append(p.events, b.Events...)
	for _, f := range b.Frames {
		if f.ID == endID {
			return true
		}
		f.Packet = uint64(len(p.frames) + 1)
		p.frames = append(p.frames, f)
	}
	return false
}

// all returns the frames that came before the end frame, of which none must be lost.
func (p *tap) all(t testing.TB) []capture.Frame {
	t.Helper()
	<-p.ended
	require.NoError(t, p.err)
	for _, e := range p.events {
		require.NotEqual(t, capture.EventLoss, e.Kind, "%d frames lost", e.Count)
	}
	return p.frames
}
