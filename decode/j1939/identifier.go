package j1939

import "ridewitness/capture"

// Addresses that are no unit's.
const (
	NoAddress  uint8 = 254 // a unit that could not claim one
	AllAddress uint8 = 255
)

// MaxGroup is the largest parameter group number: 18 bits.
const MaxGroup = 0x3FFFF

// firstBroadcastFormat is the least PDU format whose second byte belongs to the group; below it that
// byte is a destination.
const firstBroadcastFormat = 240

// Identifier is what a 29 bit identifier says.
type Identifier struct {
	Priority    uint8 // 0 is the most urgent, 7 the least
	Group       uint32
	Destination uint8 // AllAddress where the group goes to all
	Source      uint8
}

// Split takes a 29 bit identifier apart (SAE J1939-21).
//
//	28    26  25   24  23      16  15      8  7       0
//	priority  EDP  DP  PDU format  specific   source
//
// Below format 240 the specific byte is the destination and counts as 0 in the group.
func Split(id capture.ID) Identifier {
	i := Identifier{
		Priority:    uint8(id >> 26 & 0x7),
		Group:       uint32(id >> 8 & MaxGroup),
		Destination: AllAddress,
		Source:      uint8(id),
	}
	if format := uint8(id >> 16); format < firstBroadcastFormat {
		i.Destination = uint8(id >> 8)
		i.Group &^= 0xFF
	}
	return i
}
