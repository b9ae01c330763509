package host_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture/host"
)

// TestClockNow: a clock of which nothing is known is never one that is kept right.
func TestClockNow(t *testing.T) {
	got := host.ClockNow()
	require.False(t, got.Synchronised && !got.Known)
}
