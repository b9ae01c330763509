package host_test

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture/host"
)

func TestDiskAt(t *testing.T) {
	d, err := host.DiskAt(t.TempDir())
	if errors.Is(err, host.ErrUnknown) {
		require.Zero(t, d)
		return
	}
	require.NoError(t, err)
	require.NotZero(t, d.Total)
	require.LessOrEqual(t, d.Free, d.Total)
}

// TestDiskAtAgainstDf holds it against the system's df, whose size of a file system stays the same
// while others write.
func TestDiskAtAgainstDf(t *testing.T) {
	dir := t.TempDir()
	out, err := exec.Command("df", "-Pk", dir).Output()
	if err != nil {
		t.Skip("this system has no df that knows -P and -k (POSIX)")
	}
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	fields := strings.Fields(lines[len(lines)-1])
	require.Greater(t, len(fields), 3, "%s", out)
	kib, err := strconv.ParseUint(fields[len(fields)-5], 10, 64)
	require.NoError(t, err)
	d, err := host.DiskAt(dir)
	require.NoError(t, err)
	// df rounds to whole KiB.
	require.InDelta(t, float64(kib), float64(d.Total)/1024, 1)
}

func TestDiskAtNowhere(t *testing.T) {
	for _, path := range []string{filepath.Join(t.TempDir(), "is not there"), "", "a\x00b", strings.Repeat("x", 1<<16)} {
		d, err := host.DiskAt(path)
		require.Error(t, err)
		require.ErrorContains(t, err, "room on the disk of")
		require.Zero(t, d)
	}
	d, err := host.DiskAt(filepath.Join(t.TempDir(), "is not there"))
	require.Zero(t, d)
	if !errors.Is(err, host.ErrUnknown) {
		require.ErrorIs(t, err, os.ErrNotExist)
	}
}
