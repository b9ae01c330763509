//go:build linux

package socketcan_test

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"io"
	"net"
	"os"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/capture/socketcan"
	"ridewitness/capture/socketcan/kerneltest"
	"ridewitness/capture/sourcetest"
)

// open opens buses for a test.
func open(t *testing.T, o socketcan.Options, links ...string) *socketcan.Source {
	t.Helper()
	source, err := socketcan.Open(links, o)
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, source.Close()) })
	return source
}

// recording is everything that a source yielded. Events have their place among all frames.
type recording struct {
	frames []capture.Frame
	events []capture.Event
}

// more reads one batch.
func (r *recording) more(t *testing.T, source *socketcan.Source) error {
	t.Helper()
	b := capture.NewBatch()
	err := source.Next(context.Background(), b)
	for _, e := range b.Events {
		e.Index += len(r.frames)
		r.events = append(r.events, e)
	}
	r.frames = append(r.frames, b.Frames...)
	return err
}

// until reads until something is there, which must come.
func (r *recording) until(t *testing.T, source *socketcan.Source, there func() bool) {
	t.Helper()
	for !there() {
		require.NoError(t, r.more(t, source))
	}
}

// rest ends the listening and reads what is left.
func (r *recording) rest(t *testing.T, source *socketcan.Source) {
	t.Helper()
	require.NoError(t, source.Close())
	for {
		switch err := r.more(t, source); err {
		case nil:
		case io.EOF:
			return
		default:
			require.NoError(t, err)
		}
	}
}

// links returns the link records so far.
func (r *recording) links(t *testing.T) []session.LinkRecord {
	t.Helper()
	var all []session.LinkRecord
	for _, e := range r.events {
		if e.Kind == capture.EventJournal && e.Name == session.KindLink {
			var l session.LinkRecord
			require.NoError(t, json.Unmarshal(e.Body, &l))
			all = append(all, l)
		}
	}
	return all
}

// clocks returns the clock records so far.
func (r *recording) clocks(t *testing.T) []socketcan.ClockRecord {
	t.Helper()
	var all []socketcan.ClockRecord
	for _, e := range r.events {
		if e.Kind == capture.EventJournal && e.Name == session.KindClock {
			var c socketcan.ClockRecord
			require.NoError(t, json.Unmarshal(e.Body, &c))
			all = append(all, c)
		}
	}
	return all
}

// states returns the states of these.
func (r *recording) states(t *testing.T) []string {
	t.Helper()
	var all []string
	for _, l := range r.links(t) {
		all = append(all, l.State)
	}
	return all
}

func TestKernelFramesComeAsSent(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		kerneltest.AddLink(t, "vcan0", "vcan")
		kerneltest.AddPair(t, "near", "far")
		source := open(t, socketcan.Options{}, "vcan0", "near")
		host, far := rawSocket(t, "vcan0"), rawSocket(t, "far")

		// Each row's bytes are written by hand from linux/can.h.
		long := make([]byte, 64)
		for i := range long {
			long[i] = byte(i)
		}
		rows := []struct {
			name   string
			socket int
			record []byte
			want   capture.Frame
		}{
			{"standard", host, classicFrame(0x4A1, 0, 0x50, 0x1F, 0xFF),
				capture.Frame{ID: 0x4A1, Len: 4, Flags: capture.Outbound}},
			{"extended", host, classicFrame(0x18FE5827|unix.CAN_EFF_FLAG, 1, 2, 3, 4, 5, 6, 7, 8),
				capture.Frame{ID: 0x18FE5827, Len: 8, Flags: capture.Outbound | capture.Extended}},
			{"no data", host, classicFrame(0x7DF),
				capture.Frame{ID: 0x7DF, Flags: capture.Outbound}},
			{"remote", host, remoteFrame(0x100, 4),
				capture.Frame{ID: 0x100, Len: 4, Flags: capture.Outbound | capture.Remote}},
			{"FD", host, fdFrame(0x123, 0, long[:12]...),
				capture.Frame{ID: 0x123, Len: 12, Flags: capture.Outbound | capture.FD}},
			{"FD, 64 bytes, second bit rate, error passive", host, fdFrame(0x123, 3, long...),
				capture.Frame{ID: 0x123, Len: 64, Flags: capture.Outbound | capture.FD | capture.BitRateSwitch | capture.ErrorState}},
			{"error frame: controller, receive buffer overflow", host, classicFrame(unix.CAN_ERR_FLAG|0x204, 0, 1, 0, 0, 0, 0, 0x60, 0),
				capture.Frame{ID: 0x204, Len: 8, Flags: capture.Outbound | capture.Error}},
			{"from elsewhere", far, classicFrame(0x200, 9),
				capture.Frame{Bus: 1, ID: 0x200, Len: 1, Flags: capture.Inbound}},
		}
		var r recording
		for i, row := range rows {
			send(t, row.socket, row.record)
			if row.want.Flags&capture.Remote == 0 {
				copy(row.want.Data[:], row.record[8:8+row.record[4]])
			}
			r.until(t, source, func() bool { return len(r.frames) > i })
			row.want.At = r.frames[i].At
			require.Equal(t, row.want, r.frames[i], row.name)
		}
		require.True(t, r.frames[6].ControllerOverflow())
		r.rest(t, source)
		require.Len(t, r.frames, len(rows))
		require.Equal(t, []capture.Event{{Kind: capture.EventBus, Bus: 0, Name: "vcan0", At: r.events[0].At}}, r.events[:1])
		counts := source.Counts()
		require.Equal(t, []socketcan.Counts{{Received: 7}, {Received: 1}}, counts)
	})
}

