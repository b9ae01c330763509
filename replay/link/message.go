package link

import (
	"encoding/binary"
	"fmt"
)

// Numbers of netlink(7), rtnetlink(7), linux/if_link.h and linux/can/gw.h.
const (
	messageHeaderLength = 16 // struct nlmsghdr
	messageError        = 2
	messageDone         = 3
	messageInterrupted  = 0x10 // flag NLM_F_DUMP_INTR: things changed while they were listed
	newLink             = 16   // RTM_NEWLINK
	newRoute            = 24   // RTM_NEWROUTE

	linkHeaderLength = 16  // struct ifinfomsg
	deviceCAN        = 280 // ARPHRD_CAN
	flagUp           = 1

	attributeName      = 3
	attributeMTU       = 4
	attributePeer      = 5 // IFLA_LINK
	attributeInfo      = 18
	attributeNamespace = 37 // IFLA_LINK_NETNSID: the peer is in that one
	infoKind           = 1

	ruleHeaderLength = 4 // struct rtcanmsg
	ruleFrom         = 9 // CGW_SRC_IF
	ruleTo           = 10
	familyCAN        = 29
)

// MessageError says what is wrong with an answer of the kernel. Whoever reads links to know where
// frames may go must not read half of them, so an answer is taken whole or not at all.
type MessageError struct {
	Offset int // in the answer or the message, in bytes
	What   string
}

// Error says what was wrong and where.
func (e *MessageError) Error() string {
	return fmt.Sprintf("the kernel's answer, byte %d: %s", e.Offset, e.What)
}

// errChanged says that links or rules changed while the kernel listed them.
var errChanged = &MessageError{0, "things changed while they were listed"}

// messages calls take for the body of each message of a kind in an answer (netlink(7)), and wants the
// one at the end that says it was all.
func messages(b []byte, kind uint16, take func(body []byte) error) error {
	for offset := 0; len(b)-offset >= messageHeaderLength; {
		m := b[offset:]
		length := int(binary.NativeEndian.Uint32(m))
		if length < messageHeaderLength || length > len(m) {
			return &MessageError{offset, fmt.Sprintf("a message of %d bytes where %d are left", uint32(length), len(m))}
		}
		if binary.NativeEndian.Uint16(m[6:])&messageInterrupted != 0 {
			return errChanged
		}
		body := m[messageHeaderLength:length]
		switch got := binary.NativeEndian.Uint16(m[4:]); got {
		case messageDone:
			// A newer kernel says here how the listing ended: 0, or the negative of an error.
			if len(body) >= 4 && int32(binary.NativeEndian.Uint32(body)) < 0 {
				return &MessageError{offset, fmt.Sprintf("the listing broke off with error %d", -int32(binary.NativeEndian.Uint32(body)))}
			}
			return nil
		case messageError:
			return &MessageError{offset, "an error in place of a listing"}
		case kind:
			if err := take(body); err != nil {
				return err
			}
		}
		offset += min((length+3)&^3, len(m))
	}
	return &MessageError{len(b), "it ends before its end was said"}
}

// attributes calls take for each attribute of a message: struct rtattr with its body, padded to four
// bytes.
func attributes(b []byte, take func(kind uint16, body []byte) error) error {
	const header, nested = 4, 0x8000
	for offset := 0; offset < len(b); {
		a := b[offset:]
		if len(a) < header {
			return &MessageError{offset, "an attribute without a whole head"}
		}
		length := int(binary.NativeEndian.Uint16(a))
		if length < header || length > len(a) {
			return &MessageError{offset, fmt.Sprintf("an attribute of %d bytes where %d are left", length, len(a))}
		}
		if err := take(binary.NativeEndian.Uint16(a[2:])&^nested, a[header:length]); err != nil {
			return err
		}
		offset += min((length+3)&^3, len(a))
	}
	return nil
}

// number reads an attribute that holds a u32.
func number(b []byte, into *int) error {
	if len(b) != 4 {
		return &MessageError{0, fmt.Sprintf("a number of %d bytes, want 4", len(b))}
	}
	*into = int(binary.NativeEndian.Uint32(b))
	return nil
}

// text reads a name up to its zero byte.
func text(b []byte) string {
	for i, c := range b {
		if c == 0 {
			return string(b[:i])
		}
	}
	return string(b)
}

// readLinks reads the answer to RTM_GETLINK.
func readLinks(b []byte) (all []device, err error) {
	err = messages(b, newLink, func(body []byte) error {
		d, err := readLink(body)
		all = append(all, d)
		return err
	})
	if err != nil {
		return nil, err
	}
	return all, nil
}

func readLink(b []byte) (d device, err error) {
	if len(b) < linkHeaderLength {
		return d, &MessageError{0, fmt.Sprintf("a link of %d bytes, want at least %d", len(b), linkHeaderLength)}
	}
	d.can = binary.NativeEndian.Uint16(b[2:]) == deviceCAN
	d.index = int(binary.NativeEndian.Uint32(b[4:]))
	d.up = binary.NativeEndian.Uint32(b[8:])&flagUp != 0
	err = attributes(b[linkHeaderLength:], func(kind uint16, body []byte) error {
		switch kind {
		case attributeName:
			d.name = text(body)
		case attributeMTU:
			return number(body, &d.mtu)
		case attributePeer:
			return number(body, &d.peer)
		case attributeNamespace:
			d.elsewhere = true
		case attributeInfo:
			return attributes(body, func(kind uint16, body []byte) error {
				if kind == infoKind {
					d.kind = text(body)
				}
				return nil
			})
		}
		return nil
	})
	return d, err
}

// readRules reads the answer to RTM_GETROUTE of the family CAN. A kernel without gateway answers with
// the routes of other families, which say nothing.
func readRules(b []byte) (all []rule, err error) {
	err = messages(b, newRoute, func(body []byte) error {
		if len(body) == 0 || body[0] != familyCAN {
			return nil
		}
		r, err := readRule(body)
		all = append(all, r)
		return err
	})
	if err != nil {
		return nil, err
	}
	return all, nil
}

func readRule(b []byte) (r rule, err error) {
	if len(b) < ruleHeaderLength {
		return r, &MessageError{0, fmt.Sprintf("a rule of %d bytes, want at least %d", len(b), ruleHeaderLength)}
	}
	err = attributes(b[ruleHeaderLength:], func(kind uint16, body []byte) error {
		switch kind {
		case ruleFrom:
			return number(body, &r.from)
		case ruleTo:
			return number(body, &r.to)
		}
		return nil
	})
	return r, err
}
