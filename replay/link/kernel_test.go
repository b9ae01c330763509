//go:build linux

package link_test

import (
	"encoding/binary"
	"net"
	"runtime"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"ridewitness/capture"
	"ridewitness/capture/socketcan/kerneltest"
	"ridewitness/replay"
	"ridewitness/replay/link"
)

// receiver is a raw socket on a link that hears classic and FD frames.
func receiver(t *testing.T, name string) int {
	t.Helper()
	found, err := net.InterfaceByName(name)
	require.NoError(t, err)
	fd, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_CLOEXEC, unix.CAN_RAW)
	require.NoError(t, err)
	t.Cleanup(func() { unix.Close(fd) })
	const fdFrames = 5 // CAN_RAW_FD_FRAMES of linux/can/raw.h
	require.NoError(t, unix.SetsockoptInt(fd, unix.SOL_CAN_RAW, fdFrames, 1))
	require.NoError(t, unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_RCVBUFFORCE, 64<<20))
	require.NoError(t, unix.Bind(fd, &unix.SockaddrCAN{Ifindex: found.Index}))
	return fd
}

// received returns what waits in a socket, read after linux/can.h, without the stamps.
func received(t *testing.T, fd int) []capture.Frame {
	t.Helper()
	var all []capture.Frame
	b := make([]byte, kerneltest.FDMTU)
	for {
		n, _, err := unix.Recvfrom(fd, b, unix.MSG_DONTWAIT)
		if err == unix.EAGAIN {
			return all
		}
		require.NoError(t, err)
		id := binary.NativeEndian.Uint32(b)
		f := capture.Frame{ID: capture.ID(id & unix.CAN_EFF_MASK), Len: b[4]}
		for _, flag := range []struct {
			set  bool
			flag capture.Flags
		}{
			{id&unix.CAN_EFF_FLAG != 0, capture.Extended},
			{id&unix.CAN_RTR_FLAG != 0, capture.Remote},
			{id&unix.CAN_ERR_FLAG != 0, capture.Error},
			{n == kerneltest.FDMTU, capture.FD},
			{n == kerneltest.FDMTU && b[5]&1 != 0, capture.BitRateSwitch},
			{n == kerneltest.FDMTU && b[5]&2 != 0, capture.ErrorState},
		} {
			if flag.set {
				f.Flags |= flag.flag
			}
		}
		if !f.Flags.Has(capture.Remote) {
			copy(f.Data[:f.Len], b[8:n])
		}
		all = append(all, f)
	}
}

// drive is a session of two seconds with every sort of frame, one each five milliseconds.
func drive() *capture.Slice {
	s := &capture.Slice{Events: []capture.Event{{Kind: capture.EventBus, Name: "can0"}, {Kind: capture.EventBus, Bus: 1, Name: "can1"}}}
	for i := range 400 {
		f := capture.Frame{At: capture.Stamp(i+1) * 5e6, ID: capture.ID(i % 0x700), Len: uint8(i % 9)}
		switch i % 10 {
		case 1:
			f.ID, f.Flags = capture.ID(0x18FEF100+i), capture.Extended
		case 2:
			f.Flags = capture.Remote
		case 3:
			f.Flags, f.Len = capture.FD|capture.BitRateSwitch, 64
		case 4:
			f.Flags, f.Len = capture.FD|capture.ErrorState, 12
		case 5:
			f.Flags, f.Len = capture.Error, 8
		case 6:
			f.Bus = 1
		}
		if !f.Flags.Has(capture.Remote) {
			for j := range f.Len {
				f.Data[j] = byte(i) + j
			}
		}
		s.Frames = append(s.Frames, f)
	}
	return s
}

// wanted is what of it comes out at the other end.
func wanted(frames []capture.Frame) []capture.Frame {
	var all []capture.Frame
	for _, f := range frames {
		if f.Bus == 0 && !f.Flags.Has(capture.Error) {
			f.At = 0
			all = append(all, f)
		}
	}
	return all
}

func play(t *testing.T, s *link.Sender, session *capture.Slice) replay.Lateness {
	t.Helper()
	clock := replay.NewFineSteered(0, 1)
	defer replay.Keen()()
	p := replay.Player{Source: session, Clock: clock, Take: s.Send, Skip: s.Pass, Each: true}
	require.NoError(t, p.Run(t.Context()))
	return clock.Lateness()
}

func open(t *testing.T, to string) *link.Sender {
	t.Helper()
	s, err := link.Open([]link.Map{{From: "can0", To: to}})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	return s
}

// What a session holds is heard on the link: the same frames in the same order.
func TestKernelSessionOntoVirtualLink(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		kerneltest.AddLink(t, "vcan9", "vcan")
		hears := receiver(t, "vcan9")
		session := drive()
		s := open(t, "vcan9")
		late := play(t, s, session)
		require.Equal(t, wanted(session.Frames), received(t, hears))
		require.Equal(t, link.Counts{Unmapped: 40, Links: []link.Count{
			{Map: link.Map{From: "can0", To: "vcan9"}, Kind: "vcan", Sent: 320, Errors: 40},
		}}, s.Counts())
		t.Log(late)
	})
}

func TestKernelSessionOntoPair(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		kerneltest.AddPair(t, "vxcan0", "vxcan1")
		hears := receiver(t, "vxcan1")
		session := &capture.Slice{Events: drive().Events}
		for _, f := range drive().Frames[:50] {
			if !f.Flags.Has(capture.FD) {
				session.Frames = append(session.Frames, f)
			}
		}
		play(t, open(t, "vxcan0"), session)
		require.Equal(t, wanted(session.Frames), received(t, hears))
	})
}

