package session_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"io"
	"math/rand/v2"
	"sync"
	"testing"

	"github.com/gopacket/gopacket/pcapgo"
	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/session"
)

// In steady state a batch costs no allocation, read or written.
func TestNoAllocationPerBatch(t *testing.T) {
	file := busyHour(1 << 20)
	t.Run("read", func(t *testing.T) {
		r := session.NewReader(&endless{file: file}, "endless", session.WithoutDigest())
		defer r.Close()
		b := &capture.Batch{Frames: make([]capture.Frame, 0, capture.BatchFrames), Events: make([]capture.Event, 0, 16)}
		requireNoAllocation(t, func() error { return r.Next(context.Background(), b) })
	})
	t.Run("read and hash", func(t *testing.T) {
		r := session.NewReader(&endless{file: file}, "endless")
		defer r.Close()
		b := &capture.Batch{Frames: make([]capture.Frame, 0, capture.BatchFrames), Events: make([]capture.Event, 0, 16)}
		requireNoAllocation(t, func() error { return r.Next(context.Background(), b) })
	})
	t.Run("write", func(t *testing.T) {
		w, err := session.NewWriter(nowhere{}, start, session.SessionRecord{})
		require.NoError(t, err)
		b := &capture.Batch{Events: []capture.Event{{Kind: capture.EventLoss, Count: 1, Index: 3}}}
		for i := range capture.BatchFrames {
			b.Frames = append(b.Frames, frame(int64(tick(i)), 0, 0, 0x123, capture.Inbound, 1, 2, 3, 4, 5, 6, 7, 8))
		}
		requireNoAllocation(t, func() error { return w.Write(b) })
	})
}

func requireNoAllocation(t *testing.T, batch func() error) {
	t.Helper()
	for range 200 { // buffers grow to their size once
		require.NoError(t, batch())
	}
	var failed error
	allocations := testing.AllocsPerRun(500, func() {
		if err := batch(); err != nil {
			failed = err
		}
	})
	require.NoError(t, failed)
	require.Zero(t, allocations)
}

// nowhere is a File that keeps nothing.
type nowhere struct{}

func (nowhere) Write(b []byte) (int, error) { return len(b), nil }
func (nowhere) Sync() error                 { return nil }
func (nowhere) Close() error                { return nil }

// endless yields a file's start once and its packets again and again, with time standing still.
type endless struct {
	file []byte
	pos  int
	from int // of the packets
}

func (e *endless) Read(b []byte) (int, error) {
	if e.from == 0 {
		e.from = packetsFrom(e.file)
	}
	if e.pos == len(e.file) {
		e.pos = e.from
	}
	n := copy(b, e.file[e.pos:])
	e.pos += n
	return n, nil
}

// packetsFrom returns where the first packet block begins.
func packetsFrom(file []byte) int {
	at := 0
	for binary.LittleEndian.Uint32(file[at:]) != 6 {
		at += int(binary.LittleEndian.Uint32(file[at+4:]))
	}
	return at
}

// busyHour makes about that many bytes of two busy buses: blocks of 60 bytes, 120 identifiers, one in
// six of 29 bits, epb_flags on each. All stamps are the same, so that it can be read in a circle.
func busyHour(size int) []byte {
	f := little().can("can0").can("can1")
	rng := rand.New(rand.NewPCG(1, 2))
	ids := make([][]byte, 120)
	for i := range ids {
		id := uint32(rng.IntN(0x800))
		if i%6 == 0 {
			id = 0x80000000 | uint32(rng.IntN(1<<29))
		}
		ids[i] = binary.BigEndian.AppendUint32(nil, id)
	}
	flags := [][]byte{f.option(2, f.u32(1)), {0, 0, 0, 0}}
	record := make([]byte, 16)
	for len(f.b) < size {
		copy(record, ids[rng.IntN(len(ids))])
		record[4] = 8
		binary.LittleEndian.PutUint64(record[8:], rng.Uint64())
		f.packet(uint32(rng.IntN(2)), moment, record, -1, flags...)
	}
	return f.b
}

