package socketcan

import (
	"errors"
	"fmt"
)

// Kinds of links that carry CAN frames, as the kernel names them. An adapter whose driver has no kind
// has the empty one.
const (
	KindAdapter     = "can"
	KindVirtual     = "vcan"
	KindVirtualPair = "vxcan"
)

// Mode says how a link's controller takes part in the bus. The zero value is unknown.
type Mode uint8

const (
	ModeUnknown    Mode = iota
	ModeListenOnly      // it puts nothing on the bus, not even acknowledgements
	ModeActive          // it acknowledges what it hears, and can send
	ModeVirtual         // there is no controller
)

var modeNames = [...]string{"unknown", "listen-only", "active", "virtual"}

// String returns the mode's word.
func (m Mode) String() string {
	if int(m) < len(modeNames) {
		return modeNames[m]
	}
	return fmt.Sprintf("Mode(%d)", uint8(m))
}

// State is the state of a link's controller (linux/can/netlink.h). The zero value is unknown.
type State uint8

const (
	StateUnknown State = iota
	StateErrorActive
	StateErrorWarning // an error counter reached 96
	StateErrorPassive // an error counter reached 128
	StateBusOff       // it counted 256 and left the bus
	StateStopped
	StateSleeping
)

var stateNames = [...]string{"unknown", "error-active", "error-warning", "error-passive", "bus-off", "stopped", "sleeping"}

// String returns the state's word.
func (s State) String() string {
	if int(s) < len(stateNames) {
		return stateNames[s]
	}
	return fmt.Sprintf("State(%d)", uint8(s))
}

// Counters are what the kernel counted for a link since it was made.
type Counters struct {
	Received uint64 // frames that its driver handed over
	Dropped  uint64 // frames that the driver or the stack had no room for (rx_dropped, rx_missed_errors)
	Overrun  uint64 // frames that the controller had no room for (rx_over_errors or rx_fifo_errors)

	// Of kind `can` only.
	BusErrors, Warnings, Passives, BusOffs, ArbitrationLost, Restarts uint32
}

// lost returns how many frames never reached a socket.
func (c *Counters) lost() uint64 { return c.Dropped + c.Overrun }

// Facts are what the kernel says of a link.
type Facts struct {
	Name        string
	Index       int
	Kind        string // KindAdapter, KindVirtual, KindVirtualPair, or that of another link
	CAN         bool   // it carries CAN frames
	Up          bool
	MTU         int // bytes of the longest frame's record: 16 is classic CAN, 72 CAN FD
	Mode        Mode
	State       State
	BitRate     uint32 // bit/s, 0 unknown
	DataBitRate uint32 // bit/s of the data phase of FD frames, 0 unknown
	SamplePoint uint32 // of BitRate, in tenths of a percent, 0 unknown
	ClockHz     uint32 // of the controller, 0 unknown
	RestartMS   uint32 // milliseconds after bus-off until it starts again, 0 never
	Ohms        uint16 // termination that is switched on, 0 none or unknown
	TxErrors    uint16 // the controller's error counters
	RxErrors    uint16
	Counters    Counters
}

// Virtual reports whether the link has no controller, so that nothing on it comes from a vehicle.
func (f *Facts) Virtual() bool { return f.Kind == KindVirtual || f.Kind == KindVirtualPair }

// FD reports whether the link carries FD frames.
func (f *Facts) FD() bool { return f.MTU > classicFrameLength }

// Lengths of the kernel's frame records (linux/can.h).
const (
	classicFrameLength = 16
	fdFrameLength      = 72
)

// Why a bus can't be listened to. A LinkError holds one of them.
var (
	ErrNotLinux     = errors.New("live buses need Linux; a recording that comes through a pipe can be watched here")
	ErrNoStack      = errors.New("this kernel has no CAN sockets")
	ErrNoLink       = errors.New("no such link")
	ErrNotCAN       = errors.New("not a CAN link")
	ErrDown         = errors.New("the link is down")
	ErrNotSilent    = errors.New("the link is not listen-only, so its controller acknowledges frames")
	ErrModeUnknown  = errors.New("the link does not say whether it is listen-only")
	ErrNotPermitted = errors.New("not permitted to open a CAN socket")
	ErrNamedTwice   = errors.New("named twice")
	ErrTooMany      = errors.New("too many buses")
	ErrNone         = errors.New("no bus was named")
)

