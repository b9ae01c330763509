package link

import (
	"encoding/binary"
	"encoding/hex"
	"errors"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
)

// wire is an outlet that keeps what it is given, and gives the errors it is told to before.
type wire struct {
	records [][]byte
	errs    []error
	always  error
	closed  int
}

func (w *wire) put(b []byte) error {
	if w.always != nil {
		return w.always
	}
	if len(w.errs) > 0 {
		err := w.errs[0]
		w.errs = w.errs[1:]
		return err
	}
	w.records = append(w.records, append([]byte(nil), b...))
	return nil
}

// ids returns the identifiers of what it was given, in order.
func (w *wire) ids() []uint32 {
	var all []uint32
	for _, r := range w.records {
		all = append(all, binary.NativeEndian.Uint32(r))
	}
	return all
}

func (w *wire) close() error { w.closed++; return nil }

// bench is a host whose answers a test may change, with a wire per link.
type bench struct {
	network network
	err     error
	asked   int
	wires   map[int]*wire
}

func (b *bench) ask() (network, error) { b.asked++; return b.network, b.err }

func (b *bench) outlet(index int) (outlet, error) {
	b.wires[index] = &wire{}
	return b.wires[index], nil
}

func newBench() *bench { return &bench{network: here(), wires: map[int]*wire{}} }

func (b *bench) open(t *testing.T, mapping ...Map) *Sender {
	t.Helper()
	s, err := open(mapping, b.ask, b.outlet)
	require.NoError(t, err)
	return s
}

func named(bus capture.BusID, name string, before int) capture.Event {
	return capture.Event{Kind: capture.EventBus, Bus: bus, Name: name, Index: before}
}

// What goes out is what linux/can.h says, written out by hand: identifier in the host's order with the
// flags in its top bits, length, FD flags, two zero bytes, data.
func TestRecords(t *testing.T) {
	data := [capture.MaxData]byte{0x11, 0x22, 0x33, 0x44, 0x55, 0x66, 0x77, 0x88, 0x99}
	for _, c := range []struct {
		name  string
		frame capture.Frame
		id    uint32
		rest  string
		size  int
	}{
		{"classic", capture.Frame{ID: 0x123, Len: 3, Data: data}, 0x123, "03000000112233", 16},
		{"empty", capture.Frame{ID: 0x7FF, Data: data}, 0x7FF, "00000000", 16},
		{"extended", capture.Frame{ID: 0x18FEF100, Len: 8, Flags: capture.Extended | capture.Inbound, Data: data}, 0x98FEF100, "080000001122334455667788", 16},
		{"remote", capture.Frame{ID: 0x12, Len: 4, Flags: capture.Remote, Data: data}, 0x40000012, "04000000", 16},
		{"FD", capture.Frame{ID: 0x12, Len: 9, Flags: capture.FD, Data: data}, 0x12, "09040000112233445566778899", 72},
		{"FD, fast, passive", capture.Frame{ID: 0x12, Len: 1, Flags: capture.FD | capture.BitRateSwitch | capture.ErrorState, Data: data}, 0x12, "0107000011", 72},
		{"a length that can't be", capture.Frame{ID: 0x12, Len: 200, Data: data}, 0x12, "080000001122334455667788", 16},
	} {
		t.Run(c.name, func(t *testing.T) {
			rest, err := hex.DecodeString(c.rest)
			require.NoError(t, err)
			want := append(u32(c.id), rest...)
			want = append(want, make([]byte, c.size-len(want))...)
			dirty := [fdLength]byte{40: 0xFF}
			require.Equal(t, want, record(&c.frame, &dirty))
		})
	}
}

func TestSendKeepsOrderAndCounts(t *testing.T) {
	b := newBench()
	s := b.open(t, Map{"can0", "vcan0"}, Map{"can1", "left"})
	batch := &capture.Batch{
		Frames: []capture.Frame{
			{ID: 1, Bus: 0}, {ID: 2, Bus: 1}, {ID: 3, Bus: 2}, {ID: 4, Bus: 0}, {ID: 5, Bus: 9},
			{ID: 6, Bus: 0, Flags: capture.Error}, {ID: 7, Bus: 1, Flags: capture.Cut}, {ID: 8, Bus: 200}, {ID: 9, Bus: 0},
		},
		// Bus 0 is another one from the last frame on, as in a second section of a file.
		Events: []capture.Event{named(0, "can0", 0), named(1, "can1", 0), named(2, "can2", 1), named(200, "can0", 2), named(0, "can1", 8)},
	}
	require.NoError(t, s.Send(batch))
	require.Equal(t, Counts{Unmapped: 3, Links: []Count{
		{Map: Map{"can0", "vcan0"}, Kind: "vcan", Sent: 2, Errors: 1},
		{Map: Map{"can1", "left"}, Kind: "vxcan", Sent: 2, Cut: 1},
	}}, s.Counts())
	require.Equal(t, []uint32{1, 4}, b.wires[4].ids())
	require.Equal(t, []uint32{2, 9}, b.wires[10].ids())
	require.NoError(t, s.Close())
	require.Equal(t, 1, b.wires[4].closed)
	require.Equal(t, 1, b.wires[10].closed)
}

