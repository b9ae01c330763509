package isotp

import (
	"fmt"

	"ridewitness/capture"
)

// Message is one whole message. It and its slices belong to the Listener and are good until the next
// call of one of its methods; copy what is to be kept.
type Message struct {
	Pairs      []PairID // the pairs it belongs to; several when they share an address
	Bus        capture.BusID
	Direction  Direction
	Functional bool          // sent to all units
	Start, End capture.Stamp // of its first and its last frame
	First      uint64        // packet of its first frame
	Last       uint64        // packet of its last frame
	Packets    []uint64      // packets of its frames in their order, flow control not among them
	Untimed    bool          // the file gives no time for one of its frames: make no sample from it
	Payload    []byte

	shape shape
}

// shape says how the bytes of a message lie in its frames: all consecutive frames but the last carry
// equally many.
type shape struct {
	firstFrom, firstBytes int // where the data begins in the first frame, and how much of it
	nextFrom, nextBytes   int // the same for each later frame; 0 bytes where there is none
}

// Locate says where byte i of the payload was on the bus: the packet, and which byte of its frame.
func (m *Message) Locate(i int) (packet uint64, frameByte int, ok bool) {
	if i < 0 || i >= len(m.Payload) {
		return 0, 0, false
	}
	s := &m.shape
	if i < s.firstBytes {
		return m.Packets[0], s.firstFrom + i, true
	}
	i -= s.firstBytes
	return m.Packets[1+i/s.nextBytes], s.nextFrom + i%s.nextBytes, true
}

// Reason says why a transfer was given up. The zero value is unknown.
type Reason uint8

const (
	ReasonUnknown  Reason = iota
	NoFirstFrame          // consecutive frames came, but no first frame: the recording began later, or it was lost
	WrongSequence         // not the consecutive frame that was due; see Expected and Found
	WrongSize             // a consecutive frame longer than the first frame, or shorter and not the last
	CutFrame              // the capture did not keep all bytes of a frame
	Overtaken             // the sender began another message
	Refused               // the receiver had no room for it (flow status overflow)
	TimedOut              // nothing came for longer than Timeout
	FramesLost            // the capture lost frames of this bus meanwhile
	TooLong               // longer than MaxMessage; all of it came, its bytes were not kept
	RecordingEnded        // the recording ended first
)

var reasonTexts = [...]string{
	"unknown",
	"consecutive frames with no first frame",
	"a consecutive frame is missing",
	"a consecutive frame has the wrong size",
	"a frame was not kept whole",
	"the sender began another message",
	"the receiver had no room for it",
	"nothing more came in time",
	"frames of this bus were lost",
	"longer than what is kept of a message",
	"the recording ended",
}

// String says the reason in words.
func (r Reason) String() string {
	if int(r) < len(reasonTexts) {
		return reasonTexts[r]
	}
	return fmt.Sprintf("Reason(%d)", uint8(r))
}

// Incomplete is a transfer that was given up. Its slices are good as long as those of a Message.
type Incomplete struct {
	Pairs           []PairID
	Bus             capture.BusID
	Direction       Direction
	Reason          Reason
	Expected, Found uint8         // WrongSequence: sequence numbers
	Got, Want       uint64        // bytes; both 0 for NoFirstFrame
	Start, End      capture.Stamp // of the first and the last frame that belonged to it
	First, Last     uint64        // packets of these frames
	Packets         []uint64      // as in Message; not complete when the message is longer than MaxMessage
	Head            []byte        // what was kept of its payload, from its beginning
}

// String says what is missing and why.
func (i *Incomplete) String() string {
	if i.Reason == NoFirstFrame {
		return i.Reason.String()
	}
	text := fmt.Sprintf("%d of %d bytes: %s", i.Got, i.Want, i.Reason)
	if i.Reason == WrongSequence {
		text += fmt.Sprintf(" (expected number %d, got %d)", i.Expected, i.Found)
	}
	return text
}

// Counts are what a Listener met and used for nothing.
type Counts struct {
	Stray      uint64 // consecutive frames that belong to no open transfer
	StrayFlow  uint64 // flow control with nothing to control
	Malformed  uint64 // frames whose control information breaks the standard
	Remote     uint64 // remote frames with an identifier of a pair
	Repeated   uint64 // consecutive frames that came twice
	Incomplete uint64 // transfers given up
	Messages   uint64
}
