package terminal

import (
	"context"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"ridewitness/replay"
	"ridewitness/replay/terminal/ptytest"
	"ridewitness/safety"
)

// pair is a pseudo-terminal of the kernel: hand is the side of the person, line that of the program.
type pair struct {
	hand, line *os.File

	mu   sync.Mutex
	text strings.Builder
	more chan struct{}

	ended chan struct{} // closed when nothing more can come
}

func newPair(t testing.TB, width, height uint16) *pair {
	t.Helper()
	hand, line := ptytest.Pair(t)
	p := &pair{hand: hand, line: line, more: make(chan struct{}, 1), ended: make(chan struct{})}
	p.resize(t, width, height)
	go func() {
		defer close(p.ended)
		p.read()
	}()
	t.Cleanup(func() {
		line.Close()
		<-p.ended // the kernel ends the hand's reads when the line is closed
		hand.Close()
	})
	return p
}

func (p *pair) read() {
	buf := make([]byte, 4096)
	for {
		n, err := p.hand.Read(buf)
		if err != nil {
			return
		}
		p.mu.Lock()
		p.text.Write(buf[:n])
		p.mu.Unlock()
		select {
		case p.more <- struct{}{}:
		default:
		}
	}
}

// rest returns what nobody waited for, once the line is closed.
func (p *pair) rest() string {
	<-p.ended
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.text.String()
}

func (p *pair) resize(t testing.TB, width, height uint16) {
	t.Helper()
	require.NoError(t, unix.IoctlSetWinsize(int(p.hand.Fd()), unix.TIOCSWINSZ, &unix.Winsize{Col: width, Row: height}))
}

// wait waits until want was written after what the last wait found.
func (p *pair) wait(t testing.TB, want string) {
	t.Helper()
	for {
		p.mu.Lock()
		text := p.text.String()
		_, rest, found := strings.Cut(text, want)
		if found {
			p.text.Reset()
			p.text.WriteString(rest)
		}
		p.mu.Unlock()
		if found {
			return
		}
		select {
		case <-p.more:
		case <-time.After(20 * time.Second):
			t.Fatalf("%q never came, but %q", want, text[max(0, len(text)-2000):])
		}
	}
}

func (p *pair) press(t *testing.T, keys string) {
	t.Helper()
	_, err := p.hand.WriteString(keys)
	require.NoError(t, err)
}

func (p *pair) settings(t *testing.T) unix.Termios {
	t.Helper()
	s, err := unix.IoctlGetTermios(int(p.line.Fd()), unix.TCGETS)
	require.NoError(t, err)
	return *s
}

func colours(name string) string {
	return map[string]string{"TERM": "xterm-256color", "LANG": "C.UTF-8"}[name]
}

// played is a showing in the background.
type played struct {
	pipe *safety.Pipeline
	err  error
}

func (p *pair) play(ctx context.Context, sh Show) chan played {
	ended := make(chan played, 1)
	go func() {
		pipe, err := sh.Play(ctx)
		ended <- played{pipe, err}
	}()
	return ended
}

// A whole evening at the terminal: it draws, is resized in the middle of a danger, steered, ended
// with Ctrl-C, and the terminal is as it was.
func TestPlayOnATerminal(t *testing.T) {
	p := newPair(t, 80, 24)
	before := p.settings(t)
	r := job(t, "early")
	src, _ := r.open()
	pipe, err := r.pipeline()
	require.NoError(t, err)
	survey, err := replay.Look(t.Context(), src, pipe)
	require.NoError(t, err)
	sh := r.show()
	sh.Survey, sh.Speed, sh.Hold, sh.Paused = &survey, 1, true, true
	sh.Terminal = Detect(p.line, p.line, colours, false)
	require.True(t, sh.Terminal.Full && sh.Terminal.Colour && !sh.Terminal.ASCII)
	ended := p.play(t.Context(), sh)
	p.wait(t, "SIMULATION paused")
	require.NotEqual(t, before, p.settings(t), "single keys come without Enter")
	p.press(t, "f++ ")
	p.wait(t, "REAR-RIGHT IS COMING DOWN ON AN EMPTY SPRING")
	p.resize(t, 60, 20)
	p.wait(t, clearAll)
	p.wait(t, "REAR-RIGHT IS COMING DOWN ON AN EMPTY SPRING")
	p.press(t, "\x1a")
	p.wait(t, "Ctrl-Z does nothing here")
	p.press(t, "\x1b[A\x03")
	p.wait(t, "\x1b[?1049l")
	end := <-ended
	require.NoError(t, end.err)
	require.Equal(t, before, p.settings(t), "echo, lines and signals are back")
	p.wait(t, "DANGER rear-right came down on an empty spring.")
	p.wait(t, "Witness, not an interlock.")
}

