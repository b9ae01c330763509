//go:build unix

package main

import (
	"bufio"
	"bytes"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture/session"
)

// running is the program while it runs, its standard output read line by line.
type running struct {
	*exec.Cmd
	t     *testing.T
	lines chan string
	errs  bytes.Buffer
	seen  []string
}

// start runs the program with a stream on its standard input.
func start(t *testing.T, in io.Reader, args ...string) *running {
	t.Helper()
	self, err := os.Executable()
	require.NoError(t, err)
	p := &running{Cmd: exec.CommandContext(t.Context(), self, args...), t: t, lines: make(chan string, 1000)}
	p.Args[0] = "ridewitness" // TestMain goes by it
	p.Stdin, p.Stderr = in, &p.errs
	out, err := p.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, p.Start())
	var reading sync.WaitGroup
	reading.Go(func() {
		defer close(p.lines)
		for s := bufio.NewScanner(out); s.Scan(); {
			p.lines <- s.Text()
		}
	})
	t.Cleanup(func() {
		_ = p.Process.Kill() // it has ended, or the test has failed
		for range p.lines {
		}
		reading.Wait()
		_ = p.Wait()
	})
	return p
}

// until waits for a line that holds one of some texts.
func (p *running) until(texts ...string) {
	p.t.Helper()
	for line := range p.lines {
		p.seen = append(p.seen, line)
		if slices.ContainsFunc(texts, func(text string) bool { return strings.Contains(line, text) }) {
			return
		}
	}
	require.Failf(p.t, "it never said so", "%q in:\n%s\n%s", texts, strings.Join(p.seen, "\n"), p.errs.String())
}

// ends waits for the end, and returns the exit status.
func (p *running) ends() int {
	p.t.Helper()
	for line := range p.lines {
		p.seen = append(p.seen, line)
	}
	_ = p.Wait() // the status says more than its error
	require.Empty(p.t, forbidden(nil, strings.Join(p.seen, "\n")+p.errs.String()))
	return p.ProcessState.ExitCode()
}

func (p *running) signal(s syscall.Signal) {
	p.t.Helper()
	require.NoError(p.t, p.Process.Signal(s))
}

// stream is the early job up to some time after its bleed, on a pipe that stays open.
func stream(t *testing.T) io.Reader {
	t.Helper()
	whole, err := os.ReadFile(filepath.Join(shared.folder, "early.pcapng"))
	require.NoError(t, err)
	r, w, err := os.Pipe()
	require.NoError(t, err)
	var writing sync.WaitGroup
	writing.Go(func() { _, _ = w.Write(whole[:len(whole)/3]) }) // who reads may go away
	t.Cleanup(func() {
		r.Close()
		w.Close()
		writing.Wait()
	})
	return r
}

// lastMark is the last mark that is set in it; frames come behind it.
const lastMark = "mark bled rear-right"

// TestRecordEnds: what a signal does to a recording. Whatever it was, the session is sealed.
func TestRecordEnds(t *testing.T) {
	share(t)
	for name, do := range map[string]func(*running){
		"SIGTERM": func(p *running) { p.signal(syscall.SIGTERM) },
		"asked twice": func(p *running) {
			p.signal(syscall.SIGINT)
			p.until("Ctrl-C once more within 5 s ends it")
			p.signal(syscall.SIGINT)
		},
		"SIGHUP is ignored": func(p *running) {
			p.signal(syscall.SIGHUP)
			p.signal(syscall.SIGINT)
			p.until("The recording goes on.")
			p.signal(syscall.SIGTERM)
		},
		"not put aside": func(p *running) {
			p.signal(syscall.SIGTSTP)
			p.until("Ctrl-Z does nothing here")
			p.signal(syscall.SIGTERM)
		},
	} {
		t.Run(name, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "job.pcapng")
			p := start(t, stream(t), "record", "--from", "-", "--output", file)
			p.until(lastMark)
			do(p)
			require.Zero(t, p.ends(), p.errs.String())
			require.Contains(t, strings.Join(p.seen, "\n"), "recorded: "+file)
			out, _, exit := does(t, "verify", file)
			require.Zero(t, exit, out)
		})
	}
}

