package session

import (
	"encoding/json"

	"ridewitness/capture"
)

// journal reads a journal record and, when it is one, checks a seal.
func (r *Reader) journal(at int64, whole, body []byte) {
	r.records++
	stamp := capture.Stamp(uint64(r.u32(body))<<32 | uint64(r.u32(body[4:])))
	n := r.u32(body[8:])
	if uint64(n) > uint64(len(body)-12) {
		r.hurt(r.fault(at, "journal record", ErrJournal, "record J%d: a text of %d bytes, %d are there", r.records, n, len(body)-12))
		return
	}
	text := body[12 : 12+n]
	var head struct {
		Kind     string    `json:"kind"`
		Previous *Previous `json:"previous"`
	}
	if err := json.Unmarshal(text, &head); err != nil {
		r.hurt(r.fault(at, "journal record", ErrJournal, "record J%d: %v", r.records, err))
		return
	}
	switch head.Kind {
	case KindSeal:
		r.seal(at, stamp, whole, text)
	default:
		r.chain(at, stamp, head.Previous)
	}
	r.event(capture.Event{At: stamp, Kind: capture.EventJournal, Record: r.records, Name: head.Kind, Body: append([]byte(nil), text...)})
}

// chain follows a record that may say what the section was added to.
func (r *Reader) chain(at int64, stamp capture.Stamp, previous *Previous) {
	if r.state.record(previous) {
		r.cur.marks = append(r.cur.marks, mark{at: r.pos, kind: markChain, expect: previous.SHA256, bytes: previous.Bytes,
			place: Place{Offset: at, At: stamp, Packet: r.packets}})
	}
}
