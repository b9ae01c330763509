//go:build linux

package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/capture/socketcan/kerneltest"
)

// twoBuses writes a session of a second: a frame each 10 ms on can0, every tenth of which is an error
// report, and as many on can1. With fd the last one is an FD frame.
func twoBuses(t *testing.T, fd bool) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "two.pcapng")
	f, err := os.Create(path)
	require.NoError(t, err)
	const start = capture.Stamp(1_700_000_000_000_000_000)
	w, err := session.NewWriter(f, start, session.SessionRecord{Origin: session.OriginSimulated})
	require.NoError(t, err)
	b := capture.Batch{Events: []capture.Event{{At: start, Kind: capture.EventBus, Name: "can0"}, {At: start, Kind: capture.EventBus, Bus: 1, Name: "can1"}}}
	for i := range 100 {
		frame := capture.Frame{At: start + capture.Stamp(i+1)*10e6, ID: 0x123, Len: 2, Data: [capture.MaxData]byte{byte(i)}}
		other := frame
		other.Bus = 1
		if i%10 == 9 {
			frame.Flags, frame.Len = capture.Error, 8
		}
		b.Frames = append(b.Frames, frame, other)
	}
	if fd {
		b.Frames[len(b.Frames)-4].Flags = capture.FD
	}
	require.NoError(t, w.Write(&b))
	require.NoError(t, w.Close(start+1e9))
	return path
}

func ontoRun(t *testing.T, args ...string) (status int, out, errs string) {
	t.Helper()
	var o, e bytes.Buffer
	a := &App{In: strings.NewReader(""), Out: &o, Err: &e}
	status = a.main(t.Context(), append([]string{"replay"}, args...))
	return status, o.String(), e.String()
}

// The program sends a bus onto a virtual link, says what it did, and refuses every other link.
func TestKernelReplayOnto(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		kerneltest.AddLink(t, "vcan9", "vcan")
		kerneltest.AddLink(t, "vcan7", "dummy")
		path := twoBuses(t, false)

		status, out, errs := ontoRun(t, path, "--onto", "can0=vcan9", "--format", "json")
		require.Equal(t, exitDone, status, errs)
		require.Equal(t, "can0 goes onto vcan9, of the kind vcan, which has no controller; the frames are of origin SIMULATED\n", errs)
		var r map[string]any
		require.NoError(t, json.Unmarshal([]byte(out), &r))
		require.Equal(t, "ridewitness/replay/1", r["schema"])
		require.Equal(t, "simulated", r["origin"])
		require.Equal(t, true, r["complete"])
		require.Equal(t, 100.0, r["frames_of_other_buses"])
		require.Equal(t, []any{map[string]any{"bus": "can0", "link": "vcan9", "kind": "vcan",
			"sent": 90.0, "refused": 0.0, "error_frames_left_out": 10.0, "cut_frames_left_out": 0.0}}, r["links"])
		// A hundred stamps of frames, and that of the session record before them.
		require.Equal(t, 101.0, r["lateness"].(map[string]any)["count"])

		status, out, errs = ontoRun(t, path, "--onto", "can0=vcan9", "--from", "500ms", "--speed", "10")
		require.Equal(t, exitDone, status, errs)
		require.Contains(t, out, "two.pcapng, origin SIMULATED\n  can0 onto vcan9: 4")
		require.Contains(t, out, "left out: error reports of the adapter are not frames of a bus\n")
		require.Contains(t, out, " deadlines: half within ")

		for _, c := range []struct{ onto, want string }{
			{"can0=vcan7", "vcan7: not a virtual CAN link, so a vehicle may hang on it: its kind is dummy"},
			{"can5=vcan9", "has no bus \"can5\"\nhint: its buses: can0, can1"},
		} {
			status, out, errs = ontoRun(t, path, "--onto", c.onto)
			require.Equal(t, exitUsage, status, c.onto)
			require.Contains(t, errs, c.want)
			require.Empty(t, out)
		}

		kerneltest.AddLink(t, "vcan5", "vcan")
		kerneltest.SetDown(t, "vcan5")
		kerneltest.SetMTU(t, "vcan5", kerneltest.ClassicMTU)
		kerneltest.SetUp(t, "vcan5")
		status, _, errs = ontoRun(t, twoBuses(t, true), "--onto", "can0=vcan5")
		require.Equal(t, exitUsage, status)
		require.Contains(t, errs, "vcan5: the link carries classic frames only")
	})
}
