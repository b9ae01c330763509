package session_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"testing"

	"github.com/gopacket/gopacket/pcapgo"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ridewitness/capture"
	"ridewitness/capture/session"
)

// anyFrame draws a frame that a source may yield.
func anyFrame(t *rapid.T, at capture.Stamp) capture.Frame {
	f := capture.Frame{At: at, Bus: capture.BusID(rapid.IntRange(0, 3).Draw(t, "bus"))}
	if rapid.Bool().Draw(t, "extended") {
		f.Flags |= capture.Extended
		f.ID = capture.ID(rapid.Uint32Range(0, uint32(capture.MaxExtendedID)).Draw(t, "id"))
	} else {
		f.ID = capture.ID(rapid.Uint32Range(0, uint32(capture.MaxStandardID)).Draw(t, "id"))
	}
	f.Flags |= rapid.SampledFrom([]capture.Flags{0, capture.Inbound, capture.Outbound}).Draw(t, "direction")
	lengths := []int{0, 1, 2, 3, 4, 5, 6, 7, 8}
	switch rapid.SampledFrom([]string{"classic", "remote", "error", "fd"}).Draw(t, "kind") {
	case "remote":
		f.Flags |= capture.Remote
		f.Len = uint8(rapid.SampledFrom(lengths).Draw(t, "length"))
		return f
	case "error":
		f.Flags |= capture.Error
		lengths = []int{8}
	case "fd":
		f.Flags |= capture.FD | rapid.SampledFrom([]capture.Flags{0, capture.BitRateSwitch, capture.ErrorState}).Draw(t, "fd")
		lengths = []int{0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64}
	}
	f.Len = uint8(rapid.SampledFrom(lengths).Draw(t, "length"))
	copy(f.Data[:f.Len], rapid.SliceOfN(rapid.Byte(), int(f.Len), int(f.Len)).Draw(t, "data"))
	return f
}

// anySession draws frames and losses of four buses, split into batches anywhere.
func anySession(t *rapid.T) []capture.Batch {
	var buses capture.Batch
	for i := range 4 {
		buses.Events = append(buses.Events, capture.Event{Kind: capture.EventBus, Bus: capture.BusID(i), Name: fmt.Sprintf("can%d", i)})
	}
	all := []capture.Batch{buses}
	at := start
	for range rapid.IntRange(1, 6).Draw(t, "batches") {
		var b capture.Batch
		for range rapid.IntRange(0, 9).Draw(t, "frames") {
			at += capture.Stamp(rapid.Int64Range(0, 5_000_000_000).Draw(t, "gap"))
			b.Frames = append(b.Frames, anyFrame(t, at))
		}
		if n := len(b.Frames); n > 0 && rapid.Bool().Draw(t, "loss") {
			i := rapid.IntRange(0, n-1).Draw(t, "index")
			b.Events = append(b.Events, capture.Event{At: b.Frames[i].At, Kind: capture.EventLoss, Bus: b.Frames[i].Bus, Index: i,
				Count: rapid.Uint64Range(1, 1<<40).Draw(t, "lost")})
		}
		all = append(all, b)
	}
	return all
}

// write writes batches as one session.
func write(t require.TestingT, batches []capture.Batch) []byte {
	var d disk
	w, err := session.NewWriter(&d, start, session.SessionRecord{Origin: session.OriginSimulated})
	require.NoError(t, err)
	at := start
	for i := range batches {
		require.NoError(t, w.Write(&batches[i]))
		for j := range batches[i].Frames {
			at = batches[i].Frames[j].At
		}
		if i%2 == 1 {
			require.NoError(t, w.Seal(at))
		}
	}
	require.NoError(t, w.Close(at))
	return d.Bytes()
}

// What was written is read, frame by frame and loss by loss, and the file is sealed.
func TestWriteAndRead(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		batches := anySession(rt)
		got := read(t, write(rt, batches))
		require.NoError(rt, got.err)
		require.Equal(rt, session.Sealed, got.integrity.Verdict, got.integrity.Why)
		var want []capture.Frame
		lost := map[capture.BusID]uint64{}
		for _, b := range batches {
			want = append(want, b.Frames...)
			for _, e := range b.Events {
				if e.Kind == capture.EventLoss {
					lost[e.Bus] += e.Count
				}
			}
		}
		require.Len(rt, got.frames, len(want))
		for i := range want {
			want[i].Packet = uint64(i + 1)
			require.Equal(rt, want[i], got.frames[i])
		}
		for _, e := range got.of(capture.EventLoss) {
			lost[e.Bus] -= e.Count
		}
		for bus, n := range lost {
			require.Zero(rt, n, "losses of bus %d", bus)
		}
	})
}

