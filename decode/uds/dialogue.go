package uds

import (
	"bytes"
	"fmt"
	"time"

	"ridewitness/capture"
)

// Times of ISO 14229-2, the defaults that hold until a unit announces its own.
const (
	DefaultP2     = 50 * time.Millisecond // from the request's end to the answer's beginning
	DefaultP2Star = 5 * time.Second       // the same after each 'response pending'
)

// Margin is how much later than the unit announced an answer is still waited for. Gateways add delay,
// and both ends are seen from where the recording is made. To say 'no answer' late harms nobody, to
// say it wrongly accuses the work. Common practice, no source.
const Margin = time.Second

// busyPatience is how long after 'busy, repeat request' the tester's repetition is waited for. Common
// practice, no source.
const busyPatience = 5 * time.Second

// Message is one whole message of a pair, as joined from its frames.
type Message struct {
	Start, End  capture.Stamp // of its first and its last frame
	First, Last uint64        // packets of these frames
	Payload     []byte
}

// Verdict says what became of a request. The zero value is unknown.
type Verdict uint8

const (
	// Unknown: frames were lost or damaged where an answer may have been, or the recording ended first.
	Unknown Verdict = iota
	// Accepted: the positive answer came.
	Accepted
	// Silent: nothing came and nothing was due, since the request suppressed the positive answer. A
	// refusal would have been heard.
	Silent
	// NotDue: nothing came to a functional request. Units that don't know such a request keep quiet.
	NotDue
	// Refused: a negative answer came; Code says which.
	Refused
	// Busy: the unit asked for a repetition and got it; the next exchange is that one.
	Busy
	// NoAnswer: nothing came in time, although an answer was due.
	NoAnswer
	// Overtaken: the tester asked the next thing before an answer came; no answer was seen.
	Overtaken
	// AnsweredInPart: a positive answer began, but not all of it was recorded.
	AnsweredInPart
	// Unasked: an answer to no request that was seen. Asked is empty.
	Unasked
	// Damaged: a message too short to be what its first byte says.
	Damaged
)

var verdictWords = [...]string{"cannot tell", "accepted", "silent, none was due", "none due", "refused",
	"busy, asked again", "no answer", "no answer seen", "answered, not all of it recorded",
	"answer without a request", "damaged"}

// String returns words for the verdict.
func (v Verdict) String() string {
	if int(v) < len(verdictWords) {
		return verdictWords[v]
	}
	return fmt.Sprintf("Verdict(%d)", uint8(v))
}

// Pending counts the 'response pending' answers before the final one.
type Pending struct {
	Count                   int
	FirstAt, LastAt         capture.Stamp
	FirstPacket, LastPacket uint64
}

// Exchange is a request and what became of it. Its payloads are good until the next call of the
// Dialogue.
type Exchange struct {
	Verdict    Verdict
	Code       Code // Refused, Busy
	Functional bool // asked of all units
	Request    Request
	Asked      Message
	Answered   Message // the final answer; empty where none came
	Pending    Pending
	Decided    capture.Stamp // when the verdict was known
}

// Dialogue follows what one tester asks of one unit. It is not safe for concurrent use; NewDialogue
// makes one. It keeps one open request of the pair and one functional one, so its memory is bounded by
// that of the two.
//
// Every method that takes a message or a time returns the exchanges whose fate it settled, in order.
type Dialogue struct {
	open       slot // asked under the pair's own address
	functional slot // asked of all
	p2, p2Star time.Duration
	session    Session
	unsure     bool // frames were lost since the tester was last heard
	out        []Exchange
}

// slot is a request that waits for its answer.
type slot struct {
	used     bool
	lossy    bool // an answer may have been lost
	busy     bool // answered with 'busy, repeat request'
	exchange Exchange
	due      capture.Stamp // after this no answer is expected any more
	payload  []byte
	spare    []byte // holds the payload of the exchange that was just handed out
}

// NewDialogue returns a Dialogue that has heard nothing.
func NewDialogue() *Dialogue { return &Dialogue{p2: DefaultP2, p2Star: DefaultP2Star} }

// Ask takes a request of the pair.
func (d *Dialogue) Ask(m Message) []Exchange {
	d.begin(m.Start)
	d.ask(m)
	return d.out
}

