//go:build linux || darwin || freebsd || netbsd || openbsd || dragonfly

package recorder

import (
	"errors"
	"io"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/session"
)

// Who follows the file of a recording sees each frame a flush and a look after it came, through all
// sections, and then its end.
func TestARecordingIsFollowed(t *testing.T) {
	path := filepath.Join(t.TempDir(), "live.pcapng")
	synctest.Test(t, func(t *testing.T) {
		came := make([]time.Time, 100)
		source := &numbered{frames: len(came), buses: 2, burst: 1, gate: func(n int) {
			time.Sleep(43 * time.Millisecond)
			came[n] = time.Now()
		}}
		r, err := New(source, Options{Now: now, Timing: Timing{Section: time.Second}, Files: func(int) (session.File, string, error) {
			f, err := session.Create(path)
			return f, path, err
		}})
		require.NoError(t, err)
		s, err := session.Tail(path)
		require.NoError(t, err)
		defer s.Close()
		ended := make(chan error, 1)
		go func() { ended <- r.Run(t.Context()) }()

		const flush, look = 100 * time.Millisecond, 50 * time.Millisecond
		frames, sections := 0, 0
		for b := capture.NewBatch(); ; {
			if err = s.Next(t.Context(), b); err != nil {
				break
			}
			for i := range b.Frames {
				require.Equal(t, frames, number(&b.Frames[i]))
				require.Less(t, time.Since(came[frames]), 2*flush+look, "frame %d", frames)
				frames++
			}
			for _, e := range b.Events {
				if e.Kind == capture.EventSection {
					sections++
				}
			}
		}
		require.True(t, errors.Is(err, io.EOF), err)
		require.NoError(t, <-ended)
		require.Len(t, came, frames)
		require.Equal(t, 4, sections, "4.3 s, and another section after each second")
		require.Equal(t, session.Sealed, s.Integrity().Verdict, s.Integrity().Why)
	})
}
