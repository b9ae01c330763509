package session_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/capture/sourcetest"
)

func TestConformance(t *testing.T) {
	whole := smallSession(t, 40)
	damaged := append(handAB(t), (&build{order: little().order}).section().can("can0").packet(9, 1, plain, -1).packet(0, 2, plain, -1).b...)
	for name, file := range map[string][]byte{"a session": whole, "two byte orders": handAB(t), "cut short": whole[:len(whole)-9], "damaged": damaged,
		"more than a chunk": smallSession(t, 3000)} {
		t.Run(name, func(t *testing.T) {
			sourcetest.Run(t, func(t *testing.T) capture.Source {
				r := session.NewReader(bytes.NewReader(file), "test.pcapng")
				t.Cleanup(r.Close)
				return r
			})
		})
	}
	path := onDisk(t, whole)
	_, err := session.Append(path, mark(tick(7), "filled"), mark(tick(3), "bled"))
	require.NoError(t, err)
	t.Run("a file with late marks", func(t *testing.T) {
		sourcetest.Run(t, func(t *testing.T) capture.Source {
			s, err := session.Open(path)
			require.NoError(t, err)
			t.Cleanup(func() { s.Close() })
			return s
		})
	})
}

// mark returns an addition.
func mark(at capture.Stamp, name string) session.Addition {
	return session.Addition{At: at, Record: session.MarkRecord{Kind: session.KindMark, Name: name, Corner: "rear-left"}}
}

// A mark that is added later changes nothing that was there, is sealed itself, and is met where its time
// is, with the number that it has in the file.
func TestAppend(t *testing.T) {
	whole := smallSession(t, 12)
	before := read(t, whole)
	path := onDisk(t, whole)
	numbers, err := session.Append(path, mark(tick(5)+1, "filled"), mark(tick(1)+1, "bled"))
	require.NoError(t, err)
	last := before.of(capture.EventJournal)[len(before.of(capture.EventJournal))-1].Record
	require.Equal(t, []uint64{last + 2, last + 3}, numbers, "behind the new section's own session record")

	file, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, whole, file[:len(whole)])
	forward := read(t, file)
	require.Equal(t, session.Sealed, forward.integrity.Verdict, forward.integrity.Why)
	require.Equal(t, 2, forward.integrity.Sections)
	require.Equal(t, before.frames, forward.frames)

	s, err := session.Open(path)
	require.NoError(t, err)
	defer s.Close()
	got := drain(t, s)
	require.NoError(t, got.err)
	require.Equal(t, before.frames, got.frames)
	require.Equal(t, session.Sealed, s.Integrity().Verdict)
	at := map[uint64]int{}
	for _, e := range got.of(capture.EventJournal) {
		require.NotContains(t, at, e.Record, "record J%d comes once", e.Record)
		at[e.Record] = e.Index
	}
	require.Len(t, at, len(forward.of(capture.EventJournal)))
	require.Equal(t, 6, at[numbers[0]], "right behind frame 5")
	require.Equal(t, 2, at[numbers[1]], "right behind frame 1")

	again, err := session.Append(path, mark(tick(8), "jack"))
	require.NoError(t, err)
	require.Equal(t, []uint64{last + 6}, again, "another section, with its own session record")
	file, err = os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, session.Sealed, read(t, file).integrity.Verdict)
	facts := observe(t, file)
	require.Equal(t, observe(t, whole).End(), facts.End(), "a later mark makes the session no longer")
}

func TestAppendRefuses(t *testing.T) {
	whole := smallSession(t, 12)
	changed := bytes.Clone(whole)
	changed[len(changed)/2] ^= 1
	classic := unhex(t, `d4 c3 b2 a1 02 00 04 00 00 00 00 00 00 00 00 00 00 00 04 00 e3 00 00 00`)
	for name, c := range map[string]struct {
		file []byte
		want error
	}{
		"cut short":        {whole[:len(whole)-5], session.ErrNotEnded},
		"never ended":      {unended(t), session.ErrNotEnded},
		"altered":          {changed, session.ErrNotWhole},
		"classic pcap":     {classic, session.ErrNoJournal},
		"big-endian":       {handB(t), session.ErrByteOrder},
		"no capture":       {[]byte("hello, workshop"), session.ErrNotCapture},
		"an empty file":    {nil, session.ErrNotCapture},
		"zeros at its end": {append(bytes.Clone(whole), 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0), session.ErrNotEnded},
	} {
		t.Run(name, func(t *testing.T) {
			path := onDisk(t, c.file)
			_, err := session.Append(path, mark(tick(1), "bled"))
			require.ErrorIs(t, err, c.want)
			left, err := os.ReadFile(path)
			require.NoError(t, err)
			require.True(t, bytes.Equal(c.file, left), "nothing is written")
		})
	}
	_, err := session.Append(onDisk(t, whole))
	require.ErrorIs(t, err, session.ErrNoAdditions)
	_, err = session.Append(onDisk(t, whole), session.Addition{At: start, Record: "no object"})
	require.Error(t, err)
	_, err = session.Append(t.TempDir(), mark(start, "bled"))
	require.Error(t, err)
}

