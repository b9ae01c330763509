package j1939

import (
	"fmt"

	"ridewitness/capture"
)

// packetBytes is how many bytes of the message one packet carries.
const packetBytes = 7

// Limits of the transport protocol.
const (
	MinMessage = 9
	MaxMessage = 1785 // 255 packets
	maxPackets = 255
)

// Message is one whole group that came in several packets. It and its slices belong to the Listener
// and are good until the next call of one of its methods.
type Message struct {
	Bus         capture.BusID
	Group       uint32
	Source      uint8
	Destination uint8         // AllAddress for a broadcast
	Start, End  capture.Stamp // of the announcement and of the last data packet
	First       uint64        // packet of the announcement in the file
	Last        uint64        // packet of the data frame that completed it
	Packets     []uint64      // packets of its data frames, in the order of their numbers
	Untimed     bool          // the file gives no time for one of its frames: make no sample from it
	Payload     []byte
}

// Locate says where byte i of the payload was on the bus: the packet, and which byte of its frame.
func (m *Message) Locate(i int) (packet uint64, frameByte int, ok bool) {
	if i < 0 || i >= len(m.Payload) {
		return 0, 0, false
	}
	return m.Packets[i/packetBytes], 1 + i%packetBytes, true
}

// Reason says why a message was given up. The zero value is unknown.
type Reason uint8

const (
	ReasonUnknown  Reason = iota
	NoAnnouncement        // data packets came, but no announcement: the recording began later, or it was lost
	WrongNumber           // a packet of a broadcast is missing, and a broadcast is never repeated
	Contradiction         // a packet came again with other bytes
	ShortPacket           // a data packet has too few bytes, or the capture did not keep all
	Overtaken             // the sender announced another message
	Aborted               // one side aborted it; Abort says why
	EndedEarly            // the receiver confirmed the end, but not all packets were seen
	TimedOut              // nothing came for longer than the standard allows
	FramesLost            // the capture lost frames of this bus meanwhile
	ExtendedUsed          // the extended transport protocol, which is not read
	Crowded               // more open at once than are followed
	RecordingEnded        // the recording ended first
)

var reasonTexts = [...]string{
	"unknown",
	"data packets with no announcement",
	"a packet is missing",
	"a packet came again with other bytes",
	"a packet has too few bytes",
	"the sender announced another message",
	"aborted",
	"the receiver confirmed the end, but not all packets were seen",
	"nothing more came in time",
	"frames of this bus were lost",
	"sent by the extended transport protocol, which is not read",
	"more messages at once than are followed",
	"the recording ended",
}

// String says the reason in words.
func (r Reason) String() string {
	if int(r) < len(reasonTexts) {
		return reasonTexts[r]
	}
	return fmt.Sprintf("Reason(%d)", uint8(r))
}

// AbortReason is the reason that an abort gives.
type AbortReason uint8

// abortTexts are the reasons of SAE J1939-21.
var abortTexts = map[AbortReason]string{
	1:   "already in a session",
	2:   "no resources",
	3:   "time ran out",
	4:   "clear to send during the transfer",
	5:   "too many retransmissions",
	6:   "unexpected data packet",
	7:   "wrong sequence number",
	8:   "sequence number twice",
	9:   "more than 1785 bytes",
	250: "another reason",
}

// String says the reason in words, or the number of one that the standard does not name.
func (a AbortReason) String() string {
	if text, ok := abortTexts[a]; ok {
		return text
	}
	return fmt.Sprintf("reason %d", uint8(a))
}

// Incomplete is a message that was given up. Its slices are good as long as those of a Message.
type Incomplete struct {
	Bus         capture.BusID
	Group       uint32 // 0 for NoAnnouncement
	Source      uint8
	Destination uint8
	Reason      Reason
	Abort       AbortReason // Aborted
	Got, Want   int         // bytes
	Start, End  capture.Stamp
	First, Last uint64
	Packets     []uint64 // by packet number; 0 where one is missing
}

// String says what is missing and why.
func (i *Incomplete) String() string {
	switch i.Reason {
	case NoAnnouncement:
		return i.Reason.String()
	case Aborted:
		return fmt.Sprintf("%d of %d bytes: %s: %s", i.Got, i.Want, i.Reason, i.Abort)
	default:
		return fmt.Sprintf("%d of %d bytes: %s", i.Got, i.Want, i.Reason)
	}
}

// Counts are what a Listener met.
type Counts struct {
	Messages   uint64
	Incomplete uint64 // messages given up
	Stray      uint64 // data packets that belong to no open message
	Malformed  uint64 // transport frames that break the standard
	Repeated   uint64 // data packets that came again with the same bytes
	Extended   uint64 // data frames of the extended transport protocol
}
