package link

import (
	"encoding/binary"

	"ridewitness/capture"
)

// Flags of the identifier and of FD frames (linux/can.h).
const (
	idExtended = 0x80000000
	idRemote   = 0x40000000

	fdBitRateSwitch = 0x01
	fdErrorState    = 0x02
	fdFormat        = 0x04
)

// record writes a frame as the kernel wants it, struct can_frame or struct canfd_frame, and returns
// the part of b that it took. The identifier is in the host's byte order.
//
//	0       4     5      6      8
//	| id    | len | flags| 0    | data ...
func record(f *capture.Frame, b *[fdLength]byte) []byte {
	*b = [fdLength]byte{}
	id := uint32(f.ID)
	if f.Flags.Has(capture.Extended) {
		id |= idExtended
	}
	length, most := classicLength, capture.MaxClassicData
	switch {
	case f.Flags.Has(capture.FD):
		length, most = fdLength, capture.MaxData
		b[5] = fdFlags(f.Flags)
	case f.Flags.Has(capture.Remote):
		id |= idRemote
	}
	binary.NativeEndian.PutUint32(b[:], id)
	b[4] = uint8(min(int(f.Len), most))
	copy(b[8:8+b[4]], f.Payload())
	return b[:length]
}

func fdFlags(flags capture.Flags) byte {
	b := byte(fdFormat)
	if flags.Has(capture.BitRateSwitch) {
		b |= fdBitRateSwitch
	}
	if flags.Has(capture.ErrorState) {
		b |= fdErrorState
	}
	return b
}
