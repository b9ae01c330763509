package main

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"ridewitness/replay/live"
)

// fillsUp lets the file that a running recorder writes fail, as a full disk does: the system lets it grow no
// further. The next one may grow again. It returns the name of that.
func (p *running) fillsUp(file string, watcher *running) (next string) {
	p.t.Helper()
	info, err := os.Stat(file)
	require.NoError(p.t, err)
	var was unix.Rlimit
	require.NoError(p.t, unix.Prlimit(p.Process.Pid, unix.RLIMIT_FSIZE, nil, &was))
	require.NoError(p.t, unix.Prlimit(p.Process.Pid, unix.RLIMIT_FSIZE, &unix.Rlimit{Cur: uint64(info.Size()) + 1000, Max: was.Max}, nil))
	_, errs, exit := does(p.t, "mark", file, "note", "--note", strings.Repeat("no room ", 500))
	require.Zero(p.t, exit, errs)
	next = live.Numbered(file, 2)
	goesOn := "The recording goes on in " + next
	watcher.until("file ended, none goes on yet", goesOn)
	require.NoError(p.t, unix.Prlimit(p.Process.Pid, unix.RLIMIT_FSIZE, &was, nil))
	if !strings.Contains(watcher.seen[len(watcher.seen)-1], goesOn) {
		watcher.until(goesOn)
	}
	return next
}

// TestFollowIntoTheNextFile: a file that can't be written any more is no end for whoever follows, and what
// was known before it is known behind it.
func TestFollowIntoTheNextFile(t *testing.T) {
	share(t)
	for name, c := range map[string]struct {
		end  func(*running)
		says string
		exit int
	}{
		"and its end":  {func(p *running) { p.signal(syscall.SIGTERM) }, "BLIND ?? the file has ended, no recorder answers", exitDone},
		"and its loss": {func(p *running) { require.NoError(p.t, p.Process.Kill()) }, "BLIND ?? the recorder is gone", exitUsage},
	} {
		t.Run(name, func(t *testing.T) {
			t.Setenv("XDG_RUNTIME_DIR", t.TempDir())
			file := filepath.Join(t.TempDir(), "job.pcapng")
			p := start(t, stream(t), "record", "--from", "-", "--output", file)
			p.until("BLIND ?? no frame on any bus") // what comes behind that comes without a frame
			watcher := start(t, nil, "follow", file)
			watcher.until("Do not lower: ")
			next := p.fillsUp(file, watcher)
			_, errs, exit := does(t, "mark", next, "line-open", "--corner", "rear-left")
			require.Zero(t, exit, errs)
			watcher.until("line marked open")
			c.end(p)
			_ = p.ends()
			late := start(t, nil, "follow", file)
			for _, w := range []*running{watcher, late} {
				w.until(c.says)
				require.Equal(t, c.exit, w.ends(), w.errs.String())
				seen := strings.Join(w.seen, "\n")
				require.Contains(t, seen, "job.pcapng could not be written: another file goes on")
				require.Contains(t, seen, "line marked open")
				require.Regexp(t, `Do not lower: .*rear-right (unseen since .*, then )?0\.\d\d bar`, seen, "what was seen in the file before stands")
				_, behind, _ := strings.Cut(seen, "another file goes on")
				require.NotContains(t, behind, "WATCHING", "no frame came since")
				require.NotContains(t, w.errs.String(), "record --continue "+file+" ")
			}
		})
	}
}

// TestFollowADamagedFile: what can't be read any further is not called a recorder that is gone.
func TestFollowADamagedFile(t *testing.T) {
	share(t)
	content, err := os.ReadFile(filepath.Join(shared.folder, "early.pcapng"))
	require.NoError(t, err)
	at := len(content) / 3
	clear(content[at : at+5000])
	file := filepath.Join(t.TempDir(), "hole.pcapng")
	require.NoError(t, os.WriteFile(file, content, 0o600))
	watcher := start(t, nil, "follow", file)
	watcher.until("BLIND ?? the file can't be read any further")
	require.Equal(t, exitUsage, watcher.ends())
	require.Contains(t, watcher.errs.String(), "its two lengths differ")
	require.Contains(t, watcher.errs.String(), "ridewitness review "+file)

	_, errs, exit := does(t, "mark", file, "note")
	require.Equal(t, exitUsage, exit)
	require.Contains(t, errs, "hint: 'ridewitness mend'")
}
