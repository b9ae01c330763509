package terminal

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"golang.org/x/term"
)

// Hold is what a screen shows and asks while some work lasts. All but Work are called from other
// goroutines.
type Hold struct {
	State func() State
	Press func(key byte)
	Lost  func() // the terminal takes nothing any more; nil: nobody minds
	Work  func(ctx context.Context) error
}

// Hold takes the terminal for as long as the work lasts, and leaves it as it was, with the last facts as
// plain lines. The second error is that of the work, the first that of a terminal which went away
// meanwhile.
func (s *Screen) Hold(ctx context.Context, h Hold) (drawn, err error) {
	in := int(s.mode.In.Fd())
	before, err := term.MakeRaw(in)
	if err != nil {
		return nil, fmt.Errorf("the terminal takes no single keys: %w", err)
	}
	defer term.Restore(in, before)

	showing, stop := context.WithCancel(ctx)
	shown := make(chan error, 1)
	var keys sync.WaitGroup
	go func() {
		err := s.Run(showing, h.State)
		if err != nil && h.Lost != nil {
			h.Lost()
		}
		shown <- err
	}()
	keys.Go(func() { ReadKeys(showing, s.mode.In, h.Press) })
	err = h.Work(ctx)
	last := h.State()
	stop()
	keys.Wait()
	select {
	case drawn = <-shown:
		_ = term.Restore(in, before)
		s.leaveFacts(&last)
	case <-time.After(leaveWait):
		drawn = errStopped // it was stopped; nothing more can be written
	}
	return drawn, err
}

// leaveWait is how long a terminal may take for the last picture.
const leaveWait = time.Second

var errStopped = errors.New("the terminal takes nothing any more")

// leaveFacts writes the facts of a state into the scrollback.
func (s *Screen) leaveFacts(last *State) {
	width, _ := s.size()
	for _, text := range LastLines(last) {
		if s.mode.ASCII {
			text = asciiText(text)
		}
		for _, row := range wrap(text, width, 2) {
			fmt.Fprintln(s.out, row)
		}
	}
}

// Ring sounds the bell. It never waits: while the terminal takes nothing, one ring waits in its place.
func (s *Screen) Ring() {
	select {
	case s.rings <- struct{}{}:
	default:
	}
}

// ring writes the bell.
func (s *Screen) ring() error {
	if !s.mode.Bell {
		return nil
	}
	_, err := io.WriteString(s.out, bell)
	return err
}
