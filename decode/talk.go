package decode

import (
	"time"

	"ridewitness/capture"
	"ridewitness/decode/isotp"
	"ridewitness/decode/j1939"
	"ridewitness/decode/obd"
	"ridewitness/decode/uds"
)

// TalkKind says what a Talk tells.
type TalkKind uint8

const (
	// TalkExchange: a request and what became of it.
	TalkExchange TalkKind = iota + 1
	// TalkSession: the unit entered another diagnostic session, or fell back to its default one.
	TalkSession
	// TalkIncomplete: a message of the pair was not recorded whole.
	TalkIncomplete
	// TalkUnreadable: an answer came, but not all of it can be taken apart; Problem says why.
	TalkUnreadable
)

// Talk is something that tester and control unit said, or did not.
type Talk struct {
	Kind     TalkKind
	Index    int // samples of the same call that come before it
	At       capture.Stamp
	Bus      capture.BusID
	Address  Address
	Exchange uds.Exchange
	Session  uds.Session
	Problem  string
	Packets  []uint64 // of an incomplete message
}

// advanceEvery is how often, in the stream's time, requests without an answer are looked at.
const advanceEvery = 50 * time.Millisecond

// talk joins frames to messages and messages to exchanges, and hands the payloads of answers to the
// decoder. Its memory is bounded by that of the listeners and by what one call is given.
type talk struct {
	addresses []addressOn
	isotp     isotp.Listener
	pairs     []pair // by isotp.PairID
	spoken    [capture.MaxBuses]bool
	j1939     j1939.Listener
	groups    [capture.MaxBuses]bool
	parameter [capture.MaxBuses]map[uint8][]SignalIndex // of service 0x01; nil where none is wanted
	units     [capture.MaxBuses][4]uint64               // a bit for each 29 bit unit that is listened to
	next      capture.Stamp
	out       []Talk
	arena     []byte
	records   []uds.Record
	values    []obd.Parameter
}

// addressOn is an address pair to listen to, on a bus or on all.
type addressOn struct {
	bus     string
	address Address
}

// pair is one address pair on one bus.
type pair struct {
	on       isotp.Pair
	address  Address
	dialogue *uds.Dialogue
	wanted   map[uint16][]SignalIndex
	lengths  map[uint16]int
	session  uds.Session
	asked    bool // its exchanges are followed
	obd      bool // its answers to service 0x01 are decoded
}

// Listen makes the decoder follow the talk of more address pairs, on every bus: those that a job
// card names. Call it before the first frame.
func (d *Decoder) Listen(addresses ...Address) {
	for _, a := range addresses {
		d.withTalk().addresses = append(d.talk.addresses, addressOn{address: a})
	}
}

func (d *Decoder) withTalk() *talk {
	if d.talk == nil {
		d.talk = &talk{}
	}
	return d.talk
}

// prepare finds the address pairs, parameters and groups that the signals need.
func (d *Decoder) prepare() {
	for i := range d.signals {
		o := &d.signals[i].Origin
		switch o.Kind {
		case FromIdentifier:
			t := d.withTalk()
			t.addresses = append(t.addresses, addressOn{o.Bus, o.Address})
		case FromParameter:
			d.withTalk()
		case FromGroup:
			d.withTalk()
		}
	}
}

// named begins to listen on a bus whose name is known now.
func (t *talk) named(d *Decoder, bus capture.BusID, name string) {
	for _, a := range t.addresses {
		if a.bus == "" || a.bus == name {
			t.add(d, bus, name, a.address, false)
		}
	}
	if t.wantParameters(d, bus, name) {
		for n := range obd.StandardUnits {
			request, response := obd.StandardPair(n)
			t.add(d, bus, name, Address{Request: request, Response: response}, true)
		}
	}
	if d.tables[bus].groups.n > 0 {
		t.groups[bus] = true
		t.j1939.Watch(bus)
	}
}

