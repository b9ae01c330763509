package secondscreen

import (
	"context"
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"net"
	"net/http"
	"slices"
	"strconv"
	"sync"
	"time"

	"ridewitness/replay/page"
	"ridewitness/replay/terminal"
)

// Server shows a recording to browsers of this machine. It is an http.Handler; Serve runs it with
// its limits.
//
//	GET /       the page
//	GET /news   stream
//
// Nothing else is answered but the files of the page.
type Server struct {
	state func() terminal.State
	mux   *http.ServeMux
	pages *template.Template
	begun time.Time
	done  chan struct{}

	viewing chan struct{} // a place for each page that may look

	mu   sync.Mutex
	last snapshot
}

// snapshot is the newest news, ready to be written, and when it was made.
type snapshot struct {
	text json.RawMessage
	at   time.Time
}

//go:embed pages
var pages embed.FS

const (
	// every is the beat: five messages a second, so that a page that covers itself after two
	// seconds may miss some.
	every = 200 * time.Millisecond
	// patience is how long a page may take to accept a message. It is covered by then.
	patience = 2 * time.Second
	// maxViewers is how many pages may look.
	maxViewers = 8
	// maxConnections is how many connections there may be: a page uses up to six.
	maxConnections = 6 * maxViewers
	maxHeader      = 8 << 10
	reading        = 5 * time.Second // how long a request may take to arrive
)

// New returns a server that shows what state returns. state is called by one goroutine at a time,
// only while somebody looks, and for a last time when Serve ends; it must not wait for the server.
// A state that has Ended, and no Trouble, says that the recording was closed as it should be: pages
// then cover themselves and say so. Without one a server that goes away is one that was lost.
func New(state func() terminal.State) (*Server, error) {
	s := &Server{state: state, mux: http.NewServeMux(), begun: time.Now(), done: make(chan struct{}), viewing: make(chan struct{}, maxViewers)}
	var err error
	if s.pages, err = page.Templates(pages, "pages/*.html"); err != nil {
		return nil, err
	}
	page.Route(s.mux)
	s.mux.HandleFunc("GET /{$}", s.show)
	s.mux.HandleFunc("GET /news", s.news)
	for _, name := range [...]string{"screen.css", "screen.js"} {
		s.mux.HandleFunc("GET /"+name, page.File(pages, "pages/"+name))
	}
	return s, nil
}

// Listen returns a listener on the loopback address, at a port that the system picks where port is 0.
func Listen(port uint16) (net.Listener, error) {
	l, err := net.Listen("tcp", net.JoinHostPort("127.0.0.1", strconv.Itoa(int(port))))
	if err != nil {
		return nil, fmt.Errorf("page of the recording: %w", err)
	}
	return l, nil
}

// URL returns the address of the page behind a listener.
func URL(l net.Listener) string { return "http://" + l.Addr().String() + "/" }

// ErrNotHere says that a listener can be reached from other machines.
var ErrNotHere = errors.New("the page of a recording is served on the loopback address only")

// Serve answers on l until ctx is done, and closes l. It refuses a listener that others than this
// machine could reach, with ErrNotHere.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	if ip := page.Address(l.Addr().String()); ip == nil || !ip.IsLoopback() {
		return errors.Join(ErrNotHere, l.Close())
	}
	web := &http.Server{Handler: s, ReadHeaderTimeout: reading, ReadTimeout: reading, IdleTimeout: 30 * time.Second, MaxHeaderBytes: maxHeader}
	web.RegisterOnShutdown(func() { close(s.done) })
	return page.Serve(ctx, web, &doorkeeper{l, make(chan struct{}, maxConnections)})
}

// ServeHTTP checks who asks, from where and for which host, before any page is looked for.
func (s *Server) ServeHTTP(w http.ResponseWriter, q *http.Request) {
	h := w.Header()
	page.Protect(h)
	h.Set("Referrer-Policy", "no-referrer")
	switch {
	case !page.FromHere(q):
		page.Refuse(w, http.StatusForbidden, "this page is for the recording machine alone")
	case !ours(q):
		page.Refuse(w, http.StatusMisdirectedRequest, "no such host here")
	case q.Method != http.MethodGet:
		h.Set("Allow", http.MethodGet)
		page.Refuse(w, http.StatusMethodNotAllowed, "this page can only be read")
	default:
		s.mux.ServeHTTP(w, q)
	}
}

// ours reports whether a request is meant for this server: by a name of the loopback address and the
// port that it came in by. Any other name would let a page of another site talk to us by having its
// name point here.
func ours(q *http.Request) bool {
	local, known := q.Context().Value(http.LocalAddrContextKey).(net.Addr)
	if !known {
		return false
	}
	_, own, err := net.SplitHostPort(local.String())
	if err != nil {
		return false
	}
	host, port, err := net.SplitHostPort(q.Host)
	return err == nil && port == own && slices.Contains([]string{"127.0.0.1", "localhost", "::1"}, host)
}

func (s *Server) show(w http.ResponseWriter, _ *http.Request) {
	page.Show(w, s.pages, "screen.html", facts())
}

// news tells a page what there is, at the beat, until it goes or does not take it any more.
func (s *Server) news(w http.ResponseWriter, q *http.Request) {
	if site := q.Header.Get("Sec-Fetch-Site"); site != "" && site != "same-origin" && site != "none" {
		page.Refuse(w, http.StatusForbidden, "only the page of this recording may ask that")
		return
	}
	select {
	case s.viewing <- struct{}{}:
		defer func() { <-s.viewing }()
	default:
		page.Refuse(w, http.StatusServiceUnavailable, "enough screens look at this recording already")
		return
	}
	page.Stream{Every: every, Patience: patience, News: s.newest, Done: s.done, Last: s.fresh}.Write(w, q)
}

// newest returns the newest snapshot. One is shared by all pages whose beats fall close together.
func (s *Server) newest() (any, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.last.text != nil && time.Since(s.last.at) < every/2 {
		return s.last.text, nil
	}
	return s.snap()
}

// fresh returns a snapshot that nobody was told yet: the recording may just have ended.
func (s *Server) fresh() (any, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.snap()
}

// snap takes a snapshot. The caller holds mu.
func (s *Server) snap() (any, error) {
	now := time.Now()
	state := s.state()
	text, err := json.Marshal(tell(&state, now.Sub(s.begun)))
	if err != nil {
		return nil, err
	}
	s.last = snapshot{text, now}
	return s.last.text, nil
}

// doorkeeper closes what is over the number of connections before a byte is read, and keeps what
// lies unread between us and a page small: a page that stalls is found out soon.
type doorkeeper struct {
	net.Listener
	places chan struct{}
}

// unread is how many bytes may lie in the socket: a few messages.
const unread = 32 << 10

// Accept implements net.Listener.
func (d *doorkeeper) Accept() (net.Conn, error) {
	for {
		c, err := d.Listener.Accept()
		if err != nil {
			return nil, err
		}
		select {
		case d.places <- struct{}{}:
		default:
			// Nobody waits for this connection; whether it closes well does not matter.
			c.Close()
			continue
		}
		if tcp, ok := c.(*net.TCPConn); ok {
			// Where the system has another size it only takes longer to find out a page that stalls.
			_ = tcp.SetWriteBuffer(unread)
		}
		return &counted{Conn: c, leave: sync.OnceFunc(func() { <-d.places })}, nil
	}
}

// counted is a connection that gives its place back when it closes.
type counted struct {
	net.Conn
	leave func()
}

// Close implements net.Conn.
func (c *counted) Close() error {
	c.leave()
	return c.Conn.Close()
}
