package session_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/session"
)

// order is a byte order that can append.
type order interface {
	binary.ByteOrder
	binary.AppendByteOrder
}

// build makes pcapng files for tests, block by block, in either byte order and as wrong as a test
// wants. It follows the layouts of the draft directly and shares nothing with the Writer.
type build struct {
	order order
	b     []byte
}

func little() *build { return (&build{order: binary.LittleEndian}).section() }
func big() *build    { return (&build{order: binary.BigEndian}).section() }

// block adds a block with both lengths right.
func (f *build) block(kind uint32, body []byte) *build {
	for len(body)%4 != 0 {
		body = append(body, 0)
	}
	length := uint32(len(body) + 12)
	f.b = f.order.AppendUint32(f.b, kind)
	f.b = f.order.AppendUint32(f.b, length)
	f.b = append(f.b, body...)
	f.b = f.order.AppendUint32(f.b, length)
	return f
}

func (f *build) section() *build { return f.sectionVersion(1, 0) }

func (f *build) sectionVersion(major, minor uint16) *build {
	body := f.order.AppendUint32(nil, 0x1A2B3C4D)
	body = f.order.AppendUint16(body, major)
	body = f.order.AppendUint16(body, minor)
	return f.block(0x0A0D0D0A, f.order.AppendUint64(body, 1<<64-1))
}

// option returns an option with its padding.
func (f *build) option(code uint16, value []byte) []byte {
	o := f.order.AppendUint16(nil, code)
	o = f.order.AppendUint16(o, uint16(len(value)))
	o = append(o, value...)
	for len(o)%4 != 0 {
		o = append(o, 0)
	}
	return o
}

func (f *build) u32(v uint32) []byte { return f.order.AppendUint32(nil, v) }
func (f *build) u64(v uint64) []byte { return f.order.AppendUint64(nil, v) }

// iface describes an interface.
func (f *build) iface(link uint16, snap uint32, options ...[]byte) *build {
	body := f.order.AppendUint16(nil, link)
	body = f.order.AppendUint16(body, 0)
	body = f.order.AppendUint32(body, snap)
	return f.block(1, append(body, bytes.Join(options, nil)...))
}

// can describes a bus with nanosecond stamps.
func (f *build) can(name string) *build {
	return f.iface(227, 0, f.option(2, []byte(name)), f.option(9, []byte{9}))
}

// packet adds an enhanced packet. A negative original is that of the record.
func (f *build) packet(iface uint32, raw uint64, record []byte, original int, options ...[]byte) *build {
	if original < 0 {
		original = len(record)
	}
	body := f.u32(iface)
	body = append(body, f.u32(uint32(raw>>32))...)
	body = append(body, f.u32(uint32(raw))...)
	body = append(body, f.u32(uint32(len(record)))...)
	body = append(body, f.u32(uint32(original))...)
	body = append(body, record...)
	for len(body)%4 != 0 {
		body = append(body, 0)
	}
	return f.block(6, append(body, bytes.Join(options, nil)...))
}

// journal adds a journal record.
func (f *build) journal(at uint64, text string) *build {
	body := f.u32(uint32(at >> 32))
	body = append(body, f.u32(uint32(at))...)
	body = append(body, f.u32(uint32(len(text)))...)
	return f.block(0x80525731, append(body, text...))
}

// statistics adds what was counted for an interface.
func (f *build) statistics(iface uint32, options ...[]byte) *build {
	body := append(f.u32(iface), make([]byte, 8)...)
	return f.block(5, append(body, bytes.Join(options, nil)...))
}

// unhex reads bytes as they stand in a hand-written table.
func unhex(t testing.TB, text string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.Join(strings.Fields(text), ""))
	require.NoError(t, err)
	return b
}

// plain is a frame's record of link type 227: standard 0x4A1 with four bytes.
var plain = []byte{0, 0, 0x04, 0xA1, 4, 0, 0, 0, 0x00, 0x50, 0x1F, 0xFF}

// moment is 2026-03-02T09:14:05.123456789Z in nanoseconds since 1970 (date -u -d @1772442845).
const moment = 1_772_442_845_123_456_789

// content is what a file yields.
type content struct {
	frames    []capture.Frame
	events    []capture.Event // Index counts frames of the whole
	err       error           // nil for a clean end
	integrity session.Integrity
}

// read reads a whole file from memory.
func read(t testing.TB, file []byte, options ...session.Option) content {
	t.Helper()
	return readFrom(t, bytes.NewReader(file), options...)
}

func readFrom(t testing.TB, from io.Reader, options ...session.Option) content {
	t.Helper()
	r := session.NewReader(from, "test.pcapng", options...)
	defer r.Close()
	c := drain(t, r)
	c.integrity = r.Integrity()
	return c
}

// drain reads a source to its end.
func drain(t testing.TB, s capture.Source) content {
	t.Helper()
	var c content
	b := capture.NewBatch()
	for {
		err := s.Next(context.Background(), b)
		if errors.Is(err, io.EOF) {
			return c
		}
		if err != nil {
			c.err = err
			return c
		}
		for _, e := range b.Events {
			e.Index += len(c.frames)
			c.events = append(c.events, e)
		}
		c.frames = append(c.frames, b.Frames...)
	}
}

// of returns the events of one kind.
func (c content) of(kind capture.EventKind) []capture.Event {
	var all []capture.Event
	for _, e := range c.events {
		if e.Kind == kind {
			all = append(all, e)
		}
	}
	return all
}

// damage returns the one thing that was damaged.
func (c content) damage(t testing.TB) *session.FormatError {
	t.Helper()
	all := c.of(capture.EventDamage)
	require.Len(t, all, 1)
	var format *session.FormatError
	require.ErrorAs(t, all[0].Err, &format)
	return format
}

// onDisk puts a file into a fresh folder.
func onDisk(t testing.TB, file []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "session.pcapng")
	require.NoError(t, os.WriteFile(path, file, 0o644))
	return path
}

// observe gathers the facts of a file.
func observe(t testing.TB, file []byte) *session.Facts {
	t.Helper()
	facts := &session.Facts{}
	r := session.NewReader(bytes.NewReader(file), "test.pcapng")
	defer r.Close()
	b := capture.NewBatch()
	for r.Next(context.Background(), b) == nil {
		facts.Observe(b)
	}
	return facts
}
