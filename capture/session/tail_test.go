//go:build linux || darwin || freebsd || netbsd || openbsd || dragonfly

package session_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/capture/sourcetest"
)

// once is the longest that what was written may wait until it is delivered: one look at the file and a
// little, in the time of a bubble, which stands still while anybody works.
const once = 51 * time.Millisecond

// recorder is another process that writes to a file, by hand.
type recorder struct {
	t    testing.TB
	path string
	file session.File
}

func newRecorder(t testing.TB) *recorder {
	t.Helper()
	path := filepath.Join(t.TempDir(), "live.pcapng")
	f, err := session.Create(path)
	require.NoError(t, err)
	return &recorder{t, path, f}
}

func (r *recorder) write(b []byte) {
	_, err := r.file.Write(b)
	require.NoError(r.t, err)
}

// die closes the file as the system does when a process ends in whatever way.
func (r *recorder) die() { require.NoError(r.t, r.file.Close()) }

func (r *recorder) follow() *session.Tailed {
	r.t.Helper()
	s, err := session.Tail(r.path)
	require.NoError(r.t, err)
	return s
}

// next returns one batch, and how long it was waited for.
func next(t testing.TB, s capture.Source) (*capture.Batch, time.Duration) {
	t.Helper()
	began, b := time.Now(), capture.NewBatch()
	require.NoError(t, s.Next(t.Context(), b))
	return b, time.Since(began)
}

// endOf reads to the end, whatever it is. Within an hour there must be one.
func endOf(t testing.TB, s capture.Source) error {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
	defer cancel()
	b := capture.NewBatch()
	for {
		if err := s.Next(ctx, b); err != nil {
			require.Equal(t, err, s.Next(ctx, b), "the end stays the end")
			return err
		}
	}
}

// A block is delivered once its last byte is written, and not before, wherever the writer stopped.
func TestTailWaitsForWholeBlocks(t *testing.T) {
	f := little()
	flags := append(f.option(2, f.u32(1)), 0, 0, 0, 0)
	blocks := map[string]func(f *build){
		"a packet":       func(f *build) { f.packet(0, moment, plain, -1, flags) },
		"a short packet": func(f *build) { f.packet(0, moment, plain[:8:8], -1) },
		"a record":       func(f *build) { f.journal(moment, `{"kind":"mark","name":"bled"}`) },
		"a bus":          func(f *build) { f.can("can1") },
		"statistics":     func(f *build) { f.statistics(0, f.option(5, f.u64(3))) },
		"a section":      func(f *build) { f.section() },
	}
	for name, add := range blocks {
		t.Run(name, func(t *testing.T) {
			head := little().can("can0").packet(0, moment, plain, -1).b
			block := &build{order: little().order}
			add(block)
			for cut := range block.b {
				synctest.Test(t, func(t *testing.T) {
					r := newRecorder(t)
					r.write(head)
					s := r.follow()
					defer s.Close()
					next(t, s)
					go func() {
						r.write(block.b[:cut])
						time.Sleep(time.Second)
						r.write(block.b[cut:])
					}()
					got, waited := next(t, s)
					require.Equal(t, 1, len(got.Frames)+len(got.Events))
					require.GreaterOrEqual(t, waited, time.Second, "cut at %d", cut)
					require.Less(t, waited, time.Second+once, "cut at %d", cut)
					r.die()
				})
			}
		})
	}
}

