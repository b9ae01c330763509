// Package pagetest looks at pages with a real browser, in tests.
//
// The invariant: where there is no browser the test is skipped and says so, and with
// RIDEWITNESS_REQUIRE=1 it fails; no test passes without having looked.
package pagetest

import (
	"context"
	"fmt"
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
	"github.com/stretchr/testify/require"
)

// chromium is started by the first test that needs it and serves all of them.
var chromium struct {
	once sync.Once
	ctx  context.Context
	err  error
	stop func()
}

// Main runs the tests of a package that use a browser, and ends it after them.
func Main(m *testing.M) {
	status := m.Run()
	if chromium.stop != nil {
		chromium.stop()
	}
	os.Exit(status)
}

// Browser returns a Chromium, or skips the test where there is none.
func Browser(t *testing.T) context.Context {
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
		hangs := time.AfterFunc(time.Minute, cancel) // its first command binds its life to ctx: no deadline can be set there
		chromium.ctx, chromium.err = ctx, chromedp.Do(ctx)
		hangs.Stop()
		chromium.stop = func() { cancel(); cancelAllocator() }
	})
	require.NoError(t, chromium.err)
	return chromium.ctx
}

// Tab is one page, and everything it complained about or asked for.
type Tab struct {
	t   *testing.T
	ctx context.Context

	mu       sync.Mutex
	problems []string
	requests []string
}

// Command makes an action of a command of the browser's protocol.
func Command[P, R any](c cdp.Command[P, R], params P) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, _ *chromedp.Target) error {
		_, err := chromedp.Call(ctx, c, params)
		return err
	})
}

// Look opens a page in a browser context of its own, as if it were another phone.
func Look(t *testing.T, parent context.Context, url string, width, height int64, actions ...chromedp.Action[chromedp.Void]) *Tab {
	t.Helper()
	ctx, cancel := chromedp.NewContext(parent, chromedp.WithNewBrowserContext())
	ctx, stop := context.WithTimeout(ctx, time.Minute)
	t.Cleanup(func() { stop(); cancel() })
	p := &Tab{t: t, ctx: ctx}
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
	p.Run(Command(network.Enable, network.EnableParams{}), Command(log.Enable, cdp.Empty{}), chromedp.EmulateViewport(width, height))
	p.Run(actions...)
	p.Run(chromedp.Navigate(url))
	return p
}

// Run carries out actions.
func (p *Tab) Run(actions ...chromedp.Action[chromedp.Void]) {
	p.t.Helper()
	require.NoError(p.t, chromedp.Do(p.ctx, actions...))
}

// Until waits until an expression of the page is true.
func (p *Tab) Until(expression string) {
	p.t.Helper()
	_, err := chromedp.Run(p.ctx, chromedp.Poll[bool](expression, chromedp.WithPollingInterval(50*time.Millisecond), chromedp.WithPollingTimeout(20*time.Second)))
	require.NoError(p.t, err, "%s\npage: %s", expression, p.Text())
}

// Text returns what a reader of the page sees.
func (p *Tab) Text() string {
	text, err := chromedp.Run(p.ctx, chromedp.Evaluate[string]("document.body.innerText"))
	if err != nil {
		return err.Error()
	}
	return text
}

// Picture keeps a picture for somebody to look at, in the folder that RIDEWITNESS_PICTURES names.
func (p *Tab) Picture(name string) {
	p.t.Helper()
	folder := os.Getenv("RIDEWITNESS_PICTURES")
	if folder == "" {
		return
	}
	png, err := chromedp.Run(p.ctx, chromedp.CaptureScreenshot())
	require.NoError(p.t, err)
	require.NoError(p.t, os.WriteFile(folder+"/"+name+".png", png, 0o600))
}

// Clean checks that the page complained about nothing and asked nobody else.
func (p *Tab) Clean(base string) {
	p.t.Helper()
	p.mu.Lock()
	defer p.mu.Unlock()
	require.Empty(p.t, p.problems)
	for _, url := range p.requests {
		require.True(p.t, strings.HasPrefix(url, base), url)
	}
}

// Inside checks that the page is no wider than its window, and none of the named elements spills.
func (p *Tab) Inside(selectors ...string) {
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

// Fresh is true in a page that shows its news.
const Fresh = `getComputedStyle(document.getElementById("live")).visibility === "visible"`

// Covered is true in one whose cover is all there is to see.
const Covered = `getComputedStyle(document.getElementById("live")).visibility === "hidden" &&
	getComputedStyle(document.getElementById("cover")).visibility === "visible"`

// Says is true in a page whose reader sees a text.
func Says(text string) string { return fmt.Sprintf(`document.body.innerText.includes(%q)`, text) }

// Ask returns the value of an expression of the page.
func Ask[T any](p *Tab, expression string) T {
	p.t.Helper()
	v, err := chromedp.Run(p.ctx, chromedp.Evaluate[T](expression))
	require.NoError(p.t, err, expression)
	return v
}
