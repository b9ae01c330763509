package isotp

import (
	"fmt"
	"time"

	"ridewitness/capture"
)

// Kind is what the control information at the start of a frame makes of it.
type Kind uint8

const (
	SingleFrame Kind = iota + 1
	FirstFrame
	ConsecutiveFrame
	FlowControl
)

var kindNames = [...]string{"unknown frame", "single frame", "first frame", "consecutive frame", "flow control"}

// String returns the standard's name, in lower case.
func (k Kind) String() string {
	if int(k) < len(kindNames) {
		return kindNames[k]
	}
	return fmt.Sprintf("Kind(%d)", uint8(k))
}

// FlowStatus is what the receiver of a long message asks of its sender.
type FlowStatus uint8

const (
	ClearToSend FlowStatus = 0
	Wait        FlowStatus = 1
	Overflow    FlowStatus = 2 // the receiver has no room: the sender gives up
)

// Control is the control information of one frame. Which fields count depends on Kind.
type Control struct {
	Kind       Kind
	Sequence   uint8      // ConsecutiveFrame: 0 to 15
	Status     FlowStatus // FlowControl
	Block      uint8      // FlowControl: consecutive frames until the next flow control, 0 for no limit
	Separation uint8      // FlowControl: as sent; SeparationTime reads it
	From       uint8      // where the data begins in the frame
	Length     uint32     // SingleFrame, FirstFrame: bytes of the whole message
}

// Fault says what is wrong with a frame's control information. The zero value is nothing.
type Fault uint8

const (
	NoFault Fault = iota
	FaultNoControl
	FaultKind
	FaultSingleLength
	FaultSingleCut
	FaultFirstShort
	FaultFirstLength
	FaultConsecutiveEmpty
	FaultFlowShort
	FaultFlowStatus
)

var faultTexts = [...]string{
	"nothing is wrong",
	"the frame is too short for its control information",
	"the first digit is none of 0, 1, 2, 3",
	"a single frame of this length cannot hold that many bytes",
	"the single frame has fewer bytes than it says",
	"a first frame must be full: 8 bytes, or more in FD format",
	"the length of the first frame would fit a single frame",
	"the consecutive frame has no data",
	"the flow control has fewer than 3 bytes",
	"the flow status is none of 0, 1, 2",
}

// Error says the fault in words.
func (f Fault) Error() string {
	if int(f) < len(faultTexts) {
		return faultTexts[f]
	}
	return fmt.Sprintf("Fault(%d)", uint8(f))
}

const (
	maxShortLength  = 4095 // the most that the 12 bits of a first frame can say
	escapeFirst     = 6    // bytes of control information of a first frame with a 32 bit length
	plainFirst      = 2
	flowControlSize = 3
)

// ReadControl reads the control information of a frame, whose first digit says what kind it is:
//
//	0L                single frame, L bytes follow              in frames of up to 8 bytes
//	00 LL             single frame, LL bytes follow             in longer ones
//	1L LL             first frame of a message of L LL bytes    up to 4095
//	10 00 LL LL LL LL the same                                  longer ones
//	2N                consecutive frame number N, modulo 16     the first frame counts as 0
//	3S BS ST          flow control: status, block size, separation time
//
// The frame's payload has skip address bytes (0 or 1) before it. What the standard tells a receiver
// to ignore is a Fault. Padding after the data is never looked at.
func ReadControl(payload []byte, skip int) (Control, Fault) {
	if len(payload) <= skip {
		return Control{}, FaultNoControl
	}
	switch payload[skip] >> 4 {
	case 0:
		return readSingle(payload, skip)
	case 1:
		return readFirst(payload, skip)
	case 2:
		return readConsecutive(payload, skip)
	case 3:
		return readFlow(payload, skip)
	default:
		return Control{}, FaultKind
	}
}

// readSingle reads `0L` in frames of up to 8 bytes and `00 LL` in longer ones. Neither form is legal
// in place of the other.
func readSingle(payload []byte, skip int) (Control, Fault) {
	length, from := int(payload[skip]&0x0F), skip+1
	least, most := 1, capture.MaxClassicData-from
	if len(payload) > capture.MaxClassicData {
		if length != 0 {
			return Control{}, FaultSingleLength
		}
		length, from = int(payload[skip+1]), skip+2
		least, most = capture.MaxClassicData-skip, len(payload)-from
	}
	if length < least || length > most {
		return Control{}, FaultSingleLength
	}
	if from+length > len(payload) {
		return Control{}, FaultSingleCut
	}
	return Control{Kind: SingleFrame, From: uint8(from), Length: uint32(length)}, NoFault
}

// readFirst reads `1L LL` and `10 00 LL LL LL LL`. The standard tells receivers to ignore a length
// that needs no first frame, and an escape for a length that needs none.
func readFirst(payload []byte, skip int) (Control, Fault) {
	if len(payload) < capture.MaxClassicData {
		return Control{}, FaultFirstShort
	}
	length, from := uint32(payload[skip]&0x0F)<<8|uint32(payload[skip+1]), skip+plainFirst
	if length == 0 {
		p := payload[skip+plainFirst:]
		length, from = uint32(p[0])<<24|uint32(p[1])<<16|uint32(p[2])<<8|uint32(p[3]), skip+escapeFirst
		if length <= maxShortLength {
			return Control{}, FaultFirstLength
		}
	}
	if int64(length) <= int64(singleRoom(len(payload), skip)) {
		return Control{}, FaultFirstLength
	}
	return Control{Kind: FirstFrame, From: uint8(from), Length: length}, NoFault
}

// singleRoom returns how many bytes a single frame of that frame length can carry.
func singleRoom(frame, skip int) int {
	if frame > capture.MaxClassicData {
		return frame - 2 - skip
	}
	return frame - 1 - skip
}

// readConsecutive reads `2N`. Even a last frame carries at least one byte.
func readConsecutive(payload []byte, skip int) (Control, Fault) {
	if len(payload) < skip+2 {
		return Control{}, FaultConsecutiveEmpty
	}
	return Control{Kind: ConsecutiveFrame, Sequence: payload[skip] & 0x0F, From: uint8(skip + 1)}, NoFault
}

// readFlow reads `3S BS ST`. Nothing is made of a reserved status, since its sender's wish is unknown.
func readFlow(payload []byte, skip int) (Control, Fault) {
	if len(payload) < skip+flowControlSize {
		return Control{}, FaultFlowShort
	}
	status := FlowStatus(payload[skip] & 0x0F)
	if status > Overflow {
		return Control{}, FaultFlowStatus
	}
	return Control{
		Kind: FlowControl, Status: status, Block: payload[skip+1], Separation: payload[skip+2],
		From: uint8(skip + flowControlSize),
	}, NoFault
}

// longestSeparation is what a sender uses for a reserved value.
const longestSeparation = 127 * time.Millisecond

// SeparationTime returns the least time between two consecutive frames that a flow control asks for:
// 0x00 to 0x7F are milliseconds, 0xF1 to 0xF9 are 100 to 900 microseconds, and the sender takes the
// reserved values for 127 ms (ISO 15765-2).
func SeparationTime(b uint8) time.Duration {
	switch {
	case b <= 0x7F:
		return time.Duration(b) * time.Millisecond
	case b >= 0xF1 && b <= 0xF9:
		return time.Duration(b-0xF0) * 100 * time.Microsecond
	default:
		return longestSeparation
	}
}
