package session_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"slices"
	"testing"
	"testing/iotest"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ridewitness/capture"
	"ridewitness/capture/session"
)

// unnumbered are frames without the numbers of their packets: behind a hole nobody knows how many were in it.
func unnumbered(frames []capture.Frame) []capture.Frame {
	frames = slices.Clone(frames)
	for i := range frames {
		frames[i].Packet = 0
	}
	return frames
}

// packetAt returns where the block of the frame with that first byte of data begins, by the layouts of
// draft-ietf-opsawg-pcapng and link type 227: 28 bytes of a packet's head and 8 of the frame's.
func packetAt(t testing.TB, file []byte, first byte) int {
	t.Helper()
	at := bytes.Index(file, []byte{first, 2, 3}) - 28 - 8
	require.Positive(t, at)
	require.EqualValues(t, 6, binary.LittleEndian.Uint32(file[at:]), "an enhanced packet")
	return at
}

// Where the framing is broken the reading goes on behind it, and the damage is told: once, with its place.
func TestGoesOnBehindBrokenFraming(t *testing.T) {
	whole := smallSession(t, 40)
	frames := read(t, whole).frames
	at, next := packetAt(t, whole, 21), packetAt(t, whole, 23)
	length := func(n uint32) func([]byte) []byte {
		return func(b []byte) []byte { binary.LittleEndian.PutUint32(b[at+4:], n); return b }
	}
	for name, c := range map[string]struct {
		damage func([]byte) []byte
		lost   []int // frames
		cause  error
	}{
		"zeros from one block into the next": {func(b []byte) []byte { clear(b[at:next]); return b }, []int{21, 22}, session.ErrLength},
		"a length that is a little too long": {length(84), []int{21}, session.ErrTrailer},
		"a length that ends in other blocks": {length(404), []int{21}, session.ErrTrailer},
		"one longer than what is kept":       {length(2 << 20), []int{21}, session.ErrLength},
		"one longer than any block":          {length(3 << 30), []int{21}, session.ErrTooLong},
		"one longer than the file":           {length(1 << 19), []int{21}, session.ErrLength},
		"no multiple of four":                {length(79), []int{21}, session.ErrLength},
		"a byte too many":                    {func(b []byte) []byte { return slices.Insert(b, at+30, 0) }, []int{21}, session.ErrTrailer},
		"a byte too few":                     {func(b []byte) []byte { return slices.Delete(b, at+30, at+31) }, []int{21}, session.ErrTrailer},
		"blocks cut out in their middle":     {func(b []byte) []byte { return slices.Delete(b, at+30, next+10) }, []int{21, 22, 23}, session.ErrTrailer},
		"up to the last block": {func(b []byte) []byte {
			clear(b[at:bytes.LastIndex(b, []byte{0x31, 0x57, 0x52, 0x80})]) // the seal at the end is behind
			return b
		}, []int{21, 22, 23, 24, 25, 26, 27, 28, 29, 30, 31, 32, 33, 34, 35, 36, 37, 38, 39}, session.ErrLength},
	} {
		t.Run(name, func(t *testing.T) {
			file := c.damage(bytes.Clone(whole))
			got := read(t, file)
			require.NoError(t, got.err)
			var want []capture.Frame
			for i := range frames {
				if !slices.Contains(c.lost, i) {
					want = append(want, frames[i])
				}
			}
			require.Equal(t, unnumbered(want), unnumbered(got.frames))
			require.Equal(t, session.Altered, got.integrity.Verdict)
			require.EqualValues(t, at, got.integrity.From.Offset)
			require.EqualValues(t, at, got.integrity.Kept.Offset)
			require.EqualValues(t, 21, got.integrity.Kept.Packet)
			require.NoError(t, got.integrity.Stop)
			require.Len(t, got.of(capture.EventDamage), 1)
			damage := got.damage(t)
			require.ErrorIs(t, damage, c.cause)
			require.EqualValues(t, at, damage.Offset)
			require.Contains(t, damage.Error(), "bytes are passed over")

			for i, want := range got.frames {
				found, err := session.Locate(context.Background(), onDisk(t, file), want.Packet)
				require.NoError(t, err)
				require.Equal(t, want, *found.Frame, "frame %d, found by its number", i)
			}
		})
	}
}

