package recorder

import (
	"context"
	"io"
	"slices"
	"sync"

	"ridewitness/capture"
)

// tapeFrames is how many frames the tape holds: more than a second of eight full buses with the
// shortest frames that there are (224,719 frames/s). It is a power of two.
const tapeFrames = 1 << 18

// maxLoss bounds what one loss counts: no bus loses more in a lifetime.
const maxLoss = 1 << 40

// maxEvents bounds the events on the tape; a scribe that has no file for hours must not fill memory.
const maxEvents = 1 << 16

// tape is a ring of frames with the events between them.
//
//	| . . . f f f f f f f f f f . . |
//	        ^kept  ^scribe    ^ear  ^head
//
// Frames behind `kept` are gone for good. What lies between kept and the scribe's place was written,
// and may be wanted again. Everything is under one lock, taken once a batch.
type tape struct {
	mu      sync.Mutex
	room    *sync.Cond // a reader moved on
	frames  []capture.Frame
	head    uint64   // frames ever put in
	events  []placed // oldest first
	first   uint64   // number of events[0], counted from the beginning
	kept    spot
	sure    uint64 // frames that are on the disk for certain
	scribe  reader
	ear     reader
	patient bool // the source can wait: nothing is lost, put waits for room
	packets uint64
	records uint64
	missing uint64                  // events that had no room
	lost    [capture.MaxBuses]int64 // frames that the source told as lost
	stream  stream
	closing bool // the source has ended; records may still come
	ended   bool
}

// placed is an event, the count of frames before it, and for whom it is.
type placed struct {
	at    uint64
	event capture.Event
	only  *reader // nil: for both
}

// spot is a place on the tape.
type spot struct{ frame, event uint64 }

// reader is one of the two that take from the tape.
type reader struct {
	at     spot
	absent bool // nobody reads: nothing waits for it
	wake   chan struct{}
	missed [capture.MaxBuses]uint64 // frames that were gone before they were taken, not told yet
	behind bool                     // missed is not all zeros
	total  uint64                   // frames missed in all
}

func newTape(frames int, patient bool) *tape {
	t := &tape{frames: make([]capture.Frame, frames), patient: patient, stream: stream{numbers: map[uint64]uint64{}}}
	t.room = sync.NewCond(&t.mu)
	t.scribe.wake, t.ear.wake = make(chan struct{}, 1), make(chan struct{}, 1)
	t.ear.absent = true
	for i := range t.frames {
		t.frames[i].Len = 1 // the memory must be there before a burst is
	}
	return t
}

func (t *tape) slot(n uint64) *capture.Frame { return &t.frames[n&uint64(len(t.frames)-1)] }

// put takes a batch in, and numbers its frames and records.
func (t *tape) put(b *capture.Batch) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for frames, e := range b.InOrder() {
		t.putFrames(frames)
		if e == nil {
			break
		}
		for t.patient && !t.ended && len(t.events) >= maxEvents {
			t.signal()
			t.room.Wait()
		}
		if of := e.Record; t.stream.keeps(e) {
			if e.Kind == capture.EventDamage {
				t.putEvent(damageRecord(e), nil)
			}
			t.stream.number(of, t.putEvent(*e, nil))
		}
	}
	t.signal()
}

func (t *tape) putFrames(frames []capture.Frame) {
	for i := range frames {
		if !t.makeRoom() {
			return
		}
		t.packets++
		f := t.slot(t.head)
		*f = frames[i]
		f.Packet = t.packets
		t.head++
	}
}

// makeRoom frees the next place. A reader that has not taken the frame in it misses that frame. It
// reports false once the tape has ended.
func (t *tape) makeRoom() bool {
	size := uint64(len(t.frames))
	for t.patient && !t.ended && t.head-t.slowest() >= size {
		t.signal()
		t.room.Wait()
	}
	if t.ended {
		return false
	}
	if t.head-t.kept.frame >= size {
		t.kept.frame = t.head + 1 - size
	}
	t.miss(&t.scribe)
	t.miss(&t.ear)
	return true
}