// remoteFrame asks for a frame of a length.
func remoteFrame(id uint32, length byte) []byte {
	b := classicFrame(id | unix.CAN_RTR_FLAG)
	b[4] = length
	return b
}

// With a socket that is far too small, each frame is delivered or counted as lost: in all, and between
// any two frames.
func TestKernelEveryFrameIsReceivedOrCounted(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		const sent = 10000
		kerneltest.AddLink(t, "vcan0", "vcan")
		source := open(t, socketcan.Options{Buffer: 32 << 10}, "vcan0")
		socket := rawSocket(t, "vcan0")
		frame := classicFrame(0x100, 0, 0, 0, 0)
		for n := range uint32(sent) {
			binary.BigEndian.PutUint32(frame[8:], n)
			send(t, socket, frame)
		}
		var r recording
		r.rest(t, source)

		next, lost := uint64(0), uint64(0)
		events := r.events
		for i, f := range r.frames {
			for len(events) > 0 && events[0].Index <= i {
				if events[0].Kind == capture.EventLoss {
					lost += events[0].Count
					next += events[0].Count
				}
				events = events[1:]
			}
			require.EqualValues(t, next, binary.BigEndian.Uint32(f.Data[:]), "frame %d", i)
			next++
		}
		for _, e := range events {
			if e.Kind == capture.EventLoss {
				lost += e.Count
			}
		}
		require.NotZero(t, lost)
		require.EqualValues(t, sent, uint64(len(r.frames))+lost)
		last := r.events[len(r.events)-1]
		require.Equal(t, capture.EventCounters, last.Kind)
		require.EqualValues(t, len(r.frames), last.Received)
		require.EqualValues(t, lost, last.Dropped)
		require.Equal(t, []socketcan.Counts{{Received: uint64(len(r.frames)), AtSocket: lost}}, source.Counts())
		t.Logf("%d of %d frames lost with a buffer of %d bytes", lost, sent, source.Buses()[0].Buffer)
	})
}

// A large buffer holds what a full bus sends in more than a second: nothing is lost though nobody
// reads meanwhile.
func TestKernelLargeBufferHoldsABurst(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		const sent = 22000 // more than a full bus at 1 Mbit/s sends in a second
		kerneltest.AddLink(t, "vcan0", "vcan")
		source := open(t, socketcan.Options{}, "vcan0")
		require.True(t, source.Buses()[0].Forced)
		require.Equal(t, socketcan.DefaultBuffer, source.Buses()[0].Buffer)
		socket := rawSocket(t, "vcan0")
		for range sent {
			send(t, socket, classicFrame(0x100, 1))
		}
		var r recording
		r.rest(t, source)
		require.Len(t, r.frames, sent)
		require.Equal(t, []socketcan.Counts{{Received: sent}}, source.Counts())
	})
}

func TestKernelSourceKeepsItsPromises(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		kerneltest.AddLink(t, "vcan0", "vcan")
		kerneltest.AddLink(t, "vcan1", "vcan")
		source := open(t, socketcan.Options{}, "vcan0", "vcan1")
		sockets := []int{rawSocket(t, "vcan0"), rawSocket(t, "vcan1")}
		const batches = 8
		for n := range (batches + 2) * capture.BatchFrames {
			send(t, sockets[n%2], classicFrame(0x100, byte(n)))
		}
		sourcetest.RunLive(t, source, batches)
	})
}

