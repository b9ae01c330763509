// Package survey says what is on a bus for which nobody has written definitions: who speaks, and how
// tester and control units talk.
//
//	frames --Survey--> identifiers, kinds of frame, parameter groups, address pairs that look like talk
//	frames --Talk----> per pair: services, identifiers asked for, lengths of the answers
//
// The invariant: what is guessed says 'looks like', and every table is bounded and says when it was
// full. It decodes no value.
package survey

import (
	"cmp"
	"slices"

	"ridewitness/capture"
	"ridewitness/decode/isotp"
	"ridewitness/decode/j1939"
	"ridewitness/decode/uds"
)

// maxExtended bounds the table of identifiers.
const maxExtended = 8192 // 29 bit identifiers of one bus

// Bus is what was seen on one bus.
type Bus struct {
	Name     string
	Frames   uint64
	FD       uint64
	Remote   uint64
	Errors   uint64
	Overruns uint64 // error frames that say the controller lost frames
	BusOff   uint64
	Standard int      // different identifiers of 11 bits
	Extended int      // of 29 bits
	Full     bool     // more of 29 bits than are remembered
	Groups   []uint32 // as SAE J1939 would read the 29 bit identifiers, sorted
	Units    []Unit   // that claimed an address
	standard [capture.MaxStandardID + 1]bool
	extended map[capture.ID]bool
	groups   map[uint32]bool
	claimed  [j1939.NoAddress]bool // addresses that somebody claimed
	id       capture.BusID
	last     capture.Stamp
}

// Unit is a unit that claimed an address.
type Unit struct {
	Address uint8
	j1939.Claim
}

// Survey looks at a stream once. The zero Survey has seen nothing.
type Survey struct {
	buses     [capture.MaxBuses]*Bus
	discovery *isotp.Discovery
	directory j1939.Directory
}

// New returns a Survey that has seen nothing.
func New() *Survey { return &Survey{discovery: isotp.NewDiscovery()} }

// Observe takes the next batch.
func (s *Survey) Observe(b *capture.Batch) {
	for i := range b.Events {
		if e := &b.Events[i]; e.Kind == capture.EventBus && e.Bus < capture.MaxBuses {
			s.bus(e.Bus).Name = e.Name
		}
	}
	for i := range b.Frames {
		s.frame(&b.Frames[i])
	}
}

func (s *Survey) bus(id capture.BusID) *Bus {
	if s.buses[id] == nil {
		s.buses[id] = &Bus{id: id, extended: map[capture.ID]bool{}, groups: map[uint32]bool{}}
	}
	return s.buses[id]
}

func (s *Survey) frame(f *capture.Frame) {
	if f.Bus >= capture.MaxBuses {
		return
	}
	b := s.bus(f.Bus)
	b.Frames++
	b.last = max(b.last, f.At)
	if f.Flags.Has(capture.Error) {
		b.Errors++
		if f.ControllerOverflow() {
			b.Overruns++
		}
		if f.ErrorClass()&capture.ErrorBusOff != 0 {
			b.BusOff++
		}
		return
	}
	if f.Flags.Has(capture.Remote) {
		b.Remote++
		return
	}
	if f.Flags.Has(capture.FD) {
		b.FD++
	}
	s.discovery.Feed(f)
	if f.Flags.Has(capture.Extended) {
		b.seeExtended(f)
		s.claim(b, f)
	} else if f.ID <= capture.MaxStandardID && !b.standard[f.ID] {
		b.standard[f.ID] = true
		b.Standard++
	}
}

func (b *Bus) seeExtended(f *capture.Frame) {
	if b.extended[f.ID] {
		return
	}
	if len(b.extended) == maxExtended {
		b.Full = true
		return
	}
	b.extended[f.ID] = true
	b.Extended++
	b.groups[j1939.Split(f.ID).Group] = true
}

// claim follows an address claim. Who holds the address is asked at the end: a claim counts only when
// nobody has contested it for a while.
func (s *Survey) claim(b *Bus, f *capture.Frame) {
	if source := j1939.Split(f.ID).Source; s.directory.Feed(f) && source < j1939.NoAddress {
		b.claimed[source] = true
	}
}

// Buses returns what was seen, in the order of the buses.
func (s *Survey) Buses() []*Bus {
	var all []*Bus
	for _, b := range s.buses {
		if b == nil {
			continue
		}
		b.Groups = b.Groups[:0]
		for g := range b.groups {
			b.Groups = append(b.Groups, g)
		}
		slices.Sort(b.Groups)
		b.Units = b.Units[:0]
		for address := range b.claimed {
			if c, ok := s.directory.Holder(b.id, uint8(address), b.last); ok && b.claimed[address] {
				b.Units = append(b.Units, Unit{Address: uint8(address), Claim: c})
			}
		}
		all = append(all, b)
	}
	return all
}

// Candidates returns what looks like talk between a tester and a control unit.
func (s *Survey) Candidates() []isotp.Candidate { return s.discovery.Candidates() }

// Full reports whether there was more talk than is remembered.
func (s *Survey) Full() bool { return s.discovery.Full() }

// subject is what a request is about.
type subject struct {
	Service    uds.Service
	Identifier uint16
	HasID      bool
	Sub        uint8
	HasSub     bool
}

// Asked is one thing that a tester asks for.
type Asked struct {
	subject
	Times      uint64
	Refused    uint64
	Unanswered uint64
	Least      int // bytes of data in a positive answer, after service and identifier; -1: none came
	Most       int
	Packet     uint64   // of the first request
	With       []uint16 // ReadDataByIdentifier: further identifiers that the first such request named
}

