package review

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
)

var update = flag.Bool("update", false, "write the golden files anew")

// sessions are the reviews that every format is tried on.
var sessions = []struct {
	name   string
	review func() *Review
}{
	{"early-lowering", earlyLowering},
	{"proper-job", properJob},
	{"blind", blind},
}

// write returns what the format makes of r.
func write(t testing.TB, format string, r *Review) string {
	t.Helper()
	f, ok := FormatByName(format)
	require.True(t, ok, format)
	var b bytes.Buffer
	require.NoError(t, f.Write(&b, r))
	return b.String()
}

func TestFormatsMatchTheirGoldenFiles(t *testing.T) {
	for _, s := range sessions {
		for _, f := range Formats {
			t.Run(s.name+"/"+f.Name, func(t *testing.T) { golden(t, s.name+"."+f.Name, write(t, f.Name, s.review())) })
		}
	}
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *update {
		require.NoError(t, os.MkdirAll("testdata", 0o777))
		require.NoError(t, os.WriteFile(file, []byte(got), 0o666))
	}
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	require.Equal(t, string(want), got)
}

// Who took over stands among what was said, in text and on the page; of many the latest.
func TestHandoversAreSaid(t *testing.T) {
	start := capture.Stamp(1_772_442_840_000_000_000) // 2026-03-02 09:14 UTC
	event := func(after time.Duration, record uint64, kind, body string) capture.Event {
		return capture.Event{At: start.Add(after), Kind: capture.EventJournal, Name: kind, Record: record, Body: []byte(body)}
	}
	events := []capture.Event{event(0, 1, "session", `{"kind":"session"}`),
		event(10*time.Second, 4, "handover", `{"kind":"handover","to":"L. Example","by":"K. Example","note":"ring on the bench","open":["x"]}`),
		event(20*time.Second, 5, "handover", `{"kind":"handover","to":"M. Example"}`)}
	run := func(events []capture.Event) *Review {
		r, err := Run(t.Context(), Input{Source: &capture.Slice{Events: events}, File: "job.pcapng"})
		require.NoError(t, err)
		return r
	}
	r := run(events)
	require.Equal(t, []string{"handed over to L. Example by K. Example, 00:10 (J4): ring on the bench", "handed over to M. Example, 00:20 (J5)"}, r.Record.Said)
	var page bytes.Buffer
	require.NoError(t, WriteText(&page, r, 80))
	require.Contains(t, page.String(), "said       handed over to L. Example by K. Example, 00:10 (J4): ring on the\n              bench\n")
	page.Reset()
	require.NoError(t, htmlFormat.Write(&page, r))
	require.Contains(t, page.String(), "handed over to M. Example, 00:20 (J5)")
	for i := range 2 * maxHandovers {
		events = append(events, event(30*time.Second, 6+uint64(i), "handover", `{"kind":"handover","to":"N. Example"}`))
	}
	require.Len(t, run(events).Record.Said, maxHandovers)
}
