//go:build linux

package kerneltest

import (
	"encoding/binary"
	"fmt"
	"net"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// The longest frame of a link: struct can_frame and struct canfd_frame of linux/can.h.
const (
	ClassicMTU = unix.CAN_MTU
	FDMTU      = 72
)

// AddLink makes a virtual link of a kind ("vcan", "dummy"), brings it up, and removes it at the end of
// the test. A vcan link carries FD frames too.
func AddLink(t testing.TB, name, kind string) {
	t.Helper()
	require.NoError(t, addLink(name, kind))
	t.Cleanup(func() {
		if _, err := net.InterfaceByName(name); err == nil {
			RemoveLink(t, name)
		}
	})
	if kind == "vcan" {
		require.NoError(t, changeLink(name, 0, number(unix.IFLA_MTU, FDMTU)))
	}
	SetUp(t, name)
}

// AddPair makes two vxcan links, each of which gets what is sent on the other, and brings both up.
func AddPair(t testing.TB, one, other string) {
	t.Helper()
	const peer = 1 // VXCAN_INFO_PEER of linux/can/vxcan.h
	body := append(linkHeader(0, 0, 0), attribute(unix.IFLA_IFNAME, text(other))...)
	info := append(attribute(unix.IFLA_INFO_KIND, []byte("vxcan")),
		attribute(unix.IFLA_INFO_DATA, attribute(peer, body))...)
	require.NoError(t, request(unix.RTM_NEWLINK, unix.NLM_F_CREATE|unix.NLM_F_EXCL, linkHeader(0, 0, 0),
		attribute(unix.IFLA_IFNAME, text(one)), attribute(unix.IFLA_LINKINFO, info)))
	t.Cleanup(func() { RemoveLink(t, one) })
	SetUp(t, one)
	SetUp(t, other)
}

// SetUp brings a link up.
func SetUp(t testing.TB, name string) {
	t.Helper()
	require.NoError(t, changeLink(name, unix.IFF_UP))
}

// SetDown takes a link down.
func SetDown(t testing.TB, name string) {
	t.Helper()
	require.NoError(t, changeLink(name, 0))
}

// RemoveLink removes a link, as pulling an adapter does.
func RemoveLink(t testing.TB, name string) {
	t.Helper()
	require.NoError(t, request(unix.RTM_DELLINK, 0, linkHeader(index(t, name), 0, 0)))
}

// SetMTU sets the length of the longest frame: ClassicMTU or FDMTU. The link must be down.
func SetMTU(t testing.TB, name string, mtu int) {
	t.Helper()
	require.NoError(t, changeLink(name, 0, number(unix.IFLA_MTU, uint32(mtu))))
}

// SetController sets bit rate and listen-only mode of a link of kind "can", which must be down.
func SetController(t testing.TB, name string, bitRate uint32, listenOnly bool) {
	t.Helper()
	timing := make([]byte, 32) // struct can_bittiming
	binary.NativeEndian.PutUint32(timing, bitRate)
	mode := make([]byte, 8) // struct can_ctrlmode: mask, flags
	binary.NativeEndian.PutUint32(mode, unix.CAN_CTRLMODE_LISTENONLY)
	if listenOnly {
		binary.NativeEndian.PutUint32(mode[4:], unix.CAN_CTRLMODE_LISTENONLY)
	}
	data := append(attribute(unix.IFLA_CAN_BITTIMING, timing), attribute(unix.IFLA_CAN_CTRLMODE, mode)...)
	info := append(attribute(unix.IFLA_INFO_KIND, []byte("can")), attribute(unix.IFLA_INFO_DATA, data)...)
	require.NoError(t, changeLink(name, 0, attribute(unix.IFLA_LINKINFO, info)))
}

// Numbers of linux/can/gw.h.
const (
	gatewayCANToCAN = 1
	gatewayEcho     = 0x01 // what is forwarded is seen by this host's sockets too
	gatewayFD       = 0x08
	gatewayXor      = 3
	gatewayFrom     = 9
	gatewayTo       = 10
	modifyData      = 4
)

// AddGateway makes the kernel forward the classic frames of one link to another. Where spoil is not
// 0, the first data byte of each is changed by it.
func AddGateway(t testing.TB, from, to string, spoil byte) {
	t.Helper()
	header := []byte{unix.AF_CAN, gatewayCANToCAN, gatewayEcho, 0}
	attributes := [][]byte{
		number(gatewayFrom, uint32(index(t, from))),
		number(gatewayTo, uint32(index(t, to))),
	}
	if spoil != 0 {
		frame := make([]byte, unix.CAN_MTU+1) // struct cgw_frame_mod
		frame[8] = spoil
		frame[unix.CAN_MTU] = modifyData
		attributes = append(attributes, attribute(gatewayXor, frame))
	}
	require.NoError(t, request(unix.RTM_NEWROUTE, unix.NLM_F_CREATE, header, attributes...))
}

func addLink(name, kind string) error {
	return request(unix.RTM_NEWLINK, unix.NLM_F_CREATE|unix.NLM_F_EXCL, linkHeader(0, 0, 0),
		attribute(unix.IFLA_IFNAME, text(name)),
		attribute(unix.IFLA_LINKINFO, attribute(unix.IFLA_INFO_KIND, []byte(kind))))
}

// changeLink sets the flag 'up' of a link to that in flags, and the attributes given.
func changeLink(name string, flags uint32, attributes ...[]byte) error {
	link, err := net.InterfaceByName(name)
	if err != nil {
		return err
	}
	return request(unix.RTM_NEWLINK, 0, linkHeader(link.Index, flags, unix.IFF_UP), attributes...)
}

func index(t testing.TB, name string) int {
	t.Helper()
	link, err := net.InterfaceByName(name)
	require.NoError(t, err)
	return link.Index
}

// linkHeader is struct ifinfomsg of rtnetlink(7).
func linkHeader(index int, flags, change uint32) []byte {
	b := make([]byte, unix.SizeofIfInfomsg)
	binary.NativeEndian.PutUint32(b[4:], uint32(index))
	binary.NativeEndian.PutUint32(b[8:], flags)
	binary.NativeEndian.PutUint32(b[12:], change)
	return b
}

// text is a name with the final zero byte that the kernel wants.
func text(s string) []byte { return append([]byte(s), 0) }

func number(kind uint16, value uint32) []byte {
	return attribute(kind, binary.NativeEndian.AppendUint32(nil, value))
}

// attribute is struct rtattr of rtnetlink(7) with its body, padded to four bytes.
func attribute(kind uint16, body []byte) []byte {
	b := binary.NativeEndian.AppendUint16(nil, uint16(unix.SizeofRtAttr+len(body)))
	b = binary.NativeEndian.AppendUint16(b, kind)
	b = append(b, body...)
	for len(b)%unix.NLMSG_ALIGNTO != 0 {
		b = append(b, 0)
	}
	return b
}

// request sends one message of netlink(7) and waits for what the kernel says to it.
func request(kind, flags uint16, header []byte, attributes ...[]byte) error {
	body := header
	for _, a := range attributes {
		body = append(body, a...)
	}
	message := binary.NativeEndian.AppendUint32(nil, uint32(unix.SizeofNlMsghdr+len(body)))
	message = binary.NativeEndian.AppendUint16(message, kind)
	message = binary.NativeEndian.AppendUint16(message, flags|unix.NLM_F_REQUEST|unix.NLM_F_ACK)
	message = append(message, make([]byte, 8)...) // number and sender
	message = append(message, body...)

	socket, err := unix.Socket(unix.AF_NETLINK, unix.SOCK_RAW|unix.SOCK_CLOEXEC, unix.NETLINK_ROUTE)
	if err != nil {
		return err
	}
	defer unix.Close(socket)
	if err := unix.Sendto(socket, message, 0, &unix.SockaddrNetlink{Family: unix.AF_NETLINK}); err != nil {
		return err
	}
	return answer(socket)
}

// answer reads the kernel's answer: struct nlmsgerr, whose first number is 0 or the negative of an
// error.
func answer(socket int) error {
	b := make([]byte, 4096)
	n, _, err := unix.Recvfrom(socket, b, 0)
	if err != nil {
		return err
	}
	if n < unix.SizeofNlMsghdr+4 || binary.NativeEndian.Uint16(b[4:]) != unix.NLMSG_ERROR {
		return fmt.Errorf("the kernel answered %d bytes of another kind", n)
	}
	if code := int32(binary.NativeEndian.Uint32(b[unix.SizeofNlMsghdr:])); code != 0 {
		return unix.Errno(-code)
	}
	return nil
}
