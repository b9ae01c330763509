package decode

import (
	"fmt"

	"ridewitness/capture"
)

// MaxSignals is the most signals of one decoder.
const MaxSignals = 4096

// Decoder turns the frames of a stream into samples. It is fed in the order of the stream, learns
// the buses from its events, allocates nothing per frame, and is not safe for concurrent use.
type Decoder struct {
	signals []Signal
	tables  [capture.MaxBuses]*table
	senders []sender // by SignalIndex
	foreign map[Sender]uint64
	gate    *gate
	talk    *talk
}

// sender is whose value of a signal counts: the first that is heard (RULES.md, "Two senders").
type sender struct {
	bus    int16 // -1 before the first
	source int16 // source address of a parameter group, or of a diagnostic answer; -1 where there is none
}

// Sender is somebody who sends a value of a signal.
type Sender struct {
	Signal SignalIndex
	Bus    capture.BusID
	Source int // source address of a parameter group, -1 elsewhere
}

// maxForeign bounds the list of senders that do not count.
const maxForeign = 1024

// NewDecoder returns a Decoder for the signals. The signals are not copied and must not change.
func NewDecoder(signals []Signal) (*Decoder, error) {
	if len(signals) > MaxSignals {
		return nil, fmt.Errorf("%d signals are defined, at most %d are possible", len(signals), MaxSignals)
	}
	d := &Decoder{signals: signals, senders: make([]sender, len(signals)), foreign: map[Sender]uint64{}}
	for i := range signals {
		s := &signals[i]
		if problem := s.Field.Check(0); problem != "" {
			return nil, fmt.Errorf("%s: %s: %s", s.Place, s.Name, problem)
		}
		if s.When != nil {
			if problem := s.When.Field.Check(0); problem != "" {
				return nil, fmt.Errorf("%s: %s: when: %s", s.Place, s.Name, problem)
			}
		}
		d.senders[i] = sender{bus: -1, source: -1}
	}
	d.gate = newGate(signals)
	d.prepare()
	return d, nil
}

// Signals returns the signals that the decoder was made for.
func (d *Decoder) Signals() []Signal { return d.signals }

// Observe learns from an event of the stream: the name of a bus, the loss of frames.
func (d *Decoder) Observe(e capture.Event) {
	if e.Bus >= capture.MaxBuses {
		return
	}
	if d.talk != nil {
		d.talk.begin()
	}
	switch e.Kind {
	case capture.EventBus:
		d.tables[e.Bus] = newTable(d.signals, e.Name)
		if d.talk != nil {
			d.talk.named(d, e.Bus, e.Name)
		}
	case capture.EventLoss:
		if d.talk != nil {
			d.talk.lost(d, e.Bus)
		}
	}
}

// Decode appends the samples of the frames to into and returns it. Samples come in the order of the
// frames, those of one frame in the order of their definitions.
func (d *Decoder) Decode(frames []capture.Frame, into []Sample) []Sample {
	if d.talk != nil {
		d.talk.begin()
	}
	for i := range frames {
		f := &frames[i]
		if f.Bus >= capture.MaxBuses || d.tables[f.Bus] == nil {
			continue
		}
		into = d.look(f, d.tables[f.Bus], into)
		if d.talk != nil {
			into = d.talk.feed(d, f, into)
		}
	}
	return into
}

// look decodes the frame's own signals, if anybody defined some.
func (d *Decoder) look(f *capture.Frame, t *table, into []Sample) []Sample {
	if !f.Flags.Has(capture.Extended) {
		if f.ID > capture.MaxStandardID {
			return into
		}
		if at := t.standard[f.ID]; at != 0 {
			into = d.frame(f, t.of(at), noSource, into)
		}
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

// noSource stands for a payload that names no source address.
const noSource = -1

// groupOf returns the parameter group number of a 29 bit identifier (SAE J1939-21): the data page
// bits, the PDU format, and the PDU specific byte where the format is 240 or more.
func groupOf(id capture.ID) uint32 {
	group := uint32(id>>8) & 0x3FFFF
	if group>>8&0xFF < 240 {
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

// payload decodes the wanted signals of one payload, from a frame or from a transport.
func (d *Decoder) payload(data []byte, o origin, wanted []SignalIndex, into []Sample) []Sample {
	for _, i := range wanted {
		s := &d.signals[i]
		if s.When != nil {
			if selector, ok := s.When.Field.Raw(data); !ok || selector != s.When.Equals {
				continue
			}
		}
		if !d.counts(i, o) {
			continue
		}
		sample := Sample{At: o.at, Packet: o.packet, Signal: i}
		if raw, ok := s.Field.Raw(data); ok {
			sample.Raw = raw
			sample.Status, sample.Value = s.Judge(raw)
		}
		if d.gate.holds(d.signals, sample) {
			into = append(into, sample)
		}
	}
	return into
}

// counts reports whether this sender's value of a signal counts: the first one's does.
func (d *Decoder) counts(i SignalIndex, o origin) bool {
	s := &d.senders[i]
	want := d.signals[i].Origin.Source
	if d.signals[i].Origin.Kind == FromGroup && want != AnySource && int16(want) != o.source {
		return false
	}
	if s.bus < 0 {
		s.bus, s.source = int16(o.bus), o.source
		return true
	}
	if s.bus == int16(o.bus) && s.source == o.source {
		return true
	}
	who := Sender{Signal: i, Bus: o.bus, Source: int(o.source)}
	if _, known := d.foreign[who]; known || len(d.foreign) < maxForeign {
		d.foreign[who]++
	}
	return false
}

// Foreign returns who else sent values of a signal, and how many; they did not count.
func (d *Decoder) Foreign() map[Sender]uint64 { return d.foreign }
