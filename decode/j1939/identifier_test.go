package j1939_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ridewitness/capture"
	"ridewitness/decode/j1939"
)

// Identifiers as in public documentation of SAE J1939-21, taken apart by hand.
func TestSplit(t *testing.T) {
	tests := []struct {
		id   capture.ID
		want j1939.Identifier
	}{
		{0x18FE5827, j1939.Identifier{Priority: 6, Group: 65112, Destination: 255, Source: 0x27}},
		{0x0CF00400, j1939.Identifier{Priority: 3, Group: 61444, Destination: 255, Source: 0x00}},
		{0x18EAFFF9, j1939.Identifier{Priority: 6, Group: 59904, Destination: 255, Source: 0xF9}},
		{0x18EA2FF9, j1939.Identifier{Priority: 6, Group: 59904, Destination: 0x2F, Source: 0xF9}},
		{0x1CECFF2F, j1939.Identifier{Priority: 7, Group: 60416, Destination: 255, Source: 0x2F}},
		{0x18EEFF2F, j1939.Identifier{Priority: 6, Group: 60928, Destination: 255, Source: 0x2F}},
		{0x0CD22F27, j1939.Identifier{Priority: 3, Group: 53760, Destination: 0x2F, Source: 0x27}},
		{0x1FFFFFFF, j1939.Identifier{Priority: 7, Group: j1939.MaxGroup, Destination: 255, Source: 255}},
		{0x03EF1234, j1939.Identifier{Priority: 0, Group: 0x3EF00, Destination: 0x12, Source: 0x34}},
	}
	for _, tt := range tests {
		require.Equal(t, tt.want, j1939.Split(tt.id), "0x%08X", uint32(tt.id))
	}
}

// What is split can be put together again, by the rule of the standard written down here once more.
func TestSplitLosesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		id := rapid.Uint32Range(0, 0x1FFFFFFF).Draw(t, "id")
		i := j1939.Split(capture.ID(id))
		again := uint32(i.Priority)<<26 | i.Group<<8 | uint32(i.Source)
		if i.Group>>8&0xFF < 0xF0 {
			again |= uint32(i.Destination) << 8
		}
		require.Equal(t, id, again)
	})
}
