package session

import (
	"bytes"
	"fmt"

	"ridewitness/capture"
)

// iface is one interface of the present section.
type iface struct {
	bus    capture.BusID
	link   uint16
	usable bool
	plain  bool // usable, and its times are stamps as they stand
	unit   timeUnit
	offset int64 // if_tsoffset, seconds
	snap   uint32
}

// describe reads an interface description.
func (r *Reader) describe(at int64, body []byte) {
	const block = "interface description"
	if len(r.ifaces) == maxInterfaces {
		r.hurt(at, block, ErrTooMany, "at most %d interfaces of one section", maxInterfaces)
		return
	}
	i := iface{link: r.u16(body), snap: r.u32(body[4:]), unit: microseconds}
	name := ""
	r.options(at, block, body[8:], func(code uint16, value []byte) {
		switch {
		case code == optInterfaceName && name == "":
			name = string(value[:clip(value)])
		case code == optTimeResolution && len(value) == 1:
			i.unit = unitOf(value[0])
		case code == optTimeOffset && len(value) == 8:
			i.offset = int64(r.u64(value))
		}
	})
	i.usable = i.link == LinkSocketCAN && i.unit.kind != unitUnsupported
	if i.link != LinkSocketCAN {
		r.hurt(at, block, ErrLinkType, "%s", linkText(i.link))
	}
	if i.unit.kind == unitUnsupported {
		r.hurt(at, block, ErrTimeUnit, "if_tsresol 0x%02X", i.unit.raw)
	}
	if i.usable {
		i.bus, i.usable = r.bus(at, name)
		i.plain = i.usable && i.unit.kind == unitNano && i.offset == 0
	}
	r.ifaces = append(r.ifaces, i)
}

// bus returns the bus of that name; an interface without one is named after its place.
func (r *Reader) bus(at int64, name string) (capture.BusID, bool) {
	if name == "" {
		name = fmt.Sprintf("bus%d", len(r.ifaces))
	}
	for i, n := range r.names {
		if n == name {
			return capture.BusID(i), true
		}
	}
	if len(r.names) == capture.MaxBuses {
		r.hurt(at, "interface description", ErrTooMany, "at most %d buses", capture.MaxBuses)
		return 0, false
	}
	r.names = append(r.names, name)
	id := capture.BusID(len(r.names) - 1)
	r.event(capture.Event{At: r.at, Kind: capture.EventBus, Bus: id, Name: name})
	return id, true
}

// maxName is the longest name of a bus, in bytes.
const maxName = 256

// clip returns the length of a string option: up to a zero byte, and bounded.
func clip(value []byte) int {
	if i := bytes.IndexByte(value, 0); i >= 0 {
		value = value[:i]
	}
	return min(len(value), maxName)
}

// options calls each for every option. A list that runs past its end is damage to the options only.
func (r *Reader) options(at int64, block string, list []byte, each func(code uint16, value []byte)) {
	for len(list) >= 4 {
		code, n := r.u16(list), int(r.u16(list[2:]))
		if code == 0 {
			return
		}
		padded := 4 + (n+3)&^3
		if padded > len(list) {
			r.hurt(at, block, ErrOptions, "option %d of %d bytes", code, n)
			return
		}
		each(code, list[4:4+n])
		list = list[padded:]
	}
}

// iface returns the interface that a packet names, nil where there is none.
func (r *Reader) iface(at int64, block string, n uint32) *iface {
	if n < uint32(len(r.ifaces)) {
		return &r.ifaces[n]
	}
	if !r.muted() {
		r.hurt(at, block, ErrInterface, "interface %d of %d", n, len(r.ifaces))
	}
	return nil
}

// packet is what the three kinds of packet block say.
type packet struct {
	at       int64
	block    string
	iface    *iface
	raw      uint64
	data     []byte // as captured
	original uint32
	flags    capture.Flags
	dropped  uint64
}

// packetHead is the bytes between the head of a packet block and its data.
const packetHead = 20

// enhanced reads an enhanced packet.
func (r *Reader) enhanced(at int64, body []byte) {
	p := packet{at: at, block: "enhanced packet"}
	if p.iface = r.iface(at, p.block, r.u32(body)); p.iface == nil || !r.captured(&p, body) {
		return
	}
	if rest := body[packetHead:][(len(p.data)+3)&^3:]; len(rest) > 0 {
		r.packetOptions(&p, rest)
	}
	r.frame(&p)
}

// captured reads time, lengths and data, which lie alike in enhanced and obsolete packets.
func (r *Reader) captured(p *packet, body []byte) bool {
	p.raw = uint64(r.u32(body[4:]))<<32 | uint64(r.u32(body[8:]))
	n, room := r.u32(body[12:]), uint32(len(body)-packetHead)
	p.original = r.u32(body[16:])
	if n > room {
		r.hurt(p.at, p.block, ErrLength, "%d bytes captured, %d are there", n, room)
		return false
	}
	p.data = body[packetHead : packetHead+n]
	return true
}

