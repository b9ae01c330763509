package isotp

import (
	"bytes"

	"ridewitness/capture"
)

// channel is one direction of an address: its place among the others, and the transfer that is open
// in it.
type channel struct {
	bus        capture.BusID
	skip       int
	address    uint8
	direction  Direction
	functional bool
	sibling    uint16   // the next channel under the same identifier, with another address byte; 0 none
	pairs      []PairID // those it belongs to
	peers      []uint16 // the channels of the opposite direction

	// The transfer: what it is, how much of it came, and when.
	open     bool
	told     bool   // the gap in which stray frames come has been told
	untimed  bool   // the file gives no time for one of its frames
	next     uint8  // the sequence number that is due
	want     uint64 // bytes announced
	got      uint64 // bytes that came, kept or not
	frameLen int    // of the first frame; no later one may be longer
	shape    shape
	start    capture.Stamp // of the first frame
	last     capture.Stamp // of the last frame or flow control
	end      capture.Stamp // of the last frame
	first    uint64        // packet of the first frame
	latest   uint64        // packet of the last frame

	kept  kept
	spare kept // what Incomplete shows while kept is filled anew

	recent previous // goes on over the end of a transfer, whose last frame may come twice
}

// kept is what a transfer keeps of its frames.
type kept struct {
	bytes   []byte
	packets []uint64
}

// previous is the last consecutive frame of a channel, to know its repetition.
type previous struct {
	valid    bool
	repeated bool
	at       capture.Stamp
	len      uint8
	data     [capture.MaxData]byte
}

// set remembers f. It copies the data whole, which is cheaper than to look how much of it counts.
func (p *previous) set(f *capture.Frame) {
	*p = previous{valid: true, at: f.At, len: f.Len, data: f.Data}
}

// repeats reports whether f is the frame before it once more. That is believed once.
func (p *previous) repeats(f *capture.Frame) bool {
	gap := f.At.Sub(p.at)
	if !p.valid || p.repeated || p.len != f.Len || gap < 0 || gap > repeatWithin {
		return false
	}
	if !bytes.Equal(p.data[:f.Len], f.Data[:f.Len]) {
		return false
	}
	p.repeated = true
	return true
}

// single delivers a message of one frame.
func (l *Listener) single(c *channel, f *capture.Frame, control Control) *Message {
	if f.Flags.Has(capture.Cut) {
		l.counts.Malformed++
		return nil
	}
	if c.open {
		l.giveUp(c, Overtaken)
	}
	c.begin(f, control)
	return l.deliver(c)
}

// first opens a transfer. Its buffer grows with the bytes that come, never with the length announced.
func (l *Listener) first(b *bus, c *channel, f *capture.Frame, control Control) {
	if c.open {
		l.giveUp(c, Overtaken)
	}
	if c.functional || f.Flags.Has(capture.Cut) {
		l.counts.Malformed++
		return
	}
	c.begin(f, control)
	c.open = true
	c.next = 1
	c.frameLen = int(f.Len)
	c.shape.nextFrom = c.skip + 1
	c.shape.nextBytes = c.frameLen - c.shape.nextFrom
	b.due = min(b.due, c.last.Add(Timeout))
}

// begin takes over what the first or only frame of a message says and brings.
func (c *channel) begin(f *capture.Frame, control Control) {
	from := int(control.From)
	room := min(int(f.Len)-from, int(control.Length))
	c.told, c.untimed, c.recent.valid = false, false, false
	c.want, c.got = uint64(control.Length), 0
	c.shape = shape{firstFrom: from, firstBytes: room}
	c.start, c.first = f.At, f.Packet
	c.kept.bytes, c.kept.packets = c.kept.bytes[:0], c.kept.packets[:0]
	c.take(f, from, room)
	c.keep(f, from, room)
}

// take counts the n bytes of f.
func (c *channel) take(f *capture.Frame, from, n int) {
	c.got += uint64(n)
	c.last, c.end, c.latest = f.At, f.At, f.Packet
	c.untimed = c.untimed || f.Flags.Has(capture.Untimed)
}

