package session

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"

	"ridewitness/capture"
)

// Located is one packet or one journal record, and where it lies in the file.
type Located struct {
	Offset  int64          // of its block in the file
	Block   []byte         // the whole block as it stands there
	Name    string         // what kind of block it is: "enhanced packet", "journal record", ...
	Section int            // from 1
	Frame   *capture.Frame // nil for a record, and for a packet in which no frame can be read
	Bus     string         // of the frame
	Link    uint16         // link type of the packet's interface
	Unit    string         // time unit of the packet's interface, in words
	Record  *capture.Event // nil for a packet, and for a record that can't be read
	Damage  error          // what can't be read, nil for nothing
	Start   capture.Stamp  // of the session: its first record before any packet, else its first frame
	Session *SessionRecord // the first one of the file, nil where there is none
	Packets uint64         // in the whole file
	Records uint64
}

// NoSuchError reports that a file has no packet or record of that number.
type NoSuchError struct {
	File             string
	What             string // "packet 7", "record J3"
	Packets, Records uint64 // how many there are
}

// Error says how many there are.
func (e *NoSuchError) Error() string {
	return fmt.Sprintf("%s: there is no %s; it has %d packets and %d journal records", e.File, e.What, e.Packets, e.Records)
}

// Locate finds the packet of that number, from 1, by walking over the headers of the blocks: what is
// in the blocks before is not looked at, but for the interfaces. A number
// that the file doesn't have is a *NoSuchError.
func Locate(ctx context.Context, path string, packet uint64) (*Located, error) {
	return locate(ctx, path, fmt.Sprintf("packet %d", packet), func(w *walker) { w.packet = packet })
}

// LocateRecord finds the journal record of that number, from 1, with the errors of Locate.
func LocateRecord(ctx context.Context, path string, record uint64) (*Located, error) {
	return locate(ctx, path, fmt.Sprintf("record J%d", record), func(w *walker) { w.record = record })
}

func locate(ctx context.Context, path, what string, want func(*walker)) (*Located, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	w := newWalker(f, path)
	want(w)
	return w.locate(ctx, what)
}

// walker is a Reader that looks only at what is asked for, and at the first packet and record.
type walker struct {
	*Reader
	packet, record uint64
}

func newWalker(r io.Reader, name string) *walker {
	w := &walker{Reader: NewReader(r, name, WithoutDigest())}
	w.Reader.wants = func(kind uint32) bool {
		switch {
		case isPacket(kind):
			return w.packets == w.packet || w.packets == 1
		case kind == JournalBlock:
			return w.records == w.record || w.records == 1
		}
		return kind == interfaceDescription
	}
	return w
}

// skipAll walks to the end and returns what ended it, io.EOF as a Reader does.
func (w *walker) skipAll() error {
	w.batch = capture.NewBatch()
	for {
		w.batch.Reset()
		w.skim()
		if err := w.block(); err != nil {
			w.finish(err)
			return w.err
		}
	}
}

// skim passes over enhanced packets that are not asked for, in what is at hand. It stops in front of
// everything else, and of everything that is wrong, for block to deal with. Without it BenchmarkLocate
// takes twice as long.
func (w *walker) skim() {
	if w.hole.broken != nil {
		return
	}
	w.pass()
	if w.cur == nil || w.big || w.skip > 0 || w.classic != nil || w.packets == 0 {
		return
	}
	data, last, packets := w.cur.data[w.pos:], []byte(nil), w.packets
	for packets+1 != w.packet && len(data) > blockHead && binary.LittleEndian.Uint32(data) == enhancedPacket {
		length := binary.LittleEndian.Uint32(data[4:])
		if length < blockHead+packetHead+4 || length%4 != 0 || uint64(length) > uint64(len(data)) ||
			binary.LittleEndian.Uint32(data[length-4:]) != length {
			break
		}
		last, data = data[blockHead:length-4], data[length:]
		packets++
	}
	if last != nil {
		w.glance(enhancedPacket, last)
		w.packets, w.pos = packets, len(w.cur.data)-len(data)
		w.state.block()
	}
}

