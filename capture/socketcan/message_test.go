package socketcan

import (
	"encoding/binary"
	"testing"

	"github.com/stretchr/testify/require"
)

// attr is an attribute of rtnetlink(7), written from its description: length, kind, body, padding.
func attr(kind uint16, parts ...[]byte) []byte {
	var body []byte
	for _, p := range parts {
		body = append(body, p...)
	}
	b := binary.NativeEndian.AppendUint16(nil, uint16(4+len(body)))
	b = binary.NativeEndian.AppendUint16(b, kind)
	b = append(b, body...)
	for len(b)%4 != 0 {
		b = append(b, 0)
	}
	return b
}

func u32(values ...uint32) (b []byte) {
	for _, v := range values {
		b = binary.NativeEndian.AppendUint32(b, v)
	}
	return b
}

func u64(values ...uint64) (b []byte) {
	for _, v := range values {
		b = binary.NativeEndian.AppendUint64(b, v)
	}
	return b
}

// header is struct ifinfomsg: family, padding, device type, index, flags, change.
func header(device uint16, index, flags uint32) []byte {
	b := binary.NativeEndian.AppendUint16(nil, 0)
	b = binary.NativeEndian.AppendUint16(b, device)
	return append(b, u32(index, flags, 0)...)
}

// adapter is what a kernel says of an adapter, by the structures of linux/if_link.h and
// linux/can/netlink.h: 500 kbit/s at 87.5 %, FD at 2 Mbit/s, listen-only, error passive.
func adapter() []byte {
	const nested = 0x8000
	stats := make([]uint64, 24)
	stats[0], stats[6], stats[11], stats[14], stats[15] = 1000, 3, 7, 5, 20
	message := append(header(280, 9, 0x1|0x40), attr(3, []byte("can0\x00"))...)
	message = append(message, attr(4, u32(72))...)
	message = append(message, attr(23, u64(stats...))...)
	return append(message, attr(18|nested,
		attr(1, []byte("can\x00")),
		attr(2|nested,
			attr(1, u32(500000, 875, 125, 6, 7, 2, 1, 5)),
			attr(3, u32(40000000)),
			attr(4, u32(2)),
			attr(5, u32(0x23, 0x22)),
			attr(6, u32(100)),
			attr(8, []byte{1, 0, 135, 0}),
			attr(9, u32(2000000, 750, 25, 7, 7, 5, 1, 1)),
			attr(11, []byte{120, 0}),
		),
		attr(3, u32(1, 2, 3, 4, 5, 6)),
	)...)
}

func TestParseLinkAdapter(t *testing.T) {
	f, ok := parseLink(adapter())
	require.True(t, ok)
	require.Equal(t, Facts{
		Name: "can0", Index: 9, Kind: KindAdapter, CAN: true, Up: true, MTU: 72,
		Mode: ModeListenOnly, State: StateErrorPassive,
		BitRate: 500000, DataBitRate: 2000000, SamplePoint: 875, ClockHz: 40000000,
		RestartMS: 100, Ohms: 120, TxErrors: 1, RxErrors: 135,
		Counters: Counters{
			Received: 1000, Dropped: 23, Overrun: 7,
			BusErrors: 1, Warnings: 2, Passives: 3, BusOffs: 4, ArbitrationLost: 5, Restarts: 6,
		},
	}, f)
	require.EqualValues(t, 30, f.Counters.lost())
	require.True(t, f.FD())
	require.False(t, f.Virtual())
	require.NoError(t, f.refuse(false))
}

