package host_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture/host"
)

// supply is one folder of /sys/class/power_supply: its properties and their text.
type supply map[string]string

// The words are those of the kernel's Documentation/ABI/testing/sysfs-class-power.
var (
	mainsIn    = supply{"type": "Mains\n", "online": "1\n"}
	mainsOut   = supply{"type": "Mains\n", "online": "0\n"}
	emptied    = supply{"type": "Battery\n", "status": "Discharging\n", "capacity": "60\n", "present": "1\n"}
	filled     = supply{"type": "Battery\n", "status": "Charging\n", "capacity": "20\n"}
	full       = supply{"type": "Battery\n", "status": "Full\n", "capacity": "100\n"}
	silent     = supply{"type": "Battery\n", "status": "Unknown\n", "capacity": "50\n"}
	mouse      = supply{"type": "Battery\n", "status": "Discharging\n", "capacity": "5\n", "scope": "Device\n"}
	absent     = supply{"type": "Battery\n", "status": "Discharging\n", "present": "0\n"}
	noCapacity = supply{"type": "Battery\n", "status": "Discharging\n"}
)

func TestPowerIn(t *testing.T) {
	for _, c := range []struct {
		name     string
		supplies map[string]supply
		want     host.Power
	}{
		{"nothing there", nil, host.Power{}},
		{"mains only: no battery", map[string]supply{"AC": mainsIn}, host.Power{}},
		{"mains in, filling", map[string]supply{"AC": mainsIn, "BAT0": filled}, host.Power{Known: true, Percent: 20}},
		{"mains out", map[string]supply{"AC": mainsOut, "BAT0": emptied}, host.Power{Known: true, OnBattery: true, Percent: 60}},
		{"a charger that is too weak", map[string]supply{"AC": mainsIn, "BAT0": emptied}, host.Power{Known: true, OnBattery: true, Percent: 60}},
		{"full and plugged in", map[string]supply{"AC": mainsIn, "BAT0": full}, host.Power{Known: true, Percent: 100}},
		{"full and every plug out", map[string]supply{"AC": mainsOut, "BAT0": full}, host.Power{Known: true, OnBattery: true, Percent: 100}},
		{"full and nobody speaks of plugs", map[string]supply{"BAT0": full}, host.Power{Known: true, Percent: 100}},
		{"says nothing, mains out", map[string]supply{"AC": mainsOut, "BAT0": silent}, host.Power{Known: true, OnBattery: true, Percent: 50}},
		{"says nothing, mains out, fed by USB", map[string]supply{"AC": mainsOut, "usb": {"type": "USB", "online": "2"}, "BAT0": silent},
			host.Power{Known: true, Percent: 50}},
		{"says nothing, nobody speaks of plugs", map[string]supply{"BAT0": silent}, host.Power{Percent: 50}},
		{"two: one emptied, one full", map[string]supply{"BAT0": emptied, "BAT1": full}, host.Power{Known: true, OnBattery: true, Percent: 80}},
		{"one does not say how full", map[string]supply{"BAT0": emptied, "BAT1": noCapacity}, host.Power{Known: true, OnBattery: true, Percent: 30}},
		{"a mouse is no battery of the machine", map[string]supply{"AC": mainsIn, "hid": mouse}, host.Power{}},
		{"a battery out of its bay", map[string]supply{"AC": mainsIn, "BAT1": absent}, host.Power{}},
		{"a capacity that can't be", map[string]supply{"BAT0": {"type": "Battery", "status": "Discharging", "capacity": "250"}},
			host.Power{Known: true, OnBattery: true}},
		{"a capacity below zero", map[string]supply{"BAT0": {"type": "Battery", "status": "Discharging", "capacity": "-1"}},
			host.Power{Known: true, OnBattery: true}},
		{"a number of many digits", map[string]supply{"BAT0": {"type": "Battery", "status": "Discharging", "capacity": strings.Repeat("9", 60)}},
			host.Power{Known: true, OnBattery: true}},
		{"bytes that are no words", map[string]supply{"BAT0": {"type": "\x00\xff\xfe", "status": "\x1b[2J", "online": "%n"}}, host.Power{}},
		{"a word of a megabyte", map[string]supply{"BAT0": {"type": "Battery" + strings.Repeat(" ", 1<<20), "status": "Full"}}, host.Power{}},
		{"empty files", map[string]supply{"BAT0": {"type": "", "status": "", "capacity": ""}}, host.Power{}},
		{"a folder without files", map[string]supply{"BAT0": {}}, host.Power{}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := host.PowerIn(folderOf(t, c.supplies))
			require.NoError(t, err)
			require.Equal(t, c.want, got)
		})
	}
}

// folderOf lays out a folder like the kernel's.
func folderOf(t *testing.T, supplies map[string]supply) string {
	t.Helper()
	root := t.TempDir()
	for name, properties := range supplies {
		require.NoError(t, os.Mkdir(filepath.Join(root, name), 0o755))
		for property, text := range properties {
			require.NoError(t, os.WriteFile(filepath.Join(root, name, property), []byte(text), 0o644))
		}
	}
	return root
}

func TestPowerInOddFolders(t *testing.T) {
	dir := t.TempDir()
	got, err := host.PowerIn(filepath.Join(dir, "is not there"))
	require.NoError(t, err)
	require.Zero(t, got)

	file := filepath.Join(dir, "file")
	require.NoError(t, os.WriteFile(file, []byte("Battery"), 0o644))
	got, err = host.PowerIn(file)
	require.ErrorContains(t, err, "what the machine lives on")
	require.Zero(t, got)

	// A file beside the supplies, and a folder where a property should be.
	require.NoError(t, os.MkdirAll(filepath.Join(dir, "BAT0", "type"), 0o755))
	got, err = host.PowerIn(dir)
	require.NoError(t, err)
	require.Zero(t, got)
}

// TestPowerInIsBounded: a battery behind the bound is not looked for, so the answer comes soon and is
// 'not known' rather than wrong.
func TestPowerInIsBounded(t *testing.T) {
	many := map[string]supply{"zz_battery": emptied}
	for i := range 100 {
		many["a"+strings.Repeat("x", i)] = supply{"type": "Unknown"}
	}
	got, err := host.PowerIn(folderOf(t, many))
	require.NoError(t, err)
	require.Zero(t, got)
}

// TestPowerNow: whatever machine this is, what is not known is zero.
func TestPowerNow(t *testing.T) {
	got, err := host.PowerNow()
	if err != nil {
		require.ErrorIs(t, err, host.ErrUnknown)
		require.Zero(t, got)
	}
	require.True(t, got.Percent >= 0 && got.Percent <= 100, "%d %%", got.Percent)
	require.False(t, got.OnBattery && !got.Known)
}
