package j1939

import (
	"bytes"
	"cmp"
	"encoding/binary"

	"ridewitness/capture"
)

// state is how far a session is. The zero value is a session whose fate has been told.
type state uint8

const (
	told state = iota
	open
	done // delivered; the sender may still repeat packets that its receiver missed
)

// session is one message between two units.
type session struct {
	ends
	state     state
	broadcast bool
	untimed   bool
	group     uint32
	size      int
	count     int // packets announced
	got       int // packets there
	bytes     int // bytes there
	start     capture.Stamp
	last      capture.Stamp // of the last frame of either side
	end       capture.Stamp // of the last data frame
	first     uint64
	latest    uint64
	packets   [maxPackets]uint64
	have      [maxPackets]bool
	payload   [maxPackets * packetBytes]byte
}

// due returns when the session has run out of time.
func (s *session) due() capture.Stamp {
	if s.broadcast {
		return s.last.Add(BroadcastTimeout)
	}
	return s.last.Add(DirectedTimeout)
}

// Control bytes of transport frames.
const (
	requestToSend         = 0x10
	clearToSend           = 0x11
	endOfMessage          = 0x13
	extendedRequestToSend = 0x14
	announcement          = 0x20
	abort                 = 0xFF
)

// control applies a connection management frame (TP.CM).
func (l *Listener) control(b *bus, f *capture.Frame) {
	group := uint32(f.Data[5]) | uint32(f.Data[6])<<8 | uint32(f.Data[7])<<16
	if f.Len != capture.MaxClassicData || f.Flags.Has(capture.Cut) || group > MaxGroup {
		l.counts.Malformed++
		return
	}
	id := Split(f.ID)
	there := ends{id.Source, id.Destination}
	back := ends{id.Destination, id.Source}
	switch f.Data[0] {
	case announcement, requestToSend:
		l.announce(b, f, there, group)
	case clearToSend:
		if s := b.find(back, group); s != nil {
			s.last = f.At
		}
	case endOfMessage:
		l.confirm(b, f, back, group)
	case abort:
		l.abort(b, f, there, group)
		l.abort(b, f, back, group)
	default:
		l.counts.Malformed++
	}
}

// find returns the session between two units if it carries that group.
func (b *bus) find(key ends, group uint32) *session {
	s := b.sessions[key]
	if s == nil || s.state == told || s.group != group {
		return nil
	}
	return s
}

// announce opens a session, in place of the one that is open between the two units.
func (l *Listener) announce(b *bus, f *capture.Frame, key ends, group uint32) {
	size := int(binary.LittleEndian.Uint16(f.Data[1:3]))
	count := int(f.Data[3])
	broadcast := f.Data[0] == announcement
	if size < MinMessage || size > MaxMessage || count != (size+packetBytes-1)/packetBytes ||
		broadcast != (key.destination == AllAddress) {
		l.counts.Malformed++
		return
	}
	s := l.claim(b, key)
	s.open(f, group, size, count)
	s.broadcast = broadcast
	b.due = min(b.due, s.due())
}

// open begins anew in the memory of a session.
func (s *session) open(f *capture.Frame, group uint32, size, count int) {
	s.state, s.group, s.size, s.count = open, group, size, count
	s.got, s.bytes, s.untimed = 0, 0, f.Flags.Has(capture.Untimed)
	s.start, s.last, s.end = f.At, f.At, f.At
	s.first, s.latest = f.Packet, f.Packet
	clear(s.have[:count])
	clear(s.packets[:count])
}

// claim returns a session for two units. What was open between them is given up, and its memory left
// alone until the next call, since Incomplete shows it.
func (l *Listener) claim(b *bus, key ends) *session {
	if s := b.sessions[key]; s != nil {
		if s.state != open {
			return s
		}
		l.giveUp(b, s, Overtaken)
		b.forget(key)
	} else if len(b.sessions) == MaxSessions {
		l.makeRoom(b)
	}
	s := b.reuse()
	s.ends = key
	b.sessions[key] = s
	return s
}

// reuse returns memory for a session. What was forgotten in this call has just been told, and stays
// as it is until the next one.
func (b *bus) reuse() *session {
	if len(b.free) == b.fresh {
		return new(session)
	}
	s := b.free[0]
	b.free = append(b.free[:0], b.free[1:]...)
	return s
}

// forget ends a session. Its memory stays as it is until the next call, since a Message or an
// Incomplete may show it.
func (b *bus) forget(key ends) {
	s := b.sessions[key]
	s.state = told
	b.free = append(b.free, s)
	b.fresh++
	delete(b.sessions, key)
}

// makeRoom forgets the session that was quiet for longest.
func (l *Listener) makeRoom(b *bus) {
	var quiet *session
	for _, s := range b.sessions {
		if quiet == nil || s.quieter(quiet) {
			quiet = s
		}
	}
	if quiet.state == open {
		l.giveUp(b, quiet, Crowded)
	}
	b.forget(quiet.ends)
}

// quieter orders sessions by their last frame, and those of equal age by their ends.
func (s *session) quieter(than *session) bool {
	return cmp.Or(
		cmp.Compare(s.last, than.last),
		cmp.Compare(s.source, than.source),
		cmp.Compare(s.destination, than.destination),
	) < 0
}

