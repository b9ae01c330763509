package j1939_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/decode/j1939"
)

// claim makes the address claim of a unit: the NAME low byte first, to all.
func claim(at time.Duration, address uint8, name j1939.Name) *capture.Frame {
	f := &capture.Frame{
		At: capture.Stamp(at), Packet: uint64(at / time.Millisecond), Flags: capture.Extended,
		ID: 0x18EEFF00 | capture.ID(address), Len: 8,
	}
	for i := range 8 {
		f.Data[i] = byte(name >> (8 * i))
	}
	return f
}

// The NAME `45 23 01 00 11 2F 0A 93`, taken apart by hand along the bit table of SAE J1939-81.
func TestName(t *testing.T) {
	n := j1939.Name(0x930A2F1100012345)
	require.Equal(t, uint32(74565), n.Identity())
	require.Equal(t, uint16(0), n.Manufacturer())
	require.Equal(t, uint8(1), n.ECUInstance())
	require.Equal(t, uint8(2), n.FunctionInstance())
	require.Equal(t, uint8(47), n.Function())
	require.Equal(t, uint8(5), n.VehicleSystem())
	require.Equal(t, uint8(3), n.SystemInstance())
	require.Equal(t, uint8(1), n.IndustryGroup())
	require.True(t, n.ArbitraryAddress())
	require.Equal(t, j1939.Name(0x930A2F1100000000), n.WithoutIdentity())

	full := j1939.Name(0x7FFFFFFFFFFFFFFF)
	require.Equal(t, uint32(0x1FFFFF), full.Identity())
	require.Equal(t, uint16(0x7FF), full.Manufacturer())
	require.Equal(t, uint8(7), full.ECUInstance())
	require.Equal(t, uint8(31), full.FunctionInstance())
	require.Equal(t, uint8(127), full.VehicleSystem())
	require.Equal(t, uint8(15), full.SystemInstance())
	require.Equal(t, uint8(7), full.IndustryGroup())
	require.False(t, full.ArbitraryAddress())
}

func TestDirectory(t *testing.T) {
	const (
		suspension j1939.Name = 0x930A2F1100012345
		newcomer   j1939.Name = 0x130A2F1100000001 // smaller, so it wins
	)
	var d j1939.Directory
	holder := func(address uint8, at time.Duration) j1939.Name {
		c, ok := d.Holder(0, address, capture.Stamp(at))
		require.Equal(t, ok, c.Name != 0)
		return c.Name
	}
	address := func(n j1939.Name, at time.Duration) uint8 {
		a, _ := d.Address(0, n, capture.Stamp(at))
		return a
	}

	require.Zero(t, holder(0x2F, 0))
	first := claim(1000*time.Millisecond, 0x2F, suspension)
	require.Equal(t, unhex(t, "45 23 01 00 11 2F 0A 93"), first.Payload())
	require.True(t, d.Feed(first))
	require.Zero(t, holder(0x2F, 1249*time.Millisecond), "it may still be contested")
	require.Equal(t, suspension, holder(0x2F, 1250*time.Millisecond))
	c, _ := d.Holder(0, 0x2F, capture.Stamp(2*time.Second))
	require.Equal(t, j1939.Claim{Name: suspension, Since: first.At, Packet: 1000}, c)

	require.False(t, d.Feed(claim(3*time.Second, 0x2F, suspension)), "said again, on request")
	require.Equal(t, suspension, holder(0x2F, 3001*time.Millisecond))

	require.True(t, d.Feed(claim(4*time.Second, 0x2F, newcomer)))
	require.Zero(t, holder(0x2F, 4001*time.Millisecond))
	require.Equal(t, j1939.NoAddress, address(suspension, 5*time.Second))
	require.False(t, d.Feed(claim(4100*time.Millisecond, 0x2F, suspension)), "the larger NAME loses")
	require.True(t, d.Feed(claim(4200*time.Millisecond, 0x80, suspension)))
	require.Equal(t, newcomer, holder(0x2F, 5*time.Second))
	require.Equal(t, uint8(0x80), address(suspension, 5*time.Second), "the same unit under a new address")

	require.True(t, d.Feed(claim(6*time.Second, 0x81, suspension)), "it moves")
	require.Zero(t, holder(0x80, 7*time.Second))
	require.Equal(t, uint8(0x81), address(suspension, 7*time.Second))
	require.True(t, d.Feed(claim(8*time.Second, j1939.NoAddress, suspension)), "it can't claim any")
	require.Equal(t, j1939.NoAddress, address(suspension, 9*time.Second))
	require.False(t, d.Feed(claim(9*time.Second, j1939.AllAddress, suspension)))
}

func TestDirectoryReadsClaimsOnly(t *testing.T) {
	const name j1939.Name = 0x930A2F1100012345
	var d j1939.Directory
	spoil := []func(f *capture.Frame){
		func(f *capture.Frame) { f.Len = 7 },
		func(f *capture.Frame) { f.Flags = 0 },
		func(f *capture.Frame) { f.Flags |= capture.Remote },
		func(f *capture.Frame) { f.Flags |= capture.Error },
		func(f *capture.Frame) { f.Flags |= capture.Cut },
		func(f *capture.Frame) { f.ID = 0x18EE802F },
		func(f *capture.Frame) { f.ID = 0x19EEFF2F },
		func(f *capture.Frame) { f.ID = 0x18EAFF2F },
	}
	for _, change := range spoil {
		f := claim(time.Second, 0x2F, name)
		change(f)
		require.False(t, d.Feed(f))
	}
	other := claim(time.Second, 0x2F, name)
	other.Bus = 3
	require.True(t, d.Feed(other))
	_, ok := d.Holder(0, 0x2F, capture.Stamp(time.Minute))
	require.False(t, ok)
	_, ok = d.Holder(3, 0x2F, capture.Stamp(time.Minute))
	require.True(t, ok)
	_, ok = d.Holder(3, j1939.AllAddress, capture.Stamp(time.Minute))
	require.False(t, ok)
}