func TestKernelRefusals(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		kerneltest.AddLink(t, "vcan0", "vcan")
		kerneltest.AddLink(t, "vcan1", "vcan")
		kerneltest.SetDown(t, "vcan1")
		kerneltest.AddLink(t, "can0", "dummy") // the name says nothing
		for _, row := range []struct {
			names []string
			cause error
			text  string
		}{
			{nil, socketcan.ErrNone, "no bus was named"},
			{[]string{"vcan9"}, socketcan.ErrNoLink, "vcan9: no such link"},
			{[]string{"vcan0", "vcan0"}, socketcan.ErrNamedTwice, "vcan0: named twice"},
			{[]string{"vcan0", "vcan1"}, socketcan.ErrDown, "vcan1: the link is down"},
			{[]string{"can0"}, socketcan.ErrNotCAN, "can0: not a CAN link: its kind is dummy"},
			{[]string{"lo"}, socketcan.ErrNotCAN, "lo: not a CAN link"},
		} {
			source, err := socketcan.Open(row.names, socketcan.Options{})
			require.Nil(t, source)
			require.ErrorIs(t, err, row.cause)
			require.EqualError(t, err, row.text)
			var link *socketcan.LinkError
			require.ErrorAs(t, err, &link)
		}
	})
}

func TestKernelLinkGoesDownAndUp(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		kerneltest.AddLink(t, "vcan0", "vcan")
		source := open(t, socketcan.Options{}, "vcan0")
		var r recording
		kerneltest.SetDown(t, "vcan0")
		r.until(t, source, func() bool { return len(r.links(t)) == 2 })
		kerneltest.SetUp(t, "vcan0")
		r.until(t, source, func() bool { return len(r.links(t)) == 3 })
		send(t, rawSocket(t, "vcan0"), classicFrame(0x100, 1))
		r.until(t, source, func() bool { return len(r.frames) == 1 })
		require.Equal(t, []string{"up", "down", "up"}, r.states(t))
	})
}

func TestKernelAdapterPulledAndBack(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		kerneltest.AddLink(t, "vcan0", "vcan")
		kerneltest.AddLink(t, "vcan1", "vcan")
		source := open(t, socketcan.Options{}, "vcan0", "vcan1")
		before := linkIndex(t, "vcan0")
		var r recording
		kerneltest.RemoveLink(t, "vcan0")
		r.until(t, source, func() bool { return len(r.links(t)) == 3 })
		require.Equal(t, "gone", r.links(t)[2].State)

		// The other bus goes on.
		send(t, rawSocket(t, "vcan1"), classicFrame(0x200, 2))
		r.until(t, source, func() bool { return len(r.frames) == 1 })

		kerneltest.AddLink(t, "vcan0", "vcan")
		require.NotEqual(t, before, linkIndex(t, "vcan0"))
		r.until(t, source, func() bool { return len(r.links(t)) == 4 })
		require.Equal(t, session.LinkRecord{Kind: "link", Bus: "vcan0", Type: "vcan", State: "up"}, r.links(t)[3])
		send(t, rawSocket(t, "vcan0"), classicFrame(0x100, 1))
		r.until(t, source, func() bool { return len(r.frames) == 2 })
		require.EqualValues(t, 0, r.frames[1].Bus)
		require.EqualValues(t, 0x100, r.frames[1].ID)
	})
}

// The wall clock is set forward by an hour and back: stamps go on as if nothing happened, and the
// journal says what did.
func TestKernelMachineClockIsSet(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		const hour = 3600
		kerneltest.AddLink(t, "vcan0", "vcan")
		source := open(t, socketcan.Options{}, "vcan0")
		socket := rawSocket(t, "vcan0")
		var r recording
		step := func(seconds int64) {
			var now unix.Timespec
			require.NoError(t, unix.ClockGettime(unix.CLOCK_REALTIME, &now))
			now = unix.NsecToTimespec(now.Nano() + seconds*1e9)
			require.NoError(t, unix.ClockSettime(unix.CLOCK_REALTIME, &now))
			frames := len(r.frames)
			send(t, socket, classicFrame(0x100, 1))
			r.until(t, source, func() bool { return len(r.frames) > frames })
		}
		for _, seconds := range []int64{0, hour, -hour} {
			step(seconds)
		}
		r.rest(t, source)
		for i := 1; i < len(r.frames); i++ {
			between := r.frames[i].At.Sub(r.frames[i-1].At)
			require.Positive(t, between)
			require.Less(t, between.Seconds(), 60.0, "nowhere near an hour")
		}
		var steps []float64
		for _, c := range r.clocks(t) {
			if c.StepNS != 0 {
				steps = append(steps, float64(c.StepNS)/1e9)
			}
			require.Zero(t, c.SleptNS)
		}
		require.Len(t, steps, 2)
		require.InDelta(t, hour, steps[0], 1)
		require.InDelta(t, -hour, steps[1], 1)
	})
}

