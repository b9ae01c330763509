package session_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/session"
)

// disk is a File in memory.
type disk struct {
	bytes.Buffer
	syncs, closes int
}

func (d *disk) Sync() error  { d.syncs++; return nil }
func (d *disk) Close() error { d.closes++; return nil }

const start capture.Stamp = moment

// tick returns the time of the n-th millisecond of the small session.
func tick(n int) capture.Stamp { return start + capture.Stamp(n)*1_000_000 }

// smallSession writes a session of two buses with marks, losses, and a seal after every five frames.
func smallSession(t testing.TB, frames int) []byte {
	t.Helper()
	var d disk
	w, err := session.NewWriter(&d, start, session.SessionRecord{Origin: session.OriginSimulated, Host: "bench"})
	require.NoError(t, err)
	require.NoError(t, w.Write(&capture.Batch{Events: []capture.Event{
		{Kind: capture.EventBus, Bus: 0, Name: "can0"}, {Kind: capture.EventBus, Bus: 1, Name: "diag"}}}))
	for i := range frames {
		b := &capture.Batch{Frames: []capture.Frame{frame(int64(tick(i)), 0, capture.BusID(i%2), capture.ID(0x100+i), capture.Inbound, byte(i), 2, 3)}}
		require.NoError(t, w.Write(b))
		if i%4 == 1 {
			require.NoError(t, w.Journal(tick(i), session.MarkRecord{Kind: session.KindMark, Name: "jack", Corner: "rear-left"}))
		}
		if i%5 == 4 {
			require.NoError(t, w.Seal(tick(i)))
		}
	}
	require.NoError(t, w.Close(tick(frames)))
	require.Equal(t, []int{1, 1}, []int{d.syncs, d.closes})
	return d.Bytes()
}

func TestSealed(t *testing.T) {
	file := smallSession(t, 12)
	got := read(t, file)
	require.NoError(t, got.err)
	require.Equal(t, session.Sealed, got.integrity.Verdict, got.integrity.Why)
	require.Equal(t, 3, got.integrity.Seals, "two on the way and one at the end")
	require.EqualValues(t, len(file), got.integrity.Proven.Offset)
	require.EqualValues(t, 12, got.integrity.Proven.Packet)
	require.Empty(t, got.integrity.Why)

	without := read(t, file, session.WithoutDigest())
	require.Equal(t, got.frames, without.frames)
	require.Equal(t, session.Unsealed, without.integrity.Verdict, "a seal that was not checked proves nothing")
	require.NotEmpty(t, without.integrity.Why)
}

// Anybody can check a seal without this program: cut the file before its block and hash what is left.
func TestSealByHand(t *testing.T) {
	file := smallSession(t, 12)
	checked := 0
	for at := 0; at < len(file); {
		length := int(uint32(file[at+4]) | uint32(file[at+5])<<8 | uint32(file[at+6])<<16)
		block := file[at : at+length]
		if i := bytes.Index(block, []byte(`{"kind":"seal"`)); i > 0 {
			var seal struct {
				Bytes  int
				SHA256 string
				End    bool
			}
			text := block[i : i+bytes.IndexByte(block[i:], '}')+1]
			require.NoError(t, json.Unmarshal(text, &seal))
			require.Equal(t, at, seal.Bytes)
			sum := sha256.Sum256(file[:at])
			require.Equal(t, hex.EncodeToString(sum[:]), seal.SHA256)
			require.Equal(t, at+length == len(file), seal.End)
			checked++
		}
		at += length
	}
	require.Equal(t, 3, checked)
}

// proven returns what the verdict calls proven.
func (c content) proven() []capture.Frame {
	for i := range c.frames {
		if c.frames[i].Packet > c.integrity.Proven.Packet {
			return c.frames[:i]
		}
	}
	return c.frames
}

// Any one byte changed: never sealed, and no changed frame passes for proven.
func TestEveryByteChanged(t *testing.T) {
	whole := smallSession(t, 12)
	want := read(t, whole).frames
	for at := range whole {
		for _, flip := range []byte{0x01, 0xFF} {
			file := bytes.Clone(whole)
			file[at] ^= flip
			got := read(t, file)
			if got.err != nil {
				continue // its first bytes: no capture any more
			}
			require.NotEqual(t, session.Sealed, got.integrity.Verdict, "byte %d, flipped by %#x", at, flip)
			if at < 12 || at >= 16 { // another version of the format: its blocks are not looked at
				require.NotEqual(t, session.Unsealed, got.integrity.Verdict, "byte %d, flipped by %#x", at, flip)
			}
			for i, f := range got.proven() {
				require.Equal(t, want[i], f, "byte %d, flipped by %#x: frame %d passes for proven", at, flip, i)
			}
			require.LessOrEqual(t, got.integrity.Proven.Offset, int64(at), "byte %d lies behind what is proven", at)
		}
	}
}

// Cut at every byte: what comes back is the beginning, in order, and the verdict says cut-short.
func TestEveryCut(t *testing.T) {
	whole := smallSession(t, 12)
	want := read(t, whole).frames
	for n := 28; n < len(whole); n++ {
		got := read(t, whole[:n])
		if got.err != nil {
			require.Less(t, n, 52, "shorter than the section header")
			continue
		}
		require.LessOrEqual(t, len(got.frames), len(want))
		for i := range got.frames {
			require.Equal(t, want[i], got.frames[i], "cut at %d", n)
		}
		require.NotEqual(t, session.Sealed, got.integrity.Verdict, "cut at %d", n)
		require.NotEqual(t, session.Altered, got.integrity.Verdict, "cut at %d: %s", n, got.integrity.Why)
		require.LessOrEqual(t, got.integrity.Proven.Offset, int64(n))
		require.LessOrEqual(t, len(got.proven()), len(got.frames))
	}
}

