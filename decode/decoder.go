package decode

import (
	"fmt"
	"slices"

	"ridewitness/capture"
)

// MaxSignals is the most signals of one decoder.
const MaxSignals = 4096

// Decoder turns the frames of a stream into samples. It is fed in the order of the stream, learns
// the buses from its events, allocates nothing per frame, and is not safe for concurrent use.
type Decoder struct {
	signals     []Signal
	definitions []definition // by SignalIndex
	senders     []sender     // by SignalIndex
	served      []bool       // by SignalIndex: some bus or transport delivers its payload
	refused     []string     // by SignalIndex: why its transport can't be followed
	tables      [capture.MaxBuses]*table
	others      others
	gate        *gate
	talk        *talk
}

// NewDecoder returns a Decoder for the signals, or a *DefinitionError. The signals are not copied
// and must not change.
func NewDecoder(signals []Signal) (*Decoder, error) {
	if len(signals) > MaxSignals {
		return nil, &DefinitionError{Problem: fmt.Sprintf("%d signals are defined, at most %d are possible", len(signals), MaxSignals)}
	}
	d := &Decoder{
		signals:     signals,
		definitions: make([]definition, len(signals)),
		senders:     make([]sender, len(signals)),
		served:      make([]bool, len(signals)),
		refused:     make([]string, len(signals)),
	}
	for i := range signals {
		s := &signals[i]
		if problem := s.check(); problem != "" {
			return nil, &DefinitionError{Place: s.Place, Signal: s.Name, Problem: problem}
		}
		d.definitions[i] = compile(s)
		d.senders[i] = unheard
	}
	var err error
	if d.gate, err = newGate(signals); err != nil {
		return nil, err
	}
	d.prepare()
	return d, nil
}

// Signals returns the signals that the decoder was made for.
func (d *Decoder) Signals() []Signal { return d.signals }

// Observe learns from an event of the stream: the name of a bus, the loss of frames. What could not be read
// may have been frames of any bus.
func (d *Decoder) Observe(e capture.Event) {
	if e.Bus >= capture.MaxBuses {
		return
	}
	if d.talk != nil {
		d.talk.begin()
	}
	switch e.Kind {
	case capture.EventBus:
		d.named(e.Bus, e.Name)
	case capture.EventLoss:
		if d.talk != nil {
			d.talk.lost(d, e.Bus)
		}
	case capture.EventDamage:
		for bus := range d.tables {
			if d.talk != nil && d.tables[bus] != nil {
				d.talk.lost(d, capture.BusID(bus))
			}
		}
	}
}

// named compiles the table of a bus. A file of several sections names its buses again; nothing
// changes then.
func (d *Decoder) named(bus capture.BusID, name string) {
	if t := d.tables[bus]; t != nil && t.bus == name {
		return
	}
	d.tables[bus] = newTable(d.signals, name)
	for _, i := range d.tables[bus].order {
		d.served[i] = true
	}
	if d.talk != nil {
		d.talk.named(d, bus, name)
	}
}

// Decode appends the samples of the frames to into and returns it. Samples come in the order of the
// frames; those of one frame by identifier first, then by parameter group, then what it completes of
// a longer message, each in the order of the definitions. A frame of CAN FD and a classic one of the
// same identifier are looked up alike: a definition can't tell them apart.
func (d *Decoder) Decode(frames []capture.Frame, into []Sample) []Sample {
	if d.talk != nil {
		d.talk.begin()
	}
	for i := range frames {
		f := &frames[i]
		if f.Bus >= capture.MaxBuses || d.tables[f.Bus] == nil {
			continue
		}
		// Most frames are wanted by nobody: they get no further than this look.
		t := d.tables[f.Bus]
		if f.Flags&capture.Extended != 0 {
			into = d.extended(f, t, into)
		} else if f.ID <= capture.MaxStandardID && t.standard[f.ID] != 0 {
			into = d.frame(f, t.of(t.standard[f.ID]), noSource, into)
		}
		if d.talk != nil {
			into = d.talk.feed(d, f, into)
		}
	}
	return into
}

