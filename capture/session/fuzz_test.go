package session_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/session"
)

// seeds gives a fuzz target the hand-made files, a session of our own and the beginnings of others.
func seeds(f *testing.F) {
	f.Helper()
	f.Add(handA(f))
	f.Add(handB(f))
	f.Add(handAB(f))
	f.Add(smallSession(f, 7))
	f.Add(unended(f))
	f.Add(little().can("can0").packet(0, moment, plain, 16).packet(4, 1, nil, -1).b)
	f.Add(little().can("can0").journal(moment, `{"kind":"mark","name":"tape","value":"391 mm"}`).b)
	f.Add(unhex(f, `d4 c3 b2 a1 02 00 04 00 00 00 00 00 00 00 00 00 00 00 04 00 e3 00 00 00 dd 54 a5 69 40 e2 01 00
		0c 00 00 00 0c 00 00 00 00 00 04 a1 04 00 00 00 00 50 1f ff`))
}

// FuzzReader: whatever the bytes are, reading ends; an error names its place; what was read can be
// written, and what was written is read again.
func FuzzReader(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, file []byte) {
		got := read(t, file)
		if got.err != nil {
			var format *session.FormatError
			require.ErrorAs(t, got.err, &format)
			require.LessOrEqual(t, format.Offset, int64(len(file)))
		}
		require.LessOrEqual(t, got.integrity.Proven.Offset, int64(len(file)))
		require.LessOrEqual(t, got.integrity.Kept.Offset, int64(len(file)))
		writeAgain(t, got)
	})
}

// writeAgain holds that what was read fits into a file of our own. Untimed frames of a bus that is not
// the file's first have no place in one, so only their absence may differ.
func writeAgain(t *testing.T, c content) {
	t.Helper()
	var d disk
	w, err := session.NewWriter(&d, start, session.SessionRecord{})
	require.NoError(t, err)
	require.NoError(t, w.Write(&capture.Batch{Frames: c.frames, Events: c.events}))
	require.NoError(t, w.Close(start))
	again := read(t, d.Bytes())
	require.Equal(t, session.Sealed, again.integrity.Verdict, again.integrity.Why)
	require.Equal(t, timed(c.frames), timed(again.frames))
}

// timed returns the timed frames without their packet numbers.
func timed(frames []capture.Frame) []capture.Frame {
	all := []capture.Frame{}
	for _, f := range frames {
		if !f.Flags.Has(capture.Untimed) {
			f.Packet = 0
			all = append(all, f)
		}
	}
	return all
}

// FuzzLocate: the walk over headers and the full reading agree about every packet.
func FuzzLocate(f *testing.F) {
	seeds(f)
	folder := f.TempDir()
	f.Fuzz(func(t *testing.T, file []byte) {
		path := filepath.Join(folder, "fuzz.pcapng")
		require.NoError(t, os.WriteFile(path, file, 0o644))
		whole := read(t, file, session.WithoutDigest())
		for i := range whole.frames[:min(len(whole.frames), 8)] {
			got, err := session.Locate(t.Context(), path, whole.frames[i].Packet)
			require.NoError(t, err)
			require.NotNil(t, got.Frame)
			require.Equal(t, whole.frames[i], *got.Frame)
			require.True(t, bytes.HasPrefix(file[got.Offset:], got.Block))
		}
		_, err := session.Locate(t.Context(), path, 1<<40)
		require.Error(t, err)
	})
}

// FuzzMend: a copy that was mended is sealed, and its frames are the first ones of its source.
func FuzzMend(f *testing.F) {
	seeds(f)
	folder := f.TempDir()
	f.Fuzz(func(t *testing.T, file []byte) {
		in, out := filepath.Join(folder, "in.pcapng"), filepath.Join(folder, "out.pcapng")
		require.NoError(t, os.WriteFile(in, file, 0o644))
		os.Remove(out)
		if _, err := session.Mend(in, out); err != nil {
			_, err := os.Lstat(out)
			require.True(t, errors.Is(err, os.ErrNotExist), "no half output")
			return
		}
		mended, err := os.ReadFile(out)
		require.NoError(t, err)
		source, got := read(t, file), read(t, mended)
		require.Contains(t, []session.Verdict{session.Sealed, session.Unsealed}, got.integrity.Verdict, got.integrity.Why)
		require.True(t, slices.Equal(source.frames[:len(got.frames)], got.frames))
	})
}

// FuzzAppend: a file takes an addition, which is then in it with the number that was told and sealed
// where all of it is vouched for, or stays as it was.
func FuzzAppend(f *testing.F) {
	seeds(f)
	folder := f.TempDir()
	f.Fuzz(func(t *testing.T, file []byte) {
		path := filepath.Join(folder, "append.pcapng")
		require.NoError(t, os.WriteFile(path, file, 0o644))
		numbers, err := session.Append(path, mark(tick(2), "bled"))
		after, readErr := os.ReadFile(path)
		require.NoError(t, readErr)
		require.True(t, bytes.HasPrefix(after, file))
		if err != nil {
			require.Len(t, after, len(file))
			return
		}
		got := read(t, after)
		require.Contains(t, []session.Verdict{session.Sealed, session.Unsealed}, got.integrity.Verdict, got.integrity.Why)
		require.Equal(t, read(t, file).frames, got.frames)
		records := got.of(capture.EventJournal)
		require.GreaterOrEqual(t, len(records), 2)
		require.Equal(t, numbers[0], records[len(records)-2].Record, "in front of the seal")
		s, err := session.Open(path)
		require.NoError(t, err)
		defer s.Close()
		require.Len(t, drain(t, s).of(capture.EventJournal), len(records), "each record comes once")
	})
}