// Mending keeps the good bytes as they are, so that packet numbers stay what they were, and names its
// source.
func TestMendWhatWasCut(t *testing.T) {
	whole := smallSession(t, 12)
	for n := 400; n < len(whole); n += 53 { // every kind of block, at many places in it
		source := whole[:n]
		broken := read(t, source)
		in := onDisk(t, source)
		out := filepath.Join(filepath.Dir(in), "mended.pcapng")
		report, err := session.Mend(in, out)
		require.NoError(t, err)
		mended, err := os.ReadFile(out)
		require.NoError(t, err)
		got := read(t, mended)
		require.Equal(t, session.Sealed, got.integrity.Verdict, "cut at %d: %s", n, got.integrity.Why)
		require.Equal(t, broken.frames, got.frames)
		require.True(t, bytes.HasPrefix(mended, source[:report.Kept.Offset]))
		sum := sha256.Sum256(source)
		require.Equal(t, session.Previous{SHA256: hex.EncodeToString(sum[:]), Bytes: int64(n)}, report.Source)
		require.Contains(t, string(mended), `"sha256":"`+hex.EncodeToString(sum[:])+`"`, "the copy names its source")
		require.Equal(t, int64(n), report.Kept.Offset+report.Dropped)
		require.NotEmpty(t, report.String())
		left, err := os.ReadFile(in)
		require.NoError(t, err)
		require.Equal(t, source, left, "the source is not touched")
	}
}

// Frames behind the last seal that fits are not blessed by a new seal.
func TestMendWhatWasAltered(t *testing.T) {
	whole := smallSession(t, 12)
	want := read(t, whole).frames
	file := bytes.Clone(whole)
	at := bytes.Index(file, []byte{8, 2, 3}) // the data of frame 8, behind the first seal
	require.Positive(t, at)
	file[at]++
	in := onDisk(t, file)
	out := filepath.Join(filepath.Dir(in), "mended.pcapng")
	report, err := session.Mend(in, out)
	require.NoError(t, err)
	require.Equal(t, session.Altered, report.Verdict)
	mended, err := os.ReadFile(out)
	require.NoError(t, err)
	got := read(t, mended)
	require.Equal(t, session.Sealed, got.integrity.Verdict, got.integrity.Why)
	require.Equal(t, want[:5], got.frames, "up to the first seal")
}

// What lies behind broken framing is read, but nothing vouches for it.
func TestMendWhatIsBroken(t *testing.T) {
	for name, c := range map[string]struct {
		changed bool   // a byte before the break, and so the seal between them
		says    string // of the break in the block of packet 11; packets 6 to 10 are under a seal that may fit
	}{
		"its framing alone":          {false, `kept 1\d{3} bytes, up to packet 10 at .*\nleft out \d+ bytes with 1 whole packets that could be read, up to 2026-`},
		"its framing and a byte too": {true, `kept \d{3} bytes, up to packet 5 at .*\nleft out \d+ bytes with 6 whole packets that could be read, up to 2026-`},
	} {
		t.Run(name, func(t *testing.T) {
			file := smallSession(t, 12)
			block := bytes.LastIndex(file, []byte{10, 2, 3}) - 28 - 8 // heads: draft-ietf-opsawg-pcapng, link type 227
			require.Positive(t, block)
			file[block+4] += 4
			if c.changed {
				file[bytes.Index(file, []byte{8, 2, 3})]++
			}
			in := onDisk(t, file)
			out := filepath.Join(filepath.Dir(in), "mended.pcapng")
			report, err := session.Mend(in, out)
			require.NoError(t, err)
			require.Regexp(t, c.says, report.String())
			mended, err := os.ReadFile(out)
			require.NoError(t, err)
			require.Contains(t, string(mended), fmt.Sprintf(`"dropped_packets":%d`, report.DroppedPackets))
			require.Equal(t, session.Sealed, read(t, mended).integrity.Verdict)
		})
	}
}