// What is skipped before the beginning still names the buses.
func TestPassSendsNothing(t *testing.T) {
	b := newBench()
	s := b.open(t, Map{"can0", "vcan0"})
	require.NoError(t, s.Pass(&capture.Batch{Frames: []capture.Frame{{ID: 1}}, Events: []capture.Event{named(0, "can0", 0)}}))
	require.Empty(t, b.wires[4].records)
	require.NoError(t, s.Send(&capture.Batch{Frames: []capture.Frame{{ID: 2}}}))
	require.Len(t, b.wires[4].records, 1)
}

func one(id capture.ID, flags capture.Flags) *capture.Batch {
	return &capture.Batch{Frames: []capture.Frame{{ID: id, Flags: flags}}, Events: []capture.Event{named(0, "can0", 0)}}
}

func TestFullQueues(t *testing.T) {
	b := newBench()
	s := b.open(t, Map{"can0", "vcan0"})
	w := b.wires[4]
	w.errs = []error{syscall.ENOBUFS, syscall.EINTR, syscall.EAGAIN}
	require.NoError(t, s.Send(one(1, 0)))
	require.Equal(t, uint64(1), s.Counts().Links[0].Sent, "room came in time")

	w.always = syscall.ENOBUFS
	require.NoError(t, s.Send(one(2, 0)))
	w.always = nil
	require.NoError(t, s.Send(one(3, 0)))
	require.Equal(t, Count{Map: Map{"can0", "vcan0"}, Kind: "vcan", Sent: 2, Refused: 1}, s.Counts().Links[0])

	w.always = syscall.ENETDOWN
	err := s.Send(one(4, 0))
	require.ErrorIs(t, err, syscall.ENETDOWN)
	require.ErrorContains(t, err, "vcan0: ")
}

func TestFDNeedsALinkThatCarriesIt(t *testing.T) {
	b := newBench()
	b.network.devices[3].mtu = 16
	s := b.open(t, Map{"can0", "vcan0"}, Map{"can1", "left"})
	require.False(t, s.CarriesFD("can0"))
	require.True(t, s.CarriesFD("can1"))
	require.True(t, s.CarriesFD("can2"), "it goes nowhere")
	require.NoError(t, s.Send(one(1, 0)))
	err := s.Send(one(2, capture.FD))
	require.ErrorIs(t, err, ErrNoFD)
	require.Len(t, b.wires[4].records, 1)
	var refused *RefusedError
	require.ErrorAs(t, err, &refused)
	require.Equal(t, "let it carry them with: ip link set vcan0 down; ip link set vcan0 mtu 72; ip link set vcan0 up", refused.Hint())
}

// The kernel is asked again once its answer is a second old, and before that frame goes.
func TestHazard11AskedAnewWhilePlaying(t *testing.T) {
	gone := errors.New("no answer")
	for _, c := range []struct {
		name   string
		change func(*bench)
		want   error
	}{
		{"a rule appears", func(b *bench) { b.network.rules = []rule{{4, 2}} }, ErrForwarded},
		{"it goes down", func(b *bench) { b.network.devices[3].up = false }, ErrDown},
		{"it is removed", func(b *bench) { b.network.devices[3].name = "other" }, ErrNoLink},
		{"another takes its name", func(b *bench) { b.network.devices[3].index = 40 }, ErrNoLink},
		{"an adapter takes its name", func(b *bench) { b.network.devices[3].kind = "can" }, ErrNotVirtual},
		{"the kernel does not answer", func(b *bench) { b.err = gone }, gone},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := newBench()
			s := b.open(t, Map{"can0", "vcan0"})
			require.Equal(t, 2, b.asked, "once to find the link, once when the socket was bound")
			require.NoError(t, s.Send(one(1, 0)))
			require.Equal(t, 2, b.asked)
			c.change(b)
			s.asked = s.asked.Add(-time.Second)
			require.ErrorIs(t, s.Send(one(2, 0)), c.want)
			require.ErrorIs(t, s.Check(), c.want)
			require.Len(t, b.wires[4].records, 1, "the frame stays here")
		})
	}
}

func TestOpenRefuses(t *testing.T) {
	b := newBench()
	_, err := open([]Map{{"can0", "vcan0"}, {"can1", "can0"}}, b.ask, b.outlet)
	require.ErrorIs(t, err, ErrNotVirtual)
	require.ErrorContains(t, err, "can0: not a virtual CAN link")
	require.Equal(t, 1, b.wires[4].closed, "the first one is closed again")

	b.err = errors.New("not permitted")
	_, err = open([]Map{{"can0", "vcan0"}}, b.ask, b.outlet)
	require.EqualError(t, err, "not permitted")

	// A rule that comes between the first look and the bound socket.
	late := newBench()
	_, err = open([]Map{{"can0", "vcan0"}}, func() (network, error) {
		n, err := late.ask()
		if late.asked > 1 {
			n.rules = []rule{{4, 2}}
		}
		return n, err
	}, late.outlet)
	require.ErrorIs(t, err, ErrForwarded)
	require.Equal(t, 1, late.wires[4].closed)
}
