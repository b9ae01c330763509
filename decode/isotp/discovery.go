package isotp

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"ridewitness/capture"
)

// Bounds of a Discovery.
const (
	maxWatched    = 8192 // identifiers, each counted once without and once with an address byte
	maxCandidates = 256
	maxRecent     = 32 // requests and first frames of a bus that are remembered
)

// answerWithin is how soon an answer must begin to count for a request. Units announce 50 ms by
// default and say 'pending' when they need longer.
const answerWithin = time.Second

// What a pair must have shown before it is called one. Chance alone meets a few of these on a busy
// bus, so one is never enough. Common practice, no source.
const (
	leastAnswers      = 3  // together with different requests or a flow control
	leastEqualAnswers = 10 // to one and the same request
)

// First bytes of ISO 14229-1 and ISO 15031-5 payloads.
const (
	positiveBit      = 0x40 // set in the first byte of every response
	negativeResponse = 0x7F
	responsePending  = 0x78
	testerPresent    = 0x3E
	suppressBit      = 0x80 // may be set in a request's second byte, and is not repeated then
)

// Discovery guesses the address pairs of buses for which none is defined. It takes an identifier
// only while each of its frames obeys the control rules of ISO 15765-2, and a pair only when answers
// followed requests in time. What it finds looks like a pair and is no proof. Memory is bounded.
// It is not safe for concurrent use; NewDiscovery makes one.
type Discovery struct {
	watched  map[address]*watched
	evidence map[route]*evidence
	recent   map[place]*recent
	full     bool
}

// place is a bus under one assumption about address bytes.
type place struct {
	bus      capture.BusID
	extended bool
	skip     uint8
}

// address is an identifier in a place.
type address struct {
	place
	id capture.ID
}

// watched is what was seen under an address.
type watched struct {
	address
	faulty    bool // a frame broke the rules, so this is no transport
	byte0     uint8
	frames    int
	requests  int
	responses int
	matched   int    // responses that answered a request
	answered  uint64 // number of the last request that one answered
	alive     int    // 'tester present' requests
	packet    uint64
	phase     phase
	from      *watched // who sent the flow control
	at        capture.Stamp
	isAnswer  bool // the open first frame begins a response
}

// phase is how far a long message has shown itself.
type phase uint8

const (
	idle phase = iota
	firstSeen
	flowSeen
)

// route is a request address and a response address.
type route struct{ request, response *watched }

// evidence is what speaks for a route.
type evidence struct {
	answers, flows int
	heads          [2]uint32 // the first two different requests answered
	differing      int
	first, last    uint64
}

// recent is the requests of a place, newest last in a ring.
type recent struct {
	asked [maxRecent]asked
	count uint64   // requests so far; the newest lies before count, modulo the ring
	last  *watched // the sender of the last first frame
}

type asked struct {
	by      *watched
	number  uint64 // counts the requests of the place
	service uint8
	echo    uint8 // what a positive answer repeats; echoes says whether there is any
	echoes  bool
	head    uint32
	at      capture.Stamp
}

// Candidate is what looks like a pair.
type Candidate struct {
	Pair        Pair
	Requests    int // messages under the request identifier
	Answers     int // those of the response identifier that answered one of them
	Flows       int // long messages that went on after a flow control of the other side
	First, Last uint64
}

// String says how sure it is, and of what.
func (c Candidate) String() string {
	if c.Pair.Functional {
		return fmt.Sprintf("0x%X looks like requests to all units ('tester present': %d)", c.Pair.Request, c.Requests)
	}
	return fmt.Sprintf("0x%X and 0x%X look like requests and responses (requests: %d, answers: %d, flow controls that fit: %d)",
		c.Pair.Request, c.Pair.Response, c.Requests, c.Answers, c.Flows)
}

// NewDiscovery returns a Discovery that has seen nothing.
func NewDiscovery() *Discovery {
	return &Discovery{
		watched:  make(map[address]*watched),
		evidence: make(map[route]*evidence),
		recent:   make(map[place]*recent),
	}
}

