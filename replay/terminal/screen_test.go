package terminal

import (
	"context"
	"io"
	"maps"
	"regexp"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

// glass is a terminal of the test: it understands the few sequences that a Screen writes, and keeps
// what it shows.
type glass struct {
	mu            sync.Mutex
	width, height int
	rows          [][]rune
	x, y          int
	writes        []string
	modes         map[string]bool
	hold          chan struct{} // while it is there, writes wait for it: Ctrl-S
}

func newGlass(w, h int) *glass {
	g := &glass{modes: map[string]bool{}}
	g.resize(w, h)
	return g
}

func (g *glass) resize(w, h int) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.width, g.height = w, h
	g.rows = make([][]rune, h)
	for i := range g.rows {
		g.rows[i] = []rune(strings.Repeat("~", w)) // what was there before is not ours
	}
}

func (g *glass) size() (int, int) {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.width, g.height
}

var sequence = regexp.MustCompile(`^\x1b\[(\??[0-9;]*)([A-Za-z])`)

func (g *glass) Write(p []byte) (int, error) {
	g.mu.Lock()
	hold := g.hold
	g.mu.Unlock()
	if hold != nil {
		<-hold
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	text := string(p)
	g.writes = append(g.writes, text)
	for text != "" {
		if m := sequence.FindStringSubmatch(text); m != nil {
			g.control(m[1], m[2])
			text = text[len(m[0]):]
			continue
		}
		r := []rune(text)[0]
		text = text[len(string(r)):]
		if r == '\a' {
			continue
		}
		g.rows[g.y][g.x] = r
		g.x = min(g.x+runeCells(r), g.width-1)
	}
	return len(p), nil
}

func (g *glass) control(args, what string) {
	switch what {
	case "H":
		y, x, _ := strings.Cut(args, ";")
		g.y, g.x = number(y)-1, number(x)-1
	case "J":
		for i := range g.rows {
			g.rows[i] = []rune(strings.Repeat(" ", g.width))
		}
	case "h", "l":
		g.modes[args] = what == "h"
	}
}

func number(text string) int {
	n := 0
	for _, r := range text {
		n = 10*n + int(r-'0')
	}
	return max(n, 1)
}

func (g *glass) text() []string {
	g.mu.Lock()
	defer g.mu.Unlock()
	rows := make([]string, len(g.rows))
	for i, r := range g.rows {
		rows[i] = strings.TrimRight(string(r), " ")
	}
	return rows
}

func (g *glass) written() []string {
	g.mu.Lock()
	defer g.mu.Unlock()
	return slices.Clone(g.writes)
}

// screenOn returns a screen that writes on a glass.
func screenOn(g *glass, mode Terminal) *Screen {
	s := NewScreen(mode)
	s.out, s.size = g, g.size
	return s
}

// running runs a screen in a bubble until the test's function returns.
func running(t *testing.T, s *Screen, state func() State, do func()) {
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error)
	go func() { ended <- s.Run(ctx, state) }()
	do()
	cancel()
	require.NoError(t, <-ended)
}

// holder holds the state of a test.
type holder struct {
	mu sync.Mutex
	s  *State
}

func (h *holder) set(s *State) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.s = s
}

func (h *holder) get() State {
	h.mu.Lock()
	defer h.mu.Unlock()
	return *h.s
}

// After any run of states and sizes the terminal shows the last picture, cell by cell.
func TestScreenShowsTheLastPicture(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := newGlass(80, 24)
		h := &holder{s: calm(1)}
		running(t, screenOn(g, Terminal{Colour: true}), h.get, func() {
			for _, name := range slices.Sorted(maps.Keys(states)) {
				for _, size := range [][2]int{{80, 24}, {120, 40}, {60, 20}, {80, 24}} {
					if w, hgt := g.size(); w != size[0] || hgt != size[1] {
						g.resize(size[0], size[1])
					}
					h.set(states[name]())
					time.Sleep(2 * pictureEvery)
					require.Equal(t, Draw(states[name](), size[0], size[1], Options{}).Text(), g.text(), name)
				}
			}
		})
		require.False(t, g.modes["?1049"], "the second screen is left")
		require.True(t, g.modes["?25"], "the cursor is back")
		require.True(t, g.modes["?7"], "lines wrap again")
	})
}

func TestScreenWritesOnlyWhatChanged(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := newGlass(80, 24)
		h := &holder{s: calm(1870)}
		running(t, screenOn(g, Terminal{Colour: true}), h.get, func() {
			time.Sleep(time.Second)
			require.Len(t, g.written(), 2, "it enters, draws once, and is silent while nothing changes")
			next := calm(1870)
			next.Corners[3].Height.Last.Value += 0.1
			h.set(next)
			time.Sleep(time.Second)
			writes := g.written()
			require.Len(t, writes, 3, "one write a picture")
			require.Equal(t, 1, strings.Count(writes[2], "H"), "one row: %q", writes[2])
		})
	})
}

