package ptytest

import (
	"fmt"
	"os"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// Pair returns both sides of a pseudo-terminal of 80 columns and 24 rows (pts(4)): that of a person, and
// that of a program. They are closed with the test, so whoever hangs in a write is let go.
func Pair(t testing.TB) (hand, line *os.File) {
	t.Helper()
	hand, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	require.NoError(t, err)
	t.Cleanup(func() { hand.Close() })
	require.NoError(t, unix.IoctlSetPointerInt(int(hand.Fd()), unix.TIOCSPTLCK, 0))
	n, err := unix.IoctlGetInt(int(hand.Fd()), unix.TIOCGPTN)
	require.NoError(t, err)
	require.NoError(t, unix.IoctlSetWinsize(int(hand.Fd()), unix.TIOCSWINSZ, &unix.Winsize{Row: 24, Col: 80}))
	line, err = os.OpenFile(fmt.Sprintf("/dev/pts/%d", n), os.O_RDWR|unix.O_NOCTTY, 0)
	require.NoError(t, err)
	t.Cleanup(func() { line.Close() })
	return hand, line
}