// wantParameters finds the signals that lie in answers to service 0x01 on the bus, and reports whether
// there are any.
func (t *talk) wantParameters(d *Decoder, bus capture.BusID, name string) bool {
	wanted := map[uint8][]SignalIndex{}
	for i := range d.signals {
		if o := &d.signals[i].Origin; o.Kind == FromParameter && (o.Bus == "" || o.Bus == name) {
			wanted[o.Parameter] = append(wanted[o.Parameter], SignalIndex(i))
			d.served[i] = true
		}
	}
	t.parameter[bus] = nil
	if len(wanted) > 0 {
		t.parameter[bus] = wanted
	}
	return len(wanted) > 0
}

// Pair returns the address pair as the transport of one bus knows it.
func (a *Address) Pair(bus capture.BusID) isotp.Pair {
	on := isotp.Pair{Bus: bus, Request: a.Request, Response: a.Response, Extended: a.Extended}
	switch {
	case a.Mixed:
		on.Addressing, on.RequestByte, on.ResponseByte = isotp.WithByte, a.Extension, a.Extension
	case a.ByTarget:
		on.Addressing, on.RequestByte, on.ResponseByte = isotp.WithByte, a.RequestTarget, a.ReplyTarget
	}
	return on
}

// add listens to one pair on one bus, for service 0x01 or for all that is asked. The signals of a
// pair that collides with another are told by Undecodable.
func (t *talk) add(d *Decoder, bus capture.BusID, name string, a Address, forOBD bool) {
	on := a.Pair(bus)
	id, err := t.isotp.Add(on)
	if err != nil {
		t.refuse(d, on, err)
		return
	}
	t.spoken[bus] = true
	for int(id) >= len(t.pairs) {
		t.pairs = append(t.pairs, pair{})
	}
	p := &t.pairs[id]
	if p.dialogue == nil {
		*p = pair{on: on, address: a, dialogue: uds.NewDialogue(), wanted: map[uint16][]SignalIndex{}, lengths: map[uint16]int{}}
		p.collect(d, name)
	}
	p.obd = p.obd || forOBD
	p.asked = p.asked || !forOBD
}

// refuse notes why the signals of a pair can't be decoded.
func (t *talk) refuse(d *Decoder, on isotp.Pair, err error) {
	for i := range d.signals {
		if o := &d.signals[i].Origin; o.Kind == FromIdentifier && o.Address.Pair(on.Bus) == on {
			d.refused[i] = err.Error()
		}
	}
}

// collect finds the signals that lie in the answers of the pair, and how long each identifier is:
// as its definition says, or as far as its signals reach.
func (p *pair) collect(d *Decoder, bus string) {
	for i := range d.signals {
		o := &d.signals[i].Origin
		if o.Kind != FromIdentifier || o.Address.Pair(p.on.Bus) != p.on || o.Bus != "" && o.Bus != bus {
			continue
		}
		d.served[i] = true
		p.wanted[o.Identifier] = append(p.wanted[o.Identifier], SignalIndex(i))
		n := max(o.Length, d.signals[i].Field.To+1)
		if w := d.signals[i].When; w != nil && o.Length == 0 {
			n = max(n, w.Field.To+1)
		}
		p.lengths[o.Identifier] = max(p.lengths[o.Identifier], n)
	}
}

// meet listens to a unit that answers under a 29 bit identifier (ISO 15765-4): any of 256 addresses may
// be there, so each is taken when it is first heard.
func (t *talk) meet(d *Decoder, f *capture.Frame) {
	const answer, mask = 0x18DAF100, 0x1FFFFF00
	if f.Flags&(capture.Extended|capture.Error|capture.Remote) != capture.Extended || f.ID&mask != answer {
		return
	}
	unit := uint8(f.ID)
	if bit := uint64(1) << (unit % 64); t.units[f.Bus][unit/64]&bit == 0 {
		t.units[f.Bus][unit/64] |= bit
		request, response := obd.ExtendedPair(unit)
		t.add(d, f.Bus, d.tables[f.Bus].bus, Address{Request: request, Response: response, Extended: true}, true)
	}
}