func (t *tape) slowest() uint64 {
	if t.ear.absent {
		return t.scribe.at.frame
	}
	return min(t.scribe.at.frame, t.ear.at.frame)
}

func (t *tape) miss(r *reader) {
	if t.head-r.at.frame < uint64(len(t.frames)) {
		return
	}
	if !r.absent {
		r.missed[t.slot(r.at.frame).Bus%capture.MaxBuses]++
		r.behind = true
		r.total++
	}
	r.at.frame++
}

// tell takes an event in, behind the frames that are there, and returns the number of its record.
func (t *tape) tell(e capture.Event) uint64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	number := t.putEvent(e, nil)
	t.signal()
	return number
}

func (t *tape) putEvent(e capture.Event, only *reader) uint64 {
	if t.ended {
		return 0
	}
	e.Packet, e.Index = t.packets, 0
	if e.Kind == capture.EventLoss && only == nil {
		lost := &t.lost[e.Bus%capture.MaxBuses]
		*lost += int64(min(e.Count, maxLoss))
		e.Dropped = *lost // for the scribe: a loss that stands in one section is not counted in the next
	}
	if e.Kind == capture.EventLoss && t.join(&e, only) {
		return 0
	}
	if len(t.events) >= maxEvents && !t.patient && e.Kind != capture.EventBus {
		t.forget(&e, only)
		return 0
	}
	switch e.Kind {
	case capture.EventJournal:
		t.records++
		e.Record = t.records
	case capture.EventSection:
		e.Record = t.records + 1 // the seal that ends one, and the record that begins the next
		t.records += 2
	}
	t.events = append(t.events, placed{at: t.head, event: e, only: only})
	return e.Record
}

// forget takes an event for which there is no room: a loss is told with what the readers missed, anything
// else is counted.
func (t *tape) forget(e *capture.Event, only *reader) {
	if e.Kind != capture.EventLoss {
		t.missing++
		return
	}
	for _, r := range []*reader{&t.scribe, &t.ear} {
		if only == nil || only == r {
			r.missed[e.Bus%capture.MaxBuses] += e.Count
			r.behind = true
		}
	}
}

// join adds a loss to one of the same bus at the same place, so that the events of a scribe without a
// file don't grow without end.
func (t *tape) join(e *capture.Event, only *reader) bool {
	for i := len(t.events) - 1; i >= 0 && t.events[i].at == t.head && t.untaken(i); i-- {
		old := &t.events[i]
		if old.event.Kind == capture.EventLoss && old.event.Bus == e.Bus && old.only == only {
			old.event.Count += e.Count
			old.event.Dropped = e.Dropped
			return true
		}
	}
	return false
}

// untaken reports whether no reader has seen an event yet.
func (t *tape) untaken(i int) bool {
	n := t.first + uint64(i)
	return n >= t.scribe.at.event && (t.ear.absent || n >= t.ear.at.event)
}

// signal wakes the readers: who listens for every frame, the scribe for a batch of them, a record or the
// end. It looks for less by itself, before anything is late.
func (t *tape) signal() {
	t.ear.signal()
	batch := t.head-t.scribe.at.frame >= capture.BatchFrames
	if batch || t.ended || t.first+uint64(len(t.events)) > t.scribe.at.event {
		t.scribe.signal()
	}
}

func (r *reader) signal() {
	select {
	case r.wake <- struct{}{}:
	default:
	}
}

// end says that nothing more comes.
func (t *tape) end() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.ended = true
	t.room.Broadcast()
	t.signal()
}

// last says that the source has ended.
func (t *tape) last() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.closing = true
	t.signal()
}

// leave says that nobody listens any more.
func (t *tape) leave() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.ear.absent = true
	t.trim()
	t.room.Broadcast()
}

