package capture

import (
	"time"

	"go.einride.tech/can"
)

// MaxData is the longest payload of a frame, in bytes: that of CAN FD (ISO 11898-1).
const MaxData = 64

// MaxClassicData is the longest payload of a classic frame, in bytes.
const MaxClassicData = can.MaxDataLength

// Largest identifiers of the two formats (ISO 11898-1).
const (
	MaxStandardID ID = can.MaxID
	MaxExtendedID ID = can.MaxExtendedID
)

// Stamp is a time in nanoseconds since 1970-01-01 UTC: the wall clock at the session's start plus
// the monotonic time elapsed since. A step of the wall clock is an Event and moves no Stamp. In
// files made elsewhere stamps may step back; the reader reports that as an Event too.
type Stamp int64

// StampOf returns t as a Stamp. Times outside the years 1678 to 2262 do not fit and wrap.
func StampOf(t time.Time) Stamp { return Stamp(t.UnixNano()) }

// Time returns s as a time in UTC.
func (s Stamp) Time() time.Time { return time.Unix(0, int64(s)).UTC() }

// Add returns the stamp d later.
func (s Stamp) Add(d time.Duration) Stamp { return s + Stamp(d) }

// Sub returns the time from t to s.
func (s Stamp) Sub(t Stamp) time.Duration { return time.Duration(s - t) }

// stampLayout always writes nine digits and Z, so that texts sort by time (RFC 3339).
const stampLayout = "2006-01-02T15:04:05.000000000Z07:00"

// String returns s in the form of RFC 3339 with nine fraction digits, in UTC.
func (s Stamp) String() string { return s.Time().Format(stampLayout) }

// Append appends what String returns to b.
func (s Stamp) Append(b []byte) []byte { return s.Time().AppendFormat(b, stampLayout) }

// ID is a frame identifier of 11 or 29 bits; Flags.Has(Extended) tells which.
type ID uint32

// BusID numbers the buses of a stream from 0, in the order in which they were named by
// EventBus events.
type BusID uint8

// MaxBuses is the most buses of one stream. A source that meets more reports the rest as damage.
const MaxBuses = 64

// Flags say what kind of frame it is.
type Flags uint16

const (
	// Extended: the identifier has 29 bits.
	Extended Flags = 1 << iota
	// Remote: a request for a frame; Len is the length asked for, and there is no data.
	Remote
	// Error: not a frame from the bus but a report of the controller; see ErrorClass.
	Error
	// FD: a frame in CAN FD format.
	FD
	// BitRateSwitch: the data phase of the FD frame ran at the second bit rate.
	BitRateSwitch
	// ErrorState: the sender of the FD frame was error passive (ESI).
	ErrorState
	// Inbound: the frame came in from the bus.
	Inbound
	// Outbound: this host sent the frame. Neither Inbound nor Outbound: not known.
	Outbound
	// Cut: the capture kept fewer bytes than the frame had; Len counts those that are known.
	Cut
	// Untimed: the file gives no time for this frame. At is then that of the frame before it,
	// and no sample may be made from it.
	Untimed
)

// Has reports whether all of want are set.
func (f Flags) Has(want Flags) bool { return f&want == want }

// Frame is one frame on one bus. It is a value: copy it, compare it with ==.
//
//	0        8        16   20    21  22     24              88
//	+--------+--------+----+-----+---+------+----- ... -----+
//	| At     | Packet | ID | Bus |Len| Flags| Data, 0 padded|
//	+--------+--------+----+-----+---+------+----- ... -----+
//
// The packet number is part of the frame, since it is the evidence for everything that is worked
// out from it.
type Frame struct {
	At     Stamp
	Packet uint64 // number of its packet block in the file, from 1; 0 where there is no file
	ID     ID
	Bus    BusID
	Len    uint8 // bytes used in Data, at most MaxData; for a remote frame the length asked for
	Flags  Flags
	Data   [MaxData]byte
}

// Payload returns the bytes of the frame: none for a remote frame. The slice shares memory with f.
func (f *Frame) Payload() []byte {
	if f.Flags.Has(Remote) {
		return nil
	}
	return f.Data[:min(int(f.Len), MaxData)]
}

// ErrorClass is the set of classes of an error frame, as in the kernel's header linux/can/error.h.
type ErrorClass uint32

const (
	ErrorTxTimeout   ErrorClass = 0x001
	ErrorArbitration ErrorClass = 0x002
	ErrorController  ErrorClass = 0x004
	ErrorProtocol    ErrorClass = 0x008
	ErrorTransceiver ErrorClass = 0x010
	ErrorNoAck       ErrorClass = 0x020
	ErrorBusOff      ErrorClass = 0x040
	ErrorBus         ErrorClass = 0x080
	ErrorRestarted   ErrorClass = 0x100
	ErrorCounters    ErrorClass = 0x200
)

// ErrorClass returns the classes of an error frame, 0 for any other frame.
func (f *Frame) ErrorClass() ErrorClass {
	if !f.Flags.Has(Error) {
		return 0
	}
	return ErrorClass(f.ID)
}

// receiveOverflow is the bit of data[1] that says the controller's receive buffer overflowed.
const receiveOverflow = 0x01

// ControllerOverflow reports whether f is an error frame that says the controller lost frames; how
// many is unknown.
func (f *Frame) ControllerOverflow() bool {
	return f.ErrorClass()&ErrorController != 0 && f.Len > 1 && f.Data[1]&receiveOverflow != 0
}