// confirm takes the receiver's word that all packets came.
func (l *Listener) confirm(b *bus, f *capture.Frame, key ends, group uint32) {
	s := b.find(key, group)
	if s == nil {
		return
	}
	s.last = f.At
	if s.state == open {
		l.giveUp(b, s, EndedEarly)
	}
	b.forget(key)
}

// abort ends a session by the word of either side.
func (l *Listener) abort(b *bus, f *capture.Frame, key ends, group uint32) {
	s := b.find(key, group)
	if s == nil {
		return
	}
	s.last = f.At
	if s.state == open {
		l.giveUp(b, s, Aborted)
		l.incompletes[len(l.incompletes)-1].Abort = AbortReason(f.Data[1])
	}
	b.forget(key)
}

// data places a data packet (TP.DT) by its number and returns the message it completes.
func (l *Listener) data(b *bus, f *capture.Frame) *Message {
	id := Split(f.ID)
	s := b.sessions[ends{id.Source, id.Destination}]
	if s == nil || s.state == told {
		l.stray(b, f, ends{id.Source, id.Destination})
		return nil
	}
	n := int(f.Data[0])
	if f.Len == 0 || n == 0 || n > s.count {
		l.counts.Malformed++
		return nil
	}
	from, to := (n-1)*packetBytes, min(n*packetBytes, s.size)
	if why := s.judge(f, n, from, to); why != ReasonUnknown {
		if s.state == open {
			l.giveUp(b, s, why)
		} else {
			l.stray(b, f, s.ends)
		}
		return nil
	}
	s.last = f.At
	if s.have[n-1] {
		l.counts.Repeated++
		return nil
	}
	s.place(f, n, from, to)
	if s.got < s.count {
		return nil
	}
	return l.deliver(b, s)
}

// judge says why packet n can't be part of the message. Between two units a packet may come again,
// with the same bytes. In a broadcast each number follows the one before.
func (s *session) judge(f *capture.Frame, n, from, to int) Reason {
	switch {
	case s.last.Sub(f.At) > DirectedTimeout:
		// Stamps stepped back, so how much time passed is unknown.
		return TimedOut
	case int(f.Len) < 1+to-from || f.Flags.Has(capture.Cut):
		return ShortPacket
	case s.have[n-1] && !bytes.Equal(s.payload[from:to], f.Data[1:1+to-from]):
		return Contradiction
	case s.broadcast && n > s.got+1:
		return WrongNumber
	default:
		return ReasonUnknown
	}
}

// place stores the bytes of packet n.
func (s *session) place(f *capture.Frame, n, from, to int) {
	copy(s.payload[from:to], f.Data[1:])
	s.have[n-1], s.packets[n-1] = true, f.Packet
	s.got++
	s.bytes += to - from
	s.end, s.latest = f.At, f.Packet
	s.untimed = s.untimed || f.Flags.Has(capture.Untimed)
}

// stray counts a packet that belongs to nothing, and tells the first of them.
func (l *Listener) stray(b *bus, f *capture.Frame, key ends) {
	l.counts.Stray++
	if s := b.sessions[key]; s != nil && s.state == told {
		s.last = f.At
		return
	}
	s := l.claim(b, key)
	s.state, s.broadcast, s.last = told, key.destination == AllAddress, f.At
	b.due = min(b.due, s.due())
	l.incompletes = append(l.incompletes, Incomplete{
		Bus: b.id, Source: key.source, Destination: key.destination, Reason: NoAnnouncement,
		Start: f.At, End: f.At, First: f.Packet, Last: f.Packet,
	})
}

// deliver hands out a message whose packets are all there. A broadcast is over then.
func (l *Listener) deliver(b *bus, s *session) *Message {
	l.counts.Messages++
	l.message = Message{
		Bus: b.id, Group: s.group, Source: s.source, Destination: s.destination,
		Start: s.start, End: s.end, First: s.first, Last: s.latest,
		Packets: s.packets[:s.count], Untimed: s.untimed, Payload: s.payload[:s.size],
	}
	s.state = done
	if s.broadcast {
		b.forget(s.ends)
	}
	return &l.message
}

// giveUp tells that the message of a session is not whole. The packets that still come for it are
// strays that have been told.
func (l *Listener) giveUp(b *bus, s *session, why Reason) {
	l.counts.Incomplete++
	s.state = told
	l.incompletes = append(l.incompletes, Incomplete{
		Bus: b.id, Group: s.group, Source: s.source, Destination: s.destination, Reason: why,
		Got: s.bytes, Want: s.size, Start: s.start, End: s.end, First: s.first, Last: s.latest,
		Packets: s.packets[:s.count],
	})
}

// extended recognises the extended transport protocol by its request to send.
func (l *Listener) extended(b *bus, f *capture.Frame) {
	if f.Len != capture.MaxClassicData || f.Data[0] != extendedRequestToSend {
		return
	}
	id := Split(f.ID)
	l.counts.Incomplete++
	l.incompletes = append(l.incompletes, Incomplete{
		Bus: b.id, Source: id.Source, Destination: id.Destination, Reason: ExtendedUsed,
		Group: uint32(f.Data[5]) | uint32(f.Data[6])<<8 | uint32(f.Data[7])<<16,
		Want:  int(binary.LittleEndian.Uint32(f.Data[1:5])),
		Start: f.At, End: f.At, First: f.Packet, Last: f.Packet,
	})
}
