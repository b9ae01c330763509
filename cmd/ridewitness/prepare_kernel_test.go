//go:build linux

package main

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"ridewitness/capture/socketcan/kerneltest"
)

// twoHeights are definitions of the demo vehicle's front heights, and one of a frame that nobody sends.
const twoHeights = `version: 1
signals:
  - {name: front_left_height, corner: front-left, quantity: height, unit: mm, from: {frame: 0x152, format: standard},
     bytes: 1-2, order: high-first, mask: 0x0FFF, scale: 0.1, offset: 200, valid: {min: 220, max: 560}, proof: proven}
  - {name: front_right_height, corner: front-right, quantity: height, unit: mm, from: {frame: 0x152, format: standard},
     bytes: 3-4, order: high-first, mask: 0x0FFF, scale: 0.1, offset: 200, valid: {min: 220, max: 560}, proof: assumed}
  - {name: rear_left_height, corner: rear-left, quantity: height, unit: mm, from: {frame: 0x153, format: standard},
     bytes: 1-2, order: high-first, mask: 0x0FFF, scale: 0.1, offset: 200, valid: {min: 220, max: 560}, proof: contradicted}
  - {name: rear_left_pressure, corner: rear-left, quantity: pressure, reference: gauge, unit: bar,
     from: {data_identifier: 0x2B01, request: 0x6B2, response: 0x6BA}, bytes: 0-1, order: high-first, mask: 0xFFFF, scale: 0.01, offset: 0}
`

// talker puts frames on a link until the test ends: 0x152 with 300.0 mm left and 50.0 mm over the valid
// range right (raw 1000 and 4000), by hand from struct can_frame of linux/can.h.
func talker(t *testing.T, link string) {
	t.Helper()
	socket, err := unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_CLOEXEC, unix.CAN_RAW)
	require.NoError(t, err)
	found, err := net.InterfaceByName(link)
	require.NoError(t, err)
	require.NoError(t, unix.Bind(socket, &unix.SockaddrCAN{Ifindex: found.Index}))
	frame := make([]byte, kerneltest.ClassicMTU)
	binary.NativeEndian.PutUint32(frame, 0x152)
	frame[4] = 8
	copy(frame[8:], []byte{0, 0x03, 0xE8, 0x0F, 0xA0})
	stop := every(10*time.Millisecond, func() { _, _ = unix.Write(socket, frame) }) // a full queue means that it is heard
	t.Cleanup(func() {
		stop()
		unix.Close(socket)
	})
}

// prepared is what `prepare` says in JSON, read by a struct of its own.
type prepared struct {
	Schema, Outcome string
	Findings        int
	Checks          []struct{ Name, About, State, Says, Do string }
	Buses           []struct {
		Name, Kind          string
		Virtual, Up         bool
		BitRate             *int     `json:"bit_rate"`
		BufferMS            *float64 `json:"buffer_ms"`
		Frames, ErrorFrames *uint64
		PerSecond           *float64 `json:"frames_per_s"`
	}
	Signals []struct {
		Name       string
		OnDemand   bool `json:"only_when_asked"`
		Valid, Bad *uint64
		Last       *float64
	}
}

// state returns how a check ended, "" where it is not there.
func (p *prepared) state(about, name string) string {
	for _, c := range p.Checks {
		if c.About == about && c.Name == name {
			return c.State
		}
	}
	return ""
}

func prepareRun(t *testing.T, args ...string) (status int, out, errs string) {
	t.Helper()
	var o, e bytes.Buffer
	a := &App{In: strings.NewReader(""), Out: &o, Err: &e, Now: time.Now, Width: defaultWidth, Height: defaultHeight}
	status = a.main(t.Context(), append([]string{"prepare", "--output", t.TempDir()}, args...))
	require.Empty(t, forbidden([]string{"prepare"}, o.String()+e.String()))
	return status, o.String(), e.String()
}

