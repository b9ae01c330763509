package host_test

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"ridewitness/capture/host"
)

// TestPowerInPipe: a pipe that nobody writes into would hold up a reader for ever.
func TestPowerInPipe(t *testing.T) {
	dir := folderOf(t, map[string]supply{"BAT0": {"type": "Battery", "capacity": "40"}})
	require.NoError(t, unix.Mkfifo(filepath.Join(dir, "BAT0", "status"), 0o600))
	got, err := host.PowerIn(dir)
	require.NoError(t, err)
	require.Equal(t, host.Power{Percent: 40}, got)
}

// TestPowerInLinks: the kernel's entries are symbolic links to folders; one may lead nowhere.
func TestPowerInLinks(t *testing.T) {
	device := folderOf(t, map[string]supply{"BAT0": emptied})
	dir := t.TempDir()
	require.NoError(t, os.Symlink(filepath.Join(device, "BAT0"), filepath.Join(dir, "BAT0")))
	require.NoError(t, os.Symlink(filepath.Join(dir, "gone"), filepath.Join(dir, "BAT1")))
	require.NoError(t, os.Symlink(".", filepath.Join(dir, "round")))
	got, err := host.PowerIn(dir)
	require.NoError(t, err)
	require.Equal(t, host.Power{Known: true, OnBattery: true, Percent: 60}, got)
}