// between is how often the context is asked: once in so many turns, each of a chunk at most.
const between = 16

func (w *walker) locate(ctx context.Context, what string) (*Located, error) {
	w.batch = capture.NewBatch()
	all, found := &Located{}, false
	for n := 0; ; n++ {
		if n%between == 0 && ctx.Err() != nil {
			w.Close()
			return nil, ctx.Err()
		}
		w.batch.Reset()
		w.skim()
		at, packets, records := w.tell(), w.packets, w.records
		if err := w.block(); err != nil {
			w.finish(err)
			break
		}
		if packets == w.packets && records == w.records {
			continue
		}
		w.begin(all)
		if packets != w.packets && w.packets == w.packet || records != w.records && w.records == w.record {
			w.take(all, at)
			found = true
		}
	}
	if !errors.Is(w.err, io.EOF) {
		return nil, w.err
	}
	all.Packets, all.Records = w.packets, w.records
	if !found {
		return nil, &NoSuchError{File: w.name, What: what, Packets: w.packets, Records: w.records}
	}
	if all.Frame == nil && all.Record == nil && all.Damage == nil {
		all.Damage = w.unreadable(all)
	}
	return all, nil
}

// unreadable says why no frame can be read in packets of an interface.
func (w *walker) unreadable(l *Located) error {
	if l.Link != LinkSocketCAN {
		return w.fault(l.Offset, l.Name, ErrLinkType, "%s", linkText(l.Link))
	}
	return w.fault(l.Offset, l.Name, ErrTimeUnit, "the interface counts in %s", l.Unit)
}

// begin learns what the first packet and the first record tell of the session.
func (w *walker) begin(l *Located) {
	for i := range w.batch.Events {
		e := &w.batch.Events[i]
		if l.Session == nil {
			l.Session = ReadSession(e)
		}
		if e.Kind == capture.EventJournal && e.Record == 1 && w.packets == 0 {
			l.Start = e.At
		}
	}
	if l.Start == 0 && len(w.batch.Frames) > 0 {
		l.Start = w.batch.Frames[0].At
	}
}

// take keeps the block that was just read.
func (w *walker) take(l *Located, at int64) {
	l.Offset, l.Section = at, w.state.sections
	if w.skip == 0 { // otherwise it is too long to be kept, and the damage says so
		l.Block = slices.Clone(w.cur.data[w.pos-int(w.tell()-at) : w.pos])
	}
	for i := range w.batch.Events {
		switch e := &w.batch.Events[i]; e.Kind {
		case capture.EventJournal:
			record := *e
			l.Record = &record
		case capture.EventDamage:
			l.Damage = e.Err
		}
	}
	if len(w.batch.Frames) > 0 {
		frame := w.batch.Frames[0]
		l.Frame = &frame
		l.Bus = w.names[l.Frame.Bus]
	}
	if w.classic != nil {
		l.Name, l.Link, l.Unit = "packet record", w.classic.iface.link, w.classic.unit()
		return
	}
	if l.Block == nil {
		l.Name = blockName(w.skipKind)
		return
	}
	l.Name = blockName(w.u32(l.Block))
	if i := w.ifaceOf(l.Block); i != nil {
		l.Link, l.Unit = i.link, i.unit.String()
	}
}

// ifaceOf returns the interface of a whole packet block, nil where there is none.
func (w *walker) ifaceOf(whole []byte) *iface {
	n := uint32(0) // a simple packet's
	switch w.u32(whole) {
	case enhancedPacket:
		n = w.u32(whole[blockHead:])
	case obsoletePacket:
		n = uint32(w.u16(whole[blockHead:]))
	case JournalBlock:
		return nil
	}
	if n >= uint32(len(w.ifaces)) {
		return nil
	}
	return &w.ifaces[n]
}
