package classroom

import (
	"context"
	"fmt"
	"net"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"
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

// chromium is started by the first test that needs it and serves all of them.
var chromium struct {
	once sync.Once
	ctx  context.Context
	err  error
	stop func()
}

func TestMain(m *testing.M) {
	status := m.Run()
	if chromium.stop != nil {
		chromium.stop()
	}
	os.Exit(status)
}

// browser returns a Chromium, or skips the test where there is none.
func browser(t *testing.T) context.Context {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		if os.Getenv("RIDEWITNESS_REQUIRE") == "1" {
			require.NoError(t, err, "a browser is required")
		}
		t.Skip("no chromium in the path: the pages were not looked at")
	}
	chromium.once.Do(func() {
		options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox)
		allocator, cancelAllocator := chromedp.NewExecAllocator(context.Background(), options...)
		ctx, cancel := chromedp.NewContext(allocator)
		chromium.ctx, chromium.err = ctx, chromedp.Do(ctx)
		chromium.stop = func() { cancel(); cancelAllocator() }
	})
	require.NoError(t, chromium.err)
	return chromium.ctx
}

// tab is one page, and everything it complained about or asked for.
type tab struct {
	t   *testing.T
	ctx context.Context

	mu       sync.Mutex
	problems []string
	requests []string
}

// command makes an action of a command of the browser's protocol.
func command[P, R any](c cdp.Command[P, R], params P) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
		_, err := chromedp.Call(ctx, c, params)
		return err
	})
}

// look opens a page in a browser context of its own, as if it were another phone.
func look(t *testing.T, parent context.Context, url string, width, height int64, actions ...chromedp.Action[chromedp.Void]) *tab {
	t.Helper()
	ctx, cancel := chromedp.NewContext(parent, chromedp.WithNewBrowserContext())
	ctx, stop := context.WithTimeout(ctx, time.Minute)
	t.Cleanup(func() { stop(); cancel() })
	p := &tab{t: t, ctx: ctx}
	require.NoError(t, chromedp.Listen(ctx, func(event any) {
		p.mu.Lock()
		defer p.mu.Unlock()
		switch e := event.(type) {
		case *runtime.EventConsoleAPICalled:
			p.problems = append(p.problems, fmt.Sprintf("console %s: %v", e.Type, e.Args))
		case *runtime.EventExceptionThrown:
			p.problems = append(p.problems, e.ExceptionDetails.Text)
		case *log.EventEntryAdded:
			p.problems = append(p.problems, e.Entry.Text+" "+e.Entry.URL)
		case *network.EventRequestWillBeSent:
			p.requests = append(p.requests, e.Request.URL)
		}
	}))
	p.run(command(network.Enable, network.EnableParams{}), command(log.Enable, cdp.Empty{}), chromedp.EmulateViewport(width, height))
	p.run(actions...)
	p.run(chromedp.Navigate(url))
	return p
}

func (p *tab) run(actions ...chromedp.Action[chromedp.Void]) {
	p.t.Helper()
	require.NoError(p.t, chromedp.Do(p.ctx, actions...))
}

// until waits until an expression of the page is true.
func (p *tab) until(expression string) {
	p.t.Helper()
	_, err := chromedp.Run(p.ctx, chromedp.Poll[bool](expression, chromedp.WithPollingInterval(50*time.Millisecond), chromedp.WithPollingTimeout(20*time.Second)))
	require.NoError(p.t, err, "%s\npage: %s", expression, p.text())
}

// text returns what a reader of the page sees.
func (p *tab) text() string {
	text, err := chromedp.Run(p.ctx, chromedp.Evaluate[string]("document.body.innerText"))
	if err != nil {
		return err.Error()
	}
	return text
}

// picture keeps a picture for somebody to look at, in the folder that RIDEWITNESS_PICTURES names.
func (p *tab) picture(name string) {
	p.t.Helper()
	folder := os.Getenv("RIDEWITNESS_PICTURES")
	if folder == "" {
		return
	}
	png, err := chromedp.Run(p.ctx, chromedp.CaptureScreenshot())
	require.NoError(p.t, err)
	require.NoError(p.t, os.WriteFile(folder+"/"+name+".png", png, 0o600))
}

// clean checks that the page complained about nothing and asked nobody else.
func (p *tab) clean(base string) {
	p.t.Helper()
	p.mu.Lock()
	defer p.mu.Unlock()
	require.Empty(p.t, p.problems)
	for _, url := range p.requests {
		require.True(p.t, strings.HasPrefix(url, base), url)
	}
}

