package classroom

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"ridewitness/replay/page"
)

// Options say who may come in.
type Options struct {
	// Address is where phones find the class, such as 192.0.2.10:8717. It is shown, drawn as a
	// square code, and the only host name that is answered to from elsewhere.
	Address string
	// Open lets others than this machine in. Without it the class is a rehearsal.
	Open bool
	// Rate is what one address may ask for; the zero value is DefaultRate.
	Rate Rate
}

// Server lets browsers look at a Room. It is an http.Handler; Serve runs it with its limits.
//
//	from anywhere (when Open)      from this machine, with the token
//	GET  /j/CODE         phone     GET  /t/TOKEN       board with the trainer's bar
//	POST /j/CODE/seat              POST /t/TOKEN/do    a command
//	POST /j/CODE/answer
//	GET  /j/CODE/news    stream
//	GET  /b/CODE         board
//	GET  /b/CODE/news    stream
//
// Nothing else is answered. Whether an answer is right has no part in any of these.
type Server struct {
	room    *Room
	options Options
	code    string
	token   string
	mux     *http.ServeMux
	limits  *limiter
	pages   *template.Template
	square  square
	done    chan struct{}
	// reading is how long a request may take to arrive.
	reading time.Duration
}

//go:embed pages
var pages embed.FS

// What a request may carry, in bytes.
const (
	maxBody   = 512
	maxHeader = 8 << 10
)

// Rhythm of the streams. A page covers itself after two seconds without news.
const (
	boardEvery = 250 * time.Millisecond
	seatEvery  = 500 * time.Millisecond
	// patience is how long a page may take to accept a message before it is let go.
	patience = 4 * time.Second
)

// NewServer returns a server for a room, with a new class code and a new trainer's token.
func NewServer(room *Room, o Options) (*Server, error) {
	if o.Rate == (Rate{}) {
		o.Rate = DefaultRate
	}
	if _, _, err := net.SplitHostPort(o.Address); err != nil {
		return nil, fmt.Errorf("class address %q: %w", o.Address, err)
	}
	s := &Server{room: room, options: o, code: newCode(), token: rand.Text(), mux: http.NewServeMux(),
		limits: newLimiter(o.Rate), done: make(chan struct{}), reading: 10 * time.Second}
	var err error
	if s.pages, err = page.Templates(pages, "pages/*.html"); err != nil {
		return nil, err
	}
	if s.square, err = drawSquare(s.JoinURL()); err != nil {
		return nil, err
	}
	s.route()
	return s, nil
}

// codeLetters can't be mistaken for one another when read from a wall or said aloud, and spell no
// words.
const codeLetters = "CDFHJKMNPRTWX"

// newCode returns four letters that keep strangers on the same network out of the class by chance;
// they are no secret.
func newCode() string {
	var random [4]byte
	rand.Read(random[:]) // never fails: crypto/rand ends the program where it can't
	for i, b := range random {
		random[i] = codeLetters[int(b)%len(codeLetters)]
	}
	return string(random[:])
}

// Code returns the class code.
func (s *Server) Code() string { return s.code }

// JoinURL returns the address of the phone page.
func (s *Server) JoinURL() string { return "http://" + s.options.Address + "/j/" + s.code }

// BoardURL returns the address of the projector page without the trainer's bar.
func (s *Server) BoardURL() string { return "http://" + s.options.Address + "/b/" + s.code }

// TrainerURL returns the address of the projector page with the bar, on the loopback address. Who
// has it steers the class.
func (s *Server) TrainerURL() string {
	_, port, err := net.SplitHostPort(s.options.Address)
	if err != nil {
		return ""
	}
	return "http://127.0.0.1:" + port + "/t/" + s.token
}

func (s *Server) route() {
	s.mux.HandleFunc("GET /j/{code}", s.class(s.page("phone.html", false)))
	s.mux.HandleFunc("GET /b/{code}", s.class(s.page("board.html", false)))
	s.mux.HandleFunc("GET /t/{token}", s.trainer(s.page("board.html", true)))
	s.mux.HandleFunc("POST /j/{code}/seat", s.class(s.takeSeat))
	s.mux.HandleFunc("POST /j/{code}/answer", s.class(s.takeAnswer))
	s.mux.HandleFunc("GET /j/{code}/news", s.class(s.seatStream))
	s.mux.HandleFunc("GET /b/{code}/news", s.class(s.boardStream))
	s.mux.HandleFunc("POST /t/{token}/do", s.trainer(s.command))
	page.Route(s.mux)
	for _, name := range [...]string{"class.css", "class.js", "phone.js", "board.js"} {
		s.mux.HandleFunc("GET /"+name, page.File(pages, "pages/"+name))
	}
}