// Full reports whether there were more identifiers or pairs than are remembered, so that some were
// not looked at.
func (d *Discovery) Full() bool { return d.full }

// Feed takes the next frame of the stream.
func (d *Discovery) Feed(f *capture.Frame) {
	if f.Flags&(capture.Error|capture.Remote|capture.Cut) != 0 {
		return
	}
	for skip := range uint8(2) {
		w := d.watch(address{place{f.Bus, f.Flags.Has(capture.Extended), skip}, f.ID}, f)
		if w == nil || w.faulty {
			continue
		}
		control, fault := ReadControl(f.Payload(), int(skip))
		if fault != NoFault || skip == 1 && f.Data[0] != w.byte0 {
			w.faulty = true
			continue
		}
		d.consider(w, f, control)
	}
}

// watch returns what was seen under an address, nil for one that is too many.
func (d *Discovery) watch(a address, f *capture.Frame) *watched {
	w := d.watched[a]
	if w != nil {
		return w
	}
	if len(d.watched) == maxWatched {
		d.full = true
		return nil
	}
	w = &watched{address: a, byte0: f.Data[0], packet: f.Packet}
	d.watched[a] = w
	return w
}

// consider sorts a frame that obeys the rules by its kind.
func (d *Discovery) consider(w *watched, f *capture.Frame, control Control) {
	r := d.recent[w.place]
	if r == nil {
		r = new(recent)
		d.recent[w.place] = r
	}
	w.frames++
	switch control.Kind {
	case SingleFrame:
		d.message(r, w, f, control)
	case FirstFrame:
		w.phase, w.at = firstSeen, f.At
		w.isAnswer = f.Data[control.From]&positiveBit != 0
		r.last = w
		d.message(r, w, f, control)
	case FlowControl:
		d.flow(r, w, f)
	case ConsecutiveFrame:
		d.continues(w, f, control)
	}
}

// message notes a request, or finds the one that a response answers.
func (d *Discovery) message(r *recent, w *watched, f *capture.Frame, control Control) {
	payload := f.Payload()[control.From:]
	payload = payload[:min(len(payload), int(control.Length))]
	service := payload[0]
	if service&positiveBit == 0 {
		w.requests++
		if service == testerPresent {
			w.alive++
		}
		r.ask(w, payload, f.At)
		return
	}
	if service == negativeResponse && len(payload) == 3 && payload[2] == responsePending {
		return
	}
	w.responses++
	if question := r.find(w, payload, f.At); question != nil {
		w.matched++
		w.answered = question.number
		d.note(route{question.by, w}, f.Packet).answered(question.head)
	}
}

// ask remembers a request.
func (r *recent) ask(w *watched, payload []byte, at capture.Stamp) {
	r.count++
	q := asked{by: w, number: r.count, service: payload[0], head: head(payload), at: at}
	if len(payload) > 1 {
		q.echo, q.echoes = payload[1]&^suppressBit, true
	}
	r.asked[r.count%maxRecent] = q
}

// fits reports whether a response may answer q: a negative one names the service, a positive one
// also repeats the byte after it, which is a sub-function or the beginning of an identifier. The few
// services that repeat nothing are left out.
func (q *asked) fits(payload []byte) bool {
	if payload[0] == negativeResponse {
		return len(payload) == 3 && payload[1] == q.service
	}
	if payload[0] != q.service|positiveBit {
		return false
	}
	return !q.echoes || len(payload) > 1 && payload[1]&^suppressBit == q.echo
}

// head packs up to three bytes, enough to tell requests apart.
func head(payload []byte) uint32 {
	var h uint32
	for _, b := range payload[:min(len(payload), 3)] {
		h = h<<8 | uint32(b)
	}
	return h
}

// find returns the newest request that a response of w may answer at that time, nil for none.
func (r *recent) find(w *watched, payload []byte, at capture.Stamp) *asked {
	for n := r.count; n > w.answered && n+maxRecent > r.count; n-- {
		q := &r.asked[n%maxRecent]
		if at.Sub(q.at) > answerWithin {
			return nil
		}
		if q.by != w && q.fits(payload) {
			return q
		}
	}
	return nil
}

