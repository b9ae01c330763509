package host

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestSizeOf(t *testing.T) {
	require.Equal(t, uint64(40960), sizeOf(uint64(10), int64(4096)))
	require.Equal(t, uint64(math.MaxUint64), sizeOf(uint64(1<<60), int64(4096)), "more than fits")
	require.Zero(t, sizeOf(int64(-3), uint64(512)), "filled into what is kept for root")
	require.Zero(t, sizeOf(uint64(3), int64(-512)))
	require.Zero(t, sizeOf(uint64(0), uint32(512)))
}
