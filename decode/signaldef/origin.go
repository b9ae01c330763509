package signaldef

import (
	"fmt"
	"slices"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/decode/document"
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

var sources = []source{
	{"frame", []string{"frame", "format", "bus"}, readFrame},
	{"parameter_group", []string{"parameter_group", "source_address", "bus"}, readGroup},
	{"data_identifier", []string{"data_identifier", "request", "response", "format", "address_extension",
		"request_address", "response_address", "length", "bus"}, readIdentifier},
	{"parameter_id", []string{"parameter_id", "service", "bus"}, readParameter},
}

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

func readBus(n document.Node) string {
	bus, ok := n.Text()
	if ok && len(bus) > maxBusName {
		n.Refuse(n.Shown()+" is too long", "the name of a bus, such as can0")
	}
	return bus
}

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

func readID(n document.Node, most capture.ID) capture.ID {
	id, _ := n.Uint(0, uint64(most))
	return capture.ID(id)
}

const (
	maxGroup         = 0x3FFFF // 18 bits
	maxSourceAddress = 253     // 254 is none, 255 all (SAE J1939-21)
	pdu2             = 240     // from this PDU format on the next byte belongs to the group
)

func readGroup(m document.Map) decode.Origin {
	o := decode.Origin{Kind: decode.FromGroup, Source: decode.AnySource}
	n := m.Get("parameter_group")
	group, ok := n.Uint(0, maxGroup)
	o.Group = uint32(group)
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

func readParameter(m document.Map) decode.Origin {
	o := decode.Origin{Kind: decode.FromParameter, Service: service01}
	n := m.Get("parameter_id")
	id, ok := n.Uint(0, 0xFF)
	o.Parameter = uint8(id)
	o.Length = parameterBytes[o.Parameter]
	if ok && o.Length == 0 {
		n.Refuse(n.Shown()+" is no parameter whose length is known", "one of those of service 0x01, such as 0x0C")
	}
	service := m.Get("service")
	if v, ok := service.Uint(0, 0xFF); ok && v != service01 {
		service.Refuse(service.Shown()+" does not answer with present values", "0x01")
	}
	return o
}