// However the writer cuts a file into pieces, the follower yields what a reader of the whole file yields.
func TestTailYieldsWhatAReaderYields(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		file := write(rt, anySession(rt))
		for range rapid.IntRange(0, 2).Draw(rt, "more sections") {
			file = append(file, behind(t, file, rapid.IntRange(0, 700).Draw(rt, "frames"))...)
		}
		var pieces [][]byte
		for rest := file; len(rest) > 0; {
			n := min(rapid.IntRange(1, 1+len(file)/3).Draw(rt, "bytes"), len(rest))
			pieces, rest = append(pieces, rest[:n]), rest[n:]
		}
		pause := time.Duration(rapid.IntRange(0, 120).Draw(rt, "pause in ms")) * time.Millisecond

		var got, want content
		synctest.Test(t, func(t *testing.T) {
			r := newRecorder(t)
			s := r.follow()
			defer s.Close()
			go func() {
				for _, piece := range pieces {
					r.write(piece)
					time.Sleep(pause)
				}
				r.die()
			}()
			got = drain(t, s)
			got.integrity = s.Integrity()
			whole, err := session.Open(r.path)
			require.NoError(t, err)
			defer whole.Close()
			want = drain(t, whole)
			want.integrity = whole.Integrity()
		})
		require.Equal(rt, session.Sealed, want.integrity.Verdict, want.integrity.Why)
		require.Equal(rt, want, got)
	})
}

// behind returns another section of a recording, with that many frames.
func behind(t testing.TB, file []byte, frames int) []byte {
	t.Helper()
	path := onDisk(t, file)
	f, end, err := session.Continue(path)
	require.NoError(t, err)
	w, err := session.NewWriter(f, end.At, session.SessionRecord{Previous: &end.Previous})
	require.NoError(t, err)
	b := &capture.Batch{Events: []capture.Event{{Kind: capture.EventBus, Name: "can0"}}}
	for i := range frames {
		b.Frames = append(b.Frames, frame(int64(end.At)+int64(i), 0, 0, 0x2B0, capture.Inbound, byte(i)))
	}
	require.NoError(t, w.Write(b))
	require.NoError(t, w.Close(end.At+capture.Stamp(frames)))
	longer, err := os.ReadFile(path)
	require.NoError(t, err)
	return longer[len(file):]
}

// A section that has ended is not the end as long as its recorder lives; then another begins behind it,
// minutes later even.
func TestTailGoesOnWithTheNextSection(t *testing.T) {
	first := smallSession(t, 7)
	second := behind(t, first, 3)
	synctest.Test(t, func(t *testing.T) {
		r := newRecorder(t)
		r.write(first)
		s := r.follow()
		defer s.Close()
		go func() {
			time.Sleep(10 * time.Minute)
			r.write(second)
			time.Sleep(time.Minute)
			r.die()
		}()
		began := time.Now()
		got := drain(t, s)
		require.NoError(t, got.err)
		require.Less(t, time.Since(began), 11*time.Minute+2*once, "the end is told once it is seen twice")
		require.Len(t, got.frames, 10)
		require.Len(t, got.of(capture.EventSection), 1)
		require.Equal(t, session.Sealed, s.Integrity().Verdict, s.Integrity().Why)
		require.True(t, s.CaughtUp())
		require.Zero(t, s.Behind())
	})
}

// Between one recorder that ends and another that goes on with the file, nobody has its lock. The
// follower does not take an instant of that for the end.
func TestTailGoesOnWithTheNextRecorder(t *testing.T) {
	first := smallSession(t, 7)
	second := behind(t, first, 3)
	synctest.Test(t, func(t *testing.T) {
		r := newRecorder(t)
		r.write(first)
		r.die()
		s := r.follow()
		defer s.Close()
		go func() {
			time.Sleep(once / 2)
			f, _, err := session.Continue(r.path)
			if err == nil {
				time.Sleep(time.Minute)
				_, err = f.Write(second)
				err = errors.Join(err, f.Close())
			}
			require.NoError(t, err)
		}()
		got := drain(t, s)
		require.NoError(t, got.err)
		require.Len(t, got.frames, 10)
	})
}