// Conversation is the talk of one pair.
type Conversation struct {
	Pair  isotp.Pair
	Asked []Asked // by service and identifier
	Full  bool
}

// maxAsked bounds what is remembered of one pair.
const maxAsked = 512

// Talk follows the conversations of given pairs in a second look at the stream.
type Talk struct {
	listener  isotp.Listener
	dialogues []*uds.Dialogue
	talks     []Conversation
	index     []map[subject]int
}

// NewTalk returns a Talk that follows the pairs. Pairs that can't be told apart are left out.
func NewTalk(pairs []isotp.Pair) *Talk {
	t := &Talk{}
	for _, p := range pairs {
		id, err := t.listener.Add(p)
		if err != nil || int(id) < len(t.talks) {
			continue
		}
		t.dialogues = append(t.dialogues, uds.NewDialogue())
		t.talks = append(t.talks, Conversation{Pair: p})
		t.index = append(t.index, map[subject]int{})
	}
	return t
}

// Observe takes the next batch.
func (t *Talk) Observe(b *capture.Batch) {
	for frames, e := range b.InOrder() {
		t.frames(frames)
		switch {
		case e == nil || e.Bus >= capture.MaxBuses:
		case e.Kind == capture.EventLoss:
			t.lost(e.Bus)
		case e.Kind == capture.EventDamage:
			for i := range t.talks {
				t.lost(t.talks[i].Pair.Bus)
			}
		}
	}
	if n := len(b.Frames); n > 0 {
		for i, d := range t.dialogues {
			if !t.listener.Busy(isotp.PairID(i), isotp.Response) {
				t.note(i, d.Advance(b.Frames[n-1].At))
			}
		}
	}
}

func (t *Talk) frames(frames []capture.Frame) {
	for i := range frames {
		if m := t.listener.Feed(&frames[i]); m != nil {
			t.message(m)
		}
	}
}

// lost says that frames are missing here: an answer may have been among them.
func (t *Talk) lost(bus capture.BusID) {
	t.listener.Lost(bus)
	for i, d := range t.dialogues {
		if t.talks[i].Pair.Bus == bus {
			d.Lost()
		}
	}
}

func (t *Talk) message(m *isotp.Message) {
	whole := uds.Message{Start: m.Start, End: m.End, First: m.First, Last: m.Last, Payload: m.Payload}
	for _, id := range m.Pairs {
		if m.Direction == isotp.Request {
			t.note(int(id), t.dialogues[id].Ask(whole))
		} else {
			t.note(int(id), t.dialogues[id].Answer(whole))
		}
	}
}

// note counts exchanges.
func (t *Talk) note(i int, exchanges []uds.Exchange) {
	for k := range exchanges {
		e := &exchanges[k]
		if e.Request.Service == 0 {
			continue
		}
		key := subject{Service: e.Request.Service, Identifier: e.Request.Identifier, HasID: e.Request.HasID, Sub: e.Request.Sub, HasSub: e.Request.HasSub}
		a := t.asked(i, key, e)
		if a == nil {
			continue
		}
		a.Times++
		switch e.Verdict {
		case uds.Refused:
			a.Refused++
		case uds.NoAnswer, uds.Overtaken:
			a.Unanswered++
		case uds.Accepted:
			a.measure(e)
		}
	}
}

func (t *Talk) asked(i int, key subject, e *uds.Exchange) *Asked {
	at, known := t.index[i][key]
	if !known {
		if len(t.talks[i].Asked) == maxAsked {
			t.talks[i].Full = true
			return nil
		}
		at = len(t.talks[i].Asked)
		t.index[i][key] = at
		fresh := Asked{subject: key}
		fresh.Least, fresh.Most, fresh.Packet = -1, -1, e.Asked.First
		fresh.With = further(e)
		t.talks[i].Asked = append(t.talks[i].Asked, fresh)
	}
	return &t.talks[i].Asked[at]
}

// maxWith bounds the identifiers that are remembered of one request.
const maxWith = 32

// further returns the identifiers of a request for data after the first.
func further(e *uds.Exchange) []uint16 {
	if e.Request.Service != uds.ReadDataByIdentifier {
		return nil
	}
	var more []uint16
	for at := 3; at+1 < len(e.Asked.Payload) && len(more) < maxWith; at += 2 {
		more = append(more, uint16(e.Asked.Payload[at])<<8|uint16(e.Asked.Payload[at+1]))
	}
	return more
}

// measure notes how long the data of an answer is.
func (a *Asked) measure(e *uds.Exchange) {
	head := 1
	if a.HasSub {
		head++
	}
	if a.HasID {
		head += 2
	}
	n := max(0, len(e.Answered.Payload)-head)
	if a.Least < 0 || n < a.Least {
		a.Least = n
	}
	a.Most = max(a.Most, n)
}

// Conversations returns the talk of the pairs, what was asked sorted by service and identifier. Call
// it once, at the end.
func (t *Talk) Conversations() []Conversation {
	for i := range t.talks {
		slices.SortFunc(t.talks[i].Asked, func(a, b Asked) int {
			return cmp.Or(cmp.Compare(a.Service, b.Service), cmp.Compare(a.Identifier, b.Identifier), cmp.Compare(a.Sub, b.Sub))
		})
		t.index[i] = nil
	}
	return t.talks
}
