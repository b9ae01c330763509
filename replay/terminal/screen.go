package terminal

import (
	"context"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"golang.org/x/term"
)

// Terminal is what is known of the streams and of what they can show.
type Terminal struct {
	In, Out *os.File
	Full    bool // rows may be drawn; otherwise lines are written
	Colour  bool
	ASCII   bool // no UTF-8 in the locale
	Bell    bool // a danger sounds
	Typed   bool // somebody can press keys
}

// Detect looks at the streams and at the environment: NO_COLOR, TERM, LC_ALL, LC_CTYPE, LANG. plain
// asks for lines in any case.
func Detect(in, out *os.File, getenv func(string) string, plain bool) Terminal {
	kind := getenv("TERM")
	t := Terminal{In: in, Out: out, ASCII: !utf8Locale(getenv)}
	t.Full = !plain && kind != "" && kind != "dumb" && term.IsTerminal(int(in.Fd())) && term.IsTerminal(int(out.Fd()))
	t.Colour = t.Full && getenv("NO_COLOR") == "" && !strings.HasSuffix(kind, "-m") && !strings.HasSuffix(kind, "-mono") && kind != "vt100"
	return t
}

// utf8Locale reports whether the locale says UTF-8 (POSIX: LC_ALL before LC_CTYPE before LANG).
func utf8Locale(getenv func(string) string) bool {
	for _, name := range []string{"LC_ALL", "LC_CTYPE", "LANG"} {
		if v := strings.ToLower(getenv(name)); v != "" {
			return strings.Contains(v, "utf-8") || strings.Contains(v, "utf8")
		}
	}
	return false
}

// size returns columns and rows of the terminal, 80 by 24 where it does not say.
func (t *Terminal) size() (width, height int) {
	w, h, err := term.GetSize(int(t.Out.Fd()))
	if err != nil || w <= 0 || h <= 0 {
		return drawWidth, drawHeight
	}
	return w, h
}

// pictureEvery is the least time between two pictures.
const pictureEvery = 100 * time.Millisecond

// Control sequences of ECMA-48 and, for the second screen and the cursor, of the private modes that
// terminals have in common.
const (
	enter    = "\x1b[?1049h\x1b[?25l\x1b[?7l\x1b[2J"
	leave    = "\x1b[0m\x1b[?7h\x1b[?25h\x1b[?1049l"
	clearAll = "\x1b[0m\x1b[2J"
	bell     = "\a"
)

// Screen draws states on a terminal. One goroutine writes; it asks for the next state when the
// terminal has taken the last one, so a slow terminal drops pictures and nobody waits for it.
type Screen struct {
	// Told, when set, is called after an alarm was written, with the state that was.
	Told func(*State)

	out    io.Writer
	size   func() (int, int)
	mode   Terminal
	alarms chan State
	rings  chan struct{}
	shown  *Picture
}

// NewScreen returns a screen on the terminal's output; see Run.
func NewScreen(t Terminal) *Screen {
	return &Screen{out: t.Out, size: t.size, mode: t, alarms: make(chan State, 1), rings: make(chan struct{}, 1)}
}

// Alarm shows a state at once, before any picture, and sounds. It never waits: of several that the
// terminal has not taken yet, the last one is shown.
func (s *Screen) Alarm(state State) {
	for {
		select {
		case s.alarms <- state:
			return
		default:
		}
		select {
		case <-s.alarms:
		default:
		}
	}
}

// Run enters the second screen, draws until ctx is done, and leaves it. It returns the error of the
// terminal, nil when ctx ended it.
func (s *Screen) Run(ctx context.Context, state func() State) error {
	if _, err := io.WriteString(s.out, enter); err != nil {
		return err
	}
	err := s.draw(ctx, state)
	if _, last := io.WriteString(s.out, leave); err == nil {
		err = last
	}
	return err
}

func (s *Screen) draw(ctx context.Context, state func() State) error {
	tick := time.NewTicker(pictureEvery)
	defer tick.Stop()
	if err := s.show(state(), ""); err != nil {
		return err
	}
	for {
		select {
		case <-ctx.Done():
			return nil
		case st := <-s.alarms:
			if err := s.alarm(st); err != nil {
				return err
			}
			continue
		default:
		}
		select {
		case <-ctx.Done():
			return nil
		case st := <-s.alarms:
			if err := s.alarm(st); err != nil {
				return err
			}
		case <-s.rings:
			if err := s.ring(); err != nil {
				return err
			}
		case <-tick.C:
			if err := s.show(state(), ""); err != nil {
				return err
			}
		}
	}
}

func (s *Screen) alarm(st State) error {
	sound := ""
	if s.mode.Bell {
		sound = bell
	}
	err := s.show(st, sound)
	if err == nil && s.Told != nil {
		s.Told(&st)
	}
	return err
}

// show writes what differs from the picture before, in one write.
func (s *Screen) show(st State, before string) error {
	w, h := s.size()
	p := Draw(&st, w, h, Options{ASCII: s.mode.ASCII})
	var b strings.Builder
	b.WriteString(before)
	if s.shown == nil || s.shown.width != p.width || s.shown.height != p.height {
		b.WriteString(clearAll)
		s.shown = nil
	}
	encode(&b, p, s.shown, s.mode.Colour)
	s.shown = p
	if b.Len() == 0 {
		return nil
	}
	_, err := io.WriteString(s.out, b.String())
	return err
}

// encode writes the rows of p that differ from the picture before (nil: all). The rows of the band
// go first: they matter most.
func encode(b *strings.Builder, p, before *Picture, colour bool) {
	for i := range p.height {
		y := i
		switch {
		case i < bandRows && p.height > bandTop+bandRows:
			y = bandTop + i
		case i < bandTop+bandRows && p.height > bandTop+bandRows:
			y = i - bandRows
		}
		if before != nil && sameRow(p.row(y), before.row(y)) {
			continue
		}
		fmt.Fprintf(b, "\x1b[%d;1H", y+1)
		encodeRow(b, p.row(y), colour)
	}
}

func sameRow(a, b []cell) bool {
	for i := range a {
		if a[i] != b[i] {
			return false
		}
	}
	return true
}

func encodeRow(b *strings.Builder, row []cell, colour bool) {
	style := Plain
	for _, c := range row {
		if c.r == 0 {
			continue
		}
		if c.s != style {
			b.WriteString(sgr(c.s, colour))
			style = c.s
		}
		b.WriteRune(c.r)
	}
	if style != Plain {
		b.WriteString("\x1b[0m")
	}
}

// sgr returns the sequence that selects a style (ECMA-48 SELECT GRAPHIC RENDITION). Without colour
// there is bold and reverse only.
func sgr(s Style, colour bool) string {
	switch {
	case s == Bold:
		return "\x1b[0;1m"
	case s == Reverse:
		return "\x1b[0;7m"
	case s == Alarm && colour:
		return "\x1b[0;1;37;41m"
	case s == Alarm:
		return "\x1b[0;1;7m"
	case s == Dim && colour:
		return "\x1b[0;2m"
	case s == Air && colour:
		return "\x1b[0;34m"
	case s == Body && colour:
		return "\x1b[0;35m"
	default:
		return "\x1b[0m"
	}
}