// A recorder that is gone without an end leaves the follower with an error and the place.
func TestTailWhereTheRecorderIsGone(t *testing.T) {
	whole := smallSession(t, 12)
	seal := bytes.Index(whole, []byte(`{"kind":"seal"`)) // the first one, which ends nothing
	packet := little().can("can0").packet(0, moment, plain, -1).b
	for name, c := range map[string]struct {
		written []byte
		from    int // of what is not whole
		detail  string
	}{
		"nothing was written":           {nil, 0, ""},
		"in the section header":         {whole[:11], 0, " (the last 11 bytes are the beginning of a block)"},
		"behind a packet":               {packet, len(packet), ""},
		"in a packet":                   {packet[:len(packet)-1], len(packet) - 44, " (the last 43 bytes are the beginning of a block)"},
		"behind a seal that is no end":  {whole[:endOfBlock(whole, seal)], endOfBlock(whole, seal), ""},
		"in the seal at the end":        {whole[:len(whole)-1], blockBefore(whole, len(whole)), ""},
		"in the header of another part": {append(slices.Clone(whole), whole[:13]...), len(whole), " (the last 13 bytes are the beginning of a block)"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRecorder(t)
				s := r.follow()
				defer s.Close()
				go func() {
					time.Sleep(time.Minute)
					r.write(c.written)
					r.die()
				}()
				began := time.Now()
				err := endOf(t, s)
				require.GreaterOrEqual(t, time.Since(began), time.Minute)
				require.Less(t, time.Since(began), time.Minute+3*once)
				require.ErrorIs(t, err, session.ErrRecorderGone)
				require.NotErrorIs(t, err, io.EOF)
				var format *session.FormatError
				require.ErrorAs(t, err, &format)
				require.EqualValues(t, c.from, format.Offset)
				require.Contains(t, err.Error(), "mend this one")
				require.Contains(t, err.Error(), c.detail)
				require.NotEqual(t, session.Sealed, s.Integrity().Verdict)
			})
		})
	}
}

// endOfBlock returns where the block that holds a byte of its text ends, for a journal record.
func endOfBlock(file []byte, text int) int {
	length := little().order.Uint32(file[text-16:])
	return text - 20 + int(length)
}

// blockBefore returns where the block that ends at a place begins.
func blockBefore(file []byte, end int) int { return end - int(little().order.Uint32(file[end-4:])) }

// What was read and is not there any more ends the following: nobody can say what is true then.
func TestTailWhereTheFileChanges(t *testing.T) {
	for name, c := range map[string]struct {
		change func(path string) error
		want   error
	}{
		"cut to nothing":   {func(path string) error { return os.Truncate(path, 0) }, session.ErrCutBack},
		"cut by a byte":    {func(path string) error { return cutBy(path, 1) }, session.ErrCutBack},
		"removed":          {os.Remove, session.ErrReplaced},
		"moved":            {func(path string) error { return os.Rename(path, path+"-old") }, session.ErrReplaced},
		"another moved in": {replace, session.ErrReplaced},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRecorder(t)
				r.write(little().can("can0").packet(0, moment, plain, -1).b)
				s := r.follow()
				defer s.Close()
				next(t, s)
				go func() {
					time.Sleep(time.Minute)
					require.NoError(t, c.change(r.path))
				}()
				began := time.Now()
				require.ErrorIs(t, endOf(t, s), c.want)
				require.Less(t, time.Since(began), time.Minute+once)
				r.die()
			})
		})
	}
}

func cutBy(path string, bytes int64) error {
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	return os.Truncate(path, info.Size()-bytes)
}

// replace puts another file of the same content in the place of one.
func replace(path string) error {
	content, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	return errors.Join(os.WriteFile(path+"-new", content, 0o600), os.Rename(path+"-new", path))
}

// A finished recording may be moved at once; that is its end and no change.
func TestTailOfAFileThatIsMovedAtItsEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRecorder(t)
		s := r.follow()
		defer s.Close()
		go func() {
			time.Sleep(time.Minute)
			r.write(smallSession(t, 3))
			r.die()
			require.NoError(t, os.Rename(r.path, r.path+"-archive"))
		}()
		got := drain(t, s)
		require.NoError(t, got.err)
		require.Len(t, got.frames, 3)
	})
}