// hints say what to do about it. The command `ip` is that of the operating system.
var hints = map[error]string{
	ErrNoStack:      "load it with: modprobe can-raw",
	ErrDown:         "bring it up with: ip link set %s up",
	ErrNotSilent:    "make it listen-only with: ip link set %[1]s down; ip link set %[1]s type can listen-only on; ip link set %[1]s up",
	ErrNamedTwice:   "name each bus once",
	ErrNotPermitted: "the kernel asks for no capability here (only for a large buffer, cap_net_admin), so a container or a sandbox forbids it",
}

// LinkError says why a bus can't be listened to.
type LinkError struct {
	Link string // "" where it is about all of them
	Err  error
}

// Error names the link and the cause.
func (e *LinkError) Error() string {
	if e.Link == "" {
		return e.Err.Error()
	}
	return e.Link + ": " + e.Err.Error()
}

// Unwrap returns the cause.
func (e *LinkError) Unwrap() error { return e.Err }

// Hint says what to do about it, "" where there is nothing to say.
func (e *LinkError) Hint() string {
	for cause, hint := range hints {
		if errors.Is(e.Err, cause) {
			if cause == ErrDown || cause == ErrNotSilent {
				return fmt.Sprintf(hint, e.Link)
			}
			return hint
		}
	}
	return ""
}

// refuse says why a link must not be recorded from. A virtual link has no controller that could
// disturb anybody.
func (f *Facts) refuse(notSilent bool) error {
	switch {
	case !f.CAN:
		if f.Kind != "" {
			return fmt.Errorf("%w: its kind is %s", ErrNotCAN, f.Kind)
		}
		return ErrNotCAN
	case !f.Up:
		return ErrDown
	case notSilent || f.Virtual():
		return nil
	case f.Mode == ModeActive:
		return ErrNotSilent
	case f.Mode != ModeListenOnly:
		return ErrModeUnknown
	default:
		return nil
	}
}

// Gateway is a rule by which the kernel forwards frames from one link to another.
type Gateway struct {
	From, To int // indexes of links
}

// Options are what may be chosen about live buses. The zero value is the careful choice.
type Options struct {
	// NotSilent allows links that are not listen-only.
	NotSilent bool
	// Buffer is how many bytes a socket's buffer should have, the kernel's bookkeeping included;
	// DefaultBuffer where it is 0. What was given is in Bus.Buffer.
	Buffer int
}

// DefaultBuffer holds about 40,000 waiting frames: two seconds of a full bus.
const DefaultBuffer = 32 << 20

// Bus is one bus that is listened to.
type Bus struct {
	Name   string
	Facts  Facts // when it was opened
	Buffer int   // bytes that the kernel gave, its bookkeeping included
	Forced bool  // the buffer was not cut to the system's limit (net.core.rmem_max)
}

// waitingFrame is how many bytes of a socket's buffer one waiting frame takes at most: the kernel's own
// record of a packet and the frame, classic or FD. Linux 6.1 takes 768; some are added for others.
const waitingFrame = 832

// Holds returns how many frames can wait in the socket.
func (b *Bus) Holds() int { return b.Buffer / waitingFrame }

// Counts are what was counted for one bus since it was opened. A controller that overflows may also
// tell so by an error frame, without a number; see capture.Frame.ControllerOverflow.
type Counts struct {
	Received     uint64 // frames, error frames too, that were passed on
	AtSocket     uint64 // frames that the socket had no room for: the receiving thread was late
	AtRing       uint64 // frames that the ring had no room for: nobody called Next in time
	BeforeSocket uint64 // frames that controller, driver or stack had no room for
}

// Lost returns how many frames are known to be lost.
func (c *Counts) Lost() uint64 { return c.AtSocket + c.AtRing + c.BeforeSocket }
