//go:build linux

package main

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"ridewitness/capture/session"
	"ridewitness/capture/socketcan/kerneltest"
)

var loadTime = flag.Duration("load-time", 5*time.Second, "how long TestKernelMachineRecordEightBuses sends, in the time of its machine")

// Eight buses at as much as the machine sends, a recorder without any privilege, so that its sockets have
// small buffers, and that is stopped for a while: every frame is in the file, or counted as lost, by bus.
func TestKernelMachineRecordEightBuses(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		const least = 2000 // on each bus while it is stopped: more than the kernel's own buffer holds
		long := *loadTime
		var links []string
		var buses []*numberer
		for i := range 8 {
			links = append(links, fmt.Sprintf("vcan%d", i))
			kerneltest.AddLink(t, links[i], "vcan")
			buses = append(buses, numbersOn(t, links[i]))
		}
		folder := t.TempDir()
		require.NoError(t, os.Chown(folder, nobody, nobody))
		require.NoError(t, os.Chmod(filepath.Dir(folder), 0o755))
		file := filepath.Join(folder, "eight.pcapng")
		p := newProcess(t, program(t, "ridewitness", append(append([]string{"record", "--output", file}, oneCorner(t)...), links...)...))
		p.as(nobody)
		p.start()
		p.says(1, "state ")
		for _, name := range links {
			require.Regexp(t, regexp.MustCompile(`(?m)^`+name+`: the kernel keeps \d+ waiting frames; raise net\.core\.rmem_max`), p.complained())
		}

		send := func(while func() bool) {
			for while() {
				for _, n := range buses {
					n.some(t, 20)
				}
			}
		}
		began := time.Now()
		send(func() bool { return time.Since(began) < long/2 })
		p.signal(unix.SIGSTOP)
		p.until("it stands", func() bool { return standsStill(t, p.Process.Pid) })
		from := buses[0].count()
		send(func() bool { return buses[0].count() < from+least })
		p.signal(unix.SIGCONT)
		send(func() bool { return time.Since(began) < long })
		took := time.Since(began)
		require.Equal(t, exitDone, p.stop(), p.complained())

		k := holds(t, file)
		require.Equal(t, session.Sealed, k.integrity.Verdict, k.integrity.Why)
		all, lost := 0, int64(0)
		for i, name := range links {
			sent := buses[i].count()
			require.Equal(t, int64(sent), int64(len(k.numbers[name]))+k.lost[name], "%s: sent = kept + lost", name)
			require.EqualValues(t, sent, k.received[name], "%s: what the statistics say there was", name)
			require.LessOrEqual(t, k.told[name], uint64(k.lost[name]), name)
			require.NotZero(t, k.lost[name], "%s: it was stopped, and nothing is told", name)
			for j := range k.numbers[name][1:] {
				require.Less(t, k.numbers[name][j], k.numbers[name][j+1], "%s: in their order, each once", name)
			}
			all += sent
			lost += k.lost[name]
		}
		told := reviewed(t, file)["session"].(map[string]any)
		require.EqualValues(t, lost, told["lost"], "the review tells of them")
		t.Logf("%d frames in %v on %d buses, %.0f a second; %d lost and told", all, took.Round(time.Millisecond), len(links), float64(all)/took.Seconds(), lost)
	})
}

// standsStill reports whether a process is stopped (proc_pid_stat(5)).
func standsStill(t *testing.T, pid int) bool {
	t.Helper()
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	require.NoError(t, err)
	_, state, found := strings.Cut(string(b), ") ")
	require.True(t, found)
	return strings.HasPrefix(state, "T")
}