func TestMendRefuses(t *testing.T) {
	whole := smallSession(t, 12)
	for name, c := range map[string]struct {
		file []byte
		want error
	}{
		"sealed":       {whole, session.ErrNothingToMend},
		"unsealed":     {handA(t), session.ErrNothingToMend},
		"no capture":   {[]byte("hello, workshop"), session.ErrNotCapture},
		"classic pcap": {unhex(t, `d4 c3 b2 a1 02 00 04 00 00 00 00 00 00 00 00 00 00 00 04 00 e3 00 00 00 01`), session.ErrNoJournal},
		"big-endian":   {handB(t)[:100], session.ErrByteOrder},
	} {
		t.Run(name, func(t *testing.T) {
			in := onDisk(t, c.file)
			_, err := session.Mend(in, filepath.Join(filepath.Dir(in), "out.pcapng"))
			require.ErrorIs(t, err, c.want)
			requireOnly(t, in)
		})
	}
	in := onDisk(t, whole[:len(whole)-8])
	_, err := session.Mend(in, in)
	require.ErrorIs(t, err, os.ErrExist, "never over an existing file, least of all its source")
	requireOnly(t, in)
	_, err = session.Mend(in, filepath.Join(filepath.Dir(in), "no-such-folder", "out.pcapng"))
	require.Error(t, err)
}

// requireOnly holds that nothing but that file lies in its folder: no half output.
func requireOnly(t *testing.T, path string) {
	t.Helper()
	entries, err := os.ReadDir(filepath.Dir(path))
	require.NoError(t, err)
	require.Len(t, entries, 1)
}

// Locate finds what a Reader numbers: the same frame, the bytes of its block, for every packet.
func TestLocate(t *testing.T) {
	file := append(smallSession(t, 30), handAB(t)...)
	path := onDisk(t, file)
	whole := read(t, file)
	for i := range whole.frames {
		f := &whole.frames[i]
		got, err := session.Locate(t.Context(), path, f.Packet)
		require.NoError(t, err)
		require.NotNil(t, got.Frame)
		require.Equal(t, *f, *got.Frame)
		require.True(t, bytes.Equal(file[got.Offset:got.Offset+int64(len(got.Block))], got.Block))
		require.EqualValues(t, len(whole.frames), got.Packets)
	}
	for _, e := range whole.of(capture.EventJournal) {
		got, err := session.LocateRecord(t.Context(), path, e.Record)
		require.NoError(t, err)
		require.NotNil(t, got.Record)
		require.Equal(t, e.Body, got.Record.Body)
		require.Equal(t, "journal record", got.Name)
	}
}

// The hand-made file: where its third packet lies, from its table of offsets.
func TestLocateByHand(t *testing.T) {
	path := onDisk(t, handAB(t))
	got, err := session.Locate(t.Context(), path, 3)
	require.NoError(t, err)
	require.EqualValues(t, 196, got.Offset)
	require.Len(t, got.Block, 52)
	require.Equal(t, "enhanced packet", got.Name)
	require.Equal(t, "can0", got.Bus)
	require.Equal(t, 1, got.Section)
	require.EqualValues(t, 227, got.Link)
	require.Equal(t, framesA[2], *got.Frame)

	second, err := session.Locate(t.Context(), path, 6)
	require.NoError(t, err)
	require.EqualValues(t, 360+128, second.Offset)
	require.Equal(t, "simple packet", second.Name)
	require.Equal(t, 2, second.Section)
	require.Equal(t, "can1", second.Bus)

	for _, n := range []uint64{0, 7, 1 << 62} {
		_, err := session.Locate(t.Context(), path, n)
		var none *session.NoSuchError
		require.ErrorAs(t, err, &none)
		require.EqualValues(t, 6, none.Packets)
	}
	_, err = session.LocateRecord(t.Context(), path, 1)
	require.Error(t, err)
	done, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = session.Locate(done, path, 1)
	require.ErrorIs(t, err, context.Canceled)
}