// At most ten pictures a second, whatever changes.
func TestScreenDrawsTenTimesASecond(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := newGlass(80, 24)
		n := 0
		running(t, screenOn(g, Terminal{}), func() State { n++; return *calm(float64(n)) }, func() { time.Sleep(10 * time.Second) })
		require.LessOrEqual(t, n, 101)
		require.Greater(t, n, 90)
	})
}

// An alarm goes out at once, in one write, the bell first and its rows before all others.
func TestHazard05AlarmIsWrittenFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := newGlass(80, 24)
		s := screenOn(g, Terminal{Colour: true, Bell: true})
		told := 0
		s.Told = func(*State) { told++ }
		h := &holder{s: bled(2014)}
		running(t, s, h.get, func() {
			time.Sleep(time.Second + pictureEvery/2)
			before, now := len(g.written()), time.Now()
			h.set(comingDown())
			s.Alarm(*comingDown())
			synctest.Wait()
			require.Zero(t, time.Since(now), "no tick passes")
			alarm := g.written()[before]
			require.True(t, strings.HasPrefix(alarm, "\a\x1b[4;1H\x1b[0;1;37;41m !! DANGER  REAR-RIGHT"), "%q", alarm)
			require.Equal(t, 1, told)
			require.Equal(t, Draw(comingDown(), 80, 24, Options{}).Text(), g.text())
		})
	})
}

// A terminal that is stopped holds up nobody, and shows the newest of all when it goes on.
func TestScreenDropsPicturesOfAStoppedTerminal(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := newGlass(80, 24)
		s := screenOn(g, Terminal{})
		var n atomic.Int64 // pictures asked for
		running(t, s, func() State { return *bled(float64(n.Add(1))) }, func() {
			time.Sleep(time.Second)
			stopped := make(chan struct{})
			g.mu.Lock()
			g.hold = stopped
			g.mu.Unlock()
			time.Sleep(time.Second)
			drawn := n.Load()
			for range 100 {
				s.Alarm(*bled(5)) // never waits
			}
			s.Alarm(*comingDown())
			time.Sleep(time.Minute)
			require.Equal(t, drawn, n.Load(), "no picture is made for a terminal that does not take it")
			g.mu.Lock()
			g.hold = nil
			g.mu.Unlock()
			before := len(g.written())
			close(stopped)
			synctest.Wait()
			require.Contains(t, strings.Join(g.written()[before:], ""), "REAR-RIGHT IS COMING DOWN")
		})
	})
}

func TestScreenEndsWithItsTerminal(t *testing.T) {
	s := NewScreen(Terminal{})
	s.out, s.size = broken{}, func() (int, int) { return 80, 24 }
	require.ErrorIs(t, s.Run(t.Context(), func() State { return *calm(1) }), io.ErrClosedPipe)
}

type broken struct{}

func (broken) Write([]byte) (int, error) { return 0, io.ErrClosedPipe }

// Without colour there are bold and reverse and nothing else, and the text is the same cell by cell.
func TestNoColour(t *testing.T) {
	colour := regexp.MustCompile(`\x1b\[[0-9;]*([34][0-7]|2)m`)
	for name, state := range states {
		var with, without strings.Builder
		p := Draw(state(), 80, 24, Options{})
		encode(&with, p, nil, true)
		encode(&without, p, nil, false)
		require.NotRegexp(t, colour, without.String(), name)
		strip := func(s string) string { return regexp.MustCompile(`\x1b\[[0-9;]*[A-Za-z]`).ReplaceAllString(s, "") }
		require.Equal(t, strip(with.String()), strip(without.String()), name)
	}
	var b strings.Builder
	encode(&b, Draw(comingDown(), 80, 24, Options{}), nil, true)
	require.Regexp(t, colour, b.String(), "and with colour there is some")
}

func TestDetectLocale(t *testing.T) {
	for want, envs := range map[bool][]map[string]string{
		true:  {{"LANG": "de_DE.UTF-8"}, {"LC_CTYPE": "C.utf8", "LANG": "C"}, {"LC_ALL": "en_US.UTF-8", "LANG": "C"}},
		false: {{}, {"LANG": "C"}, {"LC_ALL": "POSIX", "LANG": "en_US.UTF-8"}, {"LC_CTYPE": "de_DE.ISO-8859-1"}},
	} {
		for _, env := range envs {
			require.Equal(t, want, utf8Locale(func(k string) string { return env[k] }), env)
		}
	}
}

func TestKeysLeaveSequencesOut(t *testing.T) {
	for text, want := range map[string]string{
		"a b":          "a b",
		"\x1b[Aq":      "q",  // an arrow
		"\x1b[1;5Cq":   "q",  // with Ctrl
		"\x1bOPq":      "q",  // a function key
		"\x1b[200~n":   "n",  // the beginning of a paste
		"\x1bxq":       "q",  // with Alt
		"\x1b\x1b[Bqq": "qq", // Escape, then an arrow
	} {
		var seq escape
		got := ""
		for _, b := range []byte(text) {
			if !seq.skips(b) {
				got += string(b)
			}
		}
		require.Equal(t, want, got, "%q", text)
	}
}
