package review

import (
	"bytes"
	"context"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	cdplog "github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// lacking skips a test for want of something on this machine, or fails it where everything must run.
func lacking(t *testing.T, what string) {
	t.Helper()
	if os.Getenv("RIDEWITNESS_REQUIRE") == "1" {
		require.Fail(t, "lacking: "+what)
	}
	t.Skip("lacking: " + what)
}

// browser is a real one with one tab, and what the tab complained about and asked for.
type browser struct {
	ctx      context.Context
	mu       sync.Mutex
	told     []string // console messages and log entries
	requests []string
}

func newBrowser(t *testing.T) *browser {
	t.Helper()
	path := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if found, err := exec.LookPath(name); err == nil {
			path = found
			break
		}
	}
	if path == "" {
		lacking(t, "a Chromium to look at the page with")
	}
	options := []chromedp.ExecAllocatorOption{chromedp.ExecPath(path), chromedp.Headless, chromedp.NoFirstRun, chromedp.DisableGPU}
	if os.Geteuid() == 0 {
		options = append(options, chromedp.NoSandbox)
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewExecAllocator(ctx, options...)
	t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	b := &browser{ctx: ctx}
	require.NoError(t, chromedp.Listen(ctx, b.hear))
	_, err := chromedp.Call(ctx, network.Enable, network.EnableParams{})
	require.NoError(t, err)
	return b
}

func (b *browser) hear(event any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch e := event.(type) {
	case *network.EventRequestWillBeSent:
		b.requests = append(b.requests, e.Request.URL)
	case *cdplog.EventEntryAdded:
		b.told = append(b.told, e.Entry.Text)
	case *runtime.EventConsoleAPICalled:
		b.told = append(b.told, fmt.Sprintf("console %s", e.Type))
	case *runtime.EventExceptionThrown:
		b.told = append(b.told, e.ExceptionDetails.Text)
	}
}

// heard returns what was gathered and forgets it.
func (b *browser) heard() (told, requests []string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	told, requests = b.told, b.requests
	b.told, b.requests = nil, nil
	return told, requests
}

// show opens a file in a window of that width.
func (b *browser) show(t *testing.T, file string, width int64) {
	t.Helper()
	b.window(t, width)
	require.NoError(t, chromedp.Do(b.ctx, chromedp.Navigate(address(file))))
}

// window gives the tab a width and the media features named with their values.
func (b *browser) window(t *testing.T, width int64, features ...string) {
	t.Helper()
	_, err := chromedp.Call(b.ctx, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: width, Height: 900, DeviceScaleFactor: 1})
	require.NoError(t, err)
	var media []*emulation.MediaFeature
	for i := 0; i < len(features); i += 2 {
		media = append(media, &emulation.MediaFeature{Name: features[i], Value: features[i+1]})
	}
	_, err = chromedp.Call(b.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: media})
	require.NoError(t, err)
}

func address(file string) string { return (&url.URL{Scheme: "file", Path: file}).String() }

func evaluate[T any](t *testing.T, b *browser, script string) T {
	t.Helper()
	v, err := chromedp.Run(b.ctx, chromedp.Evaluate[T](script))
	require.NoError(t, err)
	return v
}

// pages writes the sessions to files.
func pages(t *testing.T) map[string]string {
	t.Helper()
	files := map[string]string{}
	for _, s := range sessions {
		files[s.name] = pageFile(t, s.name, s.review())
	}
	return files
}

func pageFile(t *testing.T, name string, r *Review) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), name+".html")
	require.NoError(t, os.WriteFile(file, []byte(write(t, "html", r)), 0o666))
	return file
}