func TestKernelFactsOfVirtualLinks(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		kerneltest.AddLink(t, "vcan0", "vcan")
		kerneltest.AddPair(t, "near", "far")
		kerneltest.AddLink(t, "vcan5", "dummy")
		f, err := socketcan.FactsOf("vcan0")
		require.NoError(t, err)
		require.Equal(t, socketcan.Facts{Name: "vcan0", Index: linkIndex(t, "vcan0"), Kind: "vcan", CAN: true,
			Up: true, MTU: 72, Mode: socketcan.ModeVirtual}, f)
		require.True(t, f.FD())
		f, err = socketcan.FactsOf("near")
		require.NoError(t, err)
		require.Equal(t, "vxcan", f.Kind)
		require.True(t, f.Virtual())
		f, err = socketcan.FactsOf("vcan5")
		require.NoError(t, err)
		require.False(t, f.CAN)
		require.False(t, f.Virtual(), "its kind counts, not its name")
		require.Equal(t, "dummy", f.Kind)

		links, err := net.Interfaces()
		require.NoError(t, err)
		all, err := socketcan.Links()
		require.NoError(t, err)
		require.Len(t, all, len(links))
	})
}

func TestKernelGateways(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		kerneltest.AddLink(t, "vcan0", "vcan")
		kerneltest.AddLink(t, "vcan1", "vcan")
		rules, err := socketcan.Gateways()
		require.NoError(t, err)
		require.Empty(t, rules)
		kerneltest.AddGateway(t, "vcan0", "vcan1", 0xFF)
		rules, err = socketcan.Gateways()
		require.NoError(t, err)
		require.Equal(t, []socketcan.Gateway{{From: linkIndex(t, "vcan0"), To: linkIndex(t, "vcan1")}}, rules)

		// What comes over a gateway has been changed by it.
		source := open(t, socketcan.Options{}, "vcan1")
		send(t, rawSocket(t, "vcan0"), classicFrame(0x100, 0x0F, 2))
		var r recording
		r.until(t, source, func() bool { return len(r.frames) == 1 })
		require.Equal(t, []byte{0xF0, 2}, r.frames[0].Payload())
	})
}

// The machine sleeps for some seconds and wakes: the journal says for how long, the stamps don't count
// that time, and the bus is heard again.
func TestKernelMachineHazard13Sleeps(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		kerneltest.AddLink(t, "vcan0", "vcan")
		source := open(t, socketcan.Options{}, "vcan0")
		socket := rawSocket(t, "vcan0")
		var r recording
		send(t, socket, classicFrame(0x100, 1))
		r.until(t, source, func() bool { return len(r.frames) == 1 })

		// The kernel goes the whole way down but for the firmware, waits, and comes back.
		require.NoError(t, os.WriteFile("/sys/module/suspend/parameters/pm_test_delay", []byte("2"), 0o200))
		require.NoError(t, os.WriteFile("/sys/power/pm_test", []byte("core"), 0o200))
		require.NoError(t, os.WriteFile("/sys/power/state", []byte("mem"), 0o200))

		send(t, socket, classicFrame(0x100, 2))
		r.until(t, source, func() bool { return len(r.frames) == 2 })
		r.rest(t, source)
		var slept []float64
		for _, c := range r.clocks(t) {
			if c.SleptNS != 0 {
				slept = append(slept, float64(c.SleptNS)/1e9)
			}
		}
		require.Len(t, slept, 1)
		require.InDelta(t, 2, slept[0], 1.5, "the clock that goes on during sleep counts whole seconds")
		require.Less(t, r.frames[1].At.Sub(r.frames[0].At).Seconds(), 60.0)
	})
}

// What a waiting frame takes of a socket's buffer, by which Bus.Holds counts: here nobody reads.
func TestKernelWaitingFramesFitTheBuffer(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		kerneltest.AddLink(t, "vcan0", "vcan")
		socket := rawSocket(t, "vcan0")
		require.NoError(t, unix.SetsockoptInt(socket, unix.SOL_SOCKET, unix.SO_RCVBUFFORCE, 1<<20))
		bus := socketcan.Bus{Buffer: 2 << 20}
		host := rawSocket(t, "vcan0")
		for name, record := range map[string][]byte{"classic": classicFrame(0x100, 1, 2, 3, 4, 5, 6, 7, 8), "FD": fdFrame(0x100, 0, make([]byte, 64)...)} {
			for range 2 * bus.Holds() {
				send(t, host, record)
			}
			waiting := len(drain(t, socket, fdFrameLength))
			t.Logf("%s: %d frames of %d bytes each", name, waiting, bus.Buffer/waiting)
			require.GreaterOrEqual(t, waiting, bus.Holds(), name)
		}
	})
}