// The program hears a bus, says which definitions read a value, and that a virtual link is no vehicle.
func TestKernelPrepare(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		kerneltest.AddLink(t, "vcan0", "vcan")
		kerneltest.AddLink(t, "vcan1", "vcan")
		talker(t, "vcan0")
		signals := filepath.Join(t.TempDir(), "heights.yaml")
		require.NoError(t, os.WriteFile(signals, []byte(twoHeights), 0o644))

		status, out, errs := prepareRun(t, "vcan0", "vcan1", "--signals", signals, "--listen", "1s", "--format", "json")
		require.Equal(t, exitWarning, status, errs)
		var p prepared
		require.NoError(t, json.Unmarshal([]byte(out), &p))
		require.Equal(t, "ridewitness/prepare/1", p.Schema)
		require.Equal(t, "needs-doing", p.Outcome)
		require.Equal(t, "nothing-found", p.state("", "kernel"))
		require.Equal(t, "needs-doing", p.state("vcan0", "link"), "a virtual link is no vehicle")
		require.Equal(t, "nothing-found", p.state("vcan0", "traffic"))
		require.Equal(t, "needs-doing", p.state("vcan1", "traffic"), "nothing was heard")
		require.Empty(t, p.state("vcan0", "silent"), "it has no controller")
		require.Equal(t, "nothing-found", p.state("", "values"))
		require.Equal(t, "needs-doing", p.state("", "no-values"))
		require.Equal(t, "needs-doing", p.state("", "bad-values"))
		require.Equal(t, "needs-doing", p.state("", "proof"), "one definition says itself that it is contradicted")
		require.Equal(t, "unknown", p.state("", "only-asked"))

		require.Len(t, p.Buses, 2)
		require.Equal(t, "vcan", p.Buses[0].Kind)
		require.True(t, p.Buses[0].Virtual && p.Buses[0].Up)
		require.Nil(t, p.Buses[0].BitRate)
		require.NotZero(t, *p.Buses[0].Frames)
		require.Positive(t, *p.Buses[0].PerSecond)
		require.Zero(t, *p.Buses[1].Frames)
		require.Positive(t, *p.Buses[0].BufferMS)

		require.Len(t, p.Signals, 4)
		require.InDelta(t, 300, *p.Signals[0].Last, 1e-9)
		require.NotZero(t, *p.Signals[1].Bad, "600 mm is over its valid range")
		require.Nil(t, p.Signals[1].Last)
		require.Zero(t, *p.Signals[2].Valid)
		require.True(t, p.Signals[3].OnDemand)

		status, out, errs = prepareRun(t, "vcan0", "--signals", signals, "--listen", "500ms")
		require.Equal(t, exitWarning, status, errs)
		flat := strings.Join(strings.Fields(out), " ")
		require.Regexp(t, `vcan0 DO link a virtual link inside this computer: nothing on it comes from a vehicle, up, classic and FD frames`, flat)
		require.Regexp(t, `- buffer .* of a full bus at 1 Mbit/s`, flat)
		require.Regexp(t, `- traffic \d+ frames in 0\.5\d* s, \d+ a second`, flat)
		require.Contains(t, flat, "values came of front_left_height")
		require.Contains(t, flat, "no valid value came of front_right_height")
		require.Contains(t, flat, "nothing came of rear_left_height")
		require.Contains(t, flat, "come only while a tester asks for them: rear_left_pressure")
		require.Regexp(t, `free: .* if every bus were full, .* at what was just heard`, flat)
	})
}

// What is no bus that can be heard is said for each, and does not keep the others from being heard.
func TestKernelPrepareRefused(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		kerneltest.AddLink(t, "vcan0", "vcan")
		kerneltest.AddLink(t, "vcan1", "vcan")
		kerneltest.SetDown(t, "vcan1")
		kerneltest.AddLink(t, "plain0", "dummy")
		talker(t, "vcan0")

		status, out, errs := prepareRun(t, "none", "vcan1", "plain0", "vcan0", "--listen", "500ms", "--format", "json")
		require.Equal(t, exitWarning, status, errs)
		var p prepared
		require.NoError(t, json.Unmarshal([]byte(out), &p))
		says := map[string]string{}
		for _, c := range p.Checks {
			if c.Name == "link" {
				require.Equal(t, "needs-doing", c.State)
				says[c.About] = c.Says
			}
		}
		require.Equal(t, "no such link on this machine; the CAN links here: vcan0, vcan1", says["none"])
		require.Equal(t, "not a CAN link: its kind is dummy", says["plain0"])
		require.Contains(t, says["vcan1"], ", down, ")
		require.Equal(t, "unknown", p.state("vcan1", "traffic"))
		require.Equal(t, "nothing-found", p.state("vcan0", "traffic"))
		require.Nil(t, p.Buses[0].Frames, "nobody listened")
		require.NotZero(t, *p.Buses[3].Frames)

		// Without a bus the links are listed, and nothing is listened to.
		_, out, _ = prepareRun(t)
		flat := strings.Join(strings.Fields(out), " ")
		require.Contains(t, flat, "no bus was named, so nobody listened")
		require.Contains(t, flat, "ridewitness prepare vcan0 ridewitness prepare vcan1")
		require.Contains(t, flat, "vcan0 ? link not listened to: a virtual link inside this computer")
	})
}