// overflowing lists what is wider than its place: the page itself, any element outside a frame that
// scrolls, any text that its own box cuts, any text of the picture outside the picture.
const overflowing = `(function () {
  var bad = [], wide = document.documentElement.clientWidth;
  if (document.documentElement.scrollWidth > wide) bad.push("page " + document.documentElement.scrollWidth);
  document.querySelectorAll("main *").forEach(function (e) {
    var hidden = e.closest(".vh, .skip"), box = e.getBoundingClientRect();
    if (hidden || !box.width) return;
    if (!e.closest(".scroll") && !e.closest("svg") && (box.right > wide + 0.5 || box.left < -0.5)) bad.push(e.tagName + "." + e.className + " to " + box.right);
    if (/^(P|H1|H2|H3|LI|DD|DT|TD|TH|SPAN|SMALL|B)$/.test(e.tagName) && e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).display !== "inline") bad.push(e.tagName + " cut: " + e.textContent.slice(0, 40));
  });
  var plot = document.getElementById("plot"), view = plot.viewBox.baseVal;
  plot.querySelectorAll("text").forEach(function (e) {
    var box = e.getBBox();
    if (e.closest("g[transform*=scale]")) return;
    if (box.x < -1 || box.x + box.width > view.width + 1) bad.push("plot text " + e.textContent);
  });
  return bad;
})()`

// faint lists texts whose contrast is under 4.5 to 1, for large ones 3 to 1 (WCAG 2.2, SC 1.4.3).
const faint = `(function () {
  function parse(c) { var m = c.match(/[\d.]+/g).map(Number); return { r: m[0], g: m[1], b: m[2], a: m.length > 3 ? m[3] : 1 }; }
  function light(c) {
    var l = [c.r, c.g, c.b].map(function (v) { v /= 255; return v <= 0.04045 ? v / 12.92 : Math.pow((v + 0.055) / 1.055, 2.4); });
    return 0.2126 * l[0] + 0.7152 * l[1] + 0.0722 * l[2];
  }
  function ground(e) { for (; e; e = e.parentElement) { var c = parse(getComputedStyle(e).backgroundColor); if (c.a > 0) return c; } return { r: 255, g: 255, b: 255, a: 1 }; }
  var bad = [];
  document.querySelectorAll("main *").forEach(function (e) {
    if (e.closest(".vh, .skip, title, desc") || ![].some.call(e.childNodes, function (n) { return n.nodeType === 3 && n.textContent.trim(); })) return;
    var s = getComputedStyle(e), inPicture = e.closest("svg");
    if (inPicture && e.closest("a, .g, .st, .k")) return;
    var a = light(parse(inPicture ? s.fill : s.color)), b = light(ground(e)), size = parseFloat(s.fontSize);
    var need = size >= 24 || size >= 18.66 && s.fontWeight >= 700 ? 3 : 4.5, has = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (has < need) bad.push(has.toFixed(2) + ": " + e.textContent.trim().slice(0, 40));
  });
  return bad;
})()`

// One browser serves all of them: to start it takes longer than to look.
func TestPageInABrowser(t *testing.T) {
	b := newBrowser(t)
	for _, look := range []struct {
		name string
		test func(*testing.T, *browser)
	}{
		{"fits every width and is legible", pageFits},
		{"hostile texts stay texts", hostilePage},
		{"the policy forbids everything else", policyForbids},
		{"links and cursor work", linksAndCursor},
		{"prints", pagePrints},
		{"holds everything without script", withoutScript},
	} {
		t.Run(look.name, func(t *testing.T) { look.test(t, b) })
	}
}

func pageFits(t *testing.T, b *browser) {
	for name, file := range pages(t) {
		b.show(t, file, 320)
		for _, width := range []int64{320, 390, 768, 1366, 1920} {
			for _, scheme := range []string{"light", "dark"} {
				what := fmt.Sprintf("%s at %d, %s", name, width, scheme)
				b.window(t, width, "prefers-color-scheme", scheme)
				require.Empty(t, evaluate[[]string](t, b, overflowing), what)
				require.Empty(t, evaluate[[]string](t, b, faint), what)
			}
		}
		b.window(t, 768, "forced-colors", "active")
		require.Empty(t, evaluate[[]string](t, b, overflowing), name)
		told, requests := b.heard()
		require.Empty(t, told, name)
		require.Equal(t, []string{address(file)}, slices.Compact(requests), name)
	}
}

