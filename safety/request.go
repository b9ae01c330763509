package safety

import (
	"fmt"
	"slices"
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/decode/uds"
	"ridewitness/safety/jobcard"
)

// Request is what the tester asked of the air, and what became of it.
type Request struct {
	Stage    string // bleed or fill
	Corners  []decode.Corner
	Stop     bool // it ends the stage; otherwise it begins it
	Verdict  uds.Verdict
	Code     uds.Code
	Asked    capture.Stamp
	Decided  capture.Stamp
	Evidence []Evidence
}

// Accepted reports whether the unit did what it was asked, or was silent because it may be.
func (r *Request) Accepted() bool { return r.Verdict == uds.Accepted || r.Verdict == uds.Silent }

// Refused reports whether an answer was due and none of the positive kind came.
func (r *Request) Refused() bool {
	return r.Verdict == uds.Refused || r.Verdict == uds.NoAnswer || r.Verdict == uds.Overtaken
}

// words says what became of the request: 'refused: conditions not correct'.
func (r *Request) words() string {
	if r.Verdict == uds.Refused && r.Code != 0 {
		return "refused: " + r.Code.Words()
	}
	return r.Verdict.String()
}

// Run is a bleed or a fill by request: from its start to the answer to its stop.
type Run struct {
	Stage      string
	Corners    []decode.Corner
	Start, End capture.Stamp // End is 0 while it goes on
	Address    decode.Address
	Evidence   []Evidence
}

// maxRuns bounds the runs that are kept; older ones are forgotten, since only recent ones explain a move.
const maxRuns = 64

// requests follows the tester's talk about the air.
type requests struct {
	heard    map[decode.Address]capture.Stamp // when the tester was last active on a pair of the card
	runs     []*Run                           // latest last
	lostAt   capture.Stamp                    // last time that a message of a pair was not recorded whole
	messages int                              // messages of any pair
}

// talk follows what tester and control unit said.
func (v *Vehicle) talk(t *decode.Talk) {
	switch t.Kind {
	case decode.TalkExchange:
		v.exchange(t)
	case decode.TalkSession:
		v.tell(Happening{Kind: SessionChanged, At: t.At, Session: &t.Session, Address: t.Address})
	case decode.TalkIncomplete:
		v.requests.lostAt = t.At
	}
}

func (v *Vehicle) exchange(t *decode.Talk) {
	e := &t.Exchange
	if e.Verdict == uds.Unasked || e.Verdict == uds.Damaged {
		return
	}
	v.requests.messages++
	v.heardTester(t.Address, e)
	stage := v.stageOf(t.Address, e)
	if stage == nil {
		return
	}
	r := &Request{Stage: stage.Stage, Corners: stage.Corners, Stop: stops(e), Verdict: e.Verdict, Code: e.Code,
		Asked: e.Asked.Start, Decided: e.Decided, Evidence: messageEvidence(e)}
	v.follow(r, t.Address)
	v.tell(Happening{Kind: RequestMade, At: e.Decided, Start: r.Asked, Request: r, Address: t.Address})
}

// heardTester notes activity on a pair and says how long the tester had been silent before it.
func (v *Vehicle) heardTester(a decode.Address, e *uds.Exchange) {
	if v.requests.heard == nil {
		v.requests.heard = map[decode.Address]capture.Stamp{}
	}
	last, known := v.requests.heard[a]
	if known && e.Asked.Start > last {
		v.tell(Happening{Kind: TesterSilent, At: e.Asked.Start, Start: last, Address: a})
	}
	v.requests.heard[a] = max(last, e.Asked.End, e.Answered.End, e.Pending.LastAt)
}

