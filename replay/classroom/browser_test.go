package classroom

import (
	"context"
	"fmt"
	"net"
	"sync"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"ridewitness/replay/page/pagetest"
)

// served is a class that runs on the loopback address.
type served struct {
	room   *Room
	server *Server
	base   string
	stop   func()
}

// serve runs a class with a shipped lesson and the wall's own clock.
func serve(t testing.TB, name string) *served {
	t.Helper()
	return serveRoom(t, roomOf(t, name), Rate{})
}

func serveRoom(t testing.TB, room *Room, rate Rate) *served {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	s, err := NewServer(room, Options{Address: listener.Addr().String(), Open: true, Rate: rate})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(ctx, listener) }()
	stop := sync.OnceFunc(func() {
		cancel()
		require.NoError(t, <-ended)
	})
	t.Cleanup(stop)
	return &served{room, s, "http://" + listener.Addr().String(), stop}
}

func TestMain(m *testing.M) { pagetest.Main(m) }

// legible checks that no element of the list is written smaller than a share of the window's width:
// 2.6 % is 16 minutes of arc from four screen widths away, by hand with a cap height of 0.72 of the
// size: atan(0.026 x 0.72 / 4) = 0.268 degrees.
func legible(t *testing.T, p *pagetest.Tab, share float64, selectors string) {
	t.Helper()
	small := pagetest.Ask[[]string](p, fmt.Sprintf(`[...document.querySelectorAll(%q)]
		.filter(e => e.offsetParent && e.textContent.trim() && parseFloat(getComputedStyle(e).fontSize) < innerWidth * %g - 0.5)
		.map(e => e.className + " " + e.textContent + " " + getComputedStyle(e).fontSize)`, selectors, share))
	require.Empty(t, small)
}

// A class from the joining to the reveal, on a projector, the trainer's laptop and two phones, the
// second of which comes late.
func TestClassInABrowser(t *testing.T) {
	parent := pagetest.Browser(t)
	c := serve(t, "early")
	trainer := pagetest.Look(t, parent, c.base+"/t/"+c.server.token, 1280, 720)
	board := pagetest.Look(t, parent, c.server.BoardURL(), 1280, 720)
	phone := pagetest.Look(t, parent, c.server.JoinURL(), 390, 844)
	for _, p := range []*pagetest.Tab{trainer, board, phone} {
		p.Until(pagetest.Fresh)
	}
	board.Until(pagetest.Says("1 joined"))
	board.Picture("board-join")
	phone.Picture("phone-wait")
	trainer.Run(chromedp.KeyEvent(" "))
	trainer.Until(pagetest.Says("Pause"))
	board.Until(`!document.getElementById("card").offsetParent`)
	trainer.Run(chromedp.KeyEvent(kb.PageDown))
	trainer.Until(pagetest.Says("held at stop 1 of 3"))
	trainer.Picture("trainer-due")
	board.Picture("board-due")
	legible(t, board, 0.026, "header *, .corner h2 *")
	board.Inside(".corner h2", "header")
	trainer.Run(chromedp.KeyEvent("q"), chromedp.KeyEvent("q"))
	phone.Until(pagetest.Says("Tap one."))
	phone.Inside("#main", ".choice")
	phone.Picture("phone-ask")
	board.Until(pagetest.Says("What do you do?"))
	board.Picture("board-open")
	legible(t, board, 0.032, "#question")
	legible(t, board, 0.026, ".lines span:not(.bar), #count, .corner h2 *")
	board.Inside(".panel", ".corner h2")
	require.NotContains(t, board.Text(), "half a bar")
	phone.Run(chromedp.Click(`.choice:nth-child(1)`))
	phone.Until(pagetest.Says("Sent."))
	phone.Picture("phone-sent")
	trainer.Until(pagetest.Says("1 of 1"))
	trainer.Picture("trainer-open")
	trainer.Inside(".panel", ".tools")

	phone.Run(chromedp.Reload())
	phone.Until(pagetest.Says("Sent.") + ` && document.querySelector(":checked").value === "1"`)
	late := pagetest.Look(t, parent, c.server.JoinURL(), 320, 640)
	late.Until(pagetest.Says("Tap one."))
	late.Run(chromedp.Click(`.choice:nth-child(2)`))
	late.Until(pagetest.Says("Sent."))
	late.Inside("#main")
	late.Picture("phone-small")
	trainer.Run(chromedp.KeyEvent("c"))
	phone.Until(pagetest.Says("Closed.") + ` && document.querySelector("fieldset").disabled`)
	board.Until(pagetest.Says("2 of 2 answered"))
	require.NotContains(t, board.Text(), "\u2713")
	board.Picture("board-closed")
	trainer.Until(pagetest.Says("answers closed"))
	trainer.Run(chromedp.KeyEvent("r"))
	phone.Until(pagetest.Says("Why not 1:"))
	late.Until(pagetest.Says("1 of 2 chose 2."))
	board.Until(pagetest.Says("must not be rolled"))
	board.Picture("board-revealed")
	legible(t, board, 0.026, ".lines span:not(.bar), #reason, #question")
	board.Inside(".panel")
	trainer.Picture("trainer-revealed")
	phone.Picture("phone-revealed")
	phone.Inside("#main")
	for _, p := range []*pagetest.Tab{trainer, board, phone, late} {
		p.Clean(c.base)
	}
}

