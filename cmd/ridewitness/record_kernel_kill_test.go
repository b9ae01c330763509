//go:build linux

package main

import (
	"bytes"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture/session"
	"ridewitness/capture/socketcan/kerneltest"
)

// atRisk is what a crash may take at most: the frames of the last second.
const atRisk = time.Second

var killSeed = flag.Uint64("kill-seed", 0, "repeats the kills of TestKernelHazard08RecorderIsKilled")

// HAZARDS H08: a recorder is killed a hundred times, in the midst of anything. Each time the file opens, lacks
// at most the frames of the last second, and can be mended; whoever goes on with it still knows that the
// spring is empty.
func TestKernelHazard08RecorderIsKilled(t *testing.T) {
	kerneltest.Run(t, func(t *testing.T) {
		rounds := 100
		if testing.Short() {
			rounds = 10
		}
		seed := *killSeed
		if seed == 0 {
			seed = uint64(time.Now().UnixNano())
		}
		t.Logf("-kill-seed %d", seed)
		random := rand.New(rand.NewPCG(seed, seed))

		ownDoor(t)
		kerneltest.AddLink(t, "vcan0", "vcan")
		n := numbersOn(t, "vcan0")
		defer n.every(5 * time.Millisecond)()
		file := filepath.Join(t.TempDir(), "job.pcapng")
		k := &killing{t: t, n: n, random: random, known: oneCorner(t)}
		k.first(file)
		for k.rounds < rounds {
			if random.IntN(4) == 0 {
				file = k.goOn(file)
			} else {
				k.anew(filepath.Join(t.TempDir(), fmt.Sprintf("other-%d.pcapng", k.rounds)))
			}
		}
		t.Logf("killed %d times; at most %v of frames were gone", k.rounds, k.worst.Round(time.Millisecond))

		last := strings.Replace(file, ".pcapng", "-2.pcapng", 1)
		p := begin(t, "vcan0", "--continue", file)
		p.until("mended", func() bool {
			return strings.Contains(p.complained(), file+" was cut-short; what is good of it is in "+last+", and the recording goes on there\n")
		})
		p.until(emptyAndBled, func() bool { return forgotNothing(p.told()) })
		require.Equal(t, exitDone, p.stop(), p.complained())
		require.Equal(t, session.Sealed, holds(t, last).integrity.Verdict)
	})
}

// emptyAndBled is what a recorder that goes on must say.
const emptyAndBled = "Do not lower: rear-left 0.05 bar, least 1.00; bled 00:00:0"

func forgotNothing(lines string) bool {
	return strings.Contains(lines, emptyAndBled) && strings.Contains(lines, ", no filling seen since.")
}

// killing is a series of kills.
type killing struct {
	t      *testing.T
	n      *numberer
	random *rand.Rand
	known  []string
	rounds int
	worst  time.Duration // of frames that were gone
}

// first records a session in which a spring is bled, and kills it once that is written.
func (k *killing) first(file string) {
	k.t.Helper()
	p := begin(k.t, append(k.known, "vcan0", "--output", file)...)
	p.says(1, "state WATCHING")
	marks(k.t, file, "bled", "--corner", "rear-left")
	p.says(1, emptyAndBled)
	p.until("the mark in the file", func() bool {
		b, err := os.ReadFile(file)
		return err == nil && bytes.Contains(b, []byte(`"name":"bled"`))
	})
	k.kill(p, file)
}

// anew records another session.
func (k *killing) anew(file string) {
	k.t.Helper()
	p := begin(k.t, append(k.known, "vcan0", "--output", file)...)
	p.says(1, "state ")
	k.kill(p, file)
	require.NoError(k.t, os.Remove(file))
}

// goOn goes on with a session that was killed, and returns the file in which it does.
func (k *killing) goOn(file string) string {
	k.t.Helper()
	next := strings.Replace(file, ".pcapng", "-2.pcapng", 1)
	p := begin(k.t, "vcan0", "--continue", file)
	p.says(1, "state ")
	p.until("bled, and not filled", func() bool { return forgotNothing(p.told()) })
	k.kill(p, next)
	require.NoError(k.t, os.Remove(file))
	return next
}

// kill kills a recorder that has begun, at any moment, and looks at what is left.
func (k *killing) kill(p *process, file string) {
	k.t.Helper()
	k.rounds++
	begun := k.n.count()
	wait := time.NewTimer(time.Duration(20+k.random.IntN(1000)) * time.Millisecond)
	defer wait.Stop()
	select {
	case <-wait.C:
	case <-p.ended:
		require.Fail(k.t, "it ended by itself", p.told()+p.complained())
	}
	at := time.Now()
	p.signal(syscall.SIGKILL)
	<-p.ended

	got := holds(k.t, file)
	require.Equal(k.t, session.CutShort, got.integrity.Verdict, got.integrity.Why)
	numbers := got.numbers["vcan0"]
	k.gone(file, begun, numbers, at)

	clean := strings.Replace(file, ".pcapng", "-clean.pcapng", 1)
	out, errs, exit := does(k.t, "mend", file, "--output", clean)
	require.Equal(k.t, exitDone, exit, errs)
	require.Contains(k.t, out, "cut-short")
	mended := holds(k.t, clean)
	require.Equal(k.t, session.Sealed, mended.integrity.Verdict, mended.integrity.Why)
	require.Equal(k.t, numbers, mended.numbers["vcan0"])
	require.NoError(k.t, os.Remove(clean))
}

// gone requires that of the frames from one on, up to a moment, only the last are not there, and how long
// before it the first of these was sent.
func (k *killing) gone(file string, from int, numbers []uint64, at time.Time) {
	k.t.Helper()
	sent := k.n.times()
	next := from // the first that is not there
	for i, number := range numbers {
		if i > 0 {
			require.Greater(k.t, number, numbers[i-1], "in their order, each once")
		}
		if i > 0 && int(number) > from {
			require.Equal(k.t, numbers[i-1]+1, number, "none is missing between them")
		}
		next = max(next, int(number)+1)
	}
	if next < len(sent) {
		gone := at.Sub(sent[next])
		k.worst = max(k.worst, gone)
		require.Less(k.t, gone, atRisk, "%d frames of %s, the last but the kill", len(numbers), file)
	}
}