// keep stores the bytes of f.
func (c *channel) keep(f *capture.Frame, from, n int) {
	c.kept.bytes = append(c.kept.bytes, f.Data[from:from+n]...)
	c.kept.packets = append(c.kept.packets, f.Packet)
}

// consecutive adds the next part to the open transfer, or gives it up.
func (l *Listener) consecutive(c *channel, f *capture.Frame, control Control) *Message {
	if c.recent.repeats(f) {
		l.counts.Repeated++
		return nil
	}
	if !c.open {
		l.stray(c, f)
		return nil
	}
	if back := c.last.Sub(f.At); back > Timeout {
		// Stamps stepped back, so how much time passed is unknown.
		l.giveUp(c, TimedOut)
		return nil
	}
	if control.Sequence != c.next {
		l.giveUpAt(c, control.Sequence)
		return nil
	}
	n, problem := c.part(f, control)
	if problem != ReasonUnknown {
		l.giveUp(c, problem)
		return nil
	}
	c.take(f, int(control.From), n)
	if c.want <= MaxMessage {
		c.keep(f, int(control.From), n)
	}
	c.recent.set(f)
	c.next = (c.next + 1) & 0x0F
	if c.got < c.want {
		return nil
	}
	if c.want > MaxMessage {
		l.giveUp(c, TooLong)
		return nil
	}
	return l.deliver(c)
}

// part returns how many bytes of the message f brings, or why it can't be used: only the last frame
// may be shorter than the first one was, and none may be longer.
func (c *channel) part(f *capture.Frame, control Control) (int, Reason) {
	if f.Flags.Has(capture.Cut) {
		return 0, CutFrame
	}
	there := int(f.Len) - int(control.From)
	due := min(uint64(c.shape.nextBytes), c.want-c.got)
	if int(f.Len) > c.frameLen || uint64(there) < due {
		return 0, WrongSize
	}
	return int(due), ReasonUnknown
}

// flow applies flow control to the transfers of the opposite direction.
func (l *Listener) flow(c *channel, f *capture.Frame, control Control) {
	used := false
	for _, at := range c.peers {
		peer := &l.channels[at]
		if !peer.open {
			continue
		}
		used = true
		peer.last = f.At
		if control.Status == Overflow {
			l.giveUp(peer, Refused)
		}
	}
	if !used {
		l.counts.StrayFlow++
	}
}

// stray counts a consecutive frame that belongs to nothing, and tells the first of a gap.
func (l *Listener) stray(c *channel, f *capture.Frame) {
	l.counts.Stray++
	if c.told {
		return
	}
	c.told = true
	l.incompletes = append(l.incompletes, Incomplete{
		Pairs: c.pairs, Bus: c.bus, Direction: c.direction, Reason: NoFirstFrame,
		Start: f.At, End: f.At, First: f.Packet, Last: f.Packet,
	})
}

// deliver hands out the message that is complete.
func (l *Listener) deliver(c *channel) *Message {
	c.open = false
	l.counts.Messages++
	l.message = Message{
		Pairs: c.pairs, Bus: c.bus, Direction: c.direction, Functional: c.functional,
		Start: c.start, End: c.end, First: c.first, Last: c.latest,
		Packets: c.kept.packets, Untimed: c.untimed, Payload: c.kept.bytes, shape: c.shape,
	}
	return &l.message
}

// giveUpAt gives up the transfer because another consecutive frame came than was due.
func (l *Listener) giveUpAt(c *channel, found uint8) {
	expected := c.next
	l.giveUp(c, WrongSequence)
	last := &l.incompletes[len(l.incompletes)-1]
	last.Expected, last.Found = expected, found
}

// giveUp closes the open transfer and tells it. The frames that still come for it are then strays of
// a gap that has been told.
func (l *Listener) giveUp(c *channel, why Reason) {
	c.open, c.told = false, true
	l.counts.Incomplete++
	l.incompletes = append(l.incompletes, Incomplete{
		Pairs: c.pairs, Bus: c.bus, Direction: c.direction, Reason: why,
		Got: c.got, Want: c.want, Start: c.start, End: c.end, First: c.first, Last: c.latest,
		Packets: c.kept.packets, Head: c.kept.bytes,
	})
	c.kept, c.spare = c.spare, c.kept
}