// Bytes that are no block end a follower with an error: a reader of a finished file stops there as at an
// end, and here that would look like one.
func TestTailWhereTheFramingIsBroken(t *testing.T) {
	packet := little().can("can0").packet(0, moment, plain, -1).b
	for name, c := range map[string]struct {
		file []byte
		want error
	}{
		"no length":   {append(slices.Clone(packet), make([]byte, 12)...), session.ErrZeros},
		"two lengths": {append(slices.Clone(packet[:len(packet)-4]), 1, 1, 1, 1), session.ErrTrailer},
		"no capture":  {[]byte("twelve bytes and more"), session.ErrNotCapture},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRecorder(t)
				r.write(c.file)
				s := r.follow()
				defer s.Close()
				require.ErrorIs(t, endOf(t, s), c.want)
				r.die()
			})
		})
	}
}

// That ctx is done ends the wait at once, and loses nothing.
func TestTailIsCancelled(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRecorder(t)
		r.write(little().can("can0").packet(0, moment, plain, -1).b)
		s := r.follow()
		defer s.Close()
		next(t, s)
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute+time.Millisecond)
		defer cancel()
		began, b := time.Now(), capture.NewBatch()
		require.ErrorIs(t, s.Next(ctx, b), context.DeadlineExceeded)
		require.Equal(t, time.Minute+time.Millisecond, time.Since(began))
		require.Empty(t, b.Frames)
		r.write((&build{order: little().order}).packet(0, moment, plain, -1).b)
		got, waited := next(t, s)
		require.Len(t, got.Frames, 1)
		require.Zero(t, waited)
		r.die()
	})
}

// A screen is told when it has all that there is, also where that fills a batch to its last place, and
// where the next block is there in part.
func TestTailCaughtUp(t *testing.T) {
	packet := (&build{order: little().order}).packet(0, moment, plain, -1).b
	for name, c := range map[string]struct {
		frames int
		torn   int   // bytes of another packet
		left   []int // frames that are left to be delivered, after each batch
	}{
		"one":                          {1, 0, []int{0}},
		"one and a torn one":           {1, 43, []int{0}},
		"a batch":                      {256, 0, []int{0}},
		"a batch and a torn one":       {256, 12, []int{0}},
		"a batch and one":              {257, 0, []int{1, 0}},
		"three batches and a torn one": {768, 20, []int{512, 256, 0}},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRecorder(t)
				r.write(little().can("can0").b)
				r.write(bytes.Repeat(packet, c.frames))
				r.write(packet[:c.torn])
				s := r.follow()
				require.False(t, s.CaughtUp())
				for _, left := range c.left {
					next(t, s)
					require.Equal(t, left == 0, s.CaughtUp())
					require.EqualValues(t, left*len(packet)+c.torn, s.Behind())
				}
				r.write(packet[c.torn:])
				require.False(t, s.CaughtUp(), "more was written")
				_, waited := next(t, s)
				require.Zero(t, waited)
				require.True(t, s.CaughtUp())
				require.NoError(t, s.Close())
				require.False(t, s.CaughtUp(), "nobody knows any more")
				require.EqualValues(t, -1, s.Behind())
				r.die()
			})
		})
	}
}

// A finished file is followed to its end, in whatever way it is read.
func TestTailConformance(t *testing.T) {
	whole := smallSession(t, 300)
	for name, file := range map[string][]byte{"finished": whole, "cut short": whole[:len(whole)-9], "broken": append(slices.Clone(whole), make([]byte, 40)...)} {
		t.Run(name, func(t *testing.T) {
			path := onDisk(t, file)
			sourcetest.Run(t, func(t *testing.T) capture.Source {
				s, err := session.Tail(path, session.WithoutDigest())
				require.NoError(t, err)
				t.Cleanup(func() { s.Close() })
				return s
			})
		})
	}
}

func TestTailRefuses(t *testing.T) {
	_, err := session.Tail(t.TempDir())
	require.ErrorIs(t, err, session.ErrNotRegular)
	_, err = session.Tail(filepath.Join(t.TempDir(), "none"))
	require.ErrorIs(t, err, fs.ErrNotExist)
}
