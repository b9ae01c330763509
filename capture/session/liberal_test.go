package session_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"testing/iotest"
	"testing/synctest"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/session"
)

// What is legal, or common, and must be read. Each file holds 0x4A1 where a frame is meant to be seen.
func TestReadLiberally(t *testing.T) {
	f := little()
	for name, c := range map[string]struct {
		file   []byte
		frames int
	}{
		"an option list without an end":   {little().iface(227, 0, f.option(2, []byte("can0"))).packet(0, 1, plain, -1, f.option(2, f.u32(1))).b, 1},
		"unknown and custom options":      {little().can("can0").packet(0, 1, plain, -1, f.option(777, []byte("x")), f.option(2988, []byte("\x00\x00\x7E\xD9demo"))).b, 1},
		"minor version 2":                 {(&build{order: f.order}).sectionVersion(1, 2).can("can0").packet(0, 1, plain, -1).b, 1},
		"an interface that comes late":    {little().can("can0").packet(0, 1, plain, -1).can("can1").packet(1, 2, plain, -1).b, 2},
		"unknown and local blocks":        {little().block(0x12345, []byte("abcd")).can("can0").block(0x80000001, nil).packet(0, 1, plain, -1).block(0xBAD, f.u32(32473)).b, 1},
		"names, secrets, custom blocks":   {little().can("can0").block(4, make([]byte, 4)).block(10, make([]byte, 8)).block(0x40000BAD, f.u32(32473)).packet(0, 1, plain, -1).b, 1},
		"a name that is no UTF-8":         {little().can("c\xFF\xFE0").packet(0, 1, plain, -1).b, 1},
		"a packet of the first drafts":    {little().can("can0").block(2, append(append(append(append(append([]byte{0, 0, 0xFF, 0xFF}, f.u32(0)...), f.u32(7)...), f.u32(12)...), f.u32(12)...), plain...)).b, 1},
		"no interface and no packet":      {little().b, 0},
		"a second section, nothing in it": {append(little().can("can0").packet(0, 1, plain, -1).b, big().b...), 1},
	} {
		t.Run(name, func(t *testing.T) {
			got := read(t, c.file)
			require.NoError(t, got.err)
			require.NoError(t, got.integrity.Stop)
			require.Empty(t, got.of(capture.EventDamage))
			require.Len(t, got.frames, c.frames)
			for i := range got.frames {
				require.Equal(t, capture.ID(0x4A1), got.frames[i].ID)
				require.EqualValues(t, i+1, got.frames[i].Packet)
			}
			require.Equal(t, session.Unsealed, got.integrity.Verdict)
		})
	}
}

// Buses are told apart by their names over all sections; one without a name by its place.
func TestBuses(t *testing.T) {
	file := little().can("can0").iface(227, 0).packet(0, 1, plain, -1).packet(1, 2, plain, -1).
		section().iface(227, 0).can("can0").packet(1, 3, plain, -1).packet(0, 4, plain, -1).b
	got := read(t, file)
	var buses, names []string
	for _, e := range got.of(capture.EventBus) {
		names = append(names, e.Name)
	}
	for i := range got.frames {
		buses = append(buses, names[got.frames[i].Bus])
	}
	require.Equal(t, []string{"can0", "bus1", "bus0"}, names)
	require.Equal(t, []string{"can0", "bus1", "can0", "bus0"}, buses)
}

// Frames of another link type are counted as packets and left out; the error says what to do.
func TestOtherLinkTypes(t *testing.T) {
	for link, says := range map[uint16]string{1: "227", 113: "each bus by itself", 276: "each bus by itself"} {
		got := read(t, little().iface(link, 0).can("can0").packet(0, 1, plain, -1).packet(1, 2, plain, -1).b)
		require.NoError(t, got.err)
		require.Len(t, got.frames, 1)
		require.EqualValues(t, 2, got.frames[0].Packet)
		damage := got.damage(t)
		require.ErrorIs(t, damage, session.ErrLinkType)
		require.Contains(t, damage.Error(), says)
		require.Contains(t, damage.Error(), fmt.Sprint(link))
	}
}

