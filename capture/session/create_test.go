package session

import (
	"bytes"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
)

func TestCreateNeverOpensAnExistingFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.pcapng")
	require.NoError(t, os.WriteFile(path, []byte("somebody's"), 0o600))
	_, err := Create(path)
	require.ErrorIs(t, err, fs.ErrExist)
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, "somebody's", string(text))
	_, err = Create(filepath.Join(t.TempDir(), "no", "such", "folder.pcapng"))
	require.ErrorIs(t, err, fs.ErrNotExist)
}

// TestContinueRefuses what no section can stand behind, and leaves it as it is.
func TestContinueRefuses(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.pcapng")
	f, err := Create(path)
	require.NoError(t, err)
	w, err := NewWriter(f, 1e18, SessionRecord{Origin: OriginVirtual})
	require.NoError(t, err)
	require.NoError(t, w.Seal(1e18))
	if lock(openAgain(t, path)) != nil { // a system with locks
		_, _, err = Continue(path)
		require.ErrorIs(t, err, ErrBusy)
	}
	require.NoError(t, f.Sync())
	require.NoError(t, f.Close())
	before, err := os.ReadFile(path)
	require.NoError(t, err)
	_, _, err = Continue(path)
	require.ErrorIs(t, err, ErrNotEnded, "its recorder was killed: it is to be mended first")
	after, err := os.ReadFile(path)
	require.NoError(t, err)
	require.True(t, bytes.Equal(before, after))
}

// TestContinueKnowsTheEnd: what goes on must not lie before the last record, also where no packet came. The
// times are set here: a frame after 3 s, a mark after 7, the end after 9.
func TestContinueKnowsTheEnd(t *testing.T) {
	const start = capture.Stamp(1e18)
	after := func(seconds int) capture.Stamp { return start.Add(time.Duration(seconds) * time.Second) }
	for name, frames := range map[string][]capture.Frame{"frames": {{At: after(3), ID: 0x123}}, "no frame": nil} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "a.pcapng")
			f, err := Create(path)
			require.NoError(t, err)
			w, err := NewWriter(f, start, SessionRecord{Origin: OriginVirtual})
			require.NoError(t, err)
			require.NoError(t, w.Write(&capture.Batch{Frames: frames}))
			require.NoError(t, w.Journal(after(7), MarkRecord{Kind: KindMark, Name: "bled"}))
			require.NoError(t, w.Close(after(9)))
			f, end, err := Continue(path)
			require.NoError(t, err)
			require.NoError(t, f.Close())
			require.Equal(t, after(9), end.At)
		})
	}
}

func openAgain(t *testing.T, path string) *os.File {
	f, err := os.Open(path)
	require.NoError(t, err)
	t.Cleanup(func() { f.Close() })
	return f
}