// feed follows one frame of a bus on which somebody talks.
func (t *talk) feed(d *Decoder, f *capture.Frame, into []Sample) []Sample {
	if (f.At >= t.next || f.At < t.next.Add(-advanceEvery)) && !f.Flags.Has(capture.Untimed) {
		into = t.advance(d, f.At, into)
		t.next = f.At.Add(advanceEvery)
	}
	if t.groups[f.Bus] {
		if m := t.j1939.Feed(f); m != nil && !m.Untimed {
			if at := d.tables[f.Bus].groups.get(m.Group); at != 0 {
				into = d.payload(m.Payload, origin{at: m.End, packet: m.Last, bus: f.Bus, source: int16(m.Source)}, d.tables[f.Bus].of(at), into)
			}
		}
	}
	if t.parameter[f.Bus] != nil {
		t.meet(d, f)
	}
	if t.isotp.Concerns(f) {
		m := t.isotp.Feed(f)
		into = t.incompletes(d, into)
		if m != nil {
			return t.message(d, m, into)
		}
	}
	if t.spoken[f.Bus] && keepsAlive(f) {
		into = t.alive(d, f, into)
	}
	return into
}

// keepsAlive reports whether a frame is a suppressed 'tester present' in a single frame. Testers send
// it to all units under an identifier that no definition needs to name; any is taken.
func keepsAlive(f *capture.Frame) bool {
	return f.Len >= 3 && f.Data[0] == 2 && f.Data[1] == byte(uds.TesterPresent) && f.Data[2] == 0x80 &&
		f.Flags&(capture.Remote|capture.Error) == 0
}

// alive tells every unit of the bus that the tester is there.
func (t *talk) alive(d *Decoder, f *capture.Frame, into []Sample) []Sample {
	m := uds.Message{Start: f.At, End: f.At, First: f.Packet, Last: f.Packet, Payload: f.Data[1:3]}
	for i := range t.pairs {
		if p := &t.pairs[i]; p.dialogue != nil && p.on.Bus == f.Bus && p.asked {
			into = t.settle(d, p, p.dialogue.AskAll(m), into)
		}
	}
	return into
}

// message follows one whole message.
func (t *talk) message(d *Decoder, m *isotp.Message, into []Sample) []Sample {
	if m.Untimed {
		return into
	}
	whole := uds.Message{Start: m.Start, End: m.End, First: m.First, Last: m.Last, Payload: m.Payload}
	for _, id := range m.Pairs {
		p := &t.pairs[id]
		if p.obd {
			into = t.parameters(d, p, m, into)
		}
		if !p.asked {
			continue
		}
		if m.Direction == isotp.Request {
			into = t.settle(d, p, p.dialogue.Ask(whole), into)
		} else {
			into = t.settle(d, p, p.dialogue.Answer(whole), into)
		}
	}
	return into
}

// parameters decodes an answer to OBD service 0x01. The last byte of its identifier tells who answered.
func (t *talk) parameters(d *Decoder, p *pair, m *isotp.Message, into []Sample) []Sample {
	if m.Direction != isotp.Response || len(m.Payload) == 0 || m.Payload[0] != 0x40+obd.CurrentData {
		return into
	}
	var err error
	t.values, err = obd.AppendParameters(t.values[:0], m.Payload)
	if err != nil {
		t.tell(Talk{Kind: TalkUnreadable, Index: len(into), At: m.End, Bus: m.Bus, Address: p.address, Problem: err.Error()})
	}
	for _, v := range t.values {
		if wanted := t.parameter[m.Bus][v.ID]; len(wanted) > 0 {
			into = d.payload(m.Payload[v.From:v.To], origin{at: m.End, packet: m.Last, bus: m.Bus, source: int16(p.on.Response & 0xFF)}, wanted, into)
		}
	}
	return into
}

// incompletes hands what was given up to the dialogues, so that they do not call it unanswered.
func (t *talk) incompletes(d *Decoder, into []Sample) []Sample {
	for _, part := range t.isotp.Incompletes() {
		known := uds.Message{Start: part.Start, End: part.End, First: part.First, Last: part.Last, Payload: part.Head}
		for _, id := range part.Pairs {
			p := &t.pairs[id]
			if !p.asked {
				continue
			}
			t.tell(Talk{Kind: TalkIncomplete, Index: len(into), At: part.End, Bus: part.Bus, Address: p.address,
				Problem: part.String(), Packets: append([]uint64(nil), part.Packets...)})
			if part.Direction == isotp.Request {
				into = t.settle(d, p, p.dialogue.AskInPart(known), into)
			} else {
				into = t.settle(d, p, p.dialogue.AnswerInPart(known), into)
			}
		}
	}
	return into
}

