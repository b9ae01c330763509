//go:build linux || darwin || freebsd || netbsd || openbsd || dragonfly

package session

import (
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

// ended makes a finished session in a fresh folder.
func ended(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "a.pcapng")
	f, err := Create(path)
	require.NoError(t, err)
	w, err := NewWriter(f, 1e18, SessionRecord{Origin: OriginVirtual})
	require.NoError(t, err)
	require.NoError(t, w.Close(1e18))
	return path
}

// bled is something to add.
var bled = Addition{At: 1e18, Record: MarkRecord{Kind: KindMark, Name: "bled"}}

// Whoever would write to a session that is being recorded is told so, and the file stays as it is.
func TestBusyWhileItIsRecorded(t *testing.T) {
	path := ended(t)
	recorder, _, err := Continue(path)
	require.NoError(t, err)
	before, err := os.ReadFile(path)
	require.NoError(t, err)
	for name, write := range map[string]func() error{
		"append":   func() error { _, err := Append(path, bled); return err },
		"continue": func() error { _, _, err := Continue(path); return err },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				began := time.Now()
				err := write()
				require.ErrorIs(t, err, ErrBusy)
				require.EqualError(t, err, path+": byte 0: file: somebody else is writing to it")
				require.Zero(t, time.Since(began), "a mark is not held up")
			})
		})
	}
	after, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, before, after)
	require.NoError(t, recorder.Close())
	_, err = Append(path, bled)
	require.NoError(t, err, "once the recorder is gone there is room for others")
}

// Who looks at the lock of a file holds it for an instant. A writer that comes in that instant waits for
// it and does not fail.
func TestALookAtTheLockFailsNobody(t *testing.T) {
	for name, write := range map[string]func(path string) error{
		"append": func(path string) error { _, err := Append(path, bled); return err },
		"continue": func(path string) error {
			f, _, err := Continue(path)
			if err == nil {
				err = f.Close()
			}
			return err
		},
	} {
		t.Run(name, func(t *testing.T) {
			path := ended(t)
			synctest.Test(t, func(t *testing.T) {
				onlooker, err := os.Open(path)
				require.NoError(t, err)
				defer onlooker.Close()
				require.NoError(t, syscall.Flock(int(onlooker.Fd()), syscall.LOCK_SH|syscall.LOCK_NB))
				given := make(chan error, 1)
				go func() {
					time.Sleep(2 * lockPause)
					given <- syscall.Flock(int(onlooker.Fd()), syscall.LOCK_UN)
				}()
				require.NoError(t, write(path))
				require.NoError(t, <-given)
			})
		})
	}
}

// Who looks for ever is not waited for.
func TestAnOnlookerThatStays(t *testing.T) {
	path := ended(t)
	synctest.Test(t, func(t *testing.T) {
		onlooker := openAgain(t, path)
		require.NoError(t, syscall.Flock(int(onlooker.Fd()), syscall.LOCK_SH|syscall.LOCK_NB))
		_, err := Append(path, bled)
		require.ErrorIs(t, err, ErrBusy)
	})
}

func TestUnlocked(t *testing.T) {
	path := ended(t)
	first, second := openAgain(t, path), openAgain(t, path)
	require.True(t, unlocked(first))
	require.True(t, unlocked(second), "a look leaves nothing behind")
	require.NoError(t, lock(first))
	require.False(t, unlocked(second))
	require.ErrorIs(t, lock(second), ErrBusy, "and takes nothing away")
}
