package j1939

import (
	"cmp"
	"math"
	"slices"
	"time"

	"ridewitness/capture"
)

// How long nothing may come before a message is given up (SAE J1939-21). For a broadcast this is T1.
// Between two units it is the longest of T1 (750 ms), T2 and T3 (1250 ms) and T4 (1050 ms): which of
// them runs depends on frames that a listener may not have seen.
const (
	BroadcastTimeout = 750 * time.Millisecond
	DirectedTimeout  = 1250 * time.Millisecond
)

// MaxSessions is the most messages that are followed at once on one bus, and so bounds the memory of
// a bus to about 1 MiB.
const MaxSessions = 256

// noneDue is the due time of a bus on which no message is open.
const noneDue = capture.Stamp(math.MaxInt64)

// Listener joins packets to messages. It allocates nothing per frame once as many messages have been
// open at once as there ever are. It is not safe for concurrent use. The zero value listens to no bus
// until Watch.
type Listener struct {
	buses       [math.MaxUint8 + 1]*bus // nil where J1939 is not spoken
	message     Message
	incompletes []Incomplete
	counts      Counts
}

// bus holds the sessions of one bus by source and destination: a source sends at most one message to
// a destination at a time.
type bus struct {
	id       capture.BusID
	sessions map[ends]*session
	free     []*session    // forgotten ones, for reuse
	fresh    int           // how many of these, at the end, were forgotten in this call
	due      capture.Stamp // no open session times out before this
}

// ends are the two units of a session.
type ends struct{ source, destination uint8 }

// Watch makes the listener read a bus.
func (l *Listener) Watch(id capture.BusID) {
	if l.buses[id] == nil {
		l.buses[id] = &bus{id: id, sessions: make(map[ends]*session), due: noneDue}
	}
}

// PDU formats of the transport protocols, with the two page bits before them.
const (
	formatData            = 0xEB
	formatControl         = 0xEC
	formatExtendedData    = 0xC7
	formatExtendedControl = 0xC8
)

// Feed takes the next frame of the stream and returns the message it completes, or nil. What was
// given up because of this frame, or had run out of time when it came, is in Incompletes. Groups of
// one frame are not its business.
func (l *Listener) Feed(f *capture.Frame) *Message {
	l.incompletes = l.incompletes[:0]
	b := l.buses[f.Bus]
	if b == nil {
		return nil
	}
	return l.feed(b, f)
}

// feed is Feed on a bus that is watched. Late messages go first, so that a packet which comes after
// the timeout never continues one. Both page bits must be 0: the same formats on other pages are other
// groups.
func (l *Listener) feed(b *bus, f *capture.Frame) *Message {
	b.fresh = 0
	if f.At > b.due {
		l.expire(b, f.At)
	}
	if f.Flags&(capture.Extended|capture.Error|capture.Remote) != capture.Extended {
		return nil
	}
	switch f.ID >> 16 & 0x3FF {
	case formatData:
		return l.data(b, f)
	case formatControl:
		l.control(b, f)
	case formatExtendedControl:
		l.extended(b, f)
	case formatExtendedData:
		l.counts.Extended++
	}
	return nil
}

// Incompletes returns what the last call of Feed, Advance, Lost or End gave up.
func (l *Listener) Incompletes() []Incomplete { return l.incompletes }

// Counts returns what was met so far.
func (l *Listener) Counts() Counts { return l.counts }

// Advance gives up what has run out of time at now, on every bus: for a caller whose buses fell
// silent.
func (l *Listener) Advance(now capture.Stamp) {
	l.incompletes = l.incompletes[:0]
	for _, b := range l.buses {
		if b != nil && now > b.due {
			l.expire(b, now)
		}
	}
}

// Lost gives up every open message of a bus. Call it where the capture says that frames of this bus
// were lost: with an end and an announcement lost, packets of two messages would fit each other.
func (l *Listener) Lost(id capture.BusID) {
	l.incompletes = l.incompletes[:0]
	l.giveUpAll(l.buses[id], FramesLost)
}

// End gives up every open message, since nothing more comes.
func (l *Listener) End() {
	l.incompletes = l.incompletes[:0]
	for _, b := range l.buses {
		l.giveUpAll(b, RecordingEnded)
	}
}

// giveUpAll gives up what is open on a bus; nil is a bus that is not watched.
func (l *Listener) giveUpAll(b *bus, why Reason) {
	if b == nil {
		return
	}
	for _, s := range b.sessions {
		if s.state == open {
			l.giveUp(b, s, why)
		}
	}
	b.due = noneDue
	l.sort()
}

// sort brings what was told into one order, whatever order the sessions were visited in.
func (l *Listener) sort() {
	slices.SortFunc(l.incompletes, func(a, b Incomplete) int {
		return cmp.Or(
			cmp.Compare(a.Bus, b.Bus),
			cmp.Compare(a.First, b.First),
			cmp.Compare(a.Source, b.Source),
			cmp.Compare(a.Destination, b.Destination),
		)
	})
}

// expire gives up the sessions of a bus for which nothing came in time, forgets those that are over,
// and finds the next due time.
func (l *Listener) expire(b *bus, now capture.Stamp) {
	b.due = noneDue
	for key, s := range b.sessions {
		if now <= s.due() {
			b.due = min(b.due, s.due())
			continue
		}
		if s.state == open {
			l.giveUp(b, s, TimedOut)
		}
		b.forget(key)
	}
	l.sort()
}