// take moves what is there for a reader into a batch, as far as it has room, and returns the reader's
// place behind it. It returns io.EOF when all was taken and nothing more comes for that reader.
func (t *tape) take(r *reader, into *capture.Batch) (spot, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	into.Reset()
	t.tellMissed(r, into)
	room := cap(into.Frames)
	if room == 0 {
		room = capture.BatchFrames
	}
	from := r.at.frame
	to := min(t.head, from+uint64(room))
	for n := from; n < to; n++ {
		into.Frames = append(into.Frames, *t.slot(n))
	}
	for r.at.event < t.first+uint64(len(t.events)) {
		p := &t.events[r.at.event-t.first]
		if p.at > to {
			break
		}
		if p.only == nil || p.only == r {
			e := p.event
			e.Index = int(max(p.at, from) - from)
			into.Events = append(into.Events, e)
		}
		r.at.event++
	}
	r.at.frame = to
	t.trim()
	t.room.Broadcast()
	over := t.ended || t.closing && r == &t.ear
	if len(into.Frames) == 0 && len(into.Events) == 0 && over && to == t.head {
		return r.at, io.EOF
	}
	return r.at, nil
}

// tellMissed tells a reader at the place where they were of the frames that it missed. What the file
// lacks, who listens is told too.
func (t *tape) tellMissed(r *reader, into *capture.Batch) {
	if !r.behind {
		return
	}
	at := t.slot(r.at.frame).At
	for bus, n := range r.missed {
		if n == 0 {
			continue
		}
		e := capture.Event{At: at, Kind: capture.EventLoss, Bus: capture.BusID(bus), Count: n}
		into.Events = append(into.Events, e)
		if r == &t.scribe {
			t.putEvent(e, &t.ear)
		}
	}
	r.missed, r.behind = [capture.MaxBuses]uint64{}, false
}

// trim forgets the events that nobody wants any more.
func (t *tape) trim() {
	wanted := t.kept.event
	if !t.ear.absent {
		wanted = min(wanted, t.ear.at.event)
	}
	if wanted > t.first {
		t.events = slices.Delete(t.events, 0, int(wanted-t.first))
		t.first = wanted
	}
}

// keep says that everything up to a place is on the disk.
func (t *tape) keep(upTo spot) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.kept = spot{max(t.kept.frame, upTo.frame), max(t.kept.event, upTo.event)}
	t.sure = max(t.sure, upTo.frame)
	t.trim()
	t.room.Broadcast()
}

// rewound is where the scribe begins again.
type rewound struct {
	again     uint64 // frames that are written a second time
	uncertain uint64 // frames that were written, are not on the disk for certain and not on the tape any more
	record    uint64 // number of the next record
}

// rewind takes the scribe back to what is not on the disk for certain.
func (t *tape) rewind() rewound {
	t.mu.Lock()
	defer t.mu.Unlock()
	r := rewound{record: t.records + 1}
	from := min(t.kept.frame, t.scribe.at.frame)
	r.again, r.uncertain = t.scribe.at.frame-from, from-min(t.sure, from)
	t.scribe.at = spot{from, t.kept.event}
	t.sure = from
	for _, p := range t.events[t.kept.event-t.first:] {
		if p.event.Record != 0 {
			r.record = p.event.Record
			break
		}
	}
	return r
}

// place returns how far the scribe has come.
func (t *tape) place() spot {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.scribe.at
}

// over reports whether nothing more comes.
func (t *tape) over() bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.ended
}

// missedBy returns how many frames a reader missed in all.
func (t *tape) missedBy(r *reader) uint64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	return r.total
}

// forgot returns how many events had no room.
func (t *tape) forgot() uint64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.missing
}

// next is the Next of who listens.
func (t *tape) next(ctx context.Context, into *capture.Batch) error {
	for {
		if err := ctx.Err(); err != nil {
			into.Reset()
			return err
		}
		if _, err := t.take(&t.ear, into); err != nil || len(into.Frames) > 0 || len(into.Events) > 0 {
			return err
		}
		select {
		case <-t.ear.wake:
		case <-ctx.Done():
		}
	}
}