// Damage inside a block whose two lengths agree is told, with its offset, and the next block is read.
func TestGoOnAfterDamage(t *testing.T) {
	f := little()
	first := int64(28 + 36) // behind the section header and the interface
	tooLong := f.u32(0)
	tooLong = append(tooLong, make([]byte, 8)...)
	tooLong = append(append(append(tooLong, f.u32(99)...), f.u32(99)...), plain...)
	for name, c := range map[string]struct {
		file []byte
		want error
	}{
		"an interface that was not described":  {little().can("can0").packet(7, 1, plain, -1).b, session.ErrInterface},
		"statistics of no interface":           {little().can("can0").statistics(3).b, session.ErrInterface},
		"captured more than the block holds":   {little().can("can0").block(6, tooLong).b, session.ErrLength},
		"options that run past the end":        {little().can("can0").packet(0, 1, plain, -1, []byte{2, 0, 200, 0}).b, session.ErrOptions},
		"a journal text longer than its block": {little().can("can0").block(0x80525731, append(append(make([]byte, 8), f.u32(500)...), "{}"...)).b, session.ErrJournal},
		"a journal text that is no JSON":       {little().can("can0").journal(5, "mark line-open").b, session.ErrJournal},
	} {
		t.Run(name, func(t *testing.T) {
			more := (&build{order: f.order, b: bytes.Clone(c.file)}).packet(0, 9, plain, -1).b
			got := read(t, more)
			require.NoError(t, got.err)
			damage := got.damage(t)
			require.ErrorIs(t, damage, c.want)
			require.Equal(t, first, damage.Offset)
			require.NotEmpty(t, got.frames)
			require.EqualValues(t, 9, got.frames[len(got.frames)-1].At, "the frame behind the damage is read")
			require.True(t, strings.HasPrefix(damage.Error(), "test.pcapng: byte 64: "), damage.Error())
		})
	}
	require.Len(t, read(t, little().can("can0").packet(0, 1, plain, -1, []byte{2, 0, 200, 0}).b).frames, 1,
		"damaged options leave the packet usable")
}

// Broken framing ends the reading: what came before is delivered, and the end says what is wrong.
func TestBrokenFraming(t *testing.T) {
	start := little().can("can0").packet(0, 1, plain, -1)
	at := int64(len(start.b))
	f := little()
	raw := func(words ...uint32) []byte {
		var b []byte
		for _, w := range words {
			b = append(b, f.u32(w)...)
		}
		return append(bytes.Clone(start.b), b...)
	}
	for name, c := range map[string]struct {
		file []byte
		want error
	}{
		"length 0":                  {raw(6, 0, 7, 7), session.ErrLength},
		"length 8":                  {raw(6, 8, 8, 0), session.ErrLength},
		"less than a packet needs":  {raw(6, 16, 0, 16), session.ErrLength},
		"no multiple of 4":          {raw(0x99, 13, 0, 13, 0), session.ErrLength},
		"two lengths that differ":   {raw(0x99, 16, 0, 20, 0), session.ErrTrailer},
		"longer than any block":     {raw(0x99, 1<<24+4, 0, 0), session.ErrTooLong},
		"2 GiB are claimed":         {raw(6, 0x7FFFFFF0, 0, 0), session.ErrTooLong},
		"zeros":                     {raw(make([]uint32, 1000)...), session.ErrZeros},
		"twelve zeros":              {raw(0, 0, 0), session.ErrZeros},
		"cut in a header":           {append(raw(), 6, 0, 0), session.ErrTruncated},
		"cut in a body":             {raw(6, 64, 0, 0), session.ErrTruncated},
		"a section that is no such": {raw(0x0A0D0D0A, 28, 0x1A2B3C4E, 1, 0, 0, 28), session.ErrNotCapture},
		"text mode, \\r inserted":   {raw(0x0A0D0A0D, 28, 0, 28), session.ErrTextMode},
		"text mode, \\r lost":       {raw(0x410A0D0A, 28, 0, 28), session.ErrTextMode},
		"text mode, one more":       {raw(0x410A0D0D, 28, 0, 28), session.ErrTextMode},
		"text mode, shifted":        {raw(0x0D0D0A41, 28, 0, 28), session.ErrTextMode},
	} {
		t.Run(name, func(t *testing.T) {
			got := read(t, c.file)
			require.NoError(t, got.err, "what came before stays usable, so the end is a clean one for Next")
			require.Len(t, got.frames, 1)
			require.ErrorIs(t, got.integrity.Stop, c.want)
			var format *session.FormatError
			require.ErrorAs(t, got.integrity.Stop, &format)
			require.Equal(t, at, format.Offset)
			verdict := session.CutShort // as a power cut may leave it: nothing whole lies behind
			if c.want == session.ErrTextMode {
				verdict = session.Altered
			}
			require.Equal(t, verdict, got.integrity.Verdict)
			require.Equal(t, at, got.integrity.From.Offset)
		})
	}
}

// A section of an unknown version is passed over; the next one is read.
func TestUnknownVersion(t *testing.T) {
	f := &build{order: little().order}
	file := little().can("can0").packet(0, 1, plain, -1).b
	file = append(file, f.sectionVersion(2, 0).can("can0").packet(0, 2, plain, -1).section().can("can0").packet(0, 3, plain, -1).b...)
	got := read(t, file)
	require.NoError(t, got.err)
	require.Len(t, got.frames, 2)
	require.EqualValues(t, 3, got.frames[1].At)
	require.ErrorIs(t, got.damage(t), session.ErrVersion)
}

