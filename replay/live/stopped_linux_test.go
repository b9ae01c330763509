package live

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"ridewitness/capture"
	"ridewitness/capture/recorder"
	"ridewitness/capture/session"
	"ridewitness/replay/terminal"
	"ridewitness/replay/terminal/ptytest"
	"ridewitness/safety"
)

// stoppedTerminal returns a terminal that takes nothing: nobody reads its other side, and it is full.
func stoppedTerminal(t *testing.T) *os.File {
	t.Helper()
	_, line := ptytest.Pair(t)
	fd, err := unix.Open(line.Name(), unix.O_WRONLY|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
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

// parted is a source whose second part comes once somebody says so.
type parted struct {
	first, second *capture.Slice
	more          chan struct{}
}

// Next implements capture.Source.
func (p *parted) Next(ctx context.Context, into *capture.Batch) error {
	if err := p.first.Next(ctx, into); !errors.Is(err, io.EOF) {
		return err
	}
	<-p.more
	return p.second.Next(ctx, into)
}

// person reads a terminal.
type person struct {
	mu   sync.Mutex
	text strings.Builder
}

func (p *person) read(hand *os.File) {
	buf := make([]byte, 4096)
	for {
		n, err := hand.Read(buf)
		if err != nil {
			return
		}
		p.mu.Lock()
		p.text.Write(buf[:n])
		p.mu.Unlock()
	}
}

func (p *person) seen() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.text.String()
}

// HAZARDS H05: Ctrl-S stops no warning, neither on a screen nor in lines.
func TestHazard05CtrlSStopsNoWarning(t *testing.T) {
	for name, full := range map[string]bool{"on a screen": true, "in lines": false} {
		t.Run(name, func(t *testing.T) {
			j := simulated(t, "early")
			pipe, err := safety.NewPipeline(j.Signals, j.Card, nil)
			require.NoError(t, err)
			hand, line := ptytest.Pair(t)
			var p person
			go p.read(hand)
			source := &parted{first: j.until(untilDown), second: j.between(untilDown, untilDown+time.Minute), more: make(chan struct{})}
			heard, keep := NewStream(source, j.start()), &ledger{}
			d := New(Options{Pipeline: pipe, Now: heard.Now, Keep: keep, Elsewhere: true, Facts: terminal.Facts{Origin: "simulated", Start: j.start()},
				Terminal: terminal.Terminal{In: line, Out: line, Full: full, Bell: true, Typed: true}})
			done := make(chan error, 1)
			go func() { done <- d.Run(t.Context(), heard) }()

			soon := func(what string, is func() bool) {
				t.Helper()
				require.Eventually(t, is, 20*time.Second, 10*time.Millisecond, what)
			}
			soon("the last before the descent", func() bool { return strings.Contains(p.seen(), "going-down") })
			_, err = hand.WriteString("\x13g\r")
			require.NoError(t, err)
			soon("the key behind Ctrl-S", func() bool {
				return slices.ContainsFunc(keep.marks(t, j.start()), func(m string) bool { return strings.Contains(m, safety.MarkGoingDown) })
			})
			before := len(p.seen())
			close(source.more)
			require.NoError(t, <-done)
			soon("the warning", func() bool {
				_, rung, _ := strings.Cut(p.seen()[before:], "\a")
				return strings.Contains(rung, "STOP LOWERING") || strings.Contains(rung, "DANGER") // which, depends on how fast it comes
			})
		})
	}
}
