package session

import (
	"encoding/json"
	"errors"
	"fmt"

	"ridewitness/capture"
)

// journalHead is the bytes of a journal record before its text: time and length.
const journalHead = 12

// journal reads a journal record and, when it is one, checks a seal.
func (r *Reader) journal(at int64, whole []byte) {
	text, stamp, err := r.journalText(whole)
	if err != nil {
		r.hurt(at, "journal record", ErrJournal, "record J%d: %v", r.records, err)
		return
	}
	var head struct {
		Kind     string          `json:"kind"`
		Previous json.RawMessage `json:"previous"`
	}
	if err := json.Unmarshal(text, &head); err != nil || head.Kind == "" {
		r.hurt(at, "journal record", ErrJournal, "record J%d: it is no JSON object with a kind", r.records)
		return
	}
	if head.Kind == KindSeal {
		r.seal(at, stamp, whole, text)
	} else {
		r.chain(at, stamp, head.Kind, head.Previous)
	}
	r.event(capture.Event{At: stamp, Kind: capture.EventJournal, Record: r.records, Name: head.Kind, Body: append([]byte(nil), text...)})
	r.kept += len(text)
	if head.Kind == KindDamage {
		r.retell(stamp, text)
	}
}

// retell tells of damage in what was recorded.
func (r *Reader) retell(stamp capture.Stamp, text []byte) {
	var d DamageRecord
	if r.muted() {
		return
	}
	if json.Unmarshal(text, &d) != nil || d.Why == "" {
		d.Why = "damage that is not described"
	}
	r.damage++
	r.event(capture.Event{At: stamp, Kind: capture.EventDamage, Err: errors.New(d.Why)})
}

// journalText returns a record's text and time.
func (r *Reader) journalText(whole []byte) ([]byte, capture.Stamp, error) {
	body := whole[blockHead : len(whole)-4]
	raw := uint64(r.u32(body))<<32 | uint64(r.u32(body[4:]))
	if raw >= 1<<63 {
		return nil, 0, fmt.Errorf("its time lies after the year 2262")
	}
	n := r.u32(body[8:])
	if uint64(n) > uint64(len(body)-journalHead) {
		return nil, 0, fmt.Errorf("a text of %d bytes, %d are there", n, len(body)-journalHead)
	}
	return body[journalHead : journalHead+n], capture.Stamp(raw), nil
}

// chain follows a record that may say what its section was added to.
func (r *Reader) chain(at int64, stamp capture.Stamp, kind string, raw json.RawMessage) {
	var previous *Previous
	if len(raw) > 0 && json.Unmarshal(raw, &previous) != nil {
		previous = &Previous{} // it claims something, and that can't fit
	}
	check, problem := r.state.record(kind, previous)
	switch {
	case problem != "":
		r.broken(at, stamp, problem)
	case check:
		r.mark(mark{kind: markChain, text: previous.SHA256, bytes: previous.Bytes, place: Place{Offset: at, At: stamp, Packet: r.packets}})
	}
}

// seal reads a seal and hands it to the digest.
func (r *Reader) seal(at int64, stamp capture.Stamp, whole, text []byte) {
	r.state.seals, r.state.headed = true, true
	if !r.state.hangs() {
		r.broken(r.state.sectionAt, stamp, unchained)
	}
	var s SealRecord
	problem := ""
	canonical, err := readSeal(&s, text)
	switch before := at - r.state.sectionAt; {
	case err != nil:
		problem = err.Error()
	case string(canonical) != string(text) || !zeroPadded(whole, len(text)):
		problem = "its text was changed"
	case s.Self != selfOf(whole):
		problem = "its own check does not fit"
	case s.Bytes != before:
		problem = fmt.Sprintf("it stands %d bytes into its section and says %d", before, s.Bytes)
	case s.Packets != r.packets-r.state.sectionPackets:
		problem = fmt.Sprintf("%d packets come before it in its section and it says %d", r.packets-r.state.sectionPackets, s.Packets)
	}
	if problem != "" {
		r.broken(at, stamp, fmt.Sprintf("seal J%d: %s", r.records, problem))
		return
	}
	r.state.ended = s.End
	r.mark(mark{kind: markSeal, text: s.SHA256, place: Place{Offset: at + int64(len(whole)), At: stamp, Packet: r.packets}})
}

const unchained = "a section that does not hang on the one before it"

// mark leaves work for the digest at the present block.
func (r *Reader) mark(m mark) {
	m.at = r.pos
	r.cur.marks = append(r.cur.marks, m)
}

// broken tells the digest of something that no writer of seals writes.
func (r *Reader) broken(at int64, stamp capture.Stamp, why string) {
	r.mark(mark{kind: markBroken, text: why, place: Place{Offset: at, At: stamp, Packet: r.packets}})
}

func readSeal(s *SealRecord, text []byte) ([]byte, error) {
	if err := json.Unmarshal(text, s); err != nil {
		return nil, err
	}
	return json.Marshal(s)
}

// zeroPadded reports whether nothing but zeros lies between a record's text and its second length.
func zeroPadded(whole []byte, text int) bool {
	for _, b := range whole[blockHead+journalHead+text : len(whole)-4] {
		if b != 0 {
			return false
		}
	}
	return true
}
