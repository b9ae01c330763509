package link

import (
	"encoding/binary"
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

// The messages below are laid out by hand after netlink(7), rtnetlink(7), linux/if_link.h and
// linux/can/gw.h.

func u16(v uint16) []byte { return binary.NativeEndian.AppendUint16(nil, v) }
func u32(v uint32) []byte { return binary.NativeEndian.AppendUint32(nil, v) }

func join(parts ...[]byte) []byte {
	var b []byte
	for _, p := range parts {
		b = append(b, p...)
	}
	return b
}

func pad(b []byte) []byte {
	for len(b)%4 != 0 {
		b = append(b, 0)
	}
	return b
}

// attr is struct rtattr: length without padding, kind, body.
func attr(kind uint16, body []byte) []byte {
	return pad(join(u16(uint16(4+len(body))), u16(kind), body))
}

// msg is struct nlmsghdr (length, kind, flags, number, sender) and its body.
func msg(kind, flags uint16, body []byte) []byte {
	return pad(join(u32(uint32(16+len(body))), u16(kind), u16(flags), make([]byte, 8), body))
}

// done is NLMSG_DONE (3) of a listing (flag NLM_F_MULTI, 2) with how it ended.
func done(status int32) []byte { return msg(3, 2, u32(uint32(status))) }

// ifinfo is struct ifinfomsg: family, padding, type, index, flags, change.
func ifinfo(hardware uint16, index, flags uint32) []byte {
	return join([]byte{0, 0}, u16(hardware), u32(index), u32(flags), u32(0))
}

// rtcan is struct rtcanmsg (family AF_CAN 29, type, flags) and the two ends, CGW_SRC_IF 9 and
// CGW_DST_IF 10.
func rtcan(from, to uint32) []byte {
	return join([]byte{29, 1, 0, 0}, attr(9, u32(from)), attr(10, u32(to)))
}

// kindOf is IFLA_LINKINFO (18) with IFLA_INFO_KIND (1).
func kindOf(kind string) []byte { return attr(18, attr(1, append([]byte(kind), 0))) }

func nameOf(name string) []byte { return attr(3, append([]byte(name), 0)) }

func threeLinks() []byte {
	return join(
		msg(16, 2, join(ifinfo(280, 4, 0x10041), nameOf("vcan0"), attr(4, u32(72)), kindOf("vcan"), attr(99, []byte("later")))),
		msg(16, 2, join(ifinfo(1, 5, 0), nameOf("vcan7"), attr(4, u32(1500)), kindOf("dummy"))),
		msg(16, 2, join(ifinfo(280, 6, 1), nameOf("pair"), attr(4, u32(16)), attr(5, u32(9)), attr(37, u32(0)), attr(0x8000|18, attr(1, []byte("vxcan"))))),
		done(0))
}

func TestReadLinks(t *testing.T) {
	all, err := readLinks(threeLinks())
	require.NoError(t, err)
	require.Equal(t, []device{
		{index: 4, name: "vcan0", kind: "vcan", can: true, up: true, mtu: 72},
		{index: 5, name: "vcan7", kind: "dummy", mtu: 1500},
		{index: 6, name: "pair", kind: "vxcan", can: true, up: true, mtu: 16, peer: 9, elsewhere: true},
	}, all)
}

func TestReadRules(t *testing.T) {
	// A route of IPv4 (family 2) stands between them, as from a kernel that lists all families.
	all, err := readRules(join(msg(24, 2, rtcan(4, 6)), msg(24, 2, make([]byte, 12)), msg(24, 2, append([]byte{2}, make([]byte, 11)...)),
		msg(24, 2, join([]byte{29, 1, 0, 0}, attr(9, u32(7)))), done(0)))
	require.NoError(t, err)
	require.Equal(t, []rule{{from: 4, to: 6}, {from: 7}}, all)
}

// An answer that is not whole is no answer: what is left of it may be the link that forwards.
func TestBrokenAnswersAreRefused(t *testing.T) {
	link := msg(16, 2, join(ifinfo(280, 4, 1), nameOf("vcan0"), kindOf("vcan")))
	long := msg(16, 2, ifinfo(280, 4, 1))
	binary.NativeEndian.PutUint32(long, math.MaxUint32)
	for name, b := range map[string][]byte{
		"nothing":                      nil,
		"no end":                       link,
		"half a head":                  join(link, done(0)[:9]),
		"a length of nearly 4 GiB":     long,
		"a length of 0":                make([]byte, 32),
		"an error message":             join(link, msg(2, 0, u32(0))),
		"broken off":                   join(link, done(-95)),
		"changed meanwhile":            join(link, msg(3, 2|0x10, u32(0))),
		"a link of 8 bytes":            join(msg(16, 2, make([]byte, 8)), done(0)),
		"an attribute that is longer":  join(msg(16, 2, join(ifinfo(280, 4, 1), u16(200), u16(3))), done(0)),
		"an attribute of 0 bytes":      join(msg(16, 2, join(ifinfo(280, 4, 1), make([]byte, 4))), done(0)),
		"half an attribute":            join(msg(16, 2, join(ifinfo(280, 4, 1), u16(6))), done(0)),
		"a short MTU":                  join(msg(16, 2, join(ifinfo(280, 4, 1), attr(4, u16(72)))), done(0)),
		"a kind that is longer":        join(msg(16, 2, join(ifinfo(280, 4, 1), attr(18, join(u16(90), u16(1))))), done(0)),
		"a peer of eight bytes":        join(msg(16, 2, join(ifinfo(280, 4, 1), attr(5, make([]byte, 8)))), done(0)),
		"a whole link after the break": join(msg(16, 2, make([]byte, 3)), link, done(0)),
	} {
		all, err := readLinks(b)
		var broken *MessageError
		require.ErrorAs(t, err, &broken, name)
		require.Empty(t, all, name)
		require.Contains(t, err.Error(), "the kernel's answer, byte ", name)
	}
	for name, b := range map[string][]byte{
		"a rule of 2 bytes": join(msg(24, 2, []byte{29, 1}), done(0)),
		"a short end":       join(msg(24, 2, join([]byte{29, 1, 0, 0}, attr(9, u16(4)))), done(0)),
		"no end":            msg(24, 2, rtcan(1, 2)),
	} {
		all, err := readRules(b)
		require.Error(t, err, name)
		require.Empty(t, all, name)
	}
	_, err := readLinks(join(link, msg(3, 2|0x10, u32(0))))
	require.ErrorIs(t, err, errChanged, "this one is asked again")
}

// What is read names only what stands in the answer.
func FuzzLinks(f *testing.F) {
	f.Add(threeLinks())
	f.Add(join(msg(16, 0x12, nil), done(0)))
	f.Fuzz(func(t *testing.T, b []byte) {
		all, err := readLinks(b)
		if err != nil {
			require.Empty(t, all)
			return
		}
		require.LessOrEqual(t, len(all)*(messageHeaderLength+linkHeaderLength), len(b))
		for _, d := range all {
			require.Contains(t, string(b), d.name)
			require.Contains(t, string(b), d.kind)
		}
	})
}

func FuzzRules(f *testing.F) {
	f.Add(join(msg(24, 2, rtcan(4, 6)), done(0)))
	f.Add(join(msg(24, 2, append([]byte{2}, make([]byte, 11)...)), done(-1)))
	f.Fuzz(func(t *testing.T, b []byte) {
		all, err := readRules(b)
		if err != nil {
			require.Empty(t, all)
			return
		}
		require.LessOrEqual(t, len(all)*(messageHeaderLength+ruleHeaderLength), len(b))
	})
}