// A general-purpose packet library reads every file that is written, with the same bytes and times.
func TestAnotherReaderAgrees(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		file := write(rt, anySession(rt))
		ours := read(t, file).frames
		theirs, err := pcapgo.NewNgReader(bytes.NewReader(file), pcapgo.DefaultNgReaderOptions)
		require.NoError(rt, err)
		for i := 0; ; i++ {
			data, info, err := theirs.ReadPacketData()
			if errors.Is(err, io.EOF) {
				require.Len(rt, ours, i)
				return
			}
			require.NoError(rt, err)
			f := &ours[i]
			require.Equal(rt, f.At.Time(), info.Timestamp.UTC())
			require.Equal(rt, int(f.Bus), info.InterfaceIndex)
			id := binary.BigEndian.Uint32(data)
			require.Equal(rt, uint32(f.ID), id&0x1FFFFFFF)
			require.Equal(rt, f.Flags.Has(capture.Extended), id&0x80000000 != 0)
			require.Equal(rt, f.Flags.Has(capture.Remote), id&0x40000000 != 0)
			require.Equal(rt, f.Flags.Has(capture.Error), id&0x20000000 != 0)
			require.Equal(rt, f.Flags.Has(capture.FD), data[5]&4 != 0)
			require.Equal(rt, f.Len, data[4])
			require.True(rt, bytes.Equal(f.Payload(), data[8:]))
			iface, err := theirs.Interface(info.InterfaceIndex)
			require.NoError(rt, err)
			require.Equal(rt, fmt.Sprintf("can%d", f.Bus), iface.Name)
			require.EqualValues(rt, 227, iface.LinkType)
			require.Zero(rt, iface.SnapLength)
		}
	})
}

// The same session gives the same bytes.
func TestWriterIsDeterministic(t *testing.T) {
	require.Equal(t, smallSession(t, 40), smallSession(t, 40))
}

// A mark is a journal record, and a comment on the next packet, so that other tools show it.
func TestMarksAsComments(t *testing.T) {
	var d disk
	w, err := session.NewWriter(&d, start, session.SessionRecord{})
	require.NoError(t, err)
	require.NoError(t, w.Journal(start, session.MarkRecord{Kind: session.KindMark, Name: "line-open", Corner: "rear-left"}))
	require.NoError(t, w.Write(&capture.Batch{Frames: []capture.Frame{frame(moment, 0, 0, 1, 0), frame(moment, 0, 0, 2, 0)}}))
	require.NoError(t, w.Close(start))
	theirs, err := pcapgo.NewNgReader(bytes.NewReader(d.Bytes()), pcapgo.DefaultNgReaderOptions)
	require.NoError(t, err)
	_, _, first, err := theirs.ReadPacketDataWithOptions()
	require.NoError(t, err)
	require.Equal(t, []string{"mark line-open rear-left"}, first.Comments)
	_, _, second, err := theirs.ReadPacketDataWithOptions()
	require.NoError(t, err)
	require.Empty(t, second.Comments)
}

// Where nobody counted losses the file says so: nothing, not zero.
func TestLossesThatNobodyCounted(t *testing.T) {
	one := capture.Batch{Events: []capture.Event{{Kind: capture.EventBus, Name: "can0"}}, Frames: []capture.Frame{frame(moment, 0, 0, 1, 0)}}
	facts := observe(t, write(t, []capture.Batch{one}))
	require.Nil(t, facts.Lost())

	counted := capture.Batch{Events: []capture.Event{{Kind: capture.EventCounters, Bus: 0, Received: 1, Dropped: 0}}}
	facts = observe(t, write(t, []capture.Batch{one, counted}))
	require.EqualValues(t, 0, *facts.Lost())

	dropped := capture.Batch{Events: []capture.Event{{Kind: capture.EventLoss, Bus: 0, Count: 7}}}
	facts = observe(t, write(t, []capture.Batch{one, counted, dropped}))
	require.EqualValues(t, 7, *facts.Lost(), "lost behind the last frame: the statistics tell")
}

