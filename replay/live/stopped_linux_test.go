package live

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"ridewitness/capture"
	"ridewitness/capture/recorder"
	"ridewitness/capture/session"
	"ridewitness/replay/terminal"
	"ridewitness/safety"
)

// stoppedTerminal returns a terminal that takes nothing: nobody reads its other side (pts(4)), and it is
// full.
func stoppedTerminal(t *testing.T) *os.File {
	t.Helper()
	hand, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	require.NoError(t, err)
	t.Cleanup(func() { hand.Close() }) // whoever hangs in a write is let go
	require.NoError(t, unix.IoctlSetPointerInt(int(hand.Fd()), unix.TIOCSPTLCK, 0))
	n, err := unix.IoctlGetInt(int(hand.Fd()), unix.TIOCGPTN)
	require.NoError(t, err)
	name := fmt.Sprintf("/dev/pts/%d", n)
	line, err := os.OpenFile(name, os.O_RDWR|unix.O_NOCTTY, 0)
	require.NoError(t, err)
	t.Cleanup(func() { line.Close() })
	fd, err := unix.Open(name, unix.O_WRONLY|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	require.NoError(t, err)
	defer unix.Close(fd)
	for err == nil {
		_, err = unix.Write(fd, make([]byte, 1<<10))
	}
	for err = nil; err == nil; { // the last bytes
		_, err = unix.Write(fd, []byte{' '})
	}
	require.ErrorIs(t, err, unix.EAGAIN)
	return line
}

// HAZARDS H05: a terminal that was stopped holds up neither the file nor the judge. The warning is on
// record, without a claim that anybody was told.
func TestHazard05AStoppedTerminalHoldsUpNothing(t *testing.T) {
	j := simulated(t, "early")
	pipe, err := safety.NewPipeline(j.Signals, j.Card, nil)
	require.NoError(t, err)
	line := stoppedTerminal(t)
	path := filepath.Join(t.TempDir(), "job.pcapng")
	whole := j.until(24 * time.Hour)
	frames := len(whole.Frames)
	rec, err := recorder.New(whole, recorder.Options{
		Head:  session.SessionRecord{Origin: session.OriginSimulated},
		Files: func(int) (session.File, string, error) { f, err := session.Create(path); return f, path, err },
		Now:   func() capture.Stamp { return j.start() }, Patient: true,
	})
	require.NoError(t, err)
	ear := rec.Listen()
	heard := NewStream(ear, j.start())
	d := New(Options{Pipeline: pipe, Now: heard.Now, Keep: rec, Elsewhere: true, Facts: terminal.Facts{Origin: "simulated", Start: j.start()},
		Terminal: terminal.Terminal{In: line, Out: line, Full: true, Colour: true, Bell: true}})
	written := make(chan error, 1)
	go func() { written <- rec.Run(t.Context()) }()
	require.NoError(t, d.Run(t.Context(), heard))
	ear.Close()
	require.NoError(t, <-written)

	r, err := session.Open(path)
	require.NoError(t, err)
	defer r.Close()
	var warnings []session.WarningRecord
	require.NoError(t, capture.Each(t.Context(), r, func(b *capture.Batch) {
		frames -= len(b.Frames)
		for i := range b.Events {
			if b.Events[i].Name == session.KindWarning {
				warnings = append(warnings, first[session.WarningRecord](t, []entry{{body: b.Events[i].Body}}))
			}
		}
	}))
	require.Zero(t, frames, "of the job are missing")
	require.Equal(t, session.Sealed, r.Integrity().Verdict, r.Integrity().Why)
	require.NotEmpty(t, warnings)
	require.Equal(t, "lowered-without-pressure", warnings[0].Rule)
	for _, w := range warnings {
		require.Nil(t, w.ToldMS, "nobody was told")
	}
}
