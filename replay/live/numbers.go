package live

import (
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"ridewitness/capture"
	"ridewitness/capture/session"
)

// numbers count the packets and records of a recording over all its files.
type numbers struct {
	before                  // of the file that is read
	packets   uint64        // up to here
	records   uint64        // up to here; the seal that ends a file is in none of these counts
	at        capture.Stamp // of the last frame
	takenBack bool          // a take-back lost what it named, which was told
}

// goOn returns what is missing between what was read and the file that goes on.
func (n *numbers) goOn(next *successor, buses int) []capture.Event {
	n.before = next.before
	var missing []capture.Event
	if next.packets > n.packets {
		lost := capture.Event{Kind: capture.EventLoss, At: n.at, Count: next.packets - n.packets}
		if buses > 1 {
			lost.Name = "buses that nobody can tell"
		}
		missing = append(missing, lost)
		n.packets = next.packets
	}
	if last := next.records + ownRecords; last > int64(n.records) {
		missing = append(missing, n.damage(fmt.Errorf("%d records of the journal are in no file", last-int64(n.records))))
		n.records = uint64(last)
	}
	return missing
}

func (n *numbers) damage(err error) capture.Event {
	return capture.Event{Kind: capture.EventDamage, At: n.at, Err: err}
}

// fit gives a batch the numbers of the recording, and takes out what the files before held already.
func (n *numbers) fit(b *capture.Batch, goesOn bool) {
	again := 0
	for i := range b.Frames {
		f := &b.Frames[i]
		if f.Packet += n.before.packets; f.Packet <= n.packets {
			again++
			continue
		}
		n.packets, n.at = f.Packet, max(n.at, f.At)
	}
	kept := b.Events[:0:0]
	for _, e := range b.Events {
		e.Packet += n.before.packets
		if e.Index < again && (e.Kind == capture.EventLoss || e.Kind == capture.EventTimeBack) || e.Kind == capture.EventJournal && !n.record(&e, goesOn) {
			continue // it was told before the frame that it belongs to
		}
		e.Index = max(e.Index-again, 0)
		kept = append(kept, e)
		if e.Kind == capture.EventJournal && n.takenBack {
			n.takenBack = false
			lost := n.damage(fmt.Errorf("a mark of a file before was taken back, and nothing says which"))
			lost.Index = e.Index
			kept = append(kept, lost)
		}
	}
	b.Frames, b.Events = slices.Delete(b.Frames, 0, again), append(b.Events[:0], kept...)
}

// record gives a record its number in the recording. It reports false for one that a file before held.
func (n *numbers) record(e *capture.Event, goesOn bool) bool {
	if goesOn && e.Record <= ownRecords {
		e.Record = 0
		return true
	}
	number := uint64(max(int64(e.Record)+n.before.records, 0))
	if number <= n.records {
		return false
	}
	e.Record, n.records = number, number
	switch e.Name {
	case session.KindSeal:
		var seal session.SealRecord
		if json.Unmarshal(e.Body, &seal) == nil && seal.End {
			n.records-- // behind the end of a file its number is taken again
		}
	case session.KindMark:
		n.takeBack(e)
	}
	return true
}

// takeBack gives the number that a take-back names the same way.
func (n *numbers) takeBack(e *capture.Event) {
	var m session.MarkRecord
	if json.Unmarshal(e.Body, &m) != nil || m.Name != session.MarkTakeBack {
		return
	}
	if m.Value == "" {
		n.takenBack = true
		return
	}
	of, err := strconv.ParseInt(strings.TrimPrefix(m.Value, "J"), 10, 64)
	if err != nil {
		return
	}
	m.Kind, m.Value = session.KindMark, fmt.Sprintf("J%d", of+n.before.records)
	if body, err := json.Marshal(m); err == nil {
		e.Body = body
	}
}
