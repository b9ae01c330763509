package socketcan

import "encoding/binary"

// Numbers of rtnetlink(7), linux/if_link.h, linux/can/netlink.h and linux/can/gw.h.
const (
	linkHeaderLength = 16  // struct ifinfomsg
	deviceCAN        = 280 // ARPHRD_CAN
	flagUp           = 1

	attributeName     = 3
	attributeMTU      = 4
	attributeLinkInfo = 18
	attributeStats    = 23

	infoKind  = 1
	infoData  = 2
	infoStats = 3

	canBitTiming     = 1
	canClock         = 3
	canState         = 4
	canMode          = 5
	canRestart       = 6
	canErrorCounters = 8
	canDataBitTiming = 9
	canTermination   = 11

	modeListenOnly = 0x02

	gatewayHeaderLength = 4 // struct rtcanmsg
	gatewayFrom         = 9
	gatewayTo           = 10
	familyCAN           = 29
)

// attributes calls take for each attribute of a message: struct rtattr with its body, padded to four
// bytes. It stops at the first one that does not fit.
func attributes(b []byte, take func(kind uint16, body []byte)) {
	const header, nested = 4, 0x8000
	for len(b) >= header {
		length := int(binary.NativeEndian.Uint16(b))
		if length < header || length > len(b) {
			return
		}
		take(binary.NativeEndian.Uint16(b[2:])&^nested, b[header:length])
		b = b[min((length+3)&^3, len(b)):]
	}
}

// number32 reads the i-th u32 of b, 0 where it is not there: a kernel that is older sends less.
func number32(b []byte, i int) uint32 {
	if len(b) < 4*i+4 {
		return 0
	}
	return binary.NativeEndian.Uint32(b[4*i:])
}

func number64(b []byte, i int) uint64 {
	if len(b) < 8*i+8 {
		return 0
	}
	return binary.NativeEndian.Uint64(b[8*i:])
}

func number16(b []byte, i int) uint16 {
	if len(b) < 2*i+2 {
		return 0
	}
	return binary.NativeEndian.Uint16(b[2*i:])
}

// text reads a name that ends with a zero byte.
func text(b []byte) string {
	for i, c := range b {
		if c == 0 {
			return string(b[:i])
		}
	}
	return string(b)
}

// parseLink reads one RTM_NEWLINK message without its netlink header.
func parseLink(b []byte) (f Facts, ok bool) {
	if len(b) < linkHeaderLength {
		return f, false
	}
	f.CAN = number16(b, 1) == deviceCAN
	f.Index = int(number32(b, 1))
	f.Up = number32(b, 2)&flagUp != 0
	attributes(b[linkHeaderLength:], func(kind uint16, body []byte) {
		switch kind {
		case attributeName:
			f.Name = text(body)
		case attributeMTU:
			f.MTU = int(number32(body, 0))
		case attributeStats:
			f.Counters.read(body)
		case attributeLinkInfo:
			f.readInfo(body)
		}
	})
	if f.Virtual() {
		f.Mode = ModeVirtual
	}
	return f, f.Name != ""
}

// read takes the counters of struct rtnl_link_stats64. A driver may count an overrun of its controller
// in either of two places, or in both.
func (c *Counters) read(b []byte) {
	c.Received = number64(b, 0)
	c.Dropped = number64(b, 6) + number64(b, 15)
	c.Overrun = max(number64(b, 11), number64(b, 14))
}

// readInfo reads what a link says by its kind. Data and statistics mean something only for `can`.
func (f *Facts) readInfo(b []byte) {
	var data, stats []byte
	attributes(b, func(kind uint16, body []byte) {
		switch kind {
		case infoKind:
			f.Kind = text(body)
		case infoData:
			data = body
		case infoStats:
			stats = body
		}
	})
	if f.Kind != KindAdapter {
		return
	}
	attributes(data, f.readController)
	for i, to := range [...]*uint32{&f.Counters.BusErrors, &f.Counters.Warnings, &f.Counters.Passives,
		&f.Counters.BusOffs, &f.Counters.ArbitrationLost, &f.Counters.Restarts} {
		*to = number32(stats, i)
	}
}

// readController reads one attribute of a controller.
func (f *Facts) readController(kind uint16, b []byte) {
	switch kind {
	case canBitTiming:
		f.BitRate, f.SamplePoint = number32(b, 0), number32(b, 1)
	case canDataBitTiming:
		f.DataBitRate = number32(b, 0)
	case canClock:
		f.ClockHz = number32(b, 0)
	case canState:
		if s := number32(b, 0); len(b) >= 4 && s < uint32(len(stateNames)-1) {
			f.State = State(s + 1)
		}
	case canMode: // mask, flags
		if len(b) < 8 {
			return
		}
		f.Mode = ModeActive
		if number32(b, 1)&modeListenOnly != 0 {
			f.Mode = ModeListenOnly
		}
	case canRestart:
		f.RestartMS = number32(b, 0)
	case canErrorCounters:
		f.TxErrors, f.RxErrors = number16(b, 0), number16(b, 1)
	case canTermination:
		f.Ohms = number16(b, 0)
	}
}

// parseGateway reads one RTM_NEWROUTE message of the CAN gateway without its netlink header.
func parseGateway(b []byte) (g Gateway, ok bool) {
	if len(b) < gatewayHeaderLength || b[0] != familyCAN {
		return g, false
	}
	attributes(b[gatewayHeaderLength:], func(kind uint16, body []byte) {
		switch kind {
		case gatewayFrom:
			g.From = int(number32(body, 0))
		case gatewayTo:
			g.To = int(number32(body, 0))
		}
	})
	return g, true
}
