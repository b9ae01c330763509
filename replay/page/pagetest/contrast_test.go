package pagetest

import (
	"testing"

	"github.com/stretchr/testify/require"
)

// The ends of the scale are those of WCAG 2.2, 'contrast ratio': from 1 to 21. The greys are the two
// between which 4.5 on white lies, as it is often said (from memory).
func TestContrast(t *testing.T) {
	grey := func(c float64) [4]float64 { return [4]float64{c, c, c, 255} }
	require.InDelta(t, 21, Contrast(grey(0), grey(255)), 1e-9)
	require.InDelta(t, 21, Contrast(grey(255), grey(0)), 1e-9)
	require.InDelta(t, 1, Contrast(grey(0x33), grey(0x33)), 1e-9)
	require.GreaterOrEqual(t, Contrast(grey(0x76), grey(255)), 4.5)
	require.Less(t, Contrast(grey(0x77), grey(255)), 4.5)
	// Pure red on white is 4.00 to two places (from memory): the weights of the colours are not those
	// of a grey.
	require.InDelta(t, 4.00, Contrast([4]float64{255, 0, 0, 255}, grey(255)), 0.005)
}