// AskInPart takes what is known of a request that was not recorded whole. What comes of it can't be
// told unless an answer that fits comes.
func (d *Dialogue) AskInPart(m Message) []Exchange {
	d.begin(m.Start)
	d.ask(m)
	d.open.lossy = true
	return d.out
}

// AskAll takes a functional request: one to all units, under another identifier.
func (d *Dialogue) AskAll(m Message) []Exchange {
	d.begin(m.Start)
	d.heard(m)
	r, _ := ParseRequest(m.Payload)
	switch {
	case r.Service == 0:
		d.damaged(Exchange{Asked: m, Functional: true})
	case keepsAlive(r):
		d.tell(Exchange{Verdict: Silent, Functional: true, Request: r, Asked: m, Decided: m.End})
	default:
		d.overtake(&d.functional, m.Start)
		d.functional.take(r, m, d.patience())
		d.functional.exchange.Functional = true
	}
	return d.out
}

// ask opens the slot for a request, after what was open has been settled. A suppressed 'tester
// present' is no request in this sense: testers send it while they wait for something else.
func (d *Dialogue) ask(m Message) {
	d.heard(m)
	r, _ := ParseRequest(m.Payload)
	switch {
	case r.Service == 0:
		d.damaged(Exchange{Asked: m})
	case keepsAlive(r):
		d.tell(Exchange{Verdict: Silent, Request: r, Asked: m, Decided: m.End})
	default:
		d.repeatOrOvertake(m)
		d.open.take(r, m, d.patience())
	}
}

// keepsAlive reports whether a request only says that the tester is still there.
func keepsAlive(r Request) bool { return r.Service == TesterPresent && r.Suppressed }

// patience is how long an answer is waited for.
func (d *Dialogue) patience() time.Duration { return d.p2 + Margin }

// Answer takes a response of the pair.
func (d *Dialogue) Answer(m Message) []Exchange {
	d.begin(m.Start)
	d.session.LastActivity = m.End
	a, whole := ParseAnswer(m.Payload)
	if !whole {
		d.open.lossy = true
		d.damaged(Exchange{Answered: m})
		return d.out
	}
	s := d.waiting(a)
	if s == nil {
		d.tell(Exchange{Verdict: Unasked, Code: a.Code, Answered: m, Decided: m.End})
		return d.out
	}
	switch {
	case !a.Negative:
		d.accept(s, m)
	case a.Code == ResponsePending:
		s.pend(m, d.p2Star+Margin)
	case a.Code == BusyRepeatRequest:
		s.busy = true
		s.exchange.Code, s.exchange.Answered = a.Code, withoutPayload(m)
		s.due = m.End.Add(busyPatience)
	default:
		s.exchange.Code, s.exchange.Answered = a.Code, m
		d.settle(s, Refused, m.End)
	}
	return d.out
}

// withoutPayload returns m to be kept beyond the call, for which its payload is not good.
func withoutPayload(m Message) Message {
	m.Payload = nil
	return m
}

// AnswerInPart takes what is known of a response that was not recorded whole: the beginning of its
// payload, or nothing.
func (d *Dialogue) AnswerInPart(m Message) []Exchange {
	d.begin(m.Start)
	d.session.LastActivity = m.End
	a, whole := ParseAnswer(m.Payload)
	if s := d.waiting(a); whole && s != nil && !a.Negative {
		s.exchange.Answered = m
		d.settle(s, AnsweredInPart, m.End)
		return d.out
	}
	d.open.lossy, d.functional.lossy = true, true
	return d.out
}

// Advance settles what has run out of time at now. Don't call it while a response of the pair is
// under way: that answer began in time and only its end is still to come.
func (d *Dialogue) Advance(now capture.Stamp) []Exchange {
	d.begin(now)
	return d.out
}

// Lost says that frames of this pair's bus were lost at that moment. What is open then can't be
// called unanswered any more.
func (d *Dialogue) Lost() {
	d.open.lossy, d.functional.lossy = true, true
	d.unsure = true
}

