package classroom

import (
	"bufio"
	"context"
	"encoding/json"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

const inClass = "192.0.2.10:8717" // RFC 5737: an address for documentation

// rehearsal is a server that is asked without a network.
type rehearsal struct {
	t      *testing.T
	room   *Room
	server *Server
}

func rehearsalOf(t *testing.T, o Options) *rehearsal {
	t.Helper()
	room := roomOf(t, "early")
	if o.Address == "" {
		o.Address = inClass
	}
	s, err := NewServer(room, o)
	require.NoError(t, err)
	return &rehearsal{t, room, s}
}

// from asks as a machine of that address would, with changes to the request.
func (h *rehearsal) from(remote, method, path string, form url.Values, change ...func(*http.Request)) *httptest.ResponseRecorder {
	h.t.Helper()
	q := httptest.NewRequest(method, path, strings.NewReader(form.Encode()))
	q.RemoteAddr, q.Host = remote, inClass
	if strings.HasPrefix(remote, "127.") {
		q.Host = "127.0.0.1:8717"
	}
	if method == http.MethodPost {
		q.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		q.Header.Set("Origin", "http://"+q.Host)
	}
	for _, c := range change {
		c(q)
	}
	w := httptest.NewRecorder()
	h.server.ServeHTTP(w, q)
	return w
}

const (
	student = "192.0.2.77:50000"
	laptop  = "127.0.0.1:50000"
)

func (h *rehearsal) path(format string) string {
	return strings.NewReplacer("CODE", h.server.code, "TOKEN", h.server.token).Replace(format)
}

func TestWhoMayDoWhat(t *testing.T) {
	open := Options{Open: true}
	command := url.Values{"command": {"next-stop"}, "step": {"0"}}
	cases := []struct {
		name         string
		options      Options
		from         string
		method, path string
		form         url.Values
		change       func(*http.Request)
		status       int
	}{
		{"phone page", open, student, "GET", "/j/CODE", nil, nil, 200},
		{"board page from elsewhere", open, student, "GET", "/b/CODE", nil, nil, 200},
		{"a seat", open, student, "POST", "/j/CODE/seat", nil, nil, 200},
		{"wrong class code", open, student, "GET", "/j/AAAA", nil, nil, 404},
		{"nothing at the root", open, student, "GET", "/", nil, nil, 404},
		{"no files but ours", open, student, "GET", "/pages/board.html", nil, nil, 404},
		{"no way up", open, student, "GET", "/../go.mod", nil, nil, 307},
		{"an answer by GET", open, student, "GET", "/j/CODE/answer", nil, nil, 405},
		{"another method", open, student, "DELETE", "/j/CODE", nil, func(q *http.Request) { q.Header.Set("Origin", "http://"+inClass) }, 405},

		{"a rehearsal lets nobody in", Options{}, student, "GET", "/j/CODE", nil, nil, 403},
		{"a rehearsal on this machine", Options{}, laptop, "GET", "/j/CODE", nil, nil, 200},

		{"the trainer's page", open, laptop, "GET", "/t/TOKEN", nil, nil, 200},
		{"the trainer's page from elsewhere, with the token", open, student, "GET", "/t/TOKEN", nil, nil, 404},
		{"the trainer's page without the token", open, laptop, "GET", "/t/x", nil, nil, 404},
		{"the trainer's page under the class's address", open, laptop, "GET", "/t/TOKEN", nil, func(q *http.Request) { q.Host = inClass }, 404},
		{"a command", open, laptop, "POST", "/t/TOKEN/do", command, nil, 200},
		{"a command from elsewhere, with the token", open, student, "POST", "/t/TOKEN/do", command, nil, 404},
		{"a command with a wrong token", open, laptop, "POST", "/t/x/do", command, nil, 404},
		{"a command by a student's path", open, student, "POST", "/j/CODE/do", command, nil, 404},
		{"a command from a page of another site", open, laptop, "POST", "/t/TOKEN/do", command,
			func(q *http.Request) { q.Header.Set("Origin", "http://evil.example") }, 403},
		{"a command without an origin", open, laptop, "POST", "/t/TOKEN/do", command, func(q *http.Request) { q.Header.Del("Origin") }, 403},
		{"an unknown command", open, laptop, "POST", "/t/TOKEN/do", url.Values{"command": {"dance"}, "step": {"0"}}, nil, 400},
		{"a command without a step", open, laptop, "POST", "/t/TOKEN/do", url.Values{"command": {"ask"}}, nil, 400},

		{"a name that points here", open, student, "GET", "/j/CODE", nil, func(q *http.Request) { q.Host = "evil.example:8717" }, 421},
		{"a name that points at this machine", open, laptop, "GET", "/t/TOKEN", nil, func(q *http.Request) { q.Host = "evil.example:8717" }, 421},
		{"localhost", open, laptop, "GET", "/t/TOKEN", nil, func(q *http.Request) { q.Host = "localhost:8717" }, 200},
		{"localhost on another port", open, laptop, "GET", "/t/TOKEN", nil, func(q *http.Request) { q.Host = "localhost:80" }, 421},
		{"loopback name from elsewhere", open, student, "GET", "/j/CODE", nil, func(q *http.Request) { q.Host = "127.0.0.1:8717" }, 421},
		{"a seat for a page of another site", open, student, "POST", "/j/CODE/seat", nil,
			func(q *http.Request) { q.Header.Set("Origin", "http://evil.example") }, 403},
		{"a form that is none", open, student, "POST", "/j/CODE/answer", nil, func(q *http.Request) { q.Header.Set("Content-Type", "text/plain") }, 400},
		{"a form that is too long", open, student, "POST", "/j/CODE/answer", url.Values{"seat": {strings.Repeat("x", 600)}}, nil, 400},
		{"an answer without a seat", open, student, "POST", "/j/CODE/answer", url.Values{"stop": {"1"}, "choice": {"1"}}, nil, 403},
		{"news without a seat", open, student, "GET", "/j/CODE/news?seat=x", nil, nil, 403},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			h := rehearsalOf(t, c.options)
			if c.change == nil {
				c.change = func(*http.Request) {}
			}
			w := h.from(c.from, c.method, h.path(c.path), c.form, c.change)
			require.Equal(t, c.status, w.Code, w.Body.String())
			require.Contains(t, w.Header().Get("Content-Security-Policy"), "default-src 'none'")
			require.NotContains(t, w.Header().Get("Content-Security-Policy"), "unsafe")
			require.Equal(t, "nosniff", w.Header().Get("X-Content-Type-Options"))
			require.Equal(t, "no-store", w.Header().Get("Cache-Control"))
			require.Empty(t, w.Header().Get("Set-Cookie"))
			if c.status != 200 {
				require.Equal(t, Playing, h.room.phaseNow())
				require.Zero(t, h.room.timeNow(), "refused, and done all the same")
			}
		})
	}
}

