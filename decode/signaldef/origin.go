package signaldef

// Where a payload comes from. What the keys name, and what byte 0 of `bytes` is then:
//
//	frame             the first data byte of the frame                      ISO 11898-1
//	parameter_group   the first byte of the group, reassembled if long      SAE J1939-21
//	data_identifier   the first byte behind the identifier in the answer    ISO 14229-1, 0x22
//	parameter_id      the first byte behind the parameter in the answer     SAE J1979, service 01

import (
	"fmt"
	"slices"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/decode/document"
	"ridewitness/decode/obd"
)

// payload is how many bytes an origin delivers at most, and why no more.
type payload struct {
	bytes int
	why   string
}

// want says which bytes there are.
func (p payload) want() string {
	if p.bytes == 1 {
		return "byte 0 only: " + p.why
	}
	return fmt.Sprintf("bytes 0 to %d: %s", p.bytes-1, p.why)
}

const (
	// maxGroupBytes is the longest multi-packet message of SAE J1939-21: 255 packets of 7 bytes.
	maxGroupBytes = 1785
	// maxAnswerBytes is the longest classic message of ISO 15765-2, 4095 bytes, less the service
	// and the data identifier.
	maxAnswerBytes = 4095 - 3
)

// payloadLimit returns the longest payload of an origin. Of an origin with a mistake it is the longest
// of all, so that one mistake does not bring a second message about its bytes.
func payloadLimit(o decode.Origin) payload {
	switch {
	case o.Kind == decode.FromFrame:
		return payload{capture.MaxData, "a frame has at most 64 bytes (classic frames 8)"}
	case o.Kind == decode.FromGroup:
		return payload{maxGroupBytes, "a group has at most 1785 bytes"}
	case o.Kind == decode.FromParameter && o.Length > 0:
		return payload{o.Length, fmt.Sprintf("the length of parameter 0x%02X is %d", o.Parameter, o.Length)}
	case o.Kind == decode.FromIdentifier && o.Length > 0:
		return payload{o.Length, fmt.Sprintf("its length is %d", o.Length)}
	default:
		return payload{maxAnswerBytes, "an answer has at most 4092 bytes of data"}
	}
}

// source is one of the ways to write `from`: the key that tells it apart, all its keys, and how to
// read it.
type source struct {
	key  string
	keys []string
	read func(document.Map) decode.Origin
}

// sources lists every kind of origin. One more kind is one more row here, and one in the schema.
var sources = []source{
	{"frame", []string{"frame", "format", "bus"}, readFrame},
	{"parameter_group", []string{"parameter_group", "source_address", "bus"}, readGroup},
	{"data_identifier", []string{"data_identifier", "request", "response", "format", "address_extension",
		"request_address", "response_address", "length", "bus"}, readIdentifier},
	{"parameter_id", []string{"parameter_id", "service", "bus"}, readParameter},
}

// readOrigin finds out by the keys which kind of origin is meant and reads it. Only the keys of that kind
// are known then, so source_address beside frame is a mistake and not ignored.
func readOrigin(n document.Node) decode.Origin {
	const want = "a map with frame, parameter_group, data_identifier or parameter_id"
	pairs, ok := n.Pairs(want)
	if !ok {
		return decode.Origin{}
	}
	for _, s := range sources {
		if !slices.ContainsFunc(pairs, func(p document.Pair) bool { return p.Key.Is(s.key) }) {
			continue
		}
		m, _ := n.Map(s.keys...)
		o := s.read(m)
		o.Bus = readBus(m.Get("bus"))
		return o
	}
	n.Refuse("nothing says where the payload comes from", want)
	return decode.Origin{}
}

// maxBusName is the longest name of a network interface, in bytes (linux/if.h, IFNAMSIZ - 1).
const maxBusName = 15

// readBus reads the name of a bus as the recording names it. "" is every bus.
func readBus(n document.Node) string {
	bus, ok := n.Text()
	if ok && len(bus) > maxBusName {
		n.Refuse(n.Shown()+" is too long", "the name of a bus, such as can0")
	}
	return bus
}

// readFrame reads an identifier and its format. The format has to be said: 0x123 in 11 and in 29 bits are
// two different frames (ISO 11898-1), and a bus may carry both.
func readFrame(m document.Map) decode.Origin {
	o := decode.Origin{Kind: decode.FromFrame}
	word, ok := m.Need("format", "standard (11 bit) or extended (29 bit)").Word("standard", "extended")
	o.Extended = word == "extended"
	most := capture.MaxStandardID
	if o.Extended || !ok {
		most = capture.MaxExtendedID
	}
	o.ID = readID(m.Get("frame"), most)
	return o
}

// readID reads an identifier up to the greatest of its format.
func readID(n document.Node, most capture.ID) capture.ID {
	id, _ := n.Uint(0, uint64(most))
	return capture.ID(id)
}

const (
	maxGroup         = 0x3FFFF // 18 bits
	maxSourceAddress = 253     // 254 is none, 255 all (SAE J1939-21)
	pdu2             = 240     // from this PDU format on the next byte belongs to the group
)

// readGroup reads a parameter group. Of groups below PDU format 240 the low byte on the bus is the
// destination and no part of the number (SAE J1939-21); who copied it from a trace gets the right one.
func readGroup(m document.Map) decode.Origin {
	o := decode.Origin{Kind: decode.FromGroup, Source: decode.AnySource}
	n := m.Get("parameter_group")
	group, ok := n.Uint(0, maxGroup)
	o.Group = uint32(group)
	// PDU1: a unit that sends to 0xFF and to 0x2F sends the same group
	if ok && group>>8&0xFF < pdu2 && group&0xFF != 0 {
		n.Refuse(fmt.Sprintf("the low byte of group %d (0x%04X) is a destination address", group, group),
			fmt.Sprintf("%d (0x%04X)", group&^0xFF, group&^0xFF))
	}
	address := m.Get("source_address")
	if !address.Exists() || address.Is("any") {
		return o
	}
	if v, ok := address.Uint(0, maxSourceAddress); ok {
		o.Source = int(v)
	}
	return o
}

// readIdentifier reads a data identifier and who is asked for it. The same number means different things
// at different units, so the addresses are part of the origin.
func readIdentifier(m document.Map) decode.Origin {
	o := decode.Origin{Kind: decode.FromIdentifier}
	id, _ := m.Get("data_identifier").Uint(0, 0xFFFF)
	o.Identifier = uint16(id)
	o.Address, _ = ReadAddress(m)
	length, _ := m.Get("length").Uint(1, maxAnswerBytes)
	o.Length = int(length)
	return o
}

// service01 is the service of SAE J1979 that asks for current values. The others answer with frozen
// values, trouble codes or names, which are no measurement of now.
const service01 = 0x01

// readParameter reads a parameter identifier. Its length must be known: an answer may hold up to six
// parameters in a row, and only their lengths tell where the next one starts.
func readParameter(m document.Map) decode.Origin {
	o := decode.Origin{Kind: decode.FromParameter, Service: service01}
	n := m.Get("parameter_id")
	id, ok := n.Uint(0, 0xFF)
	o.Parameter = uint8(id)
	length, known := obd.Length(o.Parameter)
	o.Length = length
	if ok && !known {
		n.Refuse(n.Shown()+" is no parameter whose length is known", "one of those of service 0x01, such as 0x0C")
	}
	// service 02 answers with values frozen at the time of a fault, in the same layout: read as live
	// they would be hours or weeks old
	service := m.Get("service")
	if v, ok := service.Uint(0, 0xFF); ok && v != service01 {
		service.Refuse(service.Shown()+" does not answer with present values", "0x01")
	}
	return o
}