// End settles what is open, since the recording ends at now.
func (d *Dialogue) End(now capture.Stamp) []Exchange {
	d.begin(now)
	for _, s := range []*slot{&d.open, &d.functional} {
		if s.used {
			d.settle(s, Unknown, now)
		}
	}
	return d.out
}

// begin starts a call at that time: what ran out of time before it is settled first.
func (d *Dialogue) begin(now capture.Stamp) {
	d.out = d.out[:0]
	for _, s := range [...]*slot{&d.open, &d.functional} {
		if s.used && now > s.due {
			d.settle(s, s.verdictOnSilence(NoAnswer), s.due)
		}
	}
	d.expire(now)
}

// waiting returns the slot whose request a answers, nil for none.
func (d *Dialogue) waiting(a Answer) *slot {
	for _, s := range [...]*slot{&d.open, &d.functional} {
		if s.used && a.answers(s.exchange.Request, s.payload) {
			return s
		}
	}
	return nil
}

// repeatOrOvertake settles the open request because of the next one.
func (d *Dialogue) repeatOrOvertake(m Message) {
	if d.open.used && d.open.busy && bytes.Equal(d.open.payload, m.Payload) {
		d.settle(&d.open, Busy, m.Start)
		return
	}
	d.overtake(&d.open, m.Start)
}

// overtake settles what is open in a slot, since the next request takes its place.
func (d *Dialogue) overtake(s *slot, at capture.Stamp) {
	if s.used {
		d.settle(s, s.verdictOnSilence(Overtaken), at)
	}
}

// verdictOnSilence says what it means that no final answer came: otherwise where one was due. After
// a 'response pending' one is due in any case.
func (s *slot) verdictOnSilence(otherwise Verdict) Verdict {
	switch {
	case s.lossy:
		return Unknown
	case s.busy:
		return Refused
	case s.exchange.Pending.Count > 0:
		return otherwise
	case s.exchange.Request.Suppressed:
		return Silent
	case s.exchange.Functional:
		return NotDue
	default:
		return otherwise
	}
}

// take opens the slot.
func (s *slot) take(r Request, m Message, patience time.Duration) {
	s.payload, s.spare = append(s.spare[:0], m.Payload...), s.payload
	m.Payload = s.payload
	s.used, s.lossy, s.busy = true, false, false
	s.exchange = Exchange{Request: r, Asked: m}
	s.due = m.End.Add(patience)
}

// pend notes a 'response pending'.
func (s *slot) pend(m Message, patience time.Duration) {
	p := &s.exchange.Pending
	if p.Count == 0 {
		p.FirstAt, p.FirstPacket = m.Start, m.First
	}
	p.Count++
	p.LastAt, p.LastPacket = m.Start, m.Last
	s.due = m.End.Add(patience)
}

// accept settles a request that was answered positively.
func (d *Dialogue) accept(s *slot, m Message) {
	s.exchange.Code, s.exchange.Answered = 0, m
	d.learnTimes(m.Payload)
	d.settle(s, Accepted, m.End)
}

// learnTimes takes P2 (ms) and P2* (10 ms) from a positive answer to DiagnosticSessionControl.
func (d *Dialogue) learnTimes(answer []byte) {
	if len(answer) < 6 || Service(answer[0]-positiveOffset) != DiagnosticSessionControl {
		return
	}
	p2, _ := identifierAt(answer, 2)
	p2Star, _ := identifierAt(answer, 4)
	d.p2 = max(DefaultP2, time.Duration(p2)*time.Millisecond)
	d.p2Star = max(DefaultP2Star, time.Duration(p2Star)*10*time.Millisecond)
}

// settle hands out the exchange of a slot and frees it.
func (d *Dialogue) settle(s *slot, v Verdict, at capture.Stamp) {
	s.used = false
	s.exchange.Verdict, s.exchange.Decided = v, at
	d.tell(s.exchange)
	d.follow(&s.exchange)
}

// tell hands out an exchange with the return of this call.
func (d *Dialogue) tell(e Exchange) { d.out = append(d.out, e) }

// damaged tells a message that says less than its first byte promises.
func (d *Dialogue) damaged(e Exchange) {
	e.Verdict = Damaged
	e.Decided = max(e.Asked.End, e.Answered.End)
	d.tell(e)
}
