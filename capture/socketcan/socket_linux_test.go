package socketcan

import (
	"encoding/binary"
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"ridewitness/capture"
)

// datagrams returns a socket as a bus has it, and one that sends to it. Both go with the test.
func datagrams(t testing.TB, buffer int) (in *socket, out int) {
	t.Helper()
	in, out = pair(t, buffer)
	t.Cleanup(in.close)
	return in, out
}

// pair returns a socket as a bus has it, and one that sends to it: UDP over loopback, which every kernel
// has, with the same stamps and the same counter of drops. The sender goes with the test.
func pair(t testing.TB, buffer int) (in *socket, out int) {
	t.Helper()
	fd, err := unix.Socket(unix.AF_INET, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, 0)
	require.NoError(t, err)
	in, err = listen(fd, buffer)
	require.NoError(t, err)
	require.NoError(t, unix.Bind(fd, &unix.SockaddrInet4{Addr: [4]byte{127, 0, 0, 1}}))
	address, err := unix.Getsockname(fd)
	require.NoError(t, err)
	out, err = unix.Socket(unix.AF_INET, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC, 0)
	require.NoError(t, err)
	t.Cleanup(func() { unix.Close(out) })
	require.NoError(t, unix.Connect(out, address))
	return in, out
}

// record is struct can_frame with an identifier and a number as data.
func record(id uint32, n uint32) []byte {
	b := make([]byte, classicFrameLength)
	binary.NativeEndian.PutUint32(b, id)
	b[4] = 4
	binary.BigEndian.PutUint32(b[8:], n)
	return b
}

func TestFrameOf(t *testing.T) {
	le := func(words ...byte) []byte {
		b := append([]byte(nil), words...)
		id := binary.BigEndian.Uint32(b)
		binary.NativeEndian.PutUint32(b, id)
		return append(b, make([]byte, classicFrameLength-len(b))...)
	}
	for name, row := range map[string]struct {
		record []byte
		want   capture.Frame
	}{
		"standard": {le(0, 0, 0x04, 0xA1, 4, 0, 0, 0, 0, 0x50, 0x1F, 0xFF),
			capture.Frame{ID: 0x4A1, Len: 4, Data: [64]byte{0, 0x50, 0x1F, 0xFF}}},
		"extended": {le(0x98, 0xFE, 0x58, 0x27, 8, 0, 0, 0, 0xD0, 7, 0xD0, 7, 0x88, 0x13, 0, 0xFF),
			capture.Frame{ID: 0x18FE5827, Len: 8, Flags: capture.Extended, Data: [64]byte{0xD0, 7, 0xD0, 7, 0x88, 0x13, 0, 0xFF}}},
		"remote, whose data means nothing": {le(0x40, 0, 1, 0, 4, 0, 0, 0, 1, 2, 3, 4),
			capture.Frame{ID: 0x100, Len: 4, Flags: capture.Remote}},
		"remote, extended": {le(0xC0, 0, 1, 0, 0, 0, 0, 0),
			capture.Frame{ID: 0x100, Flags: capture.Remote | capture.Extended}},
		"length code over 8 means 8": {le(0, 0, 1, 0x23, 9, 0, 0, 9, 1, 2, 3, 4, 5, 6, 7, 8),
			capture.Frame{ID: 0x123, Len: 8, Data: [64]byte{1, 2, 3, 4, 5, 6, 7, 8}}},
		"error: controller and counters": {le(0x20, 0, 2, 4, 8, 0, 0, 0, 0, 8, 0, 0, 0, 0, 0x60, 0),
			capture.Frame{ID: 0x204, Len: 8, Flags: capture.Error, Data: [64]byte{0, 8, 0, 0, 0, 0, 0x60, 0}}},
		"FD with BRS, whatever the kernel says of FDF": {append(le(0, 0, 1, 0x23, 12, 1, 0, 0, 9), make([]byte, fdFrameLength-classicFrameLength)...),
			capture.Frame{ID: 0x123, Len: 12, Flags: capture.FD | capture.BitRateSwitch, Data: [64]byte{9}}},
		"cut off": {[]byte{1, 2, 3}, capture.Frame{}},
	} {
		require.Equal(t, row.want, frameOf(row.record), name)
	}
}

func TestDirection(t *testing.T) {
	require.Equal(t, capture.Inbound, direction(0))
	require.Equal(t, capture.Outbound, direction(unix.MSG_DONTROUTE))
	require.Equal(t, capture.Outbound, direction(unix.MSG_DONTROUTE|unix.MSG_CONFIRM))
}