// advance settles the requests for which nothing came in time.
func (t *talk) advance(d *Decoder, now capture.Stamp, into []Sample) []Sample {
	for i := range t.pairs {
		p := &t.pairs[i]
		if p.dialogue != nil && p.asked && !t.isotp.Busy(isotp.PairID(i), isotp.Response) {
			into = t.settle(d, p, p.dialogue.Advance(now), into)
		}
	}
	return into
}

// lost says that frames of a bus are missing here.
func (t *talk) lost(d *Decoder, bus capture.BusID) {
	t.isotp.Lost(bus)
	t.incompletes(d, nil)
	t.j1939.Lost(bus)
	for i := range t.pairs {
		if p := &t.pairs[i]; p.dialogue != nil && p.on.Bus == bus {
			p.dialogue.Lost()
		}
	}
}

// settle tells the exchanges of a pair and decodes their answers.
func (t *talk) settle(d *Decoder, p *pair, exchanges []uds.Exchange, into []Sample) []Sample {
	for i := range exchanges {
		e := &exchanges[i]
		if len(e.Answered.Payload) > 0 && (e.Verdict == uds.Accepted || e.Verdict == uds.Unasked) {
			into = t.answer(d, p, e, into)
		}
		kept := *e
		kept.Asked.Payload, kept.Answered.Payload = t.keep(e.Asked.Payload), t.keep(e.Answered.Payload)
		t.tell(Talk{Kind: TalkExchange, Index: len(into), At: e.Decided, Bus: p.on.Bus, Address: p.address, Exchange: kept})
	}
	if s := p.dialogue.Session(); s.ID != p.session.ID || s.Since != p.session.Since {
		p.session = s
		t.tell(Talk{Kind: TalkSession, Index: len(into), At: s.Since, Bus: p.on.Bus, Address: p.address, Session: s})
	}
	return into
}

// answer decodes the data identifiers of an answer to service 0x22.
func (t *talk) answer(d *Decoder, p *pair, e *uds.Exchange, into []Sample) []Sample {
	payload := e.Answered.Payload
	if payload[0] != byte(uds.ReadDataByIdentifier)+0x40 || len(p.wanted) == 0 {
		return into
	}
	var err error
	t.records, err = uds.AppendRecords(t.records[:0], e.Asked.Payload, payload, func(id uint16) (int, bool) {
		n, known := p.lengths[id]
		return n, known
	})
	if err != nil {
		t.tell(Talk{Kind: TalkUnreadable, Index: len(into), At: e.Answered.End, Bus: p.on.Bus, Address: p.address, Problem: err.Error()})
	}
	o := origin{at: e.Answered.End, packet: e.Answered.Last, bus: p.on.Bus, source: noSource}
	for _, r := range t.records {
		into = d.payload(payload[r.From:r.To], o, p.wanted[r.Identifier], into)
	}
	return into
}

// keep copies a payload into memory that is good until the next call of Decode or Observe.
func (t *talk) keep(b []byte) []byte {
	if len(b) == 0 {
		return nil
	}
	from := len(t.arena)
	t.arena = append(t.arena, b...)
	return t.arena[from:len(t.arena):len(t.arena)]
}

func (t *talk) tell(what Talk) {
	t.out = append(t.out, what)
}

// Talk returns what was said in the last call of Decode, Observe or End, by Index. It and its
// payloads are good until the next one.
func (d *Decoder) Talk() []Talk {
	if d.talk == nil {
		return nil
	}
	return d.talk.out
}

// End tells the decoder that the stream is over at that time; what was open is settled, and its
// samples are appended to into.
func (d *Decoder) End(at capture.Stamp, into []Sample) []Sample {
	t := d.talk
	if t == nil {
		return into
	}
	t.begin()
	t.isotp.End()
	into = t.incompletes(d, into)
	for i := range t.pairs {
		if p := &t.pairs[i]; p.dialogue != nil && p.asked {
			into = t.settle(d, p, p.dialogue.End(at), into)
		}
	}
	return into
}

// begin forgets what the last call told.
func (t *talk) begin() { t.out, t.arena = t.out[:0], t.arena[:0] }