// packetOptions reads the options of a packet.
func (r *Reader) packetOptions(p *packet, list []byte) {
	r.options(p.at, p.block, list, func(code uint16, value []byte) {
		switch {
		case code == optPacketFlags && len(value) == 4:
			p.flags = direction(r.u32(value))
		case code == optDropCount && len(value) == 8:
			p.dropped = r.u64(value)
		}
	})
}

// direction reads bits 0 and 1 of epb_flags.
func direction(flags uint32) capture.Flags {
	switch flags & 3 {
	case 1:
		return capture.Inbound
	case 2:
		return capture.Outbound
	}
	return 0
}

// obsolete reads a packet block of the first drafts.
func (r *Reader) obsolete(at int64, body []byte) {
	p := packet{at: at, block: "packet (obsolete)"}
	if p.iface = r.iface(at, p.block, uint32(r.u16(body))); p.iface == nil || !r.captured(&p, body) {
		return
	}
	if drops := r.u16(body[2:]); drops != 0xFFFF {
		p.dropped = uint64(drops)
	}
	if rest := body[packetHead:][(len(p.data)+3)&^3:]; len(rest) > 0 {
		r.packetOptions(&p, rest)
	}
	r.frame(&p)
}

// simple reads a simple packet: of the first interface, without a time.
func (r *Reader) simple(at int64, body []byte) {
	p := packet{at: at, block: "simple packet", flags: capture.Untimed}
	if p.iface = r.iface(at, p.block, 0); p.iface == nil {
		return
	}
	p.original = r.u32(body)
	n := p.original
	if p.iface.snap != 0 {
		n = min(n, p.iface.snap)
	}
	if uint64(n) > uint64(len(body)-4) {
		r.hurt(at, p.block, ErrLength, "%d bytes captured, %d are there", n, len(body)-4)
		return
	}
	p.data = body[4 : 4+n]
	r.frame(&p)
}

// frame adds the frame in a packet to the batch, behind the events that it brings.
func (r *Reader) frame(p *packet) {
	i := p.iface
	if !i.usable {
		return
	}
	f := capture.Frame{At: r.at, Packet: r.packets, Bus: i.bus, Flags: p.flags}
	if p.flags&capture.Untimed == 0 {
		var ok bool
		if f.At, ok = i.unit.stamp(p.raw, i.offset); !ok {
			r.hurt(p.at, p.block, ErrTimeUnit, "packet %d: its time lies outside the years 1970 to 2262", r.packets)
			return
		}
	}
	if problem := decodeRecord(&f, p.data, p.original); problem != recordFine {
		if !r.muted() {
			r.hurt(p.at, p.block, ErrRecord, "packet %d: %s", r.packets, problem.text(p.data))
		}
		return
	}
	if !isLength(f.Len) && f.Flags&capture.Cut == 0 {
		r.hurt(p.at, p.block, ErrRecord, "packet %d: a payload of %d bytes, which no frame has; it is kept", r.packets, f.Len)
	}
	if p.dropped > 0 {
		r.event(capture.Event{At: f.At, Kind: capture.EventLoss, Bus: i.bus, Count: p.dropped})
	}
	if p.flags&capture.Untimed == 0 {
		if last := r.last[i.bus]; f.At < last {
			r.event(capture.Event{At: f.At, Kind: capture.EventTimeBack, Bus: i.bus, Count: uint64(last - f.At)})
		}
		r.last[i.bus], r.at = f.At, f.At
	}
	r.batch.Frames = append(r.batch.Frames, f)
}

// statistics reads what the capture counted for an interface.
func (r *Reader) statistics(at int64, body []byte) {
	const block = "interface statistics"
	i := r.iface(at, block, r.u32(body))
	if i == nil || !i.usable {
		return
	}
	e := capture.Event{At: r.at, Kind: capture.EventCounters, Bus: i.bus, Received: -1, Dropped: -1}
	if stamp, ok := i.unit.stamp(uint64(r.u32(body[4:]))<<32|uint64(r.u32(body[8:])), i.offset); ok {
		e.At = stamp
	}
	// Drops at the interface and in the system are two places; a frame is lost in one of them.
	dropped := func(n int64) { e.Dropped = max(e.Dropped, 0) + n }
	r.options(at, block, body[12:], func(code uint16, value []byte) {
		if len(value) != 8 || r.u64(value) > maxCount {
			return
		}
		switch n := int64(r.u64(value)); code {
		case optReceived:
			e.Received = n
		case optDropped, optOSDropped:
			dropped(n)
		}
	})
	r.event(e)
}

// maxCount is the largest count that is believed; the sum of as many as a block can hold fits.
const maxCount = 1 << 40