// What is no capture at all is an error at once.
func TestNoCapture(t *testing.T) {
	for name, c := range map[string]struct{ file, says string }{
		"empty":          {"", "empty"},
		"a few bytes":    {"\x0A\x0D\x0D\x0A\x1C\x00", "6 bytes"},
		"text":           {"time,pressure\n1,2\n3,4\n", "text"},
		"a picture":      {"\x89PNG\r\n\x1A\n\x00\x00\x00\rIHDR", "picture"},
		"a photograph":   {"\xFF\xD8\xFF\xE0\x00\x10JFIF\x00\x01", "picture"},
		"an archive":     {"PK\x03\x04\x14\x00\x00\x00\x08\x00\x00\x00", "zip"},
		"compressed":     {"\x1F\x8B\x08\x00\x00\x00\x00\x00\x00\xFF\x01\x02", "compressed"},
		"other magic":    {"\xD4\xC3\xB2\xA2\x02\x00\x04\x00\x00\x00\x00\x00", "D4 C3 B2 A2"},
		"zeros":          {strings.Repeat("\x00", 100), "00 00 00 00"},
		"no magic in it": {"\x0A\x0D\x0D\x0A\x1C\x00\x00\x00\x00\x00\x00\x00\x01\x00\x00\x00", "magic"},
	} {
		t.Run(name, func(t *testing.T) {
			got := read(t, []byte(c.file))
			var format *session.FormatError
			require.ErrorAs(t, got.err, &format)
			require.ErrorIs(t, got.err, session.ErrNotCapture)
			require.Contains(t, got.err.Error(), c.says)
			require.Contains(t, got.err.Error(), "test.pcapng: byte 0: ")
			require.Empty(t, got.frames)
			require.NotEqual(t, session.Sealed, got.integrity.Verdict)
		})
	}
}

// A medium that fails is told apart from content that is wrong, and what came before is delivered.
func TestMediumFails(t *testing.T) {
	broken := errors.New("the stick was pulled out")
	whole := handA(t)
	got := readFrom(t, io.MultiReader(bytes.NewReader(whole[:200]), iotest.ErrReader(broken)))
	require.Len(t, got.frames, 2)
	var medium *session.MediumError
	require.ErrorAs(t, got.err, &medium)
	require.ErrorIs(t, got.err, broken)
	require.EqualValues(t, 200, medium.Offset)
	require.NotEqual(t, session.Sealed, got.integrity.Verdict)
}

// A stamp that steps back is told, per bus; several buses may be out of order among themselves.
func TestTimeBack(t *testing.T) {
	got := read(t, little().can("can0").can("can1").
		packet(0, 1000, plain, -1).packet(1, 900, plain, -1).packet(0, 1000, plain, -1).packet(0, 400, plain, -1).packet(1, 950, plain, -1).b)
	back := got.of(capture.EventTimeBack)
	require.Len(t, back, 1)
	require.EqualValues(t, 600, back[0].Count)
	require.Equal(t, capture.BusID(0), back[0].Bus)
	require.Equal(t, 3, back[0].Index, "it stands right before the frame")
}

// Losses stand where they were: before the packet that tells them.
func TestLossesAndCounters(t *testing.T) {
	f := little()
	got := read(t, little().can("can0").packet(0, 1, plain, -1).
		packet(0, 2, plain, -1, f.option(4, f.u64(5)), f.option(2, f.u32(1))).
		statistics(0, f.option(4, f.u64(10)), f.option(5, f.u64(2)), f.option(7, f.u64(3))).
		statistics(0).b)
	losses := got.of(capture.EventLoss)
	require.Len(t, losses, 1)
	require.EqualValues(t, 5, losses[0].Count)
	require.Equal(t, 1, losses[0].Index)
	require.Equal(t, capture.Inbound, got.frames[1].Flags)
	counters := got.of(capture.EventCounters)
	require.Len(t, counters, 2)
	require.EqualValues(t, 10, counters[0].Received)
	require.EqualValues(t, 5, counters[0].Dropped, "by the interface 2, by the system 3")
	require.EqualValues(t, -1, counters[1].Received, "nothing was counted")
	require.EqualValues(t, -1, counters[1].Dropped, "nothing was counted")
}

// Journal records are numbered from 1 over the whole file; unknown kinds are kept.
func TestJournal(t *testing.T) {
	got := read(t, little().can("can0").journal(moment, `{"kind":"mark","name":"line-open","corner":"rear-left"}`).
		packet(0, moment, plain, -1).journal(moment+1, `{"kind":"something-new","a":[1,2]}`).b)
	records := got.of(capture.EventJournal)
	require.Len(t, records, 2)
	require.Equal(t, []string{"mark", "something-new"}, []string{records[0].Name, records[1].Name})
	require.Equal(t, []uint64{1, 2}, []uint64{records[0].Record, records[1].Record})
	require.Equal(t, []int{0, 1}, []int{records[0].Index, records[1].Index})
	require.EqualValues(t, moment, records[0].At)
	require.JSONEq(t, `{"kind":"something-new","a":[1,2]}`, string(records[1].Body))
	require.Equal(t, session.Unsealed, got.integrity.Verdict, "marks alone seal nothing")
}