func TestSmallLettersInTheCodeWillDo(t *testing.T) {
	h := rehearsalOf(t, Options{Open: true})
	require.Equal(t, 200, h.from(student, "GET", "/j/"+strings.ToLower(h.server.code), nil).Code)
}

// Pages as they are served: no text of the lesson's questions, no bar but on the trainer's page, no
// script or style inside, nothing from another host.
func TestPagesHoldNothingToHide(t *testing.T) {
	h := rehearsalOf(t, Options{Open: true})
	pages := map[string]string{
		"phone":   h.from(student, "GET", h.path("/j/CODE"), nil).Body.String(),
		"board":   h.from(student, "GET", h.path("/b/CODE"), nil).Body.String(),
		"trainer": h.from(laptop, "GET", h.path("/t/TOKEN"), nil).Body.String(),
	}
	for name, page := range pages {
		for _, s := range h.room.Lesson.Stops {
			require.NotContains(t, page, s.Question, name)
			require.NotContains(t, page, s.Reason, name)
			for _, c := range s.Choices {
				require.NotContains(t, page, c.Text, name)
			}
		}
		require.Contains(t, page, "SIMULATED, replayed", name)
		require.Contains(t, page, "no vehicle moves", name)
		require.NotContains(t, page, "style=", name)
		require.NotContains(t, page, "onclick", name)
		require.NotContains(t, strings.ReplaceAll(page, "http://www.w3.org/", ""), "://", name)
		require.Equal(t, name == "trainer", strings.Contains(page, h.server.token), name)
		require.Equal(t, name == "trainer", strings.Contains(page, `id="tools"`), name)
	}
	for _, f := range []string{"/class.css", "/class.js", "/phone.js", "/board.js", "/icon.svg"} {
		w := h.from(student, "GET", f, nil)
		require.Equal(t, 200, w.Code, f)
		require.NotContains(t, strings.ReplaceAll(w.Body.String(), "http://www.w3.org/", ""), "://", f)
	}
}

// Words that no output may hold, in any page, script or style.
func TestForbiddenWords(t *testing.T) {
	entries, err := pages.ReadDir("pages")
	require.NoError(t, err)
	for _, e := range entries {
		text, err := pages.ReadFile("pages/" + e.Name())
		require.NoError(t, err)
		// a script asks a response for its property of that name; nobody reads that
		requireCalm(t, e.Name(), strings.ReplaceAll(string(text), "answer.ok", ""))
	}
	for _, name := range Names() {
		text, err := Text(name)
		require.NoError(t, err)
		requireCalm(t, name, text)
	}
}

