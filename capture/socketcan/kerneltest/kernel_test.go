//go:build linux

package kerneltest

import (
	"net"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestKernelHasVirtualLinks(t *testing.T) {
	Run(t, func(t *testing.T) {
		AddLink(t, "vcan0", "vcan")
		link, err := net.InterfaceByName("vcan0")
		require.NoError(t, err)
		require.Equal(t, FDMTU, link.MTU)
		require.NotZero(t, link.Flags&net.FlagUp)

		AddPair(t, "vxcan0", "vxcan1")
		AddGateway(t, "vcan0", "vxcan0", 0xFF)
	})
}

func TestKernelNetworkIsEmptyAgain(t *testing.T) {
	Run(t, func(t *testing.T) {
		links, err := net.Interfaces()
		require.NoError(t, err)
		require.Len(t, links, 1)
		require.Equal(t, "lo", links[0].Name)
	})
}

func TestKernelRunsInside(t *testing.T) {
	Run(t, func(t *testing.T) {
		require.True(t, Inside())
	})
}
