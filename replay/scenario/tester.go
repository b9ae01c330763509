package scenario

import "ridewitness/capture"

// Where tester and control unit speak: identifiers and routines of the demo wagon's job card.
const (
	testerID  capture.ID = 0x6B2
	unitID    capture.ID = 0x6BA
	diagnosis            = drive
)

// Services and answers of ISO 14229-1.
const (
	sessionControl  = 0x10
	routineControl  = 0x31
	testerPresent   = 0x3E
	positive        = 0x40 // is added to the service
	negative        = 0x7F
	extendedSession = 0x03
	startRoutine    = 0x01
	stopRoutine     = 0x02
	suppressAnswer  = 0x80
	notCorrect      = 0x22 // conditionsNotCorrect
	notInSession    = 0x7F // serviceNotSupportedInActiveSession
)

// Times of tester and unit. A unit gives its session up after 5 s of silence (S3 server of
// ISO 14229-2).
const (
	heartbeat    = int64(2e9)
	sessionLimit = int64(5e9)
	fastest      = int64(18e6) // of an answer
	slower       = 25_000_000  // at most so much more
)

// tester is the diagnostic tester with the unit it speaks to. Every message of theirs fits into one
// single frame of ISO 15765-2.
type tester struct {
	connected bool
	lost      bool  // the unit has left the session
	silent    bool  // a fault: no heartbeat
	lastHeard int64 // by the unit
	next      int64 // heartbeat
	refuses   [corners]bool
	random    stream
}

// answer is what the unit says to a request, and when.
type answer struct {
	at      int64
	granted bool
}

// singleFrame queues a message of up to 7 bytes.
func (r *Run) singleFrame(at int64, id capture.ID, message ...byte) {
	f := capture.Frame{At: capture.Stamp(at), ID: id, Bus: diagnosis, Len: 8}
	f.Data[0] = byte(len(message))
	copy(f.Data[1:], message)
	r.network.later(f)
}

// connect opens the extended session; answers come before the next message.
func (t *tester) connect(r *Run) (after int64) {
	if t.connected && !t.lost {
		return r.at
	}
	at := r.at + int64(1e6)
	reply := at + fastest + int64(t.random.below(slower))
	r.singleFrame(at, testerID, sessionControl, extendedSession)
	// P2 50 ms, P2* 5000 ms in steps of 10 ms.
	r.singleFrame(reply, unitID, sessionControl+positive, extendedSession, 0x00, 0x32, 0x01, 0xF4)
	t.connected, t.lost = true, false
	t.lastHeard, t.next = reply, reply+heartbeat
	return reply + int64(10e6)
}

// disconnect ends the session: the tester falls silent, or the ignition goes off.
func (t *tester) disconnect() { t.connected = false }

// keepUp sends the heartbeat, and lets the unit leave the session when none comes.
func (t *tester) keepUp(r *Run) {
	if !t.connected {
		return
	}
	if r.at >= t.next && !t.silent {
		r.singleFrame(r.at, testerID, testerPresent, suppressAnswer)
		t.lastHeard, t.next = r.at, r.at+heartbeat
	}
	if !t.lost && r.at-t.lastHeard > sessionLimit {
		t.lost = true
		r.tell(truth{What: "session lost"})
	}
}

// ask sends a routine's request and returns the answer.
func (t *tester) ask(r *Run, after int64, control byte, do routine, corner int) answer {
	at := max(after, r.at+int64(1e6))
	reply := at + fastest + int64(t.random.below(slower))
	low := byte(do) + byte(corner)
	r.singleFrame(at, testerID, routineControl, control, 0x02, low)
	t.next = max(t.next, reply)
	switch {
	case t.lost:
		r.singleFrame(reply, unitID, negative, routineControl, notInSession)
		return answer{at: reply}
	case control == startRoutine && t.refuses[corner]:
		r.singleFrame(reply, unitID, negative, routineControl, notCorrect)
		t.lastHeard = at
		return answer{at: reply}
	}
	t.lastHeard = at
	r.singleFrame(reply, unitID, routineControl+positive, control, 0x02, low)
	return answer{at: reply, granted: true}
}

// routine is the low byte of a routine's number for the first corner; the others follow.
type routine byte

const (
	bleedRoutine routine = 0x41
	fillRoutine  routine = 0x51
)