// stageOf returns what a request means on this vehicle, nil where the card does not say.
func (v *Vehicle) stageOf(a decode.Address, e *uds.Exchange) *jobcard.StageRequest {
	if v.card == nil || !e.Request.HasID {
		return nil
	}
	kind := jobcard.Routine
	switch {
	case e.Request.Service == uds.RoutineControl && (e.Request.Sub == routineStart || e.Request.Sub == routineStop):
	case e.Request.Service == uds.InputOutputControlByIdentifier && e.Request.HasControl &&
		(e.Request.Control == controlAdjust || e.Request.Control == controlReturn):
		kind = jobcard.InputOutput
	default:
		return nil
	}
	for i := range v.card.Stages {
		s := &v.card.Stages[i]
		if s.Kind == kind && s.Identifier == e.Request.Identifier && s.Address == a {
			return s
		}
	}
	return nil
}

// Sub-functions of RoutineControl and parameters of InputOutputControlByIdentifier (ISO 14229-1).
const (
	routineStart  = 0x01
	routineStop   = 0x02
	controlReturn = 0x00
	controlAdjust = 0x03
)

func stops(e *uds.Exchange) bool {
	if e.Request.Service == uds.RoutineControl {
		return e.Request.Sub == routineStop
	}
	return e.Request.Control == controlReturn
}

// messageEvidence returns request and answer with their bytes and packets.
func messageEvidence(e *uds.Exchange) []Evidence {
	var all []Evidence
	for _, m := range []uds.Message{e.Asked, e.Answered} {
		if len(m.Payload) > 0 {
			all = append(all, Evidence{At: m.Start, Packet: m.Last, Message: slices.Clone(m.Payload[:min(len(m.Payload), maxMessageShown)])})
		}
	}
	return all
}

// maxMessageShown bounds the bytes of a message that a finding carries.
const maxMessageShown = 64

// follow opens and closes runs.
func (v *Vehicle) follow(r *Request, a decode.Address) {
	if !r.Accepted() {
		return
	}
	if !r.Stop {
		run := &Run{Stage: r.Stage, Corners: r.Corners, Start: r.Asked, Address: a, Evidence: r.Evidence}
		v.requests.open(run)
		if r.Stage == StageBleed {
			v.checkBleed(run)
		}
		for _, id := range r.Corners {
			if r.Stage == StageBleed {
				v.corners[id].bledAt = r.Asked
			}
		}
		return
	}
	for _, run := range slices.Backward(v.requests.runs) {
		if run.End == 0 && run.Stage == r.Stage && slices.Equal(run.Corners, r.Corners) {
			run.End = r.Decided
			v.tell(Happening{Kind: RunEnded, At: run.End, Start: run.Start, Run: run})
			return
		}
	}
}

func (q *requests) open(r *Run) {
	if len(q.runs) == maxRuns {
		q.runs = slices.Delete(q.runs, 0, 1)
	}
	q.runs = append(q.runs, r)
}

// askedAround reports whether a run on the corner explains air that moves from one time to another.
func (q *requests) askedAround(c decode.Corner, from, to capture.Stamp, within time.Duration) bool {
	return slices.ContainsFunc(q.runs, func(r *Run) bool {
		return slices.Contains(r.Corners, c) && r.Start <= to && from.Sub(r.Start) >= -within && (r.End == 0 || from.Sub(r.End) <= within)
	})
}

// readable reports whether the requests that the card names for the corner could be read: the tester
// was heard on their pair. named is false where the card names none.
func (v *Vehicle) readable(c decode.Corner, stage string) (readable, named bool) {
	if v.card == nil {
		return false, false
	}
	for _, s := range v.card.Stages {
		if !slices.Contains(s.Corners, c) || stage != "" && s.Stage != stage {
			continue
		}
		named = true
		if _, heard := v.requests.heard[s.Address]; heard {
			readable = true
		}
	}
	return readable, named
}

// clock writes a moment as session time.
func (v *Vehicle) clock(at capture.Stamp) string {
	s := int(at.Sub(v.start).Seconds())
	return fmt.Sprintf("%02d:%02d:%02d", s/3600, s/60%60, s%60)
}
