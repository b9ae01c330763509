package isotp_test

import (
	"ridewitness/capture"
)

// sender makes the frames of messages as ISO 15765-2 has a sender make them. It shares no code with
// the listener: frames are put together from the tables of the standard.
type sender struct {
	bus      capture.BusID
	id       capture.ID
	extended bool
	address  []byte // the address byte, none for normal addressing
	size     int    // of a full frame: 8, or a longer one in FD format
	padding  byte
	padded   bool
}

// legalSizes are the payload lengths of CAN FD frames over 8 bytes (ISO 11898-1).
var legalSizes = []int{8, 12, 16, 20, 24, 32, 48, 64}

// frame returns a frame with these bytes after the address byte.
func (s *sender) frame(content ...byte) capture.Frame {
	f := capture.Frame{Bus: s.bus, ID: s.id}
	if s.extended {
		f.Flags |= capture.Extended
	}
	content = append(append([]byte{}, s.address...), content...)
	length := len(content)
	if s.padded && length < 8 {
		length = 8
	}
	if length > 8 {
		for _, legal := range legalSizes {
			if legal >= length {
				length = legal
				break
			}
		}
	}
	if s.size > 8 {
		f.Flags |= capture.FD
	}
	for i := range length {
		f.Data[i] = s.padding
	}
	copy(f.Data[:], content)
	f.Len = uint8(length)
	return f
}

// message returns the frames of a payload.
func (s *sender) message(payload []byte) []capture.Frame {
	taken := len(s.address)
	switch {
	case len(payload) <= 7-taken:
		return []capture.Frame{s.frame(append([]byte{byte(len(payload))}, payload...)...)}
	case s.size > 8 && len(payload) <= s.size-2-taken:
		return []capture.Frame{s.frame(append([]byte{0, byte(len(payload))}, payload...)...)}
	}
	head := []byte{0x10 + byte(len(payload)>>8), byte(len(payload))}
	if len(payload) > 4095 {
		n := len(payload)
		head = []byte{0x10, 0x00, byte(n >> 24), byte(n >> 16), byte(n >> 8), byte(n)}
	}
	first := s.size - taken - len(head)
	frames := []capture.Frame{s.frame(append(head, payload[:first]...)...)}
	number := byte(1)
	for rest := payload[first:]; len(rest) > 0; {
		n := min(len(rest), s.size-taken-1)
		frames = append(frames, s.frame(append([]byte{0x20 + number}, rest[:n]...)...))
		rest = rest[n:]
		number = (number + 1) % 16
	}
	return frames
}

// flow returns a flow control frame.
func (s *sender) flow(status, block, separation byte) capture.Frame {
	return s.frame(0x30+status, block, separation)
}