func refused(t *testing.T, to string, want error) {
	t.Helper()
	_, err := link.Open([]link.Map{{From: "can0", To: to}})
	require.ErrorIs(t, err, want)
	require.ErrorContains(t, err, to+": ")
}

// HAZARDS H11, on a kernel.
func TestKernelHazard11Refused(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		kerneltest.AddLink(t, "vcan7", "dummy")
		refused(t, "vcan7", link.ErrNotVirtual)
		refused(t, "lo", link.ErrNotVirtual)
		refused(t, "vcan8", link.ErrNoLink)

		kerneltest.AddLink(t, "vcan0", "vcan")
		kerneltest.SetDown(t, "vcan0")
		refused(t, "vcan0", link.ErrDown)
		kerneltest.SetUp(t, "vcan0")
		kerneltest.AddLink(t, "vcan1", "vcan")
		kerneltest.AddLink(t, "vcan2", "vcan")
		kerneltest.AddGateway(t, "vcan0", "vcan1", 0)
		refused(t, "vcan0", link.ErrForwarded)
		refused(t, "vcan1", link.ErrForwarded)
		open(t, "vcan2")

		kerneltest.AddPair(t, "vxcan0", "vxcan1")
		open(t, "vxcan0")
		kerneltest.SetDown(t, "vxcan1")
		refused(t, "vxcan0", link.ErrPeerDown)
		kerneltest.SetUp(t, "vxcan1")
		kerneltest.AddGateway(t, "vxcan1", "vcan1", 0)
		refused(t, "vxcan0", link.ErrForwarded)
	})
}

// What a link in another namespace is forwarded to can't be seen from here.
func TestKernelHazard11PeerElsewhere(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		kerneltest.AddPair(t, "vxcan0", "vxcan1")
		open(t, "vxcan0")
		moveAway(t, "vxcan1")
		refused(t, "vxcan0", link.ErrPeerHidden)
	})
}

// moveAway puts a link into a network namespace of its own, which lasts as long as the test.
func moveAway(t *testing.T, name string) {
	t.Helper()
	there, stay := make(chan int), make(chan struct{})
	t.Cleanup(func() { close(stay) })
	go func() {
		// The thread is locked and thrown away with its namespace.
		runtime.LockOSThread()
		if unix.Unshare(unix.CLONE_NEWNET) != nil {
			there <- 0
			return
		}
		there <- unix.Gettid()
		<-stay
	}()
	thread := <-there
	require.NotZero(t, thread)
	link, err := net.InterfaceByName(name)
	require.NoError(t, err)
	socket, err := unix.Socket(unix.AF_NETLINK, unix.SOCK_RAW|unix.SOCK_CLOEXEC, unix.NETLINK_ROUTE)
	require.NoError(t, err)
	defer unix.Close(socket)
	m := make([]byte, 40) // struct nlmsghdr, struct ifinfomsg, IFLA_NET_NS_PID
	binary.NativeEndian.PutUint32(m, 40)
	binary.NativeEndian.PutUint16(m[4:], unix.RTM_NEWLINK)
	binary.NativeEndian.PutUint16(m[6:], unix.NLM_F_REQUEST|unix.NLM_F_ACK)
	binary.NativeEndian.PutUint32(m[20:], uint32(link.Index))
	binary.NativeEndian.PutUint16(m[32:], 8)
	binary.NativeEndian.PutUint16(m[34:], unix.IFLA_NET_NS_PID)
	binary.NativeEndian.PutUint32(m[36:], uint32(thread))
	require.NoError(t, unix.Sendto(socket, m, 0, &unix.SockaddrNetlink{Family: unix.AF_NETLINK}))
	answer := make([]byte, 256)
	_, _, err = unix.Recvfrom(socket, answer, 0)
	require.NoError(t, err)
	require.Zero(t, binary.NativeEndian.Uint32(answer[unix.SizeofNlMsghdr:]), "what the kernel said to it")
}

// A rule that comes while a session plays ends it.
func TestKernelHazard11RuleAppears(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		kerneltest.AddLink(t, "vcan3", "vcan")
		kerneltest.AddLink(t, "vcan4", "vcan")
		s := open(t, "vcan3")
		session := drive()
		clock := replay.NewFineSteered(0, 1)
		sent := 0
		p := replay.Player{Source: session, Clock: clock, Each: true, Take: func(b *capture.Batch) error {
			if sent++; sent == 20 {
				kerneltest.AddGateway(t, "vcan3", "vcan4", 0)
			}
			return s.Send(b)
		}}
		require.ErrorIs(t, p.Run(t.Context()), link.ErrForwarded)
		require.Less(t, s.Counts().Links[0].Sent, uint64(320))
		require.ErrorIs(t, s.Check(), link.ErrForwarded)
	})
}

func TestKernelFDNeedsAnFDLink(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		kerneltest.AddLink(t, "vcan5", "vcan")
		kerneltest.SetDown(t, "vcan5")
		kerneltest.SetMTU(t, "vcan5", kerneltest.ClassicMTU)
		kerneltest.SetUp(t, "vcan5")
		s := open(t, "vcan5")
		require.False(t, s.CarriesFD("can0"))
		err := s.Send(&capture.Batch{Events: drive().Events[:1], Frames: []capture.Frame{{ID: 1, Flags: capture.FD}}})
		require.ErrorIs(t, err, link.ErrNoFD)
	})
}
