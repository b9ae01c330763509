package secondscreen

import (
	"bufio"
	"context"
	"encoding/json"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/replay/terminal"
)

const here = "127.0.0.1:8718"

// ask asks a server that came by that address, with changes to the request.
func ask(t *testing.T, method, path string, change func(*http.Request) *http.Request) *httptest.ResponseRecorder {
	t.Helper()
	s, err := New(func() terminal.State { return *watching() })
	require.NoError(t, err)
	close(s.done) // a stream ends after its first message
	local, err := net.ResolveTCPAddr("tcp", here)
	require.NoError(t, err)
	q := httptest.NewRequest(method, path, nil)
	q = q.WithContext(context.WithValue(q.Context(), http.LocalAddrContextKey, net.Addr(local)))
	q.RemoteAddr, q.Host = "127.0.0.1:50000", here
	if change != nil {
		q = change(q)
	}
	w := httptest.NewRecorder()
	s.ServeHTTP(w, q)
	return w
}

func TestWhoMayRead(t *testing.T) {
	host := func(name string) func(*http.Request) *http.Request {
		return func(q *http.Request) *http.Request { q.Host = name; return q }
	}
	site := func(name string) func(*http.Request) *http.Request {
		return func(q *http.Request) *http.Request { q.Header.Set("Sec-Fetch-Site", name); return q }
	}
	for _, c := range []struct {
		name         string
		method, path string
		change       func(*http.Request) *http.Request
		status       int
	}{
		{"the page", "GET", "/", nil, 200},
		{"its news", "GET", "/news", nil, 200},
		{"its style", "GET", "/screen.css", nil, 200},
		{"what pages share", "GET", "/page.js", nil, 200},
		{"by another name of this machine", "GET", "/", host("localhost:8718"), 200},
		{"by its other address", "GET", "/", host("[::1]:8718"), 200},
		{"nothing else", "GET", "/mark", nil, 404},
		{"no template", "GET", "/screen.html", nil, 404},
		{"no way up", "GET", "/../go.mod", nil, 307},

		{"nothing is taken", "POST", "/", nil, 405},
		{"nothing is put", "PUT", "/news", nil, 405},
		{"nothing is taken away", "DELETE", "/mark", nil, 405},
		{"no head alone", "HEAD", "/", nil, 405},
		{"no options", "OPTIONS", "/", nil, 405},

		{"a name that points here", "GET", "/", host("evil.example:8718"), 421},
		{"another port", "GET", "/", host("localhost:80"), 421},
		{"no port", "GET", "/", host("localhost"), 421},
		{"no name", "GET", "/", host(""), 421},
		{"a name that begins like ours", "GET", "/", host("127.0.0.1.evil.example:8718"), 421},
		{"nobody knows which address it came by", "GET", "/", func(q *http.Request) *http.Request { return q.WithContext(context.Background()) }, 421},
		{"from another machine", "GET", "/", func(q *http.Request) *http.Request { q.RemoteAddr = "192.0.2.7:50000"; return q }, 403},

		{"news for its own page", "GET", "/news", site("same-origin"), 200},
		{"news for a page of another site", "GET", "/news", site("cross-site"), 403},
		{"news for another port of this machine", "GET", "/news", site("same-site"), 403},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := ask(t, c.method, c.path, c.change)
			require.Equal(t, c.status, w.Code, w.Body.String())
			h := w.Header()
			require.Contains(t, h.Get("Content-Security-Policy"), "default-src 'none'")
			require.NotContains(t, h.Get("Content-Security-Policy"), "unsafe")
			require.Equal(t, "nosniff", h.Get("X-Content-Type-Options"))
			require.Equal(t, "no-store", h.Get("Cache-Control"))
			require.Equal(t, "no-referrer", h.Get("Referrer-Policy"))
			require.Equal(t, "same-origin", h.Get("Cross-Origin-Resource-Policy"))
			require.Empty(t, h.Get("Set-Cookie"))
			require.Empty(t, h.Get("Access-Control-Allow-Origin"))
			if c.status >= 400 {
				require.NotContains(t, w.Body.String(), "5.49", "refused, and told all the same")
			}
		})
	}
}

