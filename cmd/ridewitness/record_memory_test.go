//go:build linux && !race

package main

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/replay/scenario"
)

// How much memory a recording takes, whatever its length. The race detector takes some of its own, so
// this is not asked under it.

// An hour of two busy buses.
const (
	busyRate = 5_000 // frames a second, of both together
	busyHour = 3600 * busyRate
)

// mostMemory is what a recording may take, in MiB.
const mostMemory = 64

// pipedSession is a session.File at the end of which somebody reads.
type pipedSession struct{ io.WriteCloser }

// Sync implements session.File.
func (pipedSession) Sync() error { return nil }

// busyTraffic writes a session of the demonstration job's first minutes, again and again at the rate of
// busy buses, with a mark every minute. It calls so far after every minute of it.
func busyTraffic(t testing.TB, out io.WriteCloser, frames int, soFar func(frames int)) {
	t.Helper()
	job, err := scenario.Builtin("proper")
	require.NoError(t, err)
	card := session.NewText("card", []byte(job.Card()))
	w, err := session.NewWriter(pipedSession{out}, job.Start(), session.SessionRecord{Origin: session.OriginSimulated, Card: &card,
		Definitions: []session.Text{session.NewText("definitions", []byte(job.Definitions()))}})
	require.NoError(t, err)
	batches := firstBatches(t, job, 100)
	at, sent := job.Start(), 0
	for minute := busyRate * 60; sent < frames; {
		b := batches[sent/capture.BatchFrames%len(batches)]
		for i := range b.Frames {
			at = at.Add(time.Second / busyRate)
			b.Frames[i].At = at
		}
		require.NoError(t, w.Write(&b))
		before := sent / minute
		if sent += len(b.Frames); sent/minute > before {
			require.NoError(t, w.Journal(at, session.MarkRecord{Kind: session.KindMark, Name: "note", Note: "another minute"}))
			soFar(sent)
		}
	}
	require.NoError(t, w.Close(at))
}

// firstBatches returns the first frames of a job, in full batches, with the names of its buses before them.
func firstBatches(t testing.TB, job *scenario.Scenario, count int) []capture.Batch {
	t.Helper()
	run, err := job.Open(1)
	require.NoError(t, err)
	all := make([]capture.Batch, count)
	one := capture.NewBatch()
	next := func(b *capture.Batch) {
		for len(b.Frames) < capture.BatchFrames {
			require.NoError(t, run.Next(t.Context(), one))
			b.Frames = append(b.Frames, one.Frames...)
			for _, e := range one.Events {
				if e.Kind == capture.EventBus {
					b.Events = append(b.Events, e)
				}
			}
		}
		b.Frames = b.Frames[:capture.BatchFrames]
	}
	for i := range all {
		next(&all[i])
	}
	return all
}

// recordedFrom lets the program record busy traffic from its standard input, and returns what its memory
// peaked at, in MiB, when a quarter had come and at the end.
func recordedFrom(t testing.TB, frames int) (quarter, end float64) {
	t.Helper()
	self, err := os.Executable()
	require.NoError(t, err)
	file := filepath.Join(t.TempDir(), "job.pcapng")
	run := exec.CommandContext(t.Context(), self, "record", "--from", "-", "--plain", "--output", file)
	run.Args[0] = "ridewitness" // TestMain goes by it
	var errs bytes.Buffer
	run.Stdout, run.Stderr = io.Discard, &errs
	in, err := run.StdinPipe()
	require.NoError(t, err)
	require.NoError(t, run.Start())
	busyTraffic(t, in, frames, func(sent int) {
		end = peakOf(t, run.Process.Pid)
		if quarter == 0 && sent >= frames/4 {
			quarter = end
		}
	})
	require.NoError(t, run.Wait(), errs.String())
	info, err := os.Stat(file)
	require.NoError(t, err)
	require.Greater(t, info.Size(), int64(frames)*(52+4), "a packet block with its record and flags is longer (pcapng, section 4.3)")
	return quarter, end
}

// peakOf returns the most memory that a process had so far, in MiB (proc(5), VmHWM).
func peakOf(t testing.TB, pid int) float64 {
	t.Helper()
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	require.NoError(t, err)
	_, rest, found := bytes.Cut(status, []byte("\nVmHWM:"))
	require.True(t, found)
	line, _, _ := bytes.Cut(rest, []byte(" kB\n"))
	kib, err := strconv.ParseFloat(string(bytes.TrimSpace(line)), 64)
	require.NoError(t, err)
	return kib / 1024
}

// A recording of some minutes of busy buses stays small in memory.
func TestRecordStaysSmall(t *testing.T) {
	_, most := recordedFrom(t, busyHour/12)
	require.Positive(t, most)
	require.Less(t, most, float64(mostMemory))
}

// BenchmarkRecordMemory records an hour of two busy buses from a pipe, as fast as it goes, and reports
// what the program's memory peaked at in the first quarter of it and in all, in MiB: say -benchtime 1x.
func BenchmarkRecordMemory(b *testing.B) {
	var quarter, end float64
	for b.Loop() {
		quarter, end = recordedFrom(b, busyHour)
	}
	b.ReportMetric(quarter, "quarter-MiB")
	b.ReportMetric(end, "peak-MiB")
	b.ReportMetric(float64(busyHour*b.N)/b.Elapsed().Seconds(), "frames/s")
}