// ServeHTTP checks who asks, from where and for which host, before any page is looked for.
func (s *Server) ServeHTTP(w http.ResponseWriter, q *http.Request) {
	h := w.Header()
	page.Protect(h)
	local := page.FromHere(q)
	switch {
	case !local && !s.options.Open:
		page.Refuse(w, http.StatusForbidden, "this class is not open to others than the trainer's machine")
	case !s.host(q.Host, local):
		page.Refuse(w, http.StatusMisdirectedRequest, "no such host here")
	case q.Method != http.MethodGet && q.Header.Get("Origin") != "http://"+q.Host:
		page.Refuse(w, http.StatusForbidden, "only a page of this class may send that")
	case !s.limits.allow(q, costOf(q)):
		h.Set("Retry-After", "1")
		page.Refuse(w, http.StatusTooManyRequests, "too many requests; wait a second")
	default:
		q.Body = http.MaxBytesReader(w, q.Body, maxBody)
		s.mux.ServeHTTP(w, q)
	}
}

// host reports whether a request is meant for this class. A name that is not ours would let a page
// of another site talk to us by having its name point here.
func (s *Server) host(name string, local bool) bool {
	return name == s.options.Address || local && s.loopback(name)
}

func (s *Server) loopback(name string) bool {
	host, port, err := net.SplitHostPort(name)
	if err != nil {
		return false
	}
	_, own, err := net.SplitHostPort(s.options.Address)
	return err == nil && port == own && slices.Contains([]string{"127.0.0.1", "localhost", "::1"}, host)
}

// class lets a request in that knows the class code.
func (s *Server) class(next http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, q *http.Request) {
		if !strings.EqualFold(q.PathValue("code"), s.code) {
			page.Refuse(w, http.StatusNotFound, "no such class; look at the address on the screen in front")
			return
		}
		next(w, q)
	}
}

// trainer lets a request in that comes from this machine, for this machine, with the token. To all
// others there is no such page.
func (s *Server) trainer(next http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, q *http.Request) {
		known := subtle.ConstantTimeCompare([]byte(q.PathValue("token")), []byte(s.token)) == 1
		if !known || !page.FromHere(q) || !s.loopback(q.Host) {
			page.Refuse(w, http.StatusNotFound, "no such page")
			return
		}
		next(w, q)
	}
}

// pageFacts are what a page is made of. Everything else comes by its stream.
type pageFacts struct {
	Title, Origin, Label string
	Code, Join           string
	Square               square
	Trainer              string // token, on the trainer's page only
	News                 string
	Corners              []pageCorner
}

type pageCorner struct{ ID, Name string }

func (s *Server) page(name string, trainer bool) http.HandlerFunc {
	c := s.room.Course
	facts := pageFacts{Title: s.room.Lesson.Title, Origin: strings.ToUpper(c.Origin), Label: c.Label, Code: s.code,
		Join: s.options.Address + "/j/" + s.code, Square: s.square, News: "/b/" + s.code + "/news"}
	for _, id := range cornerNames() {
		name := strings.ReplaceAll(id, "-", " ")
		facts.Corners = append(facts.Corners, pageCorner{id, strings.ToUpper(name[:1]) + name[1:]})
	}
	if trainer {
		facts.Trainer = s.token
	}
	return func(w http.ResponseWriter, q *http.Request) { page.Show(w, s.pages, name, facts) }
}

func (s *Server) takeSeat(w http.ResponseWriter, q *http.Request) {
	token, err := s.room.Join()
	if err != nil {
		page.Refuse(w, http.StatusServiceUnavailable, err.Error())
		return
	}
	writeJSON(w, map[string]string{"seat": token})
}

