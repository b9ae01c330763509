package page

import (
	"bufio"
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

// What a page may load, after Content Security Policy Level 3 and the Fetch standard.
func TestProtect(t *testing.T) {
	h := http.Header{}
	Protect(h)
	require.Contains(t, h.Get("Content-Security-Policy"), "default-src 'none'")
	require.Contains(t, h.Get("Content-Security-Policy"), "frame-ancestors 'none'")
	require.NotContains(t, h.Get("Content-Security-Policy"), "unsafe")
	require.NotContains(t, h.Get("Content-Security-Policy"), "http")
	require.Equal(t, "nosniff", h.Get("X-Content-Type-Options"))
	require.Equal(t, "no-store", h.Get("Cache-Control"))
}

func TestAddresses(t *testing.T) {
	for remote, want := range map[string]string{"192.0.2.1:80": "192.0.2.1", "[::1]:80": "::1", "[fe80::1%eth0]:80": "fe80::1", "nothing": "<nil>", "": "<nil>", "a:1": "<nil>"} {
		require.Equal(t, want, Address(remote).String(), remote)
	}
	for remote, here := range map[string]bool{"127.0.0.1:1": true, "127.9.9.9:1": true, "[::1]:1": true, "192.0.2.1:1": false, "": false} {
		require.Equal(t, here, FromHere(&http.Request{RemoteAddr: remote}), remote)
	}
}

func TestSharedFiles(t *testing.T) {
	mux := http.NewServeMux()
	Route(mux)
	for name, kind := range map[string]string{"/page.css": "text/css", "/page.js": "text/javascript", "/icon.svg": "image/svg+xml"} {
		w := httptest.NewRecorder()
		mux.ServeHTTP(w, httptest.NewRequest("GET", name, nil))
		require.Equal(t, 200, w.Code, name)
		require.True(t, strings.HasPrefix(w.Header().Get("Content-Type"), kind), name)
		require.NotContains(t, strings.ReplaceAll(w.Body.String(), "http://www.w3.org/", ""), "://", name)
	}
	require.Panics(t, func() { File(files, "files/none.css") })
}

func TestTemplates(t *testing.T) {
	all, err := Templates(fstest.MapFS{"a.html": {Data: []byte(`<svg>{{template "bellows" .}}</svg>`)}}, "*.html")
	require.NoError(t, err)
	w := httptest.NewRecorder()
	Show(w, all, "a.html", `x"><script>`)
	require.Contains(t, w.Body.String(), `data-part="plate"`)
	require.NotContains(t, w.Body.String(), "<script>")
	w = httptest.NewRecorder()
	Show(w, all, "none.html", nil)
	require.Equal(t, 500, w.Code)
	_, err = Templates(fstest.MapFS{}, "*.html")
	require.Error(t, err)
}

// A stream keeps its beat when nothing happens, does not wait for it when something does, and ends
// when it is told to. The form of a message is that of the HTML standard, server-sent events.
func TestStreamKeepsItsBeat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		changed, stop := make(chan struct{}), make(chan struct{})
		begun := time.Now()
		var told []time.Duration
		s := Stream{Every: 500 * time.Millisecond, Patience: time.Second, Changed: func() <-chan struct{} { return changed }, Stop: stop,
			News: func() (any, error) {
				told = append(told, time.Since(begun))
				return len(told), nil
			}}
		w := httptest.NewRecorder()
		ended := make(chan struct{})
		go func() {
			s.Write(w, httptest.NewRequest("GET", "/", nil))
			close(ended)
		}()
		time.Sleep(600 * time.Millisecond)
		synctest.Wait()
		old := changed
		changed = make(chan struct{})
		close(old)
		synctest.Wait()
		close(stop)
		<-ended
		require.Equal(t, []time.Duration{0, 500 * time.Millisecond, 600 * time.Millisecond}, told)
		require.Equal(t, "data: 1\n\ndata: 2\n\ndata: 3\n\n", w.Body.String())
		require.Equal(t, "text/event-stream", w.Header().Get("Content-Type"))
	})
}