// Nothing depends on how the bytes come: not where it goes on, nor what is told.
func TestHolesInSmallPieces(t *testing.T) {
	file := smallSession(t, 40)
	clear(file[packetAt(t, file, 21):packetAt(t, file, 23)])
	binary.LittleEndian.PutUint32(file[packetAt(t, file, 30)+4:], 2<<20)
	at := read(t, file)
	for name, from := range map[string]io.Reader{
		"a byte at a time":       iotest.OneByteReader(bytes.NewReader(file)),
		"half of what was asked": iotest.HalfReader(bytes.NewReader(file)),
		"data with the end":      iotest.DataErrReader(bytes.NewReader(file)),
	} {
		t.Run(name, func(t *testing.T) {
			got := readFrom(t, from)
			require.Equal(t, at.frames, got.frames)
			require.Equal(t, at.integrity, got.integrity)
			require.Equal(t, at.of(capture.EventDamage), got.of(capture.EventDamage))
		})
	}
}

// The section behind a hole may have the other byte order.
func TestHoleBeforeTheOtherByteOrder(t *testing.T) {
	f := little().can("can0").packet(0, 1, plain, -1)
	hole := len(f.b)
	f.b = append(f.b, make([]byte, 100)...)
	got := read(t, append(f.b, big().can("can1").packet(0, 2, plain, -1).b...))
	require.NoError(t, got.err)
	require.Len(t, got.frames, 2)
	require.EqualValues(t, 1, got.frames[1].Bus)
	require.EqualValues(t, hole, got.damage(t).Offset)
}

// A medium that fails while it is looked for what follows is the medium's fault.
func TestMediumFailsInAHole(t *testing.T) {
	pulled := errors.New("the stick was pulled out")
	file := append(handA(t), make([]byte, 100)...)
	got := readFrom(t, io.MultiReader(bytes.NewReader(file), iotest.ErrReader(pulled)))
	require.Equal(t, framesA, got.frames)
	require.ErrorIs(t, got.err, pulled)
}

// Who follows a file that is still written is told at once that it is broken, and not shown what comes later
// as if nothing were amiss.
func TestFollowedFileIsNotReadBehindAHole(t *testing.T) {
	file := smallSession(t, 40)
	clear(file[packetAt(t, file, 21):packetAt(t, file, 23)])
	tail, err := session.Tail(onDisk(t, file))
	require.NoError(t, err)
	defer tail.Close()
	got := drain(t, tail)
	require.Len(t, got.frames, 21)
	var format *session.FormatError
	require.ErrorAs(t, got.err, &format)
	require.ErrorIs(t, got.err, session.ErrLength)
}

// Whatever a stretch of a file is overwritten with: the frames before it come as they were, those behind it
// too, and the file never reads as whole.
func TestFramesBehindWhateverWasOverwritten(t *testing.T) {
	whole := smallSession(t, 60)
	frames := read(t, whole).frames
	first, last := packetAt(t, whole, 9), packetAt(t, whole, 49)
	rapid.Check(t, func(rt *rapid.T) {
		from := rapid.IntRange(first, last-1).Draw(rt, "from")
		rubbish := rapid.SliceOfN(rapid.Byte(), 1, last-from).Draw(rt, "rubbish")
		file := bytes.Clone(whole)
		copy(file[from:], rubbish)
		if bytes.Equal(file, whole) {
			return
		}
		got := read(t, file)
		require.NoError(rt, got.err)
		require.Equal(rt, session.Altered, got.integrity.Verdict)
		before := slices.IndexFunc(frames, func(f capture.Frame) bool { return packetAt(t, whole, f.Data[0])+84 > from })
		require.Equal(rt, frames[:before], got.frames[:before])
		behind := slices.IndexFunc(frames, func(f capture.Frame) bool { return packetAt(t, whole, f.Data[0]) >= from+len(rubbish) })
		want := unnumbered(frames[behind:])
		require.GreaterOrEqual(rt, len(got.frames), before+len(want))
		require.Equal(rt, want, unnumbered(got.frames[len(got.frames)-len(want):]))
	})
}