// largeFile is made once: 64 MiB.
var largeFile = sync.OnceValue(func() []byte { return busyHour(64 << 20) })

// BenchmarkRead holds reading against two yardsticks in one run: the hash of the same bytes, and the
// zero-copy reader of a general packet library. 'verify' is reading with the hash beside it; compare its
// processor time, not its duration, where no second core is free.
func BenchmarkRead(b *testing.B) {
	file := largeFile()
	run := func(name string, once func() error) {
		b.Run(name, func(b *testing.B) {
			b.SetBytes(int64(len(file)))
			b.ReportAllocs()
			for b.Loop() {
				if err := once(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	run("hash", func() error { return hashOf(file) })
	run("session", func() error { return readAll(file, session.WithoutDigest()) })
	run("verify", func() error { return readAll(file) })
	run("library", func() error { return readWithLibrary(file) })
}

// hashOf hashes in reads of 256 KiB.
func hashOf(file []byte) error {
	h := sha256.New()
	_, err := io.CopyBuffer(h, struct{ io.Reader }{bytes.NewReader(file)}, make([]byte, 256<<10))
	return err
}

func readAll(file []byte, options ...session.Option) error {
	r := session.NewReader(struct{ io.Reader }{bytes.NewReader(file)}, "bench", options...)
	defer r.Close()
	b := capture.NewBatch()
	for {
		if err := r.Next(context.Background(), b); errors.Is(err, io.EOF) {
			return nil
		} else if err != nil {
			return err
		}
	}
}

func readWithLibrary(file []byte) error {
	r, err := pcapgo.NewNgReader(bytes.NewReader(file), pcapgo.DefaultNgReaderOptions)
	if err != nil {
		return err
	}
	for {
		if _, _, err := r.ZeroCopyReadPacketData(); errors.Is(err, io.EOF) {
			return nil
		} else if err != nil {
			return err
		}
	}
}

// BenchmarkLocate walks to the last packet of the same file.
func BenchmarkLocate(b *testing.B) {
	file := largeFile()
	path := onDisk(b, file)
	last := uint64(0)
	if located, err := session.Locate(b.Context(), path, 1); err == nil {
		last = located.Packets
	}
	b.SetBytes(int64(len(file)))
	for b.Loop() {
		if _, err := session.Locate(b.Context(), path, last); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkHostile reads files that are nothing but trouble; per byte it must stay near BenchmarkRead.
func BenchmarkHostile(b *testing.B) {
	f := &build{order: binary.LittleEndian}
	for name, block := range map[string][]byte{
		"smallest blocks":    f.block(0x7777, nil).b,
		"unknown interfaces": (&build{order: binary.LittleEndian}).packet(99, moment, plain, -1).b,
		"damaged frames":     (&build{order: binary.LittleEndian}).packet(0, moment, []byte{0, 0, 1, 2, 99, 0, 0, 0}, -1).b,
		"zeros":              make([]byte, 12),
		"heads of no blocks": append(f.u32(6), f.u32(65532)...),
		"holes":              append(make([]byte, 12), bytes.Repeat((&build{order: binary.LittleEndian}).packet(0, moment, plain, -1).b, 3)...),
	} {
		b.Run(name, func(b *testing.B) {
			file := append(little().can("can0").b, bytes.Repeat(block, (8<<20)/len(block))...)
			b.SetBytes(int64(len(file)))
			b.ReportAllocs()
			for b.Loop() {
				if err := readAll(file, session.WithoutDigest()); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkWrite builds, hashes and throws away.
func BenchmarkWrite(b *testing.B) {
	w, err := session.NewWriter(nowhere{}, start, session.SessionRecord{})
	if err != nil {
		b.Fatal(err)
	}
	batch := &capture.Batch{}
	for i := range capture.BatchFrames {
		batch.Frames = append(batch.Frames, frame(int64(tick(i)), 0, 0, 0x123, capture.Inbound, 1, 2, 3, 4, 5, 6, 7, 8))
	}
	b.SetBytes(60 * capture.BatchFrames)
	b.ReportAllocs()
	for b.Loop() {
		if err := w.Write(batch); err != nil {
			b.Fatal(err)
		}
	}
}
