package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/session"
)

// check is a test, or one draw of a property.
type check interface {
	require.TestingT
	Helper()
	Context() context.Context
}

// does runs a command line in this process, and returns what it printed and its exit status.
func does(t check, args ...string) (out, errs string, exit int) {
	t.Helper()
	var o, e bytes.Buffer
	a := &App{In: strings.NewReader(""), Out: &o, Err: &e, Now: time.Now, Width: defaultWidth, Height: defaultHeight, Log: zerolog.Nop()}
	exit = a.main(t.Context(), args)
	return o.String(), e.String(), exit
}

// foreign unpacks a recording that this project did not make, and returns its name and the flags that its
// definitions and job card need.
func foreign(t *testing.T, base string) (file string, known []string) {
	t.Helper()
	packed, err := os.Open(base + ".pcapng.gz")
	require.NoError(t, err)
	defer packed.Close()
	plain, err := gzip.NewReader(packed)
	require.NoError(t, err)
	file = filepath.Join(t.TempDir(), filepath.Base(base)+".pcapng")
	f, err := os.Create(file)
	require.NoError(t, err)
	_, err = io.Copy(f, plain)
	require.NoError(t, errors.Join(err, f.Close()))
	signals := base + ".signals.yaml"
	if _, err := os.Stat(signals); err != nil {
		signals = "j1939"
	}
	return file, []string{"--signals", signals, "--jobcard", base + ".jobcard.yaml"}
}

// journal returns the records of one kind in a session.
func journal[R any](t check, path, kind string) []R {
	t.Helper()
	source, err := session.Open(path)
	require.NoError(t, err)
	defer source.Close()
	var all []R
	b := capture.NewBatch()
	for {
		err := source.Next(context.Background(), b)
		if errors.Is(err, io.EOF) {
			return all
		}
		require.NoError(t, err)
		for _, e := range b.Events {
			if e.Kind == capture.EventJournal && e.Name == kind {
				var r R
				require.NoError(t, json.Unmarshal(e.Body, &r))
				all = append(all, r)
			}
		}
	}
}

// reviewed is a review in JSON, without what a copy must have of its own: name, seals, numbers of records,
// and the time of what was journalled last.
func reviewed(t check, args ...string) map[string]any {
	t.Helper()
	out, errs, _ := does(t, append([]string{"review", "--format", "json"}, args...)...)
	require.Empty(t, errs)
	var r map[string]any
	require.NoError(t, json.Unmarshal([]byte(out), &r))
	head := r["session"].(map[string]any)
	delete(head, "file")
	delete(head, "integrity")
	delete(head, "end")
	for _, f := range r["findings"].([]any) {
		evidence, _ := f.(map[string]any)["evidence"].([]any)
		for _, e := range evidence {
			delete(e.(map[string]any), "record")
		}
	}
	return r
}

// sounding are the rules that sound (HAZARDS H10).
var sounding = []string{"lowered-without-pressure", "lowered-with-no-fill-seen", "line-opened-under-pressure", "over-pressure", "moved-unasked"}

// HAZARDS H16: a session that is recorded again through the recorder reads as it did before, and what was
// warned of live is what its review finds broken. The recordings and their truths are not ours: see
// testdata/sessions/README.md.
func TestHazard16RecordedAgain(t *testing.T) {
	files, err := filepath.Glob("../../testdata/sessions/*.truth.json")
	require.NoError(t, err)
	require.Len(t, files, 20)
	for _, path := range files {
		base := strings.TrimSuffix(path, ".truth.json")
		t.Run(filepath.Base(base), func(t *testing.T) {
			file, known := foreign(t, base)
			again := filepath.Join(t.TempDir(), "again.pcapng")
			_, errs, exit := does(t, append([]string{"record", "--from", file, "--output", again}, known...)...)
			require.Empty(t, errs)
			require.Zero(t, exit)
			before := reviewed(t, append([]string{file}, known...)...)
			require.Equal(t, before, reviewed(t, again))

			warned := warnedAsReviewed(t, again, before)
			requireInTime(t, again)
			if before["outcome"] == "nothing-found" {
				require.Empty(t, warned, "an alarm in a proper job (HAZARDS H04)")
			}
		})
	}
}

// requireInTime requires of each warning of a corner that came down that it had hardly begun to close.
func requireInTime(t check, path string) {
	t.Helper()
	for _, w := range journal[session.WarningRecord](t, path, session.KindWarning) {
		if w.ClosedMM != nil && strings.HasPrefix(w.Rule, "lowered-") {
			require.LessOrEqual(t, *w.ClosedMM, latest, "%s %s", w.Rule, w.Corner)
		}
	}
}

// warnedAsReviewed requires of a recording that what was warned of while it was made is what its review finds
// broken, and returns that.
func warnedAsReviewed(t check, path string, review map[string]any) (warned []string) {
	t.Helper()
	var broken []string
	for _, w := range journal[session.WarningRecord](t, path, session.KindWarning) {
		warned = append(warned, w.Rule+" "+w.Corner)
	}
	for _, each := range review["findings"].([]any) {
		f := each.(map[string]any)
		rule, corner := f["rule"].(string), word(f["corner"])
		if f["outcome"] == "broken" && slices.Contains(sounding, rule) {
			broken = append(broken, rule+" "+corner)
		}
	}
	for _, b := range broken {
		require.Contains(t, warned, b, "broken, and nobody was warned")
	}
	for _, w := range warned {
		if !strings.HasPrefix(w, " ") { // the screen's own: not proven
			require.Contains(t, broken, w, "a warning that the review knows nothing of")
		}
	}
	return warned
}