// By keyboard alone, on a dark phone: tab to the choices, pick with the arrow keys.
func TestKeyboardAloneInTheDark(t *testing.T) {
	parent := pagetest.Browser(t)
	c := serve(t, "blind")
	do(t, c.room, NextStop, Ask)
	dark := pagetest.Command(emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: "dark"}}})
	phone := pagetest.Look(t, parent, c.server.JoinURL(), 390, 844, dark)
	phone.Until(pagetest.Says("Tap one."))
	phone.Run(chromedp.KeyEvent(kb.Tab), chromedp.KeyEvent(" "))
	phone.Until(pagetest.Says("Sent."))
	phone.Run(chromedp.KeyEvent(kb.ArrowDown), chromedp.KeyEvent(kb.ArrowDown))
	phone.Until(pagetest.Says("Sent.") + ` && document.activeElement.value === "3" && document.activeElement.checked`)
	phone.Picture("phone-dark")
	board := pagetest.Look(t, parent, c.server.BoardURL(), 1280, 720, dark)
	board.Until(pagetest.Says("1 of 1"))
	board.Picture("board-blind-dark")
	board.Inside(".panel", ".corner h2")
	do(t, c.room, Close)
	require.Equal(t, []int{0, 0, 1, 0}, c.room.board().Asked.Counts)
	trainer := pagetest.Look(t, parent, c.base+"/t/"+c.server.token, 1280, 720, dark)
	trainer.Until(pagetest.Says("answers closed"))
	// Every button that may be pressed is reached by tab, and shows that it has the focus.
	seen := map[string]bool{}
	for range 12 {
		trainer.Run(chromedp.KeyEvent(kb.Tab))
		name := pagetest.Ask[string](trainer, `(() => { const e = document.activeElement;
			return getComputedStyle(e).outlineStyle === "none" ? "" : e.dataset.do || e.id; })()`)
		seen[name] = true
	}
	require.True(t, seen["reveal"] && seen["join"] && seen["faster"] && seen["keys"], "%v", seen)
	trainer.Run(chromedp.Focus("#keys"), chromedp.KeyEvent(kb.Enter), chromedp.KeyEvent("r"))
	trainer.Until(pagetest.Says("Keys: off"))
	require.Equal(t, Closed, c.room.phaseNow(), "single letters are switched off")
	trainer.Run(chromedp.Focus(`[data-do="reveal"]`), chromedp.KeyEvent(kb.Enter))
	trainer.Until(pagetest.Says("revealed"))
	for _, p := range []*pagetest.Tab{phone, board, trainer} {
		p.Clean(c.base)
	}
}

// The trainer's machine goes away: every page covers itself, and says so.
func TestPagesCoverThemselves(t *testing.T) {
	parent := pagetest.Browser(t)
	c := serve(t, "early")
	do(t, c.room, NextStop, Ask)
	phone := pagetest.Look(t, parent, c.server.JoinURL(), 390, 844)
	board := pagetest.Look(t, parent, c.server.BoardURL(), 1280, 720)
	phone.Until(pagetest.Says("Tap one."))
	board.Until(pagetest.Fresh)
	phone.Run(chromedp.Click(`.choice:nth-child(2)`))
	phone.Until(pagetest.Says("Sent."))
	c.stop()
	phone.Until(pagetest.Covered)
	board.Until(pagetest.Covered)
	require.Contains(t, phone.Text(), "Your answer was sent: 2.")
	require.Contains(t, board.Text(), "NO NEWS")
	require.NotContains(t, board.Text(), "What do you do?", "what is covered is not there to be read")
	phone.Picture("phone-covered")
	board.Picture("board-covered")
}

// Without script there is the cover and a sentence, and nothing else.
func TestWithoutScript(t *testing.T) {
	parent := pagetest.Browser(t)
	c := serve(t, "early")
	off := pagetest.Command(emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
	for _, url := range []string{c.server.JoinURL(), c.server.BoardURL()} {
		p := pagetest.Look(t, parent, url, 390, 844, off)
		p.Until(pagetest.Covered)
		require.Contains(t, p.Text(), "This page needs JavaScript.")
		require.NotContains(t, p.Text(), "REPLAYED")
	}
}