func requireCalm(t *testing.T, where, text string) {
	t.Helper()
	words := strings.FieldsFunc(strings.ToLower(text), func(r rune) bool { return !(r >= 'a' && r <= 'z' || r == '-') })
	for i, w := range words {
		require.NotContains(t, []string{"safe", "ok", "ready", "green"}, w, "%s: word %d", where, i)
		if w == "all" && i+1 < len(words) {
			require.NotEqual(t, "clear", words[i+1], where)
		}
	}
}

func TestAnAnswerIsConfirmed(t *testing.T) {
	h := rehearsalOf(t, Options{Open: true})
	w := h.from(student, "POST", h.path("/j/CODE/seat"), nil)
	var seat struct{ Seat string }
	require.NoError(t, json.Unmarshal(w.Body.Bytes(), &seat))
	form := url.Values{"seat": {seat.Seat}, "stop": {"1"}, "choice": {"3"}}
	require.Equal(t, 409, h.from(student, "POST", h.path("/j/CODE/answer"), form).Code, "nothing is open")
	do(t, h.room, NextStop, Ask)
	var lengths []int
	for _, choice := range []string{"1", "2", "3", "4"} {
		form.Set("choice", choice)
		w = h.from(student, "POST", h.path("/j/CODE/answer"), form)
		require.Equal(t, 200, w.Code)
		require.JSONEq(t, `{"received":`+choice+`}`, w.Body.String())
		lengths = append(lengths, w.Body.Len())
	}
	require.Equal(t, []int{lengths[0], lengths[0], lengths[0], lengths[0]}, lengths)
	form.Set("choice", "5")
	require.Equal(t, 400, h.from(student, "POST", h.path("/j/CODE/answer"), form).Code)
	form.Set("choice", "one")
	require.Equal(t, 400, h.from(student, "POST", h.path("/j/CODE/answer"), form).Code)
}

// A command that comes too late says so and changes nothing.
func TestACommandPressedTwice(t *testing.T) {
	h := rehearsalOf(t, Options{})
	do(t, h.room, NextStop)
	form := url.Values{"command": {"ask"}, "step": {"1"}}
	require.JSONEq(t, `{"step":2}`, h.from(laptop, "POST", h.path("/t/TOKEN/do"), form).Body.String())
	require.JSONEq(t, `{"step":2,"refused":"moved on since; press again"}`, h.from(laptop, "POST", h.path("/t/TOKEN/do"), form).Body.String())
}

// One address that asks without end is told to wait; another one is served.
func TestAFloodIsLimited(t *testing.T) {
	h := rehearsalOf(t, Options{Open: true, Rate: Rate{Connections: 4, Total: 8, Burst: 10, PerSecond: 0.001}})
	status := map[int]int{}
	for range 50 {
		status[h.from(student, "GET", h.path("/j/CODE"), nil).Code]++
	}
	require.Equal(t, map[int]int{200: 10, 429: 40}, status)
	require.Equal(t, 200, h.from("192.0.2.78:50000", "GET", h.path("/j/CODE"), nil).Code)
	w := h.from("192.0.2.79:50000", "POST", h.path("/j/CODE/seat"), nil)
	require.Equal(t, 200, w.Code)
	require.Equal(t, 200, h.from("192.0.2.79:50000", "POST", h.path("/j/CODE/seat"), nil).Code)
	require.Equal(t, 429, h.from("192.0.2.79:50000", "POST", h.path("/j/CODE/seat"), nil).Code, "a seat counts as four")
}

func TestConnectionsAreLimited(t *testing.T) {
	l := newLimiter(Rate{Connections: 2, Total: 3})
	leave := map[string]func(){}
	enter := func(remote string) bool {
		f, ok := l.enter(remote)
		leave[remote] = f
		return ok
	}
	require.True(t, enter("192.0.2.1:1"))
	require.True(t, enter("192.0.2.1:2"))
	require.False(t, enter("192.0.2.1:3"), "two of one address")
	require.True(t, enter("192.0.2.2:1"))
	require.False(t, enter("192.0.2.3:1"), "three in all")
	require.True(t, enter("127.0.0.1:1"), "the trainer always gets in")
	require.True(t, enter("127.0.0.1:2"))
	require.False(t, enter("127.0.0.1:3"))
	leave["192.0.2.1:1"]()
	leave["192.0.2.1:1"]() // closed twice counts once
	require.True(t, enter("192.0.2.3:1"))
	require.False(t, enter("192.0.2.4:1"))
}

