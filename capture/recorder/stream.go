package recorder

import (
	"encoding/json"
	"strconv"
	"strings"

	"ridewitness/capture"
	"ridewitness/capture/session"
)

// stream is what must be known of a source that is itself a session: its records get other numbers
// here, and its sections become one.
type stream struct {
	numbers  map[uint64]uint64 // of its records, here
	counters [capture.MaxBuses]counters
}

// counters add up what the sections of a stream counted, each from 0 on.
type counters struct {
	before, last struct{ received, dropped int64 }
}

// maxNumbers bounds the records of a stream that can be taken back.
const maxNumbers = 1 << 16

// keeps prepares an event of the source for this recording, and reports false for those that a
// recording makes itself.
func (s *stream) keeps(e *capture.Event) bool {
	switch e.Kind {
	case capture.EventSection:
		for i := range s.counters {
			c := &s.counters[i]
			c.before.received += max(c.last.received, 0)
			c.before.dropped += max(c.last.dropped, 0)
			c.last.received, c.last.dropped = 0, 0
		}
		return false
	case capture.EventCounters:
		c := &s.counters[e.Bus%capture.MaxBuses]
		c.last.received, c.last.dropped = e.Received, e.Dropped
		if e.Received >= 0 {
			e.Received += c.before.received
		}
		if e.Dropped >= 0 {
			e.Dropped += c.before.dropped
		}
	case capture.EventJournal:
		switch e.Name {
		case session.KindSeal, session.KindSession, session.KindDamage: // damage follows its record, and gets one here
			return false
		case session.KindMark:
			if e.Record != 0 { // a live source has no numbers of its own
				e.Body = renumber(e.Body, func(old uint64) uint64 { return s.numbers[old] })
			}
		}
	}
	return true
}

// damageRecord puts damage of the source on record: the file can't show it by itself.
func damageRecord(e *capture.Event) capture.Event {
	body, _ := json.Marshal(session.DamageRecord{Kind: session.KindDamage, Why: e.Err.Error()}) // strings can be written
	return capture.Event{At: e.At, Kind: capture.EventJournal, Name: session.KindDamage, Body: body}
}

// number remembers which number a record has here.
func (s *stream) number(old, now uint64) {
	if old != 0 && now != 0 && len(s.numbers) < maxNumbers {
		s.numbers[old] = now
	}
}

// renumber puts another number into the body of a take-back; 0 takes it out, and says which it was.
func renumber(body []byte, to func(uint64) uint64) []byte {
	var m session.MarkRecord
	if json.Unmarshal(body, &m) != nil || m.Name != session.MarkTakeBack {
		return body
	}
	old, err := strconv.ParseUint(strings.TrimPrefix(m.Value, "J"), 10, 64)
	if err != nil {
		return body
	}
	m.Kind = session.KindMark
	if n := to(old); n != 0 {
		m.Value = "J" + strconv.FormatUint(n, 10)
	} else {
		m.Note = strings.TrimSpace(m.Note + " (it was " + m.Value + " of another file)")
		m.Value = ""
	}
	changed, err := json.Marshal(m)
	if err != nil {
		return body
	}
	return changed
}
