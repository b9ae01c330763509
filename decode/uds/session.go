package uds

import (
	"fmt"
	"time"

	"ridewitness/capture"
)

// Diagnostic sessions that the standard names.
const (
	DefaultSession     uint8 = 0x01
	ProgrammingSession uint8 = 0x02
	ExtendedSession    uint8 = 0x03
	SafetySession      uint8 = 0x04
)

// SessionWords returns the name of a diagnostic session, to stand in a sentence.
func SessionWords(id uint8) string {
	switch id {
	case DefaultSession:
		return "default session"
	case ProgrammingSession:
		return "programming session"
	case ExtendedSession:
		return "extended session"
	case SafetySession:
		return "safety system session"
	default:
		return fmt.Sprintf("session 0x%02X", id)
	}
}

// S3 is how long a unit stays in another session than the default one without hearing the tester
// (S3 server of ISO 14229-2).
const S3 = 5 * time.Second

// Session is the diagnostic session that a unit is in, as far as it was seen. The zero value knows
// nothing.
type Session struct {
	ID    uint8 // 0 where it is not known
	Since capture.Stamp
	// Packet is the last one of the answer that began it, 0 where none did.
	Packet uint64
	// TimedOut: the unit is back in its default session because nothing was heard of the tester for
	// longer than S3. It is worked out, not seen.
	TimedOut bool
	// LastTester is when the tester was last heard by this unit, functional requests included.
	LastTester capture.Stamp
	// LastActivity is the later of LastTester and the unit's last answer: from there S3 runs.
	LastActivity capture.Stamp
}

// Ends returns when the unit falls back to its default session if nothing more is heard, and false
// where it is in none that ends.
func (s Session) Ends() (capture.Stamp, bool) {
	if s.ID == 0 || s.ID == DefaultSession {
		return 0, false
	}
	return s.LastActivity.Add(S3), true
}

// Session returns the session after the last message that was fed.
func (d *Dialogue) Session() Session { return d.session }

// heard notes that the tester spoke.
func (d *Dialogue) heard(m Message) {
	d.session.LastTester, d.session.LastActivity = m.End, m.End
	d.unsure = false
}

// expire ends a session in which the tester fell silent. While a unit says 'response pending' its
// timer stands. Where frames were lost meanwhile the tester may have been heard, so the session is
// unknown then.
func (d *Dialogue) expire(now capture.Stamp) {
	ends, ok := d.session.Ends()
	if !ok || now <= ends || d.open.used && d.open.exchange.Pending.Count > 0 {
		return
	}
	if d.unsure {
		d.session.enter(0, ends, 0)
		return
	}
	d.session.enter(DefaultSession, ends, 0)
	d.session.TimedOut = true
}

// follow takes from a settled exchange what it does to the session.
func (d *Dialogue) follow(e *Exchange) {
	if e.Verdict != Accepted && e.Verdict != Silent {
		return
	}
	at, packet := e.Answered.End, e.Answered.Last
	if e.Verdict == Silent {
		at, packet = e.Asked.End, e.Asked.Last
	}
	switch e.Request.Service {
	case DiagnosticSessionControl:
		d.session.enter(e.Request.Sub, at, packet)
	case ECUReset:
		d.session.enter(DefaultSession, at, packet)
	}
}

// enter begins a session.
func (s *Session) enter(id uint8, at capture.Stamp, packet uint64) {
	s.ID, s.Since, s.Packet, s.TimedOut = id, at, packet, false
}
