package session

import (
	"encoding/binary"
)

// classicHeader is what the file header of a classic pcap file says (IETF draft-ietf-opsawg-pcap).
type classicHeader struct {
	order binary.ByteOrder
	nano  bool
	iface iface // of all its packets
}

// unit says the time unit in words.
func (h *classicHeader) unit() string {
	if h.nano {
		return "10^-9 s"
	}
	return "10^-6 s"
}

// Magic numbers of classic pcap, as the first four bytes stand on disk.
const (
	classicMicro = 0xA1B2C3D4
	classicNano  = 0xA1B23C4D
)

const (
	classicFile   = 24 // bytes of the file header
	classicPacket = 16 // bytes of a record's header
)

func isClassic(head []byte) bool {
	for _, order := range []binary.ByteOrder{binary.LittleEndian, binary.BigEndian} {
		if m := order.Uint32(head); m == classicMicro || m == classicNano {
			return true
		}
	}
	return false
}

// classicStart reads the file header.
func (r *Reader) classicStart() error {
	const block = "file header"
	if err := r.need(classicFile); err != nil {
		return r.short(err, 0, block)
	}
	head := r.cur.data[r.pos : r.pos+classicFile]
	h := &classicHeader{order: binary.LittleEndian}
	magic := binary.LittleEndian.Uint32(head)
	if magic != classicMicro && magic != classicNano {
		h.order, magic = binary.BigEndian, binary.BigEndian.Uint32(head)
	}
	h.nano = magic == classicNano
	if major := h.order.Uint16(head[4:]); major != 2 {
		return r.fault(0, block, ErrVersion, "%d.%d", major, h.order.Uint16(head[6:]))
	}
	h.iface = iface{link: uint16(h.order.Uint32(head[20:])), unit: timeUnit{kind: unitNano}}
	r.classic, r.started = h, true
	r.state.section(0, 0)
	if h.iface.link == LinkSocketCAN {
		h.iface.bus, h.iface.usable = r.bus(0, "")
	} else {
		r.hurt(0, block, ErrLinkType, "%s", linkText(h.iface.link))
	}
	r.pos += classicFile
	return nil
}

// classicRecord reads one record.
func (r *Reader) classicRecord() error {
	const block = "packet record"
	at := r.tell()
	if err := r.need(classicPacket); err != nil {
		return r.short(err, at, block)
	}
	h := r.classic
	head := r.cur.data[r.pos : r.pos+classicPacket]
	seconds, fraction := h.order.Uint32(head), h.order.Uint32(head[4:])
	captured, original := h.order.Uint32(head[8:]), h.order.Uint32(head[12:])
	if captured > maxKept {
		return r.fault(at, block, ErrLength, "%d bytes captured", captured)
	}
	unit := uint32(1000)
	if h.nano {
		unit = 1
	}
	if fraction >= second/unit {
		return r.fault(at, block, ErrLength, "a fraction of %d parts of a second", fraction)
	}
	if err := r.need(classicPacket + int(captured)); err != nil {
		return r.short(err, at, block)
	}
	data := r.cur.data[r.pos+classicPacket : r.pos+classicPacket+int(captured)]
	r.pos += classicPacket + int(captured)
	r.count(enhancedPacket)
	if h.iface.usable && (r.wants == nil || r.wants(enhancedPacket)) {
		r.frame(&packet{at: at, block: block, iface: &h.iface, raw: uint64(seconds)*second + uint64(fraction*unit), data: data, original: original})
	}
	return nil
}