// latest is how far a corner may have closed when the warning comes, in mm: 4 mm, or six times the noise of
// its height, and what it closes in one period of it; no descent in the recordings is faster than 20 mm/s.
const latest = 8.0

func word(v any) string {
	s, _ := v.(string)
	return s
}

// parts writes a simulated job in two sessions: what came before a moment, and what came after it.
func parts(t *testing.T, scenario string, cut time.Duration) (before, after string) {
	t.Helper()
	folder := t.TempDir()
	whole := filepath.Join(folder, "whole.pcapng")
	_, errs, exit := does(t, "simulate", scenario, "--seed", "7", "--output", whole)
	require.Zero(t, exit, errs)
	source, err := session.Open(whole)
	require.NoError(t, err)
	defer source.Close()
	names := [2]string{filepath.Join(folder, "before.pcapng"), filepath.Join(folder, "after.pcapng")}
	var writers [2]*session.Writer
	var start capture.Stamp
	b := capture.NewBatch()
	for {
		err := source.Next(t.Context(), b)
		if errors.Is(err, io.EOF) {
			break
		}
		require.NoError(t, err)
		for frames, e := range b.InOrder() {
			if e != nil && start == 0 {
				head := session.ReadSession(e)
				require.NotNil(t, head)
				start = e.At
				for i, name := range names {
					f, err := session.Create(name)
					require.NoError(t, err)
					writers[i], err = session.NewWriter(f, start.Add(time.Duration(i)*cut), *head)
					require.NoError(t, err)
				}
				continue
			}
			n, _ := slices.BinarySearchFunc(frames, start.Add(cut), func(f capture.Frame, at capture.Stamp) int { return int(f.At.Sub(at)) })
			require.NoError(t, writers[0].Write(&capture.Batch{Frames: frames[:n]}))
			require.NoError(t, writers[1].Write(&capture.Batch{Frames: frames[n:]}))
			if e == nil {
				continue
			}
			part := capture.Batch{Events: []capture.Event{*e}}
			part.Events[0].Index = 0
			if late := e.At.Sub(start) >= cut; e.Kind == capture.EventBus || !late {
				require.NoError(t, writers[0].Write(&part))
				if e.Kind != capture.EventBus {
					continue
				}
			}
			require.NoError(t, writers[1].Write(&part))
		}
	}
	require.NoError(t, writers[0].Close(start.Add(cut)))
	require.NoError(t, writers[1].Close(start.Add(time.Hour)))
	return names[0], names[1]
}

// HAZARDS H08: a recorder that was killed after the bleed is gone on with, and the job that then comes down
// too early is warned of; so is what the two sections say together.
func TestHazard08KilledAndContinued(t *testing.T) {
	before, after := parts(t, "early", 5*time.Minute)
	file := filepath.Join(t.TempDir(), "job.pcapng")
	_, errs, exit := does(t, "record", "--from", before, "--output", file)
	require.Zero(t, exit, errs)

	t.Run("in good order", func(t *testing.T) {
		same := filepath.Join(t.TempDir(), "job.pcapng")
		whole, err := os.ReadFile(file)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(same, whole, 0o644))
		_, errs, exit := does(t, "record", "--from", after, "--continue", same)
		require.Zero(t, exit, errs)
		grown, err := os.ReadFile(same)
		require.NoError(t, err)
		require.Equal(t, whole, grown[:len(whole)], "nothing that was there is changed")
		warnedOfEarly(t, same)
	})
	t.Run("killed", func(t *testing.T) {
		killed := filepath.Join(t.TempDir(), "job.pcapng")
		whole, err := os.ReadFile(file)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(killed, whole[:len(whole)-1000], 0o644))
		_, errs, exit := does(t, "record", "--from", after, "--continue", killed)
		require.Zero(t, exit, errs)
		mended := strings.Replace(killed, ".pcapng", "-2.pcapng", 1)
		require.Contains(t, errs, killed+" was cut-short; what is good of it is in "+mended)
		left, err := os.ReadFile(killed)
		require.NoError(t, err)
		require.Len(t, left, len(whole)-1000, "it stays as it was")
		warnedOfEarly(t, mended)
	})
	t.Run("back in time", func(t *testing.T) {
		late := filepath.Join(t.TempDir(), "late.pcapng")
		_, errs, exit := does(t, "record", "--from", after, "--output", late)
		require.Zero(t, exit, errs)
		_, errs, exit = does(t, "record", "--from", before, "--continue", late)
		require.Equal(t, exitUsage, exit)
		require.Contains(t, errs, "would lie before its end")
		out, _, _ := does(t, "verify", late)
		require.Contains(t, out, "sealed")
	})
}

// warnedOfEarly requires the warning of the early job, live and in the review of the whole file.
func warnedOfEarly(t *testing.T, path string) {
	t.Helper()
	out, _, _ := does(t, "verify", path)
	require.Contains(t, out, ": sealed")
	var live []string
	for _, w := range journal[session.WarningRecord](t, path, session.KindWarning) {
		live = append(live, w.Rule+" "+w.Corner)
	}
	require.Contains(t, live, "lowered-without-pressure rear-right")
	var found []string
	for _, each := range reviewed(t, path)["findings"].([]any) {
		if f := each.(map[string]any); f["outcome"] == "broken" {
			found = append(found, f["rule"].(string)+" "+word(f["corner"]))
		}
	}
	require.Contains(t, found, "lowered-without-pressure rear-right")
}
