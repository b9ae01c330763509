// Package trace finds the whole message that one packet is part of, and what its bytes mean, for
// somebody who wants to see it.
//
//	frames up to the packet and a little on --isotp, j1939--> the message with that packet in it
//
// The invariant: a message is shown whole or not at all. It decodes by the same definitions as package
// decode, and shows what that package counts.
package trace

import (
	"fmt"
	"slices"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/decode/isotp"
	"ridewitness/decode/j1939"
	"ridewitness/decode/obd"
	"ridewitness/decode/uds"
)

// Message is a message of several frames, or a diagnostic one of one frame.
type Message struct {
	Way     string // 'from the tester 0x6D4', 'of group 65200 from 0x2F'
	Payload []byte
	Packets []uint64
	Meaning []string // lines
	Parts   []Part
}

// Part is a signal that lies in a message.
type Part struct {
	Signal   *decode.Signal
	From, To int // its payload within the message's
	Where    string
}

// Trace looks for one packet's message. Make it with New.
type Trace struct {
	signals []decode.Signal
	more    []decode.Address
	packet  uint64
	isotp   isotp.Listener
	j1939   j1939.Listener
	groups  bool
	request map[isotp.PairID][]byte // last one of the pair
	names   [capture.MaxBuses]string
	found   *Message
	passed  int // frames since the packet
}

// patience is how many frames after the packet are looked through for the end of its message.
const patience = 200_000

// New returns a Trace of a packet under the definitions and further address pairs.
func New(signals []decode.Signal, more []decode.Address, packet uint64) *Trace {
	t := &Trace{signals: signals, more: more, packet: packet, request: map[isotp.PairID][]byte{}}
	for i := range signals {
		t.groups = t.groups || signals[i].Origin.Kind == decode.FromGroup
	}
	return t
}

// Needed reports whether any definition speaks of messages.
func (t *Trace) Needed() bool {
	return t.groups || len(t.more) > 0 || slices.ContainsFunc(t.signals, func(s decode.Signal) bool {
		return s.Origin.Kind == decode.FromIdentifier || s.Origin.Kind == decode.FromParameter
	})
}

// Done reports whether there is nothing more to look for.
func (t *Trace) Done() bool { return t.found != nil || t.passed > patience }

// Message returns the message, nil where the packet is part of none.
func (t *Trace) Message() *Message { return t.found }

// Observe takes the next batch.
func (t *Trace) Observe(b *capture.Batch) {
	for frames, e := range b.InOrder() {
		t.frames(frames)
		switch {
		case e == nil || e.Bus >= capture.MaxBuses:
		case e.Kind == capture.EventBus:
			t.named(e.Bus, e.Name)
		case e.Kind == capture.EventLoss:
			t.lost(e.Bus)
		case e.Kind == capture.EventDamage:
			for bus := range t.names {
				t.lost(capture.BusID(bus))
			}
		}
	}
}

// lost tells the transports that frames of a bus are missing.
func (t *Trace) lost(bus capture.BusID) {
	t.isotp.Lost(bus)
	t.j1939.Lost(bus)
}

// named begins to listen on a bus.
func (t *Trace) named(bus capture.BusID, name string) {
	t.names[bus] = name
	if t.groups {
		t.j1939.Watch(bus)
	}
	for i := range t.signals {
		switch o := &t.signals[i].Origin; o.Kind {
		case decode.FromIdentifier:
			if o.Bus == "" || o.Bus == name {
				t.listen(bus, o.Address)
			}
		case decode.FromParameter:
			for n := range obd.StandardUnits {
				request, response := obd.StandardPair(n)
				t.listen(bus, decode.Address{Request: request, Response: response})
			}
		}
	}
	for _, a := range t.more {
		t.listen(bus, a)
	}
}

// listen adds a pair; one that collides with another is left out, as the decoder does.
func (t *Trace) listen(bus capture.BusID, a decode.Address) {
	_, _ = t.isotp.Add(a.Pair(bus))
}

func (t *Trace) frames(frames []capture.Frame) {
	for i := range frames {
		f := &frames[i]
		if t.found != nil {
			return
		}
		if f.Packet > t.packet {
			t.passed++
		}
		if m := t.j1939.Feed(f); m != nil && slices.Contains(m.Packets, t.packet) {
			t.found = t.group(m)
		}
		if m := t.isotp.Feed(f); m != nil {
			t.heard(m)
		}
	}
}

