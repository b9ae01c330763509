//go:build linux

package socketcan_test

import (
	"encoding/binary"
	"net"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"ridewitness/capture"
	"ridewitness/capture/socketcan/kerneltest"
)

// Options of raw CAN sockets (linux/can/raw.h).
const (
	rawErrorFilter = 2
	rawFDFrames    = 5
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

// tap keeps everything that comes over a link until its end frame.
type tap struct {
	frames []capture.Frame
	ended  chan struct{}
}

// newTap begins to listen.
func newTap(t testing.TB, link string) *tap {
	t.Helper()
	socket := rawSocket(t, link)
	p := &tap{ended: make(chan struct{})}
	go func() {
		defer close(p.ended)
		b := make([]byte, fdFrameLength)
		for {
			n, err := unix.Read(socket, b)
			if err != nil {
				return
			}
			f := readFrame(b[:n])
			if f.ID == endID {
				return
			}
			f.Packet = uint64(len(p.frames) + 1)
			p.frames = append(p.frames, f)
		}
	}()
	return p
}

// all returns everything that came before the end frame.
func (p *tap) all() []capture.Frame {
	<-p.ended
	return p.frames
}

func readFrame(b []byte) (f capture.Frame) {
	id := binary.NativeEndian.Uint32(b)
	f.ID = capture.ID(id & unix.CAN_EFF_MASK)
	if id&unix.CAN_EFF_FLAG != 0 {
		f.Flags |= capture.Extended
	}
	f.Len = b[4]
	copy(f.Data[:], b[8:8+f.Len])
	return f
}