// takeAnswer takes a choice and confirms what was received, and nothing else.
func (s *Server) takeAnswer(w http.ResponseWriter, q *http.Request) {
	form, err := readForm(q)
	if err != nil {
		page.Refuse(w, http.StatusBadRequest, err.Error())
		return
	}
	stop, choice := number(form, "stop"), number(form, "choice")
	switch err := s.room.Answer(form.Get("seat"), stop, choice); {
	case errors.Is(err, ErrNoSeat):
		page.Refuse(w, http.StatusForbidden, err.Error())
	case errors.Is(err, ErrNotOpen):
		page.Refuse(w, http.StatusConflict, err.Error())
	case err != nil:
		page.Refuse(w, http.StatusBadRequest, err.Error())
	default:
		writeJSON(w, map[string]int{"received": choice})
	}
}

// command carries out what the trainer pressed.
func (s *Server) command(w http.ResponseWriter, q *http.Request) {
	form, err := readForm(q)
	if err != nil {
		page.Refuse(w, http.StatusBadRequest, err.Error())
		return
	}
	step, err := strconv.ParseUint(form.Get("step"), 10, 64)
	if err != nil {
		page.Refuse(w, http.StatusBadRequest, "the step is no number")
		return
	}
	var answer struct {
		Step    uint64 `json:"step"`
		Refused string `json:"refused,omitempty"`
	}
	switch err := s.room.Do(Command(form.Get("command")), step); {
	case errors.Is(err, ErrUnknown):
		page.Refuse(w, http.StatusBadRequest, err.Error())
		return
	case err != nil:
		answer.Refused = err.Error() // a key pressed twice is no fault of the page
	}
	answer.Step = s.room.Step()
	writeJSON(w, answer)
}

// readForm reads a small form.
func readForm(q *http.Request) (url.Values, error) {
	if kind, _, _ := strings.Cut(q.Header.Get("Content-Type"), ";"); kind != "application/x-www-form-urlencoded" {
		return nil, errors.New("a form is expected")
	}
	if err := q.ParseForm(); err != nil {
		return nil, errors.New("the form can't be read, or is too long")
	}
	return q.PostForm, nil
}

// number returns a field as a number, 0 where it is none.
func number(form url.Values, key string) int {
	n, err := strconv.Atoi(form.Get(key))
	if err != nil {
		return 0
	}
	return n
}

func writeJSON(w http.ResponseWriter, v any) {
	w.Header().Set("Content-Type", "application/json")
	// A page that went away does not hear the answer; its next news tells it.
	json.NewEncoder(w).Encode(v)
}

// seatStream tells a phone the news.
func (s *Server) seatStream(w http.ResponseWriter, q *http.Request) {
	token := q.URL.Query().Get("seat")
	replaced, err := s.room.listen(token)
	if err != nil {
		page.Refuse(w, http.StatusForbidden, err.Error())
		return
	}
	defer s.room.leave(token, replaced)
	s.stream(w, q, seatEvery, replaced, func() (any, error) { return s.room.seat(token) })
}

// boardStream tells the projector page the news.
func (s *Server) boardStream(w http.ResponseWriter, q *http.Request) {
	release, ok := s.limits.board(page.FromHere(q))
	if !ok {
		page.Refuse(w, http.StatusServiceUnavailable, "enough screens show this class already")
		return
	}
	defer release()
	s.stream(w, q, boardEvery, nil, func() (any, error) { return s.room.board(), nil })
}

// stream writes news now, at each change of the room, and at a steady rhythm, which does not depend
// on what is in it.
func (s *Server) stream(w http.ResponseWriter, q *http.Request, every time.Duration, stop <-chan struct{}, news func() (any, error)) {
	page.Stream{Every: every, Patience: patience, Changed: s.room.Changed, News: news, Stop: stop, Done: s.done}.Write(w, q)
}

// Serve answers on l until ctx is done, with the limits of time, size and number that a class
// needs. It closes l.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	web := &http.Server{
		Handler: s, ReadHeaderTimeout: s.reading, ReadTimeout: s.reading, IdleTimeout: 30 * time.Second,
		MaxHeaderBytes: maxHeader, ConnContext: withBucket,
	}
	web.RegisterOnShutdown(func() { close(s.done) })
	return page.Serve(ctx, web, s.limits.listen(l))
}
