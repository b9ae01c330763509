package isotp

import (
	"fmt"
	"math"
	"time"

	"ridewitness/capture"
)

// MaxMessage is how many bytes of a message are kept, whatever its first frame announces: four times
// what a plain first frame can say, and twice what the Linux kernel's own receiver accepts by default
// (8300). What is longer is a download of software, whose bytes no definition reads.
const MaxMessage = 16 << 10

// Timeout is how long nothing may come within a transfer before it is given up: N_Bs and N_Cr of
// ISO 15765-2, both 1000 ms by default. Any frame of the transfer and any flow control restarts it.
const Timeout = 1000 * time.Millisecond

// repeatWithin is how soon after it an equal consecutive frame is taken for the same one: a sender
// that missed the end of its frame's acknowledgement repeats it at once. Common practice, no source.
const repeatWithin = 5 * time.Millisecond

// Listener joins frames to messages. It allocates nothing per frame once its buffers have grown.
// It is not safe for concurrent use. The zero value listens to nothing until Add.
type Listener struct {
	buses       [math.MaxUint8 + 1]*bus // nil where nothing is defined
	channels    []channel               // from 1, so that 0 means none
	pairs       []Pair
	message     Message
	incompletes []Incomplete
	counts      Counts
}

// bus finds the channel of a frame.
type bus struct {
	standard [capture.MaxStandardID + 1]uint16
	extended map[capture.ID]uint16
	members  []uint16
	due      capture.Stamp // no open transfer times out before this
}

// noneDue is the due time of a bus on which no transfer is open.
const noneDue = capture.Stamp(math.MaxInt64)

// Add makes the listener listen to a pair and returns its number. Adding an equal pair again returns
// the number it has. Pairs may share an address: a message under it belongs to all of them.
func (l *Listener) Add(p Pair) (PairID, error) {
	if p.Functional {
		p.Response, p.ResponseByte = 0, 0
	}
	for i := range l.pairs {
		if l.pairs[i] == p {
			return PairID(i), nil
		}
	}
	if problem := l.checkPair(&p); problem != "" {
		return 0, &PairError{Pair: p, Problem: problem}
	}
	id := PairID(len(l.pairs))
	l.pairs = append(l.pairs, p)
	request := l.join(id, p, Request)
	if !p.Functional {
		l.introduce(request, l.join(id, p, Response))
	}
	return id, nil
}

// Pair returns what was added under that number.
func (l *Listener) Pair(id PairID) Pair { return l.pairs[id] }

// checkPair finds what is wrong with a pair, alone or beside those that are there.
func (l *Listener) checkPair(p *Pair) string {
	if len(l.pairs) == MaxPairs {
		return fmt.Sprintf("there are %d address pairs already, which is the most", MaxPairs)
	}
	if problem := p.check(); problem != "" {
		return problem
	}
	if problem := l.checkChannel(p, p.Request, p.RequestByte, Request); problem != "" || p.Functional {
		return problem
	}
	return l.checkChannel(p, p.Response, p.ResponseByte, Response)
}

// checkChannel finds what is wrong with one direction of a pair beside the channels that are there.
// With and without an address byte under one identifier, byte 0 would have two meanings.
func (l *Listener) checkChannel(p *Pair, id capture.ID, address uint8, d Direction) string {
	b := l.buses[p.Bus]
	if b == nil {
		return ""
	}
	for at := b.head(id, p.Extended); at != 0; at = l.channels[at].sibling {
		c := &l.channels[at]
		if c.skip != skipOf(p.Addressing) {
			return fmt.Sprintf("0x%X is used both with and without an address byte", id)
		}
		if c.address == address && c.direction != d {
			return fmt.Sprintf("0x%X is the %s of one pair and the %s of another", id, c.direction, d)
		}
	}
	return ""
}

// skipOf returns how many address bytes stand before the control information.
func skipOf(a Addressing) int {
	if a == Normal {
		return 0
	}
	return 1
}

// join returns the channel of one direction of a pair, made where there is none yet.
func (l *Listener) join(id PairID, p Pair, d Direction) uint16 {
	frameID, address := p.Request, p.RequestByte
	if d == Response {
		frameID, address = p.Response, p.ResponseByte
	}
	if p.Addressing == Normal {
		address = 0
	}
	b := l.bus(p.Bus)
	head := b.head(frameID, p.Extended)
	for at := head; at != 0; at = l.channels[at].sibling {
		if c := &l.channels[at]; c.address == address {
			c.pairs = append(c.pairs, id)
			c.functional = c.functional && p.Functional
			return at
		}
	}
	if len(l.channels) == 0 {
		l.channels = make([]channel, 1)
	}
	at := uint16(len(l.channels))
	l.channels = append(l.channels, channel{
		bus: p.Bus, skip: skipOf(p.Addressing), address: address, direction: d,
		functional: p.Functional, sibling: head, pairs: []PairID{id},
	})
	b.setHead(frameID, p.Extended, at)
	b.members = append(b.members, at)
	return at
}

// introduce lets flow control on either channel find the transfers of the other.
func (l *Listener) introduce(a, b uint16) {
	l.channels[a].peers = append(l.channels[a].peers, b)
	l.channels[b].peers = append(l.channels[b].peers, a)
}