// What is told last is told once, and only where the stream was ended as a whole.
func TestStreamTellsTheLast(t *testing.T) {
	for name, c := range map[string]struct {
		done, stop bool
		last       func() (any, error)
		want       string
	}{
		"ended as a whole":    {done: true, last: func() (any, error) { return "last", nil }, want: "data: 1\n\ndata: \"last\"\n\n"},
		"nothing to be told":  {done: true, want: "data: 1\n\n"},
		"nothing that can be": {done: true, last: func() (any, error) { return nil, errors.New("gone") }, want: "data: 1\n\n"},
		"ended for one page":  {stop: true, last: func() (any, error) { return "last", nil }, want: "data: 1\n\n"},
	} {
		t.Run(name, func(t *testing.T) {
			done, stop := make(chan struct{}), make(chan struct{})
			if c.done {
				close(done)
			}
			if c.stop {
				close(stop)
			}
			w := httptest.NewRecorder()
			Stream{Every: time.Hour, News: func() (any, error) { return 1, nil }, Done: done, Stop: stop, Last: c.last}.Write(w, httptest.NewRequest("GET", "/", nil))
			require.Equal(t, c.want, w.Body.String())
		})
	}
}

// pipes is a listener on which connections come from this process. What is written into one waits for
// a reader: nothing lies in between.
type pipes struct {
	come chan net.Conn
	stop chan struct{}
}

func (p pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.come:
		return c, nil
	case <-p.stop:
		return nil, net.ErrClosed
	}
}

func (p pipes) Close() error {
	close(p.stop)
	return nil
}

func (p pipes) Addr() net.Addr { return &net.UnixAddr{Name: "pipes"} }

// A page that takes no message is let go after the patience, to the nanosecond of a bubble's clock,
// and another one gets all of its messages at the beat.
func TestAPageThatTakesNothingIsLetGo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		left := make(chan time.Duration, 2)
		begun := time.Now()
		web := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
			Stream{Every: 500 * time.Millisecond, Patience: 3 * time.Second, News: func() (any, error) { return time.Since(begun), nil }}.Write(w, q)
			left <- time.Since(begun)
		})}
		l := pipes{make(chan net.Conn), make(chan struct{})}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		go func() { ended <- Serve(ctx, web, l) }()
		ask := func() net.Conn {
			far, near := net.Pipe()
			l.come <- far
			_, err := near.Write([]byte("GET / HTTP/1.1\r\nHost: x\r\n\r\n"))
			require.NoError(t, err)
			return near
		}
		stalled := ask()
		lines, told := bufio.NewScanner(ask()), 0
		for told < 9 { // 0 to 4 s
			require.True(t, lines.Scan(), lines.Err())
			if text, ok := strings.CutPrefix(lines.Text(), "data: "); ok {
				require.Equal(t, strconv.Itoa(told*int(500*time.Millisecond)), text)
				told++
			}
		}
		require.Equal(t, 3*time.Second, <-left)
		_, err := stalled.Read(make([]byte, 1))
		require.ErrorIs(t, err, io.EOF)
		cancel()
		require.NoError(t, <-ended)
	})
}

func TestStreamEndsWithItsNews(t *testing.T) {
	for name, news := range map[string]func() (any, error){
		"an error":            func() (any, error) { return nil, errors.New("gone") },
		"what can't be told":  func() (any, error) { return func() {}, nil },
		"a page that is gone": func() (any, error) { return 1, nil },
	} {
		t.Run(name, func(t *testing.T) {
			ctx, cancel := context.WithCancel(context.Background())
			cancel()
			w := httptest.NewRecorder()
			Stream{Every: time.Hour, News: news}.Write(w, httptest.NewRequest("GET", "/", nil).WithContext(ctx))
			require.LessOrEqual(t, strings.Count(w.Body.String(), "data:"), 1)
		})
	}
}

// Serve ends when it is told to, its streams with it, and passes on what keeps it from serving.
func TestServe(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	done := make(chan struct{})
	web := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, q *http.Request) {
		Stream{Every: time.Hour, Patience: time.Second, News: func() (any, error) { return 1, nil }, Done: done}.Write(w, q)
	})}
	web.RegisterOnShutdown(func() { close(done) })
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- Serve(ctx, web, l) }()
	answer, err := http.Get("http://" + l.Addr().String())
	require.NoError(t, err)
	defer answer.Body.Close()
	lines := bufio.NewScanner(answer.Body)
	require.True(t, lines.Scan())
	cancel()
	require.NoError(t, <-ended)
	require.Error(t, Serve(context.Background(), &http.Server{}, l), "a listener that is closed")
}