// inside checks that the page is no wider than its window, and none of the named elements spills.
func (p *tab) inside(selectors ...string) {
	p.t.Helper()
	spilled, err := chromedp.Run(p.ctx, chromedp.Evaluate[[]string](fmt.Sprintf(`(() => {
		const bad = [], w = document.documentElement;
		if (w.scrollWidth > w.clientWidth) bad.push("page");
		for (const e of document.querySelectorAll(%q)) {
			const b = e.getBoundingClientRect();
			if (b.width && (e.scrollWidth > e.clientWidth + 1 || e.scrollHeight > e.clientHeight + 1 || b.right > innerWidth + 1 || b.bottom > innerHeight + 1))
				bad.push(e.className + "#" + e.id + " " + [e.scrollWidth, e.clientWidth, e.scrollHeight, e.clientHeight, b.right, b.bottom]);
		}
		return bad;
	})()`, strings.Join(selectors, ","))))
	require.NoError(p.t, err)
	require.Empty(p.t, spilled)
}

const fresh = `getComputedStyle(document.getElementById("live")).visibility === "visible"`

const covered = `getComputedStyle(document.getElementById("live")).visibility === "hidden" &&
	getComputedStyle(document.getElementById("cover")).visibility === "visible"`

func says(text string) string { return fmt.Sprintf(`document.body.innerText.includes(%q)`, text) }

// legible checks that no element of the list is written smaller than a share of the window's width:
// 2.6 % is 16 minutes of arc from four screen widths away, by hand with a cap height of 0.72 of the
// size: atan(0.026 x 0.72 / 4) = 0.268 degrees.
func (p *tab) legible(share float64, selectors string) {
	p.t.Helper()
	small, err := chromedp.Run(p.ctx, chromedp.Evaluate[[]string](fmt.Sprintf(`[...document.querySelectorAll(%q)]
		.filter(e => e.offsetParent && e.textContent.trim() && parseFloat(getComputedStyle(e).fontSize) < innerWidth * %g - 0.5)
		.map(e => e.className + " " + e.textContent + " " + getComputedStyle(e).fontSize)`, selectors, share)))
	require.NoError(p.t, err)
	require.Empty(p.t, small)
}

// A class from the joining to the reveal, on a projector, the trainer's laptop and two phones, the
// second of which comes late.
func TestClassInABrowser(t *testing.T) {
	parent := browser(t)
	c := serve(t, "early")
	trainer := look(t, parent, c.base+"/t/"+c.server.token, 1280, 720)
	board := look(t, parent, c.server.BoardURL(), 1280, 720)
	phone := look(t, parent, c.server.JoinURL(), 390, 844)
	for _, p := range []*tab{trainer, board, phone} {
		p.until(fresh)
	}
	board.until(says("1 joined"))
	board.picture("board-join")
	phone.picture("phone-wait")
	trainer.run(chromedp.KeyEvent(" "))
	trainer.until(says("Pause"))
	board.until(`!document.getElementById("card").offsetParent`)
	trainer.run(chromedp.KeyEvent(kb.PageDown))
	trainer.until(says("held at stop 1 of 3"))
	trainer.picture("trainer-due")
	board.picture("board-due")
	board.legible(0.026, "header *, .corner h2 *")
	board.inside(".corner h2", "header")
	trainer.run(chromedp.KeyEvent("q"), chromedp.KeyEvent("q"))
	phone.until(says("Tap one."))
	phone.inside("#main", ".choice")
	phone.picture("phone-ask")
	board.until(says("What do you do?"))
	board.picture("board-open")
	board.legible(0.032, "#question")
	board.legible(0.026, ".lines span:not(.bar), #count, .corner h2 *")
	board.inside(".panel", ".corner h2")
	require.NotContains(t, board.text(), "half a bar")
	phone.run(chromedp.Click(`.choice:nth-child(1)`))
	phone.until(says("Sent."))
	phone.picture("phone-sent")
	trainer.until(says("1 of 1"))
	trainer.picture("trainer-open")
	trainer.inside(".panel", ".tools")

	phone.run(chromedp.Reload())
	phone.until(says("Sent.") + ` && document.querySelector(":checked").value === "1"`)
	late := look(t, parent, c.server.JoinURL(), 320, 640)
	late.until(says("Tap one."))
	late.run(chromedp.Click(`.choice:nth-child(2)`))
	late.until(says("Sent."))
	late.inside("#main")
	late.picture("phone-small")
	trainer.run(chromedp.KeyEvent("c"))
	phone.until(says("Closed.") + ` && document.querySelector("fieldset").disabled`)
	board.until(says("2 of 2 answered"))
	require.NotContains(t, board.text(), "\u2713")
	board.picture("board-closed")
	trainer.until(says("answers closed"))
	trainer.run(chromedp.KeyEvent("r"))
	phone.until(says("Why not 1:"))
	late.until(says("1 of 2 chose 2."))
	board.until(says("must not be rolled"))
	board.picture("board-revealed")
	board.legible(0.026, ".lines span:not(.bar), #reason, #question")
	board.inside(".panel")
	trainer.picture("trainer-revealed")
	phone.picture("phone-revealed")
	phone.inside("#main")
	for _, p := range []*tab{trainer, board, phone, late} {
		p.clean(c.base)
	}
}