// What a power cut may leave behind is torn, not altered: a tail of zeros, whose length the file system
// had noted before the data.
func TestTailOfZeros(t *testing.T) {
	whole := smallSession(t, 12)
	for _, n := range []int{len(whole) / 2 &^ 3, len(whole) - 40} {
		for _, zeros := range []int{1, 4, 12, 4096, 1 << 20} {
			got := read(t, append(bytes.Clone(whole[:n]), make([]byte, zeros)...))
			require.NoError(t, got.err)
			require.Equal(t, session.CutShort, got.integrity.Verdict, "cut at %d, %d zeros: %s", n, zeros, got.integrity.Why)
		}
	}
}

// Bytes behind the end are no part of what was sealed.
func TestSomethingBehindTheEnd(t *testing.T) {
	whole := smallSession(t, 6)
	for name, tail := range map[string][]byte{
		"a packet":          (&build{order: little().order}).packet(0, moment, plain, -1).b,
		"a mark":            (&build{order: little().order}).journal(moment, `{"kind":"mark","name":"filled"}`).b,
		"another section":   little().can("can0").packet(0, moment, plain, -1).b,
		"an unknown block":  (&build{order: little().order}).block(0x4711, nil).b,
		"a few bytes":       {1, 2, 3},
		"the file, again":   whole,
		"an interface only": (&build{order: little().order}).can("can7").b,
	} {
		t.Run(name, func(t *testing.T) {
			got := read(t, append(bytes.Clone(whole), tail...))
			require.NoError(t, got.err)
			require.NotEqual(t, session.Sealed, got.integrity.Verdict)
			require.EqualValues(t, 6, got.integrity.Proven.Packet, "what was sealed stays proven")
		})
	}
}

// Blocks taken out whole leave the framing intact; the seals behind them notice, the seals before them
// still prove.
func TestBlocksTakenOut(t *testing.T) {
	whole := smallSession(t, 12)
	want := read(t, whole).frames
	for at, n := 0, 0; at < len(whole); n++ {
		length := int(uint32(whole[at+4]) | uint32(whole[at+5])<<8 | uint32(whole[at+6])<<16)
		got := read(t, append(bytes.Clone(whole[:at]), whole[at+length:]...))
		if n > 0 {
			require.NoError(t, got.err)
			require.NotEqual(t, session.Sealed, got.integrity.Verdict, "without block %d", n)
			for i, f := range got.proven() {
				require.Equal(t, want[i], f, "without block %d", n)
			}
		}
		at += length
	}
}

// A chained section vouches for the one before it, byte by byte, even where that one was never ended.
func TestChain(t *testing.T) {
	first := unended(t)
	sum := sha256.Sum256(first)
	chained := func(previous *session.Previous) []byte {
		var d disk
		w, err := session.NewWriter(&d, tick(100), session.SessionRecord{Previous: previous})
		require.NoError(t, err)
		require.NoError(t, w.Write(&capture.Batch{Frames: []capture.Frame{frame(int64(tick(101)), 0, 0, 0x77, 0, 1)}}))
		require.NoError(t, w.Close(tick(102)))
		return d.Bytes()
	}
	right := &session.Previous{SHA256: hex.EncodeToString(sum[:]), Bytes: int64(len(first))}
	require.Equal(t, session.CutShort, read(t, first).integrity.Verdict)

	whole := append(bytes.Clone(first), chained(right)...)
	got := read(t, whole)
	require.Equal(t, session.Sealed, got.integrity.Verdict, got.integrity.Why)
	require.Equal(t, 2, got.integrity.Sections)
	require.EqualValues(t, 4, got.integrity.Proven.Packet)

	for name, previous := range map[string]*session.Previous{
		"hangs on nothing": nil,
		"wrong digest":     {SHA256: strings.Repeat("0", 64), Bytes: right.Bytes},
		"wrong length":     {SHA256: right.SHA256, Bytes: right.Bytes - 4},
	} {
		t.Run(name, func(t *testing.T) {
			got := read(t, append(bytes.Clone(first), chained(previous)...))
			require.NotEqual(t, session.Sealed, got.integrity.Verdict)
		})
	}
	require.NotEqual(t, session.Sealed, read(t, chained(right)).integrity.Verdict, "the section before it was taken away")
	for at := range first {
		file := bytes.Clone(whole)
		file[at] ^= 0x10
		require.NotEqual(t, session.Sealed, read(t, file).integrity.Verdict, "byte %d", at)
	}
}

// unended writes a section of three packets whose recorder died behind a flush.
func unended(t testing.TB) []byte {
	t.Helper()
	var d disk
	w, err := session.NewWriter(&d, start, session.SessionRecord{Origin: session.OriginVehicle})
	require.NoError(t, err)
	for i := range 3 {
		require.NoError(t, w.Write(&capture.Batch{Frames: []capture.Frame{frame(int64(tick(i)), 0, 0, 0x50, 0, byte(i))}}))
	}
	require.NoError(t, w.Flush())
	return d.Bytes()
}