// The page as it is served holds no news, no script, no style, and nothing from another host.
func TestPageHoldsNoNews(t *testing.T) {
	for _, path := range []string{"/", "/screen.css", "/screen.js"} {
		text := ask(t, "GET", path, nil).Body.String()
		require.NotRegexp(t, forbidden, text, path)
		require.NotContains(t, text, "://", path)
		require.NotContains(t, text, "style=", path)
		require.NotContains(t, text, "demo wagon", path)
	}
	require.Contains(t, ask(t, "GET", "/", nil).Body.String(), terminal.CautionWide)
}

func TestServesThisMachineOnly(t *testing.T) {
	s, err := New(func() terminal.State { return terminal.State{} })
	require.NoError(t, err)
	l, err := net.Listen("tcp", "0.0.0.0:0")
	require.NoError(t, err)
	require.ErrorIs(t, s.Serve(context.Background(), l), ErrNotHere)
	_, err = l.Accept()
	require.ErrorIs(t, err, net.ErrClosed)

	l, err = Listen(0)
	require.NoError(t, err)
	defer l.Close()
	port := l.Addr().(*net.TCPAddr).Port
	require.True(t, l.Addr().(*net.TCPAddr).IP.IsLoopback())
	require.Regexp(t, `^http://127\.0\.0\.1:\d+/$`, URL(l))
	_, err = Listen(uint16(port))
	require.ErrorContains(t, err, "page of the recording: ", "the port is taken")
}

// stream opens the news of a server that runs.
func stream(t *testing.T, url string) (*http.Response, *bufio.Scanner) {
	t.Helper()
	answer, err := http.Get(url + "news")
	require.NoError(t, err)
	t.Cleanup(func() { answer.Body.Close() })
	lines := bufio.NewScanner(answer.Body)
	lines.Buffer(nil, 1<<20)
	return answer, lines
}

// next reads the next message of a stream.
func next(t *testing.T, lines *bufio.Scanner) news {
	t.Helper()
	for lines.Scan() {
		if text, ok := strings.CutPrefix(lines.Text(), "data: "); ok {
			var n news
			require.NoError(t, json.Unmarshal([]byte(text), &n))
			return n
		}
	}
	require.Fail(t, "the stream ended", "%v", lines.Err())
	return news{}
}

// Each message says how old it is, by a clock that only goes on.
func TestNewsIsDated(t *testing.T) {
	c := serve(t, watching())
	answer, lines := stream(t, c.url)
	require.Equal(t, "text/event-stream", answer.Header.Get("Content-Type"))
	last := next(t, lines)
	for range 3 {
		n := next(t, lines)
		require.Greater(t, n.T, last.T)
		last = n
	}
	c.stop()
	for lines.Scan() {
	}
	require.NoError(t, lines.Err(), "it ends with the server")
}

// The end of a recording is told even when the server is told to end in the same moment; where it was
// not closed nothing says that it was.
func TestTheLastMessageTellsTheEnd(t *testing.T) {
	for name, want := range map[string]string{"closed": "at 00:31:17, local 10:45:17", "not closed": ""} {
		t.Run(name, func(t *testing.T) {
			c := serve(t, watching())
			_, lines := stream(t, c.url)
			require.Empty(t, next(t, lines).Ended)
			if want != "" {
				c.state.Store(closedAt(watching(), 1877))
			}
			c.stop()
			last := news{}
			for lines.Scan() {
				if text, ok := strings.CutPrefix(lines.Text(), "data: "); ok {
					last = news{}
					require.NoError(t, json.Unmarshal([]byte(text), &last))
				}
			}
			require.NoError(t, lines.Err())
			require.Equal(t, "WATCHING", last.State)
			require.Equal(t, want, last.Ended)
		})
	}
}

