package session

import (
	"bytes"
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
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

func openAgain(t *testing.T, path string) *os.File {
	f, err := os.Open(path)
	require.NoError(t, err)
	t.Cleanup(func() { f.Close() })
	return f
}
