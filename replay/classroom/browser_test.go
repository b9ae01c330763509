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
	return serveRoom(t, roomOf(t, name))
}

func serveRoom(t testing.TB, room *Room) *served {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	s, err := NewServer(room, Options{Address: listener.Addr().String(), Open: true})
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

// browser starts a Chromium, or skips the test where there is none.
func browser(t *testing.T) context.Context {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		if os.Getenv("RIDEWITNESS_REQUIRE") == "1" {
			require.NoError(t, err, "a browser is required")
		}
		t.Skip("no chromium in the path: the pages were not looked at")
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox)
	allocator, cancelAllocator := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, cancel := chromedp.NewContext(allocator)
	require.NoError(t, chromedp.Do(ctx))
	t.Cleanup(func() { cancel(); cancelAllocator() })
	return ctx
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
	ctx, stop := context.WithTimeout(ctx, 30*time.Second)
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
	_, err := chromedp.Run(p.ctx, chromedp.Poll[bool](expression, chromedp.WithPollingInterval(50*time.Millisecond), chromedp.WithPollingTimeout(8*time.Second)))
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

func says(text string) string { return fmt.Sprintf(`document.body.innerText.includes(%q)`, text) }

// A class from the joining to the reveal, on a projector, the trainer's laptop and two phones.
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
	trainer.run(chromedp.KeyEvent(kb.PageDown))
	trainer.until(says("held at stop 1 of 3"))
	trainer.picture("trainer-due")
	board.picture("board-due")
	trainer.run(chromedp.KeyEvent("q"), chromedp.KeyEvent("q"))
	phone.until(says("Tap one."))
	phone.picture("phone-ask")
	board.until(says("What do you do?"))
	board.picture("board-open")
	require.NotContains(t, board.text(), "half a bar")
	phone.run(chromedp.Click(`.choice:nth-child(1)`))
	phone.until(says("Sent."))
	phone.picture("phone-sent")
	trainer.until(says("1 of 1"))
	trainer.picture("trainer-open")
	trainer.run(chromedp.KeyEvent("c"))
	phone.until(says("Closed."))
	board.until(says("1 of 1 answered"))
	board.picture("board-closed")
	trainer.until(says("answers closed"))
	trainer.run(chromedp.KeyEvent("r"))
	phone.until(says("Why not 1:"))
	board.until(says("must not be rolled"))
	board.picture("board-revealed")
	trainer.picture("trainer-revealed")
	phone.picture("phone-revealed")
	trainer.run(chromedp.KeyEvent("n"), chromedp.KeyEvent(kb.PageDown))
	trainer.until(says("held at stop 2 of 3"))
	board.picture("board-stop2")
	trainer.run(chromedp.KeyEvent("q"))
	board.until(says("What will the rear-right pressure do?"))
	board.picture("board-open2")
	for _, p := range []*tab{trainer, board, phone} {
		p.clean(c.base)
	}
}