// A page of hostile texts runs nothing, asks for nothing and breaks no line of the layout.
func hostilePage(t *testing.T, b *browser) {
	file := pageFile(t, "hostile", hostileReview())
	b.heard()
	b.show(t, file, 390)
	told, requests := b.heard()
	require.Empty(t, told)
	require.Equal(t, []string{address(file)}, requests)
	require.Empty(t, evaluate[[]string](t, b, overflowing))
	require.Equal(t, 1, evaluate[int](t, b, `document.scripts.length`))
}

// The policy is tried, not only written: a script and a picture put into the page are refused.
func policyForbids(t *testing.T, b *browser) {
	file := pageFile(t, "changed", properJob())
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	changed := bytes.Replace(text, []byte("</main>"), []byte(`</main><script>document.title="run"</script><img src="http://192.0.2.1/x.png" alt="">`), 1)
	require.NoError(t, os.WriteFile(file, changed, 0o666))
	b.heard()
	b.show(t, file, 800)
	told, _ := b.heard()
	require.Len(t, told, 2)
	require.NotEqual(t, "run", evaluate[string](t, b, `document.title`))
	require.Contains(t, strings.Join(told, "\n"), "Content Security Policy")
}

func linksAndCursor(t *testing.T, b *browser) {
	b.show(t, pages(t)["early-lowering"], 1366)
	// By hand, 2 s into the fall: 470 - 138.8 x 2/22 = 457.4 mm, 0.65 + 1.37 x 2/50 = 0.70 bar.
	script := `(function () { var s = document.getElementById("time"); s.value = 2012; s.dispatchEvent(new Event("input")); return document.getElementById("read").textContent; })()`
	read := evaluate[string](t, b, script)
	require.Contains(t, read, "33:32")
	require.Regexp(t, `rear-right  0\.7 bar gauge, 457 mm`, read)
	require.Contains(t, evaluate[string](t, b, strings.Replace(script, "2012", "900", 1)), "rear-right  no value, no value", "a gap has no value")
	// A link to a finding and back moves the page.
	for _, id := range []string{"f1", "p1", "e1-1", "g1-1", "f18", "p18"} {
		seen := evaluate[bool](t, b, fmt.Sprintf(`(function () { location.hash = %q; var box = document.getElementById(%q).getBoundingClientRect(); return box.bottom > 0 && box.top < innerHeight; })()`, id, id))
		require.True(t, seen, id)
	}
}

func withoutScript(t *testing.T, b *browser) {
	file := pages(t)["early-lowering"]
	b.show(t, file, 1366)
	with := evaluate[int](t, b, `document.querySelectorAll("main section").length`)
	_, err := chromedp.Call(b.ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
	require.NoError(t, err)
	b.show(t, file, 1366)
	require.Equal(t, with, evaluate[int](t, b, `document.querySelectorAll("main section").length`))
	require.Equal(t, "none", evaluate[string](t, b, `getComputedStyle(document.querySelector(".tools")).display`), "no control without a script behind it")
	require.Empty(t, evaluate[[]string](t, b, overflowing))
}

var pdfPage = regexp.MustCompile(`/Type\s*/Page\b`)

func pagePrints(t *testing.T, b *browser) {
	yes := true
	for name, file := range pages(t) {
		b.show(t, file, 1366)
		for _, paper := range [][2]float64{{8.27, 11.69}, {8.5, 11}} { // A4 and Letter, inches
			printed, err := chromedp.Call(b.ctx, cdppage.PrintToPDF, cdppage.PrintToPDFParams{PrintBackground: &yes, PaperWidth: paper[0], PaperHeight: paper[1]})
			require.NoError(t, err)
			require.True(t, bytes.HasPrefix(printed.Data, []byte("%PDF-")))
			n := len(pdfPage.FindAll(printed.Data, -1))
			require.Positive(t, n, name)
			require.LessOrEqual(t, n, 7, "%s on %v", name, paper)
		}
	}
}
