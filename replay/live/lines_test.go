package live

import (
	"bufio"
	"io"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/replay/terminal"
	"ridewitness/safety"
)

// piped runs a desk over a whole job with lines into a pipe; read is given the pipe's other end.
func piped(t *testing.T, j *job, bell bool, read func(*os.File)) *ledger {
	t.Helper()
	pipe, err := safety.NewPipeline(j.Signals, j.Card, nil)
	require.NoError(t, err)
	r, w, err := os.Pipe()
	require.NoError(t, err)
	done := make(chan struct{})
	go func() { defer close(done); read(r) }()
	keep := &ledger{}
	stream := NewStream(j.until(time.Hour), j.start())
	d := New(Options{Pipeline: pipe, Now: stream.Now, Keep: keep, Elsewhere: true, Terminal: terminal.Terminal{Out: w, Bell: bell},
		Facts: terminal.Facts{Origin: "simulated", Start: j.start()}})
	require.NoError(t, d.Run(t.Context(), stream))
	require.NoError(t, w.Close())
	<-done
	require.NoError(t, r.Close())
	return keep
}

func TestLinesOfARecording(t *testing.T) {
	var text strings.Builder
	keep := piped(t, simulated(t, "early"), true, func(r *os.File) { _, _ = io.Copy(&text, r) })
	require.Contains(t, text.String(), terminal.Caution)
	require.Contains(t, text.String(), "DANGER rear-right is coming down on an empty spring. Stop lowering.")
	require.Contains(t, text.String(), "\a", "the bell")
	w := first[session.WarningRecord](t, keep.of(session.KindWarning))
	require.NotNil(t, w.ToldMS)
}

// TestAReaderThatStopsHoldsUpNothing: nobody takes the lines, and the job is judged to its end.
func TestAReaderThatStopsHoldsUpNothing(t *testing.T) {
	for name, read := range map[string]func(*os.File){
		"who goes away":     func(r *os.File) { _, _ = bufio.NewReader(r).ReadString('\n'); r.Close() },
		"who reads nothing": func(*os.File) {},
	} {
		t.Run(name, func(t *testing.T) {
			j := simulated(t, "early")
			pipe, err := safety.NewPipeline(j.Signals, j.Card, nil)
			require.NoError(t, err)
			r, w, err := os.Pipe()
			require.NoError(t, err)
			defer r.Close()
			defer w.Close()
			for full := make([]byte, 1<<16); ; { // no room for a single line
				require.NoError(t, w.SetWriteDeadline(time.Now().Add(10*time.Millisecond)))
				if _, err := w.Write(full); err != nil {
					break
				}
			}
			require.NoError(t, w.SetWriteDeadline(time.Time{}))
			go read(r)
			keep := &ledger{}
			stream := NewStream(j.until(time.Hour), j.start())
			d := New(Options{Pipeline: pipe, Now: stream.Now, Keep: keep, Elsewhere: true, Terminal: terminal.Terminal{Out: w}})
			require.NoError(t, d.Run(t.Context(), stream))
			require.NotEmpty(t, keep.of(session.KindWarning), "on record all the same")
			require.Equal(t, j.Whole.Frames[len(j.Whole.Frames)-1].At.Sub(pipe.Judge.Now()).Round(time.Second), time.Duration(0))
		})
	}
}

var _ capture.Source = (*Stream)(nil)