// Flags that say what is not known of a frame survive.
func TestUnknownStaysUnknown(t *testing.T) {
	cut := frame(moment, 0, 0, 0x11, capture.Cut|capture.Inbound, 1, 2)
	untimed := frame(moment, 0, 0, 0x12, capture.Untimed, 1, 2, 3)
	got := read(t, write(t, []capture.Batch{{Events: []capture.Event{{Kind: capture.EventBus, Name: "can0"}}, Frames: []capture.Frame{cut, untimed}}}))
	require.Len(t, got.frames, 2)
	require.True(t, got.frames[0].Flags.Has(capture.Cut))
	require.Equal(t, cut.Payload(), got.frames[0].Payload())
	require.True(t, got.frames[1].Flags.Has(capture.Untimed), "it has no time, and gets none")
	require.Equal(t, untimed.Payload(), got.frames[1].Payload())
}

// faulty is a File that fails at its n-th call, and ever after.
type faulty struct {
	disk
	calls, failAt int
}

var errDisk = errors.New("no space left")

func (f *faulty) fail() bool { f.calls++; return f.calls >= f.failAt }

func (f *faulty) Write(b []byte) (int, error) {
	if f.fail() {
		n, _ := f.disk.Write(b[:len(b)/2])
		return n, errDisk
	}
	return f.disk.Write(b)
}

func (f *faulty) Sync() error {
	if f.fail() {
		return errDisk
	}
	return f.disk.Sync()
}

// The n-th operation fails, for every n: the error stays, and what lies on the disk never passes for
// whole.
func TestFailingDisk(t *testing.T) {
	for n := 1; ; n++ {
		f := &faulty{failAt: n}
		err := recordOnto(f)
		if f.calls < n {
			require.NoError(t, err)
			require.Equal(t, session.Sealed, read(t, f.Bytes()).integrity.Verdict)
			require.Greater(t, n, 3, "the loop met no failure")
			return
		}
		require.ErrorIs(t, err, errDisk, "failure of call %d", n)
		if f.Len() > 52 && f.syncs == 0 && f.calls > n {
			got := read(t, f.Bytes())
			require.NotEqual(t, session.Altered, got.integrity.Verdict, "failure of call %d: %s", n, got.integrity.Why)
		}
	}
}

// recordOnto writes a session and goes on after failures, as a recorder would that does not look.
func recordOnto(f session.File) error {
	w, err := session.NewWriter(f, start, session.SessionRecord{})
	if err != nil {
		return err
	}
	for i := range 10 {
		w.Write(&capture.Batch{Frames: []capture.Frame{frame(int64(tick(i)), 0, 0, 1, 0, byte(i))}})
		first := w.Seal(tick(i))
		if second := w.Flush(); first != nil && !errors.Is(second, first) {
			return fmt.Errorf("the first error did not stay: %w, then %w", first, second)
		}
	}
	return w.Close(tick(10))
}

// After Close nothing can be written.
func TestWriteAfterClose(t *testing.T) {
	var d disk
	w, err := session.NewWriter(&d, start, session.SessionRecord{})
	require.NoError(t, err)
	require.NoError(t, w.Close(start))
	length := d.Len()
	require.ErrorIs(t, w.Write(&capture.Batch{Frames: []capture.Frame{frame(moment, 0, 0, 1, 0)}}), session.ErrClosed)
	require.ErrorIs(t, w.Seal(start), session.ErrClosed)
	require.Equal(t, length, d.Len())
}

// A journal record is a JSON object with a kind; nothing else gets into a file.
func TestJournalRefuses(t *testing.T) {
	var d disk
	w, err := session.NewWriter(&d, start, session.SessionRecord{})
	require.NoError(t, err)
	for _, bad := range []any{"text", 7, nil, map[string]string{"name": "x"}, []int{1}, func() {}, map[string]any{"kind": 3}} {
		require.Error(t, w.Journal(start, bad), "%v", bad)
	}
	require.NoError(t, w.Close(start))
	got := read(t, d.Bytes())
	require.Equal(t, session.Sealed, got.integrity.Verdict)
	require.Len(t, got.of(capture.EventJournal), 2, "the session record and the seal")
}