// Each record comes once, in order, with a stamp between those of sending and of reading.
func TestReceiveInOrderWithStamps(t *testing.T) {
	in, out := datagrams(t, 4<<20)
	c := newClock(readClocks())
	const sent = perCall + 17
	before := capture.StampOf(time.Now())
	for n := range uint32(sent) {
		_, err := unix.Write(out, record(0x100, n))
		require.NoError(t, err)
	}
	after := capture.StampOf(time.Now())
	next := uint32(0)
	for _, want := range []int{perCall, 17, 0} {
		got, err := in.receive(3, c)
		require.NoError(t, err)
		require.Equal(t, want, got)
		for i := range got {
			f := in.frames[i]
			require.Equal(t, next, binary.BigEndian.Uint32(f.Data[:]))
			require.EqualValues(t, 3, f.Bus)
			require.GreaterOrEqual(t, f.At, before.Add(-time.Millisecond))
			require.LessOrEqual(t, f.At, after.Add(time.Millisecond))
			require.Zero(t, in.lost[i])
			next++
		}
	}
}

// What the socket had no room for is counted to the frame, before the frame behind it or at the end.
func TestReceiveCountsWhatTheSocketDropped(t *testing.T) {
	in, out := datagrams(t, 16<<10)
	c := newClock(readClocks())
	next := uint32(0)
	write := func(count int) {
		for range count {
			_, err := unix.Write(out, record(0x100, next))
			require.NoError(t, err)
			next++
		}
	}
	total, got := uint32(0), uint32(0)
	read := func() {
		n, err := in.receive(0, c)
		require.NoError(t, err)
		for i := range n {
			total += in.lost[i]
			require.Equal(t, got+total, binary.BigEndian.Uint32(in.frames[i].Data[:]))
			got++
		}
	}
	write(500)
	read()
	require.Less(t, got, uint32(500))
	require.Zero(t, total, "they fell behind the frames that were read")
	write(1)
	read()
	require.NotZero(t, total)
	require.EqualValues(t, 501, got+total)
	write(500)
	read()
	total += in.drops(in.askDrops())
	require.EqualValues(t, next, got+total)
	require.Zero(t, in.drops(in.askDrops()), "told once")
}

// The counter is of 32 bits and wraps; an older value that comes late is not a loss.
func TestDropsWrap(t *testing.T) {
	s := &socket{dropped: 0xFFFFFFFE}
	require.EqualValues(t, 0, s.drops(0xFFFFFFFE))
	require.EqualValues(t, 4, s.drops(2))
	require.EqualValues(t, 0, s.drops(1))
	require.EqualValues(t, 3, s.drops(5))
}

func TestReceiveReportsAnError(t *testing.T) {
	in, _ := datagrams(t, 1<<20)
	deaf := *in
	deaf.fd = -1
	_, err := deaf.receive(0, newClock(readClocks()))
	require.ErrorIs(t, err, unix.EBADF)
}

// On a kernel without CAN sockets Open says so.
func TestCause(t *testing.T) {
	for err, want := range map[error]error{
		unix.EAFNOSUPPORT:    ErrNoStack,
		unix.EPROTONOSUPPORT: ErrNoStack,
		unix.EPERM:           ErrNotPermitted,
		unix.EACCES:          ErrNotPermitted,
		unix.EMFILE:          unix.EMFILE,
	} {
		require.ErrorIs(t, cause(err), want)
		require.ErrorIs(t, cause(err), err)
	}
}

// Control messages that are cut, foreign or of no length end the reading and keep what was known.
func FuzzReadControl(f *testing.F) {
	in, out := datagrams(f, 1<<20)
	_, err := unix.Write(out, record(1, 2))
	require.NoError(f, err)
	c := newClock(readClocks())
	got, err := in.receive(0, c)
	require.NoError(f, err)
	require.Equal(f, 1, got)
	f.Add(in.controls[:controlLength])
	f.Add(in.controls[:20])
	f.Add([]byte{})
	f.Fuzz(func(_ *testing.T, b []byte) {
		in.readControl(append(make([]byte, 0, len(b)+8), b...), 0, c)
	})
}

// What one waiting frame costs to take in: 4,096 wait, then all are read.
func BenchmarkReceive(b *testing.B) {
	in, out := datagrams(b, 64<<20)
	c := newClock(readClocks())
	const burst = 4096
	frames := 0
	for b.Loop() {
		b.StopTimer()
		for n := range uint32(burst) {
			_, _ = unix.Write(out, record(0x100, n))
		}
		b.StartTimer()
		for {
			got, err := in.receive(0, c)
			if err != nil {
				b.Fatal(err)
			}
			if frames += got; got == 0 {
				break
			}
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(frames), "ns/frame")
	b.ReportAllocs()
}

// TestUnseenLinksAreToldOnce: a kernel that does not tell of its links is no news each second.
func TestUnseenLinksAreToldOnce(t *testing.T) {
	r, err := newReceiver(newQueue(ringFrames), Options{})
	require.NoError(t, err)
	refused := errors.New("the kernel refused")
	told := func(answers ...error) (n int) {
		for _, err := range answers {
			r.links = func() ([]Facts, error) { return nil, err }
			r.look()
		}
		batch := capture.NewBatch()
		require.NoError(t, r.queue.take(batch))
		for _, e := range batch.Events {
			require.ErrorIs(t, e.Err, refused)
			n++
		}
		return n
	}
	require.Equal(t, 1, told(refused, refused, refused))
	require.Equal(t, 2, told(refused, nil, refused, refused, nil, refused), "seen in between")
}
