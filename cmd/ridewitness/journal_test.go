package main

import (
	"bytes"
	"context"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/session"
)

// While a recorder holds its session, nothing is added to it from outside: the error says who holds it and
// what to do. What is open there can be asked, and the file says of itself that it has no end.
func TestRunningSessionTakesNoHandover(t *testing.T) {
	path := filepath.Join(t.TempDir(), "running.pcapng")
	recorder, err := session.Create(path)
	require.NoError(t, err)
	defer recorder.Close()
	start := capture.StampOf(time.Date(2026, 5, 11, 8, 0, 0, 0, time.UTC))
	w, err := session.NewWriter(recorder, start, session.SessionRecord{Origin: session.OriginSimulated})
	require.NoError(t, err)
	require.NoError(t, w.Seal(start))

	run := func(args ...string) (status int, out, errs string) {
		var o, e bytes.Buffer
		a := &App{In: strings.NewReader(""), Out: &o, Err: &e, Now: func() time.Time { return start.Time().Add(time.Minute) }, Width: 80}
		return a.main(context.Background(), args), o.String(), e.String()
	}
	for _, args := range [][]string{{"handover", path, "--to", "L. Example"}, {"mark", path, "note"}} {
		status, out, errs := run(args...)
		require.Equal(t, exitUsage, status)
		require.Empty(t, out)
		require.Contains(t, errs, "somebody else is writing to it\nhint: a recorder holds it while it records: end the recording, then say it again")
	}
	status, out, _ := run("handover", path)
	require.Equal(t, exitDone, status)
	require.Contains(t, out, "it was cut short or is still being")
}