// bus returns the table of a bus, made with the first pair on it.
func (l *Listener) bus(id capture.BusID) *bus {
	if l.buses[id] == nil {
		l.buses[id] = &bus{extended: make(map[capture.ID]uint16), due: noneDue}
	}
	return l.buses[id]
}

// head returns the first channel under an identifier, 0 for none. The 11 bit identifiers, which are
// most of what a vehicle sends, are one array look-up away.
func (b *bus) head(id capture.ID, extended bool) uint16 {
	if extended {
		return b.extended[id]
	}
	if id > capture.MaxStandardID {
		return 0
	}
	return b.standard[id]
}

// setHead puts a channel first under an identifier.
func (b *bus) setHead(id capture.ID, extended bool, at uint16) {
	if extended {
		b.extended[id] = at
	} else {
		b.standard[id] = at
	}
}

// Concerns reports whether Feed may have something to do with a frame. Of most frames of a vehicle it has
// not, and to ask costs less than to feed them.
func (l *Listener) Concerns(f *capture.Frame) bool {
	b := l.buses[f.Bus]
	return b != nil && (f.At > b.due || b.head(f.ID, f.Flags.Has(capture.Extended)) != 0)
}

// Feed takes the next frame of the stream and returns the message it completes, or nil. What was
// given up because of this frame, or had run out of time when it came, is in Incompletes.
func (l *Listener) Feed(f *capture.Frame) *Message {
	l.incompletes = l.incompletes[:0]
	b := l.buses[f.Bus]
	if b == nil {
		return nil
	}
	return l.feed(b, f)
}

// feed is Feed on a bus that has pairs. Late transfers go first, so that a frame which comes after
// the timeout never continues one. Error frames carry error classes in place of an identifier, so
// they are sorted out before the look-up.
func (l *Listener) feed(b *bus, f *capture.Frame) *Message {
	if f.At > b.due {
		l.expire(b, f.At)
	}
	if f.Flags.Has(capture.Error) {
		return nil
	}
	c := l.find(b, f)
	if c == nil {
		return nil
	}
	if f.Flags.Has(capture.Remote) {
		l.counts.Remote++
		return nil
	}
	payload := f.Payload()
	control, fault := ReadControl(payload, c.skip)
	if fault != NoFault {
		l.counts.Malformed++
		return nil
	}
	switch control.Kind {
	case SingleFrame:
		return l.single(c, f, control)
	case FirstFrame:
		l.first(b, c, f, control)
		return nil
	case ConsecutiveFrame:
		return l.consecutive(c, f, control)
	default:
		l.flow(c, f, control)
		return nil
	}
}

// find returns the channel of a frame, nil for none.
func (l *Listener) find(b *bus, f *capture.Frame) *channel {
	at := b.head(f.ID, f.Flags.Has(capture.Extended))
	for at != 0 {
		c := &l.channels[at]
		if c.skip == 0 || (f.Len > 0 && f.Data[0] == c.address) {
			return c
		}
		at = c.sibling
	}
	return nil
}

// Incompletes returns what the last call of Feed, Advance, Lost or End gave up.
func (l *Listener) Incompletes() []Incomplete { return l.incompletes }

// Counts returns what was met so far.
func (l *Listener) Counts() Counts { return l.counts }

// Busy reports whether a message of that pair and direction has begun and not ended. While an answer
// is under way its lateness can't be judged.
func (l *Listener) Busy(id PairID, d Direction) bool {
	p := &l.pairs[id]
	if p.Functional {
		return false
	}
	frameID, address := p.Request, p.RequestByte
	if d == Response {
		frameID, address = p.Response, p.ResponseByte
	}
	for at := l.buses[p.Bus].head(frameID, p.Extended); at != 0; at = l.channels[at].sibling {
		if c := &l.channels[at]; c.skip == 0 || c.address == address {
			return c.open
		}
	}
	return false
}

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

// Lost gives up every open transfer of a bus. Call it where the capture says that frames of this bus
// were lost: sixteen lost consecutive frames leave the sequence numbers as they would be, and so does
// a lost end together with the beginning of the next message.
func (l *Listener) Lost(id capture.BusID) {
	l.incompletes = l.incompletes[:0]
	if b := l.buses[id]; b != nil {
		l.giveUpAll(b, FramesLost)
	}
}

// End gives up every open transfer, since nothing more comes.
func (l *Listener) End() {
	l.incompletes = l.incompletes[:0]
	for _, b := range l.buses {
		if b != nil {
			l.giveUpAll(b, RecordingEnded)
		}
	}
}

// giveUpAll gives up what is open on a bus, in the order in which the channels were added.
func (l *Listener) giveUpAll(b *bus, why Reason) {
	for _, at := range b.members {
		if c := &l.channels[at]; c.open {
			l.giveUp(c, why)
		}
	}
	b.due = noneDue
}

// expire gives up the transfers of a bus for which nothing came in time, and finds the next due time.
// Transfers that go on do not move the due time, so a busy bus is searched once per Timeout.
func (l *Listener) expire(b *bus, now capture.Stamp) {
	b.due = noneDue
	for _, at := range b.members {
		c := &l.channels[at]
		if !c.open {
			continue
		}
		if now > c.last.Add(Timeout) {
			l.giveUp(c, TimedOut)
			continue
		}
		b.due = min(b.due, c.last.Add(Timeout))
	}
}