// By keyboard alone, on a dark phone: tab to the choices, pick with the arrow keys.
func TestKeyboardAloneInTheDark(t *testing.T) {
	parent := browser(t)
	c := serve(t, "blind")
	do(t, c.room, NextStop, Ask)
	dark := command(emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: "dark"}}})
	phone := look(t, parent, c.server.JoinURL(), 390, 844, dark)
	phone.until(says("Tap one."))
	phone.run(chromedp.KeyEvent(kb.Tab), chromedp.KeyEvent(" "))
	phone.until(says("Sent."))
	phone.run(chromedp.KeyEvent(kb.ArrowDown), chromedp.KeyEvent(kb.ArrowDown))
	phone.until(says("Sent.") + ` && document.activeElement.value === "3" && document.activeElement.checked`)
	phone.picture("phone-dark")
	board := look(t, parent, c.server.BoardURL(), 1280, 720, dark)
	board.until(says("1 of 1"))
	board.picture("board-blind-dark")
	board.inside(".panel", ".corner h2")
	do(t, c.room, Close)
	require.Equal(t, []int{0, 0, 1, 0}, c.room.board().Asked.Counts)
	trainer := look(t, parent, c.base+"/t/"+c.server.token, 1280, 720, dark)
	trainer.until(says("answers closed"))
	// Every button that may be pressed is reached by tab, and shows that it has the focus.
	seen := map[string]bool{}
	for range 12 {
		trainer.run(chromedp.KeyEvent(kb.Tab))
		name, err := chromedp.Run(trainer.ctx, chromedp.Evaluate[string](`(() => { const e = document.activeElement;
			return getComputedStyle(e).outlineStyle === "none" ? "" : e.dataset.do || e.id; })()`))
		require.NoError(t, err)
		seen[name] = true
	}
	require.True(t, seen["reveal"] && seen["join"] && seen["faster"] && seen["keys"], "%v", seen)
	trainer.run(chromedp.Focus("#keys"), chromedp.KeyEvent(kb.Enter), chromedp.KeyEvent("r"))
	trainer.until(says("Keys: off"))
	require.Equal(t, Closed, c.room.phaseNow(), "single letters are switched off")
	trainer.run(chromedp.Focus(`[data-do="reveal"]`), chromedp.KeyEvent(kb.Enter))
	trainer.until(says("revealed"))
	for _, p := range []*tab{phone, board, trainer} {
		p.clean(c.base)
	}
}

// The trainer's machine goes away: every page covers itself, and says so.
func TestPagesCoverThemselves(t *testing.T) {
	parent := browser(t)
	c := serve(t, "early")
	do(t, c.room, NextStop, Ask)
	phone := look(t, parent, c.server.JoinURL(), 390, 844)
	board := look(t, parent, c.server.BoardURL(), 1280, 720)
	phone.until(says("Tap one."))
	board.until(fresh)
	phone.run(chromedp.Click(`.choice:nth-child(2)`))
	phone.until(says("Sent."))
	c.stop()
	phone.until(covered)
	board.until(covered)
	require.Contains(t, phone.text(), "Your answer was sent: 2.")
	require.Contains(t, board.text(), "NO NEWS")
	require.NotContains(t, board.text(), "What do you do?", "what is covered is not there to be read")
	phone.picture("phone-covered")
	board.picture("board-covered")
}

// Without script there is the cover and a sentence, and nothing else.
func TestWithoutScript(t *testing.T) {
	parent := browser(t)
	c := serve(t, "early")
	off := command(emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
	for _, url := range []string{c.server.JoinURL(), c.server.BoardURL()} {
		p := look(t, parent, url, 390, 844, off)
		p.until(covered)
		require.Contains(t, p.text(), "This page needs JavaScript.")
		require.NotContains(t, p.text(), "REPLAYED")
	}
}
