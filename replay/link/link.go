package link

import (
	"errors"
	"fmt"
)

// Map says onto which link the frames of a bus go.
type Map struct {
	From string // bus of the session
	To   string // link of this host
}

// Kinds of links that no controller stands behind, as the kernel names them.
const (
	kindVirtual = "vcan"
	kindPair    = "vxcan"
)

// Lengths of the kernel's frame records (linux/can.h): the MTU of a link is one of them.
const (
	classicLength = 16
	fdLength      = 72
)

// Why nothing is sent, or no more. A RefusedError holds one of them, or an error of the kernel.
var (
	ErrNotLinux   = errors.New("a session goes onto a virtual link on Linux only")
	ErrNoMap      = errors.New("no bus was given a link")
	ErrNamedTwice = errors.New("named twice")
	ErrNoLink     = errors.New("no such link")
	ErrNotVirtual = errors.New("not a virtual CAN link, so a vehicle may hang on it")
	ErrDown       = errors.New("the link is down")
	ErrForwarded  = errors.New("a rule of the CAN gateway names it, so its frames may reach a vehicle")
	ErrPeerHidden = errors.New("its other end can't be looked at: it lies in another network namespace")
	ErrPeerDown   = errors.New("its other end is down")
	ErrNoFD       = errors.New("the link carries classic frames only, and the session holds FD frames for it")
)

var hints = []struct {
	cause error
	hint  string
}{
	{ErrNoLink, "make one with: ip link add dev %[1]s type vcan; ip link set %[1]s up"},
	{ErrNotVirtual, "only the kinds vcan and vxcan are sent on, whatever the name; nothing changes that"},
	{ErrDown, "bring it up with: ip link set %s up"},
	{ErrForwarded, "take another link, or remove the rule"},
	{ErrPeerHidden, "take a vcan link, or a pair of which both ends are here"},
	{ErrPeerDown, "bring the other end up"},
	{ErrNoFD, "let it carry them with: ip link set %[1]s down; ip link set %[1]s mtu 72; ip link set %[1]s up"},
}

// RefusedError says why nothing is sent on a link.
type RefusedError struct {
	Link string // "" where it is about all of them
	Err  error
}

// Error names the link and the cause.
func (e *RefusedError) Error() string {
	if e.Link == "" {
		return e.Err.Error()
	}
	return e.Link + ": " + e.Err.Error()
}

// Unwrap returns the cause.
func (e *RefusedError) Unwrap() error { return e.Err }

// Hint says what to do about it, "" where there is nothing to say.
func (e *RefusedError) Hint() string {
	for _, h := range hints {
		switch {
		case !errors.Is(e.Err, h.cause):
		case h.cause == ErrNoLink || h.cause == ErrDown || h.cause == ErrNoFD:
			return fmt.Sprintf(h.hint, e.Link)
		default:
			return h.hint
		}
	}
	return ""
}

// Count says what became of the frames of one bus.
type Count struct {
	Map
	Kind    string // of the link: vcan or vxcan
	Sent    uint64
	Refused uint64 // the kernel had no room for them, for as long as was waited
	Errors  uint64 // error frames: reports of a controller, not frames of a bus; never sent
	Cut     uint64 // frames of which the session does not hold all bytes; never sent
}

// Counts says what became of all frames.
type Counts struct {
	Links    []Count // in the order of the mapping
	Unmapped uint64  // frames of buses that were given no link
}

// device is what the kernel says of a link.
type device struct {
	index     int
	name      string
	kind      string // "" for an adapter whose driver has none
	can       bool   // carries CAN frames
	up        bool
	mtu       int
	peer      int  // index of the link behind it, 0 none
	elsewhere bool // that link is in another network namespace
}

func (d *device) virtual() bool { return d.can && (d.kind == kindVirtual || d.kind == kindPair) }

// rule is a rule of the CAN gateway: it forwards frames from one link to another. An end that was not
// told is 0.
type rule struct{ from, to int }

// network is what the kernel says of this host: all links and all rules.
type network struct {
	devices []device
	rules   []rule
}

// admit returns the link of that name if frames may be put onto it.
func (n *network) admit(name string) (device, error) {
	for i := range n.devices {
		if n.devices[i].name == name {
			return n.devices[i], n.refuse(&n.devices[i])
		}
	}
	return device{}, ErrNoLink
}

func (n *network) refuse(d *device) error {
	switch {
	case !d.virtual() && d.kind == "":
		return fmt.Errorf("%w: it has no kind", ErrNotVirtual)
	case !d.virtual():
		return fmt.Errorf("%w: its kind is %s", ErrNotVirtual, d.kind)
	case !d.up:
		return ErrDown
	case n.forwarded(d.index):
		return ErrForwarded
	case d.kind == kindPair:
		return n.refusePeer(d)
	default:
		return nil
	}
}

// refusePeer looks at the other end of a pair.
func (n *network) refusePeer(d *device) error {
	if d.elsewhere {
		return ErrPeerHidden
	}
	for i := range n.devices {
		peer := &n.devices[i]
		if peer.index != d.peer {
			continue
		}
		switch {
		case !peer.can || peer.kind != kindPair:
			return fmt.Errorf("%w: its other end %s is of kind %q", ErrNotVirtual, peer.name, peer.kind)
		case n.forwarded(peer.index):
			return fmt.Errorf("its other end %s: %w", peer.name, ErrForwarded)
		case !peer.up:
			return fmt.Errorf("%w: %s", ErrPeerDown, peer.name)
		}
		return nil
	}
	return ErrPeerHidden
}

// forwarded reports whether a rule names a link. A rule of which an end is not known may name any.
func (n *network) forwarded(index int) bool {
	for _, r := range n.rules {
		if r.from == index || r.to == index || r.from == 0 || r.to == 0 {
			return true
		}
	}
	return false
}

// checkMap refuses a mapping that can't be meant: two buses on one link would be a bus that never was.
func checkMap(mapping []Map) error {
	if len(mapping) == 0 {
		return &RefusedError{Err: ErrNoMap}
	}
	named := make(map[string]bool)
	for _, m := range mapping {
		for _, name := range []string{"bus " + m.From, "link " + m.To} {
			if named[name] {
				return &RefusedError{Link: name, Err: ErrNamedTwice}
			}
			named[name] = true
		}
	}
	return nil
}