// flow ties a flow control to the last first frame of another identifier.
func (d *Discovery) flow(r *recent, w *watched, f *capture.Frame) {
	sender := r.last
	if sender == nil || sender == w || sender.phase != firstSeen || f.At.Sub(sender.at) > Timeout {
		return
	}
	sender.phase, sender.from, sender.at = flowSeen, w, f.At
}

// continues counts a flow control after which the long message went on.
func (d *Discovery) continues(w *watched, f *capture.Frame, control Control) {
	if w.phase != flowSeen || control.Sequence != 1 {
		return
	}
	w.phase = idle
	if f.At.Sub(w.at) > Timeout {
		return
	}
	r := route{request: w, response: w.from}
	if w.isAnswer {
		r = route{request: w.from, response: w}
	}
	d.note(r, f.Packet).flows++
}

// note returns the evidence for a route. What does not fit any more goes into one that nobody reads.
func (d *Discovery) note(r route, packet uint64) *evidence {
	e := d.evidence[r]
	if e == nil {
		e = &evidence{first: packet}
		if len(d.evidence) == maxCandidates {
			d.full = true
			return e
		}
		d.evidence[r] = e
	}
	e.last = packet
	return e
}

// answered counts an answer, and whether it was to another request than those before.
func (e *evidence) answered(head uint32) {
	e.answers++
	if e.differing < len(e.heads) && !slices.Contains(e.heads[:e.differing], head) {
		e.heads[e.differing] = head
		e.differing++
	}
}

// convinces reports whether the evidence is enough, and most of what both sides said is part of it.
func (e *evidence) convinces(r route) bool {
	if r.request.faulty || r.response.faulty {
		return false
	}
	enough := e.answers >= leastEqualAnswers ||
		e.answers >= leastAnswers && e.differing > 1 ||
		e.answers > 0 && e.flows > 0
	unmatched := r.response.responses - r.response.matched
	return enough && unmatched <= 1+r.response.matched/4 && r.request.responses <= r.request.requests/4
}

// Candidates returns what looks like a pair so far, the best supported first.
func (d *Discovery) Candidates() []Candidate {
	var found []Candidate
	for r, e := range d.evidence {
		if e.convinces(r) {
			found = append(found, Candidate{
				Pair: pairOf(r), Requests: r.request.requests,
				Answers: e.answers, Flows: e.flows, First: e.first, Last: e.last,
			})
		}
	}
	for _, w := range d.watched {
		if !w.faulty && w.alive >= leastAnswers && w.alive == w.frames && !d.asks(w) {
			p := Pair{Bus: w.bus, Request: w.id, Extended: w.extended, Functional: true}
			p.Addressing, p.RequestByte = w.addressing()
			found = append(found, Candidate{Pair: p, Requests: w.requests, First: w.packet, Last: w.packet})
		}
	}
	slices.SortFunc(found, func(a, b Candidate) int {
		return cmp.Or(
			cmp.Compare(b.Answers+b.Flows, a.Answers+a.Flows),
			cmp.Compare(a.Pair.Bus, b.Pair.Bus),
			cmp.Compare(a.Pair.Request, b.Pair.Request),
			cmp.Compare(a.Pair.Response, b.Pair.Response),
			cmp.Compare(a.Pair.Addressing, b.Pair.Addressing),
		)
	})
	return found
}

// asks reports whether w is the request side of any route.
func (d *Discovery) asks(w *watched) bool {
	for r := range d.evidence {
		if r.request == w {
			return true
		}
	}
	return false
}

// addressing says how the frames of w begin under the assumption made for it.
func (w *watched) addressing() (Addressing, uint8) {
	if w.skip == 0 {
		return Normal, 0
	}
	return WithByte, w.byte0
}

// pairOf writes a route as a pair that a Listener can add.
func pairOf(r route) Pair {
	p := Pair{Bus: r.request.bus, Request: r.request.id, Response: r.response.id, Extended: r.request.extended}
	p.Addressing, p.RequestByte = r.request.addressing()
	_, p.ResponseByte = r.response.addressing()
	return p
}