// extended decodes what is defined for a 29 bit identifier, and for its parameter group.
func (d *Decoder) extended(f *capture.Frame, t *table, into []Sample) []Sample {
	if f.ID > capture.MaxExtendedID {
		return into
	}
	if at := t.extended.get(uint32(f.ID)); at != 0 {
		into = d.frame(f, t.of(at), noSource, into)
	}
	if at := t.groups.get(groupOf(f.ID)); at != 0 {
		into = d.frame(f, t.of(at), int16(f.ID&0xFF), into)
	}
	return into
}

// groupOf returns the parameter group number of a 29 bit identifier (SAE J1939-21): the data page
// bits, the PDU format, and the PDU specific byte where the format is 240 or more. The priority is no
// part of it; below 240 the PDU specific byte is the destination.
func groupOf(id capture.ID) uint32 {
	group := uint32(id>>8) & maxGroup
	if group>>8&0xFF < firstBroadcastFormat {
		group &^= 0xFF
	}
	return group
}

// frame decodes one frame that somebody wants. Remote and error frames hold no data; a frame
// without a time can make no sample.
func (d *Decoder) frame(f *capture.Frame, wanted []SignalIndex, source int16, into []Sample) []Sample {
	if f.Flags&(capture.Remote|capture.Error|capture.Untimed) != 0 {
		return into
	}
	return d.payload(f.Payload(), origin{at: f.At, packet: f.Packet, bus: f.Bus, source: source}, wanted, into)
}

// origin is where a payload came from.
type origin struct {
	at     capture.Stamp
	packet uint64
	bus    capture.BusID
	source int16
}

// payload decodes the wanted signals of one payload, from a frame or from a transport. The sample is
// put together only at its end: filled in piece by piece and then copied it cost a third more
// (BenchmarkDecode, 200 definitions), since the copy waits for the pieces.
func (d *Decoder) payload(data []byte, o origin, wanted []SignalIndex, into []Sample) []Sample {
	first := len(into)
	for _, i := range wanted {
		c := &d.definitions[i]
		selected, known := true, true
		if c.conditional {
			selected, known = d.signals[i].When.selects(data)
		}
		if !selected {
			continue
		}
		raw, status, value := uint64(0), StatusMissing, 0.0
		if known {
			raw, known = c.raw(data)
		}
		if known && c.listed {
			status, value = d.signals[i].Judge(raw)
		} else if known {
			status, value = c.judge(raw)
		}
		if s := &d.senders[i]; (s.bus != int16(o.bus) || s.source != o.source) && !d.counts(i, &o, status) {
			continue
		}
		if len(into) == cap(into) {
			into = slices.Grow(into, 1)
		}
		into = into[:len(into)+1]
		s := &into[len(into)-1]
		s.At, s.Packet, s.Value, s.Raw, s.Signal, s.Status = o.at, o.packet, value, raw, i, status
	}
	if d.gate != nil {
		into = into[:first+d.gate.pass(into[first:])]
	}
	return into
}

// selects reports whether a payload holds the signal. Of a payload that does not reach the selector
// nobody can tell, and the signal is missing.
func (w *When) selects(data []byte) (selected, known bool) {
	selector, known := w.Field.Raw(data)
	return selector == w.Equals || !known, known
}

// Unserved is a signal that can't come out of this stream, and why.
type Unserved struct {
	Signal SignalIndex
	Why    string
}

// Undecodable returns the signals that no bus of the stream so far can deliver, so that silence is
// not taken for a quiet sensor: their bus has not been named, or their address pair can't be followed.
func (d *Decoder) Undecodable() []Unserved {
	var list []Unserved
	for i := range d.signals {
		if d.served[i] {
			continue
		}
		why := d.refused[i]
		if bus := d.signals[i].Origin.Bus; why == "" && bus != "" {
			why = fmt.Sprintf("no bus is named %s", bus)
		} else if why == "" {
			why = "there is no bus"
		}
		list = append(list, Unserved{SignalIndex(i), why})
	}
	return list
}
