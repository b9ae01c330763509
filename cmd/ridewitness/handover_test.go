package main

import (
	"bytes"
	"context"
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/replay/live"
)

// While a recorder holds its session, a handover goes on record by way of it, and only so. The report is of
// what the file holds by then, and says that it has no end.
func TestHandoverWhileItIsRecorded(t *testing.T) {
	folder := t.TempDir()
	t.Setenv("XDG_RUNTIME_DIR", folder)
	path := filepath.Join(folder, "running.pcapng")
	recorder, err := session.Create(path)
	require.NoError(t, err)
	defer recorder.Close()
	start := capture.StampOf(time.Date(2026, 5, 11, 8, 0, 0, 0, time.UTC))
	w, err := session.NewWriter(recorder, start, session.SessionRecord{Origin: session.OriginSimulated})
	require.NoError(t, err)
	require.NoError(t, w.Journal(start, session.MarkRecord{Kind: session.KindMark, Name: "line-open", Corner: "rear-left"}))
	require.NoError(t, w.Seal(start))

	run := func(args ...string) (status int, out, errs string) {
		var o, e bytes.Buffer
		a := &App{In: strings.NewReader(""), Out: &o, Err: &e, Now: func() time.Time { return start.Time().Add(time.Minute) }, Width: 80}
		return a.main(context.Background(), args), o.String(), e.String()
	}
	status, out, errs := run("handover", path, "--to", "L. Example")
	require.Equal(t, exitUsage, status)
	require.Empty(t, out, "nobody takes it, so nobody took over")
	require.Contains(t, errs, "is being written, and no recorder of yours takes marks for it")

	var kept session.HandoverRecord
	door := live.NewDoor(func(_ capture.Stamp, record any) (uint64, error) {
		return 7, json.Unmarshal(record.(json.RawMessage), &kept)
	}, func() capture.Stamp { return start.Add(30 * time.Second) })
	require.NoError(t, door.Open(path))
	defer door.Close()
	status, out, errs = run("handover", path, "--to", "L. Example", "--by", "K. Example", "--note", "ring on the bench")
	require.Equal(t, exitDone, status, errs)
	require.Contains(t, out, "J7: handed over to L. Example by K. Example, 2026-05-11 08:00:30 UTC: ring on\n  the bench\n")
	require.Contains(t, out, "it was cut short or is still being")
	require.Equal(t, []string{"L. Example", "K. Example", "ring on the bench"}, []string{kept.To, kept.By, kept.Note})
	require.Equal(t, "Do not lower: rear-left line marked open 00:00:00.", kept.Open[0])
}