// In IPv6 one machine has as many addresses as it likes within its network of 64 bits (RFC 4291).
func TestAddressesAreCountedByNetwork(t *testing.T) {
	require.Equal(t, keyOf("[2001:db8:1:2::1]:80"), keyOf("[2001:db8:1:2:ffff::9]:81"))
	require.NotEqual(t, keyOf("[2001:db8:1:2::1]:80"), keyOf("[2001:db8:1:3::1]:80"))
	require.NotEqual(t, keyOf("[fe80::1%eth0]:80"), keyOf("[fe80::2%eth0]:80"), "a link has one network for all")
	require.Equal(t, keyOf("192.0.2.1:80"), keyOf("[::ffff:192.0.2.1]:80"))
}

// Addresses are kept as numbers of a secret of this run, and forgotten a minute after they were last
// seen.
func TestAddressesAreForgotten(t *testing.T) {
	l := newLimiter(DefaultRate)
	begun := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	l.guest("192.0.2.1:1", begun)
	require.Len(t, l.guests, 1)
	l.guest("192.0.2.2:1", begun.Add(2*forgetAfter))
	require.Len(t, l.guests, 1)
}

// The streams carry the origin's own news, and end with the server.
func TestStreamsEndWithTheClass(t *testing.T) {
	c := serve(t, "early")
	q, err := http.NewRequestWithContext(context.Background(), http.MethodGet, c.server.BoardURL()+"/news", nil)
	require.NoError(t, err)
	answer, err := http.DefaultClient.Do(q)
	require.NoError(t, err)
	defer answer.Body.Close()
	require.Equal(t, "text/event-stream", answer.Header.Get("Content-Type"))
	lines := bufio.NewScanner(answer.Body)
	require.True(t, lines.Scan())
	require.True(t, strings.HasPrefix(lines.Text(), `data: {"t":`), lines.Text())
	c.stop()
	for lines.Scan() {
	}
	require.NotErrorIs(t, lines.Err(), context.DeadlineExceeded)
}

// The time that a request may take to arrive does not end a stream that it began.
func TestStreamsOutliveTheirRequest(t *testing.T) {
	room := roomOf(t, "early")
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	s, err := NewServer(room, Options{Address: listener.Addr().String()})
	require.NoError(t, err)
	s.reading = 300 * time.Millisecond
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(ctx, listener) }()
	answer, err := http.Get(s.BoardURL() + "/news")
	require.NoError(t, err)
	defer answer.Body.Close()
	lines := bufio.NewScanner(answer.Body)
	last := boardNews{}
	for last.T < 3*s.reading.Milliseconds() {
		require.True(t, lines.Scan(), "it ended after %d ms: %v", last.T, lines.Err())
		if text, ok := strings.CutPrefix(lines.Text(), "data: "); ok {
			require.NoError(t, json.Unmarshal([]byte(text), &last))
		}
	}
	cancel()
	require.NoError(t, <-ended)
}

// A request line or a header without end is cut off.
func TestLongHeadersAreRefused(t *testing.T) {
	c := serve(t, "early")
	conn, err := net.Dial("tcp", strings.TrimPrefix(c.base, "http://"))
	require.NoError(t, err)
	defer conn.Close()
	_, err = io.WriteString(conn, "GET /j/x HTTP/1.1\r\nHost: x\r\nA: "+strings.Repeat("a", 4*maxHeader)+"\r\n\r\n")
	require.NoError(t, err)
	answer, err := http.ReadResponse(bufio.NewReader(conn), nil)
	require.NoError(t, err)
	defer answer.Body.Close()
	require.Equal(t, http.StatusRequestHeaderFieldsTooLarge, answer.StatusCode)
}

func TestOnlySoManyBoards(t *testing.T) {
	l := newLimiter(DefaultRate)
	var last func()
	for range maxBoards {
		release, ok := l.board(false)
		require.True(t, ok)
		last = release
	}
	_, ok := l.board(false)
	require.False(t, ok)
	_, ok = l.board(true)
	require.True(t, ok, "those of this machine are not counted")
	last()
	_, ok = l.board(false)
	require.True(t, ok)
}

func TestAddressesOfAClass(t *testing.T) {
	h := rehearsalOf(t, Options{Open: true})
	require.Equal(t, "http://192.0.2.10:8717/j/"+h.server.Code(), h.server.JoinURL())
	require.Equal(t, "http://192.0.2.10:8717/b/"+h.server.Code(), h.server.BoardURL())
	require.True(t, strings.HasPrefix(h.server.TrainerURL(), "http://127.0.0.1:8717/t/"))
	_, err := NewServer(h.room, Options{Address: "192.0.2.10"})
	require.ErrorContains(t, err, `class address "192.0.2.10": `)
}