// To the end, held until a key, then again from the beginning, then left.
func TestPlayHoldsTheLastPicture(t *testing.T) {
	p := newPair(t, 80, 24)
	sh := job(t, "early").show()
	sh.Hold = true
	sh.Terminal = Detect(p.line, p.line, colours, false)
	ended := p.play(t.Context(), sh)
	p.wait(t, "SIMULATION ended")
	p.press(t, "q")
	end := <-ended
	require.NoError(t, end.err)
	require.Contains(t, broke(end.pipe), "lowered-without-pressure rear-right")
}

// Whoever leaves a demonstration early misses the picture, not the verdict.
func TestDemoOnATerminal(t *testing.T) {
	p := newPair(t, 80, 24)
	sh := job(t, "early").show()
	sh.Facts.Mode, sh.Facts.Keys = Live, nil // forgotten
	sh.Terminal = Detect(p.line, p.line, colours, false)
	ended := make(chan played, 1)
	go func() {
		pipe, err := Demo(t.Context(), sh, time.Hour)
		ended <- played{pipe, err}
	}()
	p.wait(t, "SIMULATION 1x")
	p.press(t, "q")
	end := <-ended
	require.NoError(t, end.err)
	require.Contains(t, broke(end.pipe), "lowered-without-pressure rear-right")
}

// A locale without UTF-8 gets ASCII, the last lines included.
func TestPlayWithoutUTF8(t *testing.T) {
	p := newPair(t, 80, 24)
	sh := job(t, "early").show()
	sh.Terminal = Detect(p.line, p.line, func(name string) string { return map[string]string{"TERM": "xterm", "LANG": "C"}[name] }, false)
	end := <-p.play(t.Context(), sh)
	require.NoError(t, end.err)
	p.line.Close()
	for _, r := range p.rest() {
		require.Less(t, r, rune(0x80))
	}
}

// From the call of the alarm to the end of its write on a pseudo-terminal: the screen's part of the
// way from a frame to a warning.
func BenchmarkAlarm(b *testing.B) {
	p := newPair(b, 80, 24)
	s := NewScreen(Detect(p.line, p.line, colours, false))
	told := make(chan struct{}, 1)
	s.Told = func(*State) { told <- struct{}{} }
	ctx, cancel := context.WithCancel(b.Context())
	ended := make(chan error)
	go func() { ended <- s.Run(ctx, func() State { return *bled(2014) }) }()
	p.wait(b, "Do not lower")
	for b.Loop() {
		s.Alarm(*comingDown())
		<-told
	}
	cancel()
	if err := <-ended; err != nil {
		b.Fatal(err)
	}
}

func TestPlayIsEndedFromOutside(t *testing.T) {
	p := newPair(t, 80, 24)
	before := p.settings(t)
	sh := job(t, "early").show()
	sh.Paused, sh.Speed = true, 1
	sh.Terminal = Detect(p.line, p.line, colours, false)
	ctx, cancel := context.WithCancel(t.Context())
	ended := p.play(ctx, sh)
	p.wait(t, "SIMULATION paused")
	cancel()
	require.ErrorIs(t, (<-ended).err, context.Canceled)
	require.Equal(t, before, p.settings(t))
	p.wait(t, "\x1b[?25h")
}

func TestDetectTerminal(t *testing.T) {
	p := newPair(t, 80, 24)
	for name, c := range map[string]struct {
		env                 map[string]string
		plain, full, colour bool
	}{
		"colours":             {map[string]string{"TERM": "xterm"}, false, true, true},
		"NO_COLOR":            {map[string]string{"TERM": "xterm", "NO_COLOR": "1"}, false, true, false},
		"NO_COLOR, but empty": {map[string]string{"TERM": "xterm", "NO_COLOR": ""}, false, true, true},
		"dumb":                {map[string]string{"TERM": "dumb"}, false, false, false},
		"no TERM":             {nil, false, false, false},
		"an old one":          {map[string]string{"TERM": "vt100"}, false, true, false},
		"--plain":             {map[string]string{"TERM": "xterm"}, true, false, false},
	} {
		t.Run(name, func(t *testing.T) {
			got := Detect(p.line, p.line, func(k string) string { return c.env[k] }, c.plain)
			require.Equal(t, c.full, got.Full)
			require.Equal(t, c.colour, got.Colour)
		})
	}
}