// Eight pages may look; the ninth is told so, and gets in when one has left.
func TestOnlySoManyPages(t *testing.T) {
	c := serve(t, watching())
	var first *http.Response
	for k := range maxViewers {
		answer, lines := stream(t, c.url)
		require.Equal(t, "WATCHING", next(t, lines).State)
		if k == 0 {
			first = answer
		}
	}
	answer, lines := stream(t, c.url)
	require.Equal(t, http.StatusServiceUnavailable, answer.StatusCode)
	require.True(t, lines.Scan())
	require.Equal(t, "enough screens look at this recording already", lines.Text())
	require.NoError(t, first.Body.Close())
	require.Eventually(t, func() bool {
		answer, err := http.Get(c.url + "news")
		if err != nil {
			return false
		}
		defer answer.Body.Close()
		return answer.StatusCode == http.StatusOK
	}, 20*time.Second, 50*time.Millisecond)
}

func TestOnlySoManyConnections(t *testing.T) {
	inner, err := Listen(0)
	require.NoError(t, err)
	d := &doorkeeper{inner, make(chan struct{}, 1)}
	defer d.Close()
	dial := func() net.Conn {
		c, err := net.Dial("tcp", inner.Addr().String())
		require.NoError(t, err)
		t.Cleanup(func() { c.Close() })
		return c
	}
	dial()
	held, err := d.Accept()
	require.NoError(t, err)
	refused := dial()
	accepted := make(chan net.Conn, 1)
	go func() {
		if c, err := d.Accept(); err == nil {
			accepted <- c
		}
	}()
	_, err = refused.Read(make([]byte, 1))
	require.Error(t, err, "closed before a byte is read")
	require.NoError(t, held.Close())
	require.Error(t, held.Close(), "closed twice gives its place back once")
	dial()
	require.NoError(t, (<-accepted).Close())
	require.Empty(t, d.places)
}

// The recorder is asked at the beat, however many pages look, and is not asked when none does.
func TestRecorderIsAskedAtTheBeatOnly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var asked atomic.Int64
		s, err := New(func() terminal.State { asked.Add(1); return terminal.State{} })
		require.NoError(t, err)
		time.Sleep(time.Minute)
		require.Zero(t, asked.Load(), "nobody looks")
		ctx, cancel := context.WithCancel(context.Background())
		for range maxViewers {
			go s.news(httptest.NewRecorder(), httptest.NewRequest("GET", "/news", nil).WithContext(ctx))
		}
		time.Sleep(10*time.Second - time.Millisecond)
		synctest.Wait()
		require.Equal(t, int64(50), asked.Load(), "five times a second for ten seconds")
		cancel()
		synctest.Wait()
		time.Sleep(time.Minute)
		require.Equal(t, int64(50), asked.Load())
	})
}

// What lies between the server and a page is small enough that a page that stalls is soon found out,
// and another one is told all the while. (That it is let go, and when, package page tests by a clock
// of its own.)
func TestAStalledPageIsLetGo(t *testing.T) {
	c := serve(t, watching())
	conn, err := net.Dial("tcp", strings.TrimSuffix(strings.TrimPrefix(c.url, "http://"), "/"))
	require.NoError(t, err)
	defer conn.Close()
	_, err = io.WriteString(conn, "GET /news HTTP/1.1\r\nHost: "+conn.RemoteAddr().String()+"\r\n\r\n")
	require.NoError(t, err)
	_, err = io.ReadFull(conn, make([]byte, len("HTTP/1.1 200"))) // it was let in, and reads no more
	require.NoError(t, err)
	_, lines := stream(t, c.url)
	last := next(t, lines).T
	// The buffers on the way take some hundred kB, and a message is some kB.
	for told := 0; c.viewers() > 1; told++ {
		require.Less(t, told, 300, "messages while it was not let go")
		n := next(t, lines)
		require.GreaterOrEqual(t, n.T, last) // a late one and the next may come within a millisecond
		last = n.T
	}
}

// A header without end is cut off.
func TestLongHeadersAreRefused(t *testing.T) {
	c := serve(t, watching())
	q, err := http.NewRequest("GET", c.url, nil)
	require.NoError(t, err)
	q.Header.Set("A", strings.Repeat("a", 4*maxHeader))
	answer, err := http.DefaultClient.Do(q)
	require.NoError(t, err)
	defer answer.Body.Close()
	require.Equal(t, http.StatusRequestHeaderFieldsTooLarge, answer.StatusCode)
}