func TestFacts(t *testing.T) {
	whole := observe(t, smallSession(t, 12))
	require.Equal(t, start, whole.Start())
	require.Equal(t, tick(12), whole.End())
	require.EqualValues(t, 12, whole.Frames())
	require.Equal(t, session.OriginSimulated, whole.Origin())
	require.Equal(t, "bench", whole.Record().Host)

	hand := observe(t, handAB(t))
	require.EqualValues(t, moment, hand.Start(), "without a session record, the first packet")
	require.EqualValues(t, 1_772_442_845_500_000_000, hand.End())
	require.EqualValues(t, 6, hand.Frames())
	require.Equal(t, session.OriginUnknown, hand.Origin())
	buses := hand.Buses()
	require.Len(t, buses, 2)
	require.EqualValues(t, 2, *buses[0].Lost, "the packets told 2, the statistics 2: the larger, not the sum")
	require.Nil(t, buses[1].Lost)

	require.Nil(t, observe(t, handB(t)).Lost())
	require.Equal(t, session.OriginUnknown, observe(t, little().journal(1, `{"kind":"session","origin":"spaceship"}`).b).Origin())
}

// A gap is silence of all buses together.
func TestGaps(t *testing.T) {
	const s = 1_000_000_000
	f := little().can("can0").can("can1")
	for i := range 50 {
		f.packet(uint32(i%2), uint64(moment+i*s/10), plain, -1)
	}
	f.packet(0, moment+65*s, plain, -1).packet(1, moment+65*s+s/10, plain, -1)
	gaps := observe(t, f.b).Gaps()
	require.Equal(t, []session.Gap{{From: moment + 49*s/10, To: moment + 65*s}}, gaps)
}

// The appendix is found from the end only where it is one, and never makes a record appear twice or
// vanish, whatever the bytes are.
func TestOpenYieldsWhatAReaderYields(t *testing.T) {
	whole := smallSession(t, 12)
	path := onDisk(t, whole)
	_, err := session.Append(path, mark(tick(4), "filled"))
	require.NoError(t, err)
	file, err := os.ReadFile(path)
	require.NoError(t, err)
	folder := t.TempDir()
	rapid.Check(t, func(rt *rapid.T) {
		damaged := bytes.Clone(file[:rapid.IntRange(28, len(file)).Draw(rt, "cut")])
		for range rapid.IntRange(0, 3).Draw(rt, "flips") {
			damaged[rapid.IntRange(0, len(damaged)-1).Draw(rt, "at")] ^= byte(rapid.IntRange(1, 255).Draw(rt, "flip"))
		}
		path := filepath.Join(folder, "damaged.pcapng")
		require.NoError(rt, os.WriteFile(path, damaged, 0o644))
		forward := read(t, damaged)
		s, err := session.Open(path)
		require.NoError(rt, err)
		got := drain(t, s)
		require.Equal(rt, forward.err == nil, got.err == nil)
		require.Equal(rt, forward.frames, got.frames)
		require.ElementsMatch(rt, records(forward), records(got))
		require.NoError(rt, s.Close())
	})
}

func records(c content) []uint64 {
	all := []uint64{}
	for _, e := range c.of(capture.EventJournal) {
		all = append(all, e.Record)
	}
	return all
}

// What was added is proven like what was recorded: a byte changed in either section shows.
func TestEveryByteChangedAfterAppending(t *testing.T) {
	path := onDisk(t, smallSession(t, 5))
	_, err := session.Append(path, mark(tick(2), "filled"))
	require.NoError(t, err)
	whole, err := os.ReadFile(path)
	require.NoError(t, err)
	want := read(t, whole)
	require.Equal(t, session.Sealed, want.integrity.Verdict)
	for at := range whole {
		file := bytes.Clone(whole)
		file[at] ^= 0x40
		got := read(t, file)
		if got.err != nil {
			continue
		}
		require.NotEqual(t, session.Sealed, got.integrity.Verdict, "byte %d", at)
		require.LessOrEqual(t, got.integrity.Proven.Offset, int64(at), "byte %d", at)
		for i, f := range got.proven() {
			require.Equal(t, want.frames[i], f, "byte %d: a changed frame passes for proven", at)
		}
	}
}