// TestWhileItIsRecorded: what other programs may do to a session that is being recorded, and what they are
// told.
func TestWhileItIsRecorded(t *testing.T) {
	share(t)
	run := t.TempDir()
	t.Setenv("XDG_RUNTIME_DIR", run)
	file := filepath.Join(t.TempDir(), "job.pcapng")
	p := start(t, stream(t), "record", "--from", "-", "--output", file)
	p.until(lastMark)

	for _, c := range []struct { // in this order: a mark changes what a review finds
		name string
		args []string
		exit int
		says string
	}{
		{"a review of it so far", []string{"review", file}, exitCannotTell, "cut-short"},
		{"a second recorder", []string{"record", "--from", filepath.Join(shared.folder, "tiny.pcapng"), "--output", file}, exitUsage, "exists already"},
		{"one that goes on", []string{"record", "--from", filepath.Join(shared.folder, "tiny.pcapng"), "--continue", file}, exitUsage, "somebody else is writing to it"},
		{"a mark", []string{"mark", file, "line-open", "--corner", "rear-left", "--by", "KL"}, exitDone, "line-open rear-left at 2026-03-02T09:"},
		{"a mark with its time", []string{"mark", file, "note", "--at", "2026-03-02T09:15:00Z"}, exitDone, "note at 2026-03-02T09:15:00Z"},
		{"a mark that is none", []string{"mark", file, "tape", "--corner", "rear-left", "--value", "wide"}, exitUsage, "tape"},
		{"mend", []string{"mend", file, "--output", filepath.Join(run, "mended.pcapng")}, exitDone, "cut-short"},
	} {
		t.Run(c.name, func(t *testing.T) {
			out, errs, exit := does(t, c.args...)
			require.Equal(t, c.exit, exit, "%s%s", out, errs)
			require.Contains(t, out+errs, c.says)
		})
	}
	p.until("mark line-open rear-left")

	watcher := start(t, nil, "follow", file)
	watcher.until("line marked open")
	require.NoError(t, p.Process.Kill())
	watcher.until("BLIND ?? the recorder is gone")
	require.Equal(t, exitUsage, watcher.ends())
	require.Contains(t, watcher.errs.String(), "its recorder is gone")
	require.Contains(t, watcher.errs.String(), "record --continue "+file)
	_ = p.ends()

	_, errs, exit := does(t, "mark", file, "note")
	require.Equal(t, exitUsage, exit)
	require.Contains(t, errs, "mend it first", "nobody takes it any more")
	require.NotEmpty(t, journal[session.MarkRecord](t, file, session.KindMark))
}

// TestFollowToTheEnd: a recording that ends in good order is no loss, and a finished one can be looked at.
func TestFollowToTheEnd(t *testing.T) {
	share(t)
	file := filepath.Join(t.TempDir(), "job.pcapng")
	p := start(t, stream(t), "record", "--from", "-", "--output", file)
	p.until(lastMark)
	watcher := start(t, nil, "follow", file)
	watcher.until("Do not lower: ")
	p.signal(syscall.SIGTERM)
	require.Zero(t, p.ends())
	watcher.until("BLIND ?? the file has ended, no recorder answers")
	require.Zero(t, watcher.ends(), watcher.errs.String())
	late := start(t, nil, "follow", file)
	late.until("BLIND ?? the file has ended, no recorder answers")
	require.Zero(t, late.ends(), late.errs.String())
}

// TestWhoReadsTheLinesGoesAway: the recording goes on without.
func TestWhoReadsTheLinesGoesAway(t *testing.T) {
	share(t)
	file := filepath.Join(t.TempDir(), "job.pcapng")
	self, err := os.Executable()
	require.NoError(t, err)
	r, w, err := os.Pipe()
	require.NoError(t, err)
	run := exec.CommandContext(t.Context(), self, "record", "--from", filepath.Join(shared.folder, "early.pcapng"), "--output", file)
	run.Args[0] = "ridewitness"
	var errs bytes.Buffer
	run.Stdout, run.Stderr = w, &errs
	require.NoError(t, r.Close())
	require.NoError(t, run.Start())
	require.NoError(t, w.Close())
	require.NoError(t, run.Wait(), errs.String())
	require.Contains(t, errs.String(), "recorded: "+file, "it is said where somebody may still read it")
	out, _, exit := does(t, "verify", file)
	require.Zero(t, exit, out)
}

// HAZARDS H08: what a continued recording says of the springs rests on what was recorded before it.
func TestHazard08GoingOnKnowsWhatWasBled(t *testing.T) {
	before, after := parts(t, "early", 5*time.Minute)
	file := filepath.Join(t.TempDir(), "job.pcapng")
	_, errs, exit := does(t, "record", "--from", before, "--output", file)
	require.Zero(t, exit, errs)
	p := start(t, nil, "record", "--from", after, "--continue", file)
	require.Zero(t, p.ends(), p.errs.String())
	require.Regexp(t, `mark going-down\. Do not lower: rear-right 0\.\d\d bar, least 1\.00; bled 00:0[23]:\d\d, two fill steps answered since`, strings.Join(p.seen, "\n"))
}