// A pipe that is still open holds nothing back: what came through it is delivered with the last byte of
// its block, and no byte earlier, with nothing behind it.
func TestLivePipe(t *testing.T) {
	flags := func(f *build) []byte { return append(f.option(2, f.u32(1)), 0, 0, 0, 0) }
	fd := append([]byte{0, 0, 0x04, 0xA2, 12, 4, 0, 0}, make([]byte, 12)...)
	classic := unhex(t, `d4 c3 b2 a1 02 00 04 00 00 00 00 00 00 00 00 00 00 00 04 00 e3 00 00 00 dd 54 a5 69 40 e2 01 00
		0c 00 00 00 0c 00 00 00 00 00 04 a1 04 00 00 00 00 50 1f ff`)
	for name, blocks := range map[string][]func(f *build){
		"little-endian": {
			func(f *build) { f.order = little().order; f.section().can("can0").packet(0, moment, plain, -1) },
			func(f *build) { f.packet(0, moment+1, plain, -1, flags(f)) },
			func(f *build) { f.packet(0, moment+2, fd, -1, flags(f)) },
			func(f *build) { f.block(3, append(f.u32(uint32(len(plain))), plain...)) },
			func(f *build) { f.section().can("can0").packet(0, moment+3, plain, -1) },
		},
		"big-endian": {
			func(f *build) { f.order = big().order; f.section().can("can0").packet(0, moment, plain, -1) },
			func(f *build) { f.packet(0, moment+1, plain, -1) },
		},
		"classic": {
			func(f *build) { f.b = append(f.b, classic...) },
			func(f *build) { f.b = append(f.b, classic[24:]...) },
		},
	} {
		t.Run(name, func(t *testing.T) {
			var f build
			var ends []int // of the block of each frame
			for _, add := range blocks {
				add(&f)
				ends = append(ends, len(f.b))
			}
			synctest.Test(t, func(t *testing.T) { requireAtOnce(t, f.b, ends) })
		})
	}
}

// requireAtOnce sends a file through a pipe byte by byte and holds that the n-th frame comes with byte
// ends[n].
func requireAtOnce(t *testing.T, file []byte, ends []int) {
	t.Helper()
	from, to := io.Pipe()
	var got content
	seen := make(chan int, len(file))
	go func() {
		defer close(seen)
		r := session.NewReader(from, "pipe")
		b := capture.NewBatch()
		for r.Next(context.Background(), b) == nil {
			got.frames = append(got.frames, b.Frames...)
			seen <- len(got.frames)
		}
	}()
	frames := 0
	for i := range file {
		_, err := to.Write(file[i : i+1])
		require.NoError(t, err)
		synctest.Wait() // the reader waits for more
		for len(seen) > 0 {
			frames = <-seen
		}
		whole := 0
		for whole < len(ends) && ends[whole] <= i+1 {
			whole++
		}
		require.Equal(t, whole, frames, "after byte %d", i)
	}
	require.NoError(t, to.Close())
	for range seen {
	}
	require.Equal(t, read(t, file).frames, got.frames)
	require.Len(t, got.frames, len(ends))
}

// Blocks that are too long to be kept are passed over, and still counted.
func TestVeryLongBlocks(t *testing.T) {
	long := bytes.Repeat([]byte{0xA5}, 3<<20)
	file := little().can("can0").block(0x12345, long).packet(0, 1, plain, -1).b
	got := read(t, file)
	require.NoError(t, got.err)
	require.Len(t, got.frames, 1)
	require.Equal(t, session.Unsealed, got.integrity.Verdict)

	packet := little().can("can0").packet(0, 1, long, -1).packet(0, 2, plain, -1).b
	got = read(t, packet)
	require.Len(t, got.frames, 1)
	require.EqualValues(t, 2, got.frames[0].Packet, "the long packet has a number too")

	got = read(t, file[:2<<20])
	require.NoError(t, got.err)
	require.ErrorIs(t, got.integrity.Stop, session.ErrTruncated)
}

// A thousand kinds of damage are told, the rest is counted.
func TestFloodOfDamage(t *testing.T) {
	f := little().can("can0")
	for range 5000 {
		f.packet(9, 1, plain, -1)
	}
	got := read(t, f.packet(0, 1, plain, -1).b)
	require.Len(t, got.frames, 1)
	require.EqualValues(t, 5001, got.frames[0].Packet)
	require.LessOrEqual(t, len(got.of(capture.EventDamage)), 1001)
}