// group shows a message of several packets of a parameter group.
func (t *Trace) group(m *j1939.Message) *Message {
	out := &Message{Way: fmt.Sprintf("of group %d from address 0x%02X", m.Group, m.Source), Payload: slices.Clone(m.Payload), Packets: slices.Clone(m.Packets)}
	for i := range t.signals {
		s := &t.signals[i]
		if s.Origin.Kind == decode.FromGroup && s.Origin.Group == m.Group && (s.Origin.Source == decode.AnySource || s.Origin.Source == int(m.Source)) {
			out.Parts = append(out.Parts, Part{Signal: s, To: len(m.Payload)})
		}
	}
	return out
}

// heard follows a diagnostic message.
func (t *Trace) heard(m *isotp.Message) {
	if slices.Contains(m.Packets, t.packet) {
		t.found = t.diagnostic(m)
		return
	}
	if m.Direction == isotp.Request {
		for _, id := range m.Pairs {
			t.request[id] = append(t.request[id][:0], m.Payload...)
		}
	}
}

func (t *Trace) diagnostic(m *isotp.Message) *Message {
	pair := t.isotp.Pair(m.Pairs[0])
	out := &Message{Way: fmt.Sprintf("from the tester, 0x%03X", uint32(pair.Request)), Payload: slices.Clone(m.Payload), Packets: slices.Clone(m.Packets)}
	if m.Direction == isotp.Response {
		out.Way = fmt.Sprintf("from the control unit, 0x%03X", uint32(pair.Response))
		out.answer(t, m)
		return out
	}
	r, _ := uds.ParseRequest(m.Payload)
	out.Meaning = append(out.Meaning, fmt.Sprintf("request: 0x%02X %s%s", uint8(r.Service), r.Service, identifierText(r.Identifier, r.HasID)))
	if r.HasSub {
		out.Meaning = append(out.Meaning, fmt.Sprintf("sub-function 0x%02X", r.Sub))
	}
	return out
}

func identifierText(id uint16, has bool) string {
	if !has {
		return ""
	}
	return fmt.Sprintf(", identifier 0x%04X", id)
}

// answer says what an answer is and finds its signals.
func (out *Message) answer(t *Trace, m *isotp.Message) {
	a, _ := uds.ParseAnswer(m.Payload)
	if a.Negative {
		out.Meaning = append(out.Meaning, fmt.Sprintf("refused: 0x%02X %s, code 0x%02X: %s", uint8(a.Service), a.Service, uint8(a.Code), a.Code.Words()))
		return
	}
	out.Meaning = append(out.Meaning, fmt.Sprintf("positive answer to 0x%02X %s%s", uint8(a.Service), a.Service, identifierText(a.Identifier, a.HasID)))
	switch a.Service {
	case uds.ReadDataByIdentifier:
		out.records(t, m)
	case obd.CurrentData:
		out.parameters(t)
	}
}

// records finds the signals of an answer to service 0x22.
func (out *Message) records(t *Trace, m *isotp.Message) {
	address := func(s *decode.Signal) bool {
		return s.Origin.Kind == decode.FromIdentifier && s.Origin.Address.Pair(m.Bus) == t.isotp.Pair(m.Pairs[0]) &&
			(s.Origin.Bus == "" || s.Origin.Bus == t.names[m.Bus])
	}
	lengths := func(id uint16) (int, bool) {
		n, known := 0, false
		for i := range t.signals {
			if s := &t.signals[i]; address(s) && s.Origin.Identifier == id {
				n, known = max(n, s.Origin.Length, s.Field.To+1), true
			}
		}
		return n, known
	}
	records, err := uds.AppendRecords(nil, t.request[m.Pairs[0]], m.Payload, lengths)
	if err != nil {
		out.Meaning = append(out.Meaning, "not all of it can be taken apart: "+err.Error())
	}
	for _, r := range records {
		out.Meaning = append(out.Meaning, fmt.Sprintf("identifier 0x%04X in bytes %d to %d", r.Identifier, r.From, r.To-1))
		for i := range t.signals {
			if s := &t.signals[i]; address(s) && s.Origin.Identifier == r.Identifier {
				out.Parts = append(out.Parts, Part{Signal: s, From: r.From, To: r.To, Where: ", in the message above"})
			}
		}
	}
}

// parameters finds the signals of an answer to OBD service 0x01.
func (out *Message) parameters(t *Trace) {
	values, err := obd.AppendParameters(nil, out.Payload)
	if err != nil {
		out.Meaning = append(out.Meaning, "not all of it can be taken apart: "+err.Error())
	}
	for _, v := range values {
		out.Meaning = append(out.Meaning, fmt.Sprintf("parameter 0x%02X in bytes %d to %d", v.ID, v.From, v.To-1))
		for i := range t.signals {
			if s := &t.signals[i]; s.Origin.Kind == decode.FromParameter && s.Origin.Parameter == v.ID {
				out.Parts = append(out.Parts, Part{Signal: s, From: v.From, To: v.To, Where: ", in the message above"})
			}
		}
	}
}