func TestRefuse(t *testing.T) {
	up := Facts{Name: "can0", Kind: KindAdapter, CAN: true, Up: true, MTU: 16}
	with := func(mode Mode) Facts { f := up; f.Mode = mode; return f }
	down := with(ModeListenOnly)
	down.Up = false
	for name, row := range map[string]struct {
		facts     Facts
		notSilent bool
		want      error
	}{
		"listen-only":                   {with(ModeListenOnly), false, nil},
		"active":                        {with(ModeActive), false, ErrNotSilent},
		"active, allowed":               {with(ModeActive), true, nil},
		"mode unknown":                  {with(ModeUnknown), false, ErrModeUnknown},
		"mode unknown, allowed":         {with(ModeUnknown), true, nil},
		"down":                          {down, false, ErrDown},
		"down, active allowed":          {down, true, ErrDown},
		"virtual has no mode":           {Facts{Kind: KindVirtual, CAN: true, Up: true, Mode: ModeVirtual}, false, nil},
		"nothing known":                 {Facts{}, false, ErrNotCAN},
		"nothing known, active allowed": {Facts{}, true, ErrNotCAN},
	} {
		require.ErrorIs(t, row.facts.refuse(row.notSilent), row.want, name)
	}
}

func TestLinkErrorTexts(t *testing.T) {
	for _, row := range []struct {
		err        LinkError
		text, hint string
	}{
		{LinkError{"can0", ErrNotSilent}, "can0: the link is not listen-only, so its controller acknowledges frames",
			"make it listen-only with: ip link set can0 down; ip link set can0 type can listen-only on; ip link set can0 up"},
		{LinkError{"can0", ErrDown}, "can0: the link is down", "bring it up with: ip link set can0 up"},
		{LinkError{"", ErrNoStack}, "this kernel has no CAN sockets", "load it with: modprobe can-raw"},
		{LinkError{"can0", ErrNoLink}, "can0: no such link", ""},
	} {
		require.EqualError(t, &row.err, row.text)
		require.Equal(t, row.hint, row.err.Hint())
		require.ErrorIs(t, &row.err, row.err.Err)
	}
}

func TestWordsOfUnknownNumbers(t *testing.T) {
	require.Equal(t, "unknown", Mode(0).String())
	require.Equal(t, "Mode(9)", Mode(9).String())
	require.Equal(t, "unknown", State(0).String())
	require.Equal(t, "bus-off", StateBusOff.String())
	require.Equal(t, "State(9)", State(9).String())
}

// A kernel may send less than we know, or what we don't know.
func TestParseLinkSparse(t *testing.T) {
	named := append(header(280, 3, 0), attr(3, []byte("can1\x00"))...)
	f, ok := parseLink(named)
	require.True(t, ok)
	require.Equal(t, Facts{Name: "can1", Index: 3, CAN: true}, f)

	odd := append(named, attr(18, attr(1, []byte("can\x00")), attr(2, attr(4, u32(77)), attr(5, nil), attr(1, u32(125000))))...)
	f, ok = parseLink(odd)
	require.True(t, ok)
	require.Equal(t, StateUnknown, f.State)
	require.Equal(t, ModeUnknown, f.Mode, "an empty mode is none")
	require.EqualValues(t, 125000, f.BitRate)

	_, ok = parseLink(header(280, 3, 0))
	require.False(t, ok, "no name")
	_, ok = parseLink(nil)
	require.False(t, ok)
}

func TestParseGateway(t *testing.T) {
	g, ok := parseGateway(append([]byte{29, 1, 0, 0}, append(attr(9, u32(4)), attr(10, u32(7))...)...))
	require.True(t, ok)
	require.Equal(t, Gateway{From: 4, To: 7}, g)
	_, ok = parseGateway([]byte{2, 1, 0, 0})
	require.False(t, ok, "a route of another family")
}

// Whatever the bytes are, reading them ends and gives no state or mode that has no name.
func FuzzParseLink(f *testing.F) {
	whole := adapter()
	f.Add(whole)
	f.Add(whole[:len(whole)-5])
	f.Add(header(280, 1, 1))
	f.Fuzz(func(t *testing.T, b []byte) {
		facts, ok := parseLink(b)
		if ok && (facts.Name == "" || int(facts.State) >= len(stateNames) || int(facts.Mode) >= len(modeNames)) {
			t.Fatalf("%+v", facts)
		}
		parseGateway(b)
	})
}
