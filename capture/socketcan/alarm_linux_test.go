package socketcan

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"os/exec"
	"runtime"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/safety"
)

// pressures are the spring pressures of the demonstration vehicle, one spring a frame: 0x2C6 with the
// spring's number in the low four bits of byte 0 and, in bytes 2 and 3, low byte first, thousandths of a
// bar from -0.5 bar on (the definitions of demo wagon 7).
const pressures = 0x2C6

// Two pressures: the job card's greatest is 11 bar.
const (
	usualPressure = 5_000 + 500
	highPressure  = 12_000 + 500
)

func pressureRecord(spring, raw int) []byte {
	r := record(pressures, 0)
	r[4] = 8
	r[8] = byte(spring)
	binary.LittleEndian.PutUint16(r[10:], uint16(raw))
	return r
}

// withoutPressures takes them out of the vehicle's frames, so that somebody else can say what they are.
func (w *wagon) withoutPressures() {
	var rest []byte
	for r := range slices.Chunk(w.records[0], classicFrameLength) {
		if binary.NativeEndian.Uint32(r) != pressures {
			rest = append(rest, r...)
		}
	}
	w.records[0] = rest
}

// Too much pressure is a danger once it has lasted for a second: then the next frame makes it. In turn
// each of four springs has a high pressure for 1.1 s, so that a danger comes every 0.3 s.
const (
	pressureEvery = 25 * time.Millisecond
	turn          = 12 // of those, until the next danger
	springs       = 4
	usualFor      = 4 // of the springs*turn of a round
	highLeast     = capture.Stamp(time.Second)
)

// pressureAt is the pressure of a spring at a step.
func pressureAt(spring, step int) int {
	at := step - turn*spring
	if at < 0 || at%(springs*turn) < usualFor {
		return usualPressure
	}
	return highPressure
}

// dangers finds, in what was recorded, the frames that made a danger, by the rule's text and nothing
// else, and how long the recording says that each took to be told.
type dangers struct {
	frames []capture.Stamp
	told   []float64 // ms
	high   [springs]capture.Stamp
	known  [springs]bool
}

func (d *dangers) look(b *capture.Batch) {
	for i := range b.Frames {
		f := &b.Frames[i]
		if f.Bus != 0 || f.ID != pressures {
			continue
		}
		spring := int(f.Data[0]) - 1
		switch high := binary.LittleEndian.Uint16(f.Data[2:]) == highPressure; {
		case !high:
			d.high[spring], d.known[spring] = 0, false
		case d.high[spring] == 0:
			d.high[spring] = f.At
		case f.At-d.high[spring] >= highLeast && !d.known[spring]:
			d.known[spring] = true
			d.frames = append(d.frames, f.At)
		}
	}
	for _, e := range b.Events {
		var w session.WarningRecord
		if e.Name == session.KindWarning && json.Unmarshal(e.Body, &w) == nil && w.ToldMS != nil {
			d.told = append(d.told, *w.ToldMS)
		}
	}
}

// BenchmarkFrameToAlarm measures from the stamp that the kernel gives a frame to the warning on a
// terminal, in milliseconds, on two buses of 2,500 frames/s each. 'judged' is when the judge has found the
// danger; 'told' is what the recording says, which ends when the write has returned; 'seen' is when the bell
// comes out at the person's side. 'bare' is how long the kernel and who looks on take meanwhile for a
// single bell on another, empty terminal: no program can be faster. An iteration is a danger, every 0.3 s:
// say -benchtime 300x. 'busy' has as many other processes at work as there are cores, each in a session of
// its own: a kernel that groups by session (sched(7), autogroup) would hold up the terminals of this one.
func BenchmarkFrameToAlarm(b *testing.B) {
	b.Run("free", func(b *testing.B) { benchmarkAlarm(b) })
	b.Run("busy", func(b *testing.B) {
		for range runtime.NumCPU() {
			spin(b)
		}
		benchmarkAlarm(b)
	})
}

// spin starts a process that takes a core, until the benchmark or this program ends.
func spin(b *testing.B) {
	b.Helper()
	cmd := exec.CommandContext(b.Context(), "sh", "-c", "while :; do :; done")
	cmd.SysProcAttr = &unix.SysProcAttr{Pdeathsig: unix.SIGKILL, Setsid: true}
	require.NoError(b, cmd.Start())
	b.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	})
}

func benchmarkAlarm(b *testing.B) {
	w := newWagon(b)
	w.withoutPressures()
	var judged, bare []float64
	w.pipeline.Judge.Alarm = func(f safety.Finding) {
		if f.Rule.Name == "over-pressure" {
			judged = append(judged, milliseconds(capture.StampOf(time.Now()).Sub(f.End)))
		}
	}
	c := newChain(b, w, 2)
	traffic, other := newSender(b, 5_000, c), newGlass(b)
	beside, stop := context.WithCancel(b.Context())
	var workers sync.WaitGroup
	var failed [2]error
	workers.Go(func() {
		for beside.Err() == nil && failed[0] == nil {
			failed[0] = traffic.second()
		}
	})
	workers.Go(func() { bare, failed[1] = ring(beside, b, other) })
	sent, err := sendPressures(b, c.out[0])
	stop()
	workers.Wait()
	require.NoError(b, errors.Join(err, failed[0], failed[1]))
	var d dangers
	lost := c.end(b, sent+traffic.sent, d.look)
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(float64(lost), "lost")
	report(b, "judged", judged)
	report(b, "told", d.told)
	report(b, "seen", d.seen(c.bells))
	report(b, "bare", bare)
}

// ring rings on an empty terminal until ctx is done, and returns how long each bell took.
func ring(ctx context.Context, t testing.TB, g *glass) (ms []float64, err error) {
	tick := time.NewTicker(4 * pressureEvery)
	defer tick.Stop()
	var rung []int64
	for ctx.Err() == nil && err == nil {
		<-tick.C
		rung = append(rung, clockNow(unix.CLOCK_MONOTONIC))
		_, err = g.line.WriteString("\a")
	}
	for i, at := range g.close(t) {
		ms = append(ms, milliseconds(time.Duration(at-rung[i])))
	}
	return ms, err
}

func milliseconds(d time.Duration) float64 { return float64(d.Microseconds()) / 1000 }

// sendPressures sends the pressures of all springs until the benchmark has had its dangers, and returns
// how many frames that were.
func sendPressures(b *testing.B, out int) (sent uint64, err error) {
	tick := time.NewTicker(pressureEvery)
	defer tick.Stop()
	for step := 0; b.Loop(); {
		for range turn {
			<-tick.C
			for spring := range springs {
				if _, err := unix.Write(out, pressureRecord(spring+1, pressureAt(spring, step))); err != nil {
					return sent, err
				}
				sent++
			}
			step++
		}
	}
	return sent, nil
}

// seen returns how long it was from each danger's frame to the first bell behind it.
func (d *dangers) seen(bells []capture.Stamp) (ms []float64) {
	for _, at := range d.frames {
		i, _ := slices.BinarySearch(bells, at)
		if i < len(bells) {
			ms = append(ms, milliseconds(bells[i].Sub(at)))
		}
	}
	return ms
}

// report reports the median, the 99th percentile and the greatest of some values, and how many they are.
func report(b *testing.B, name string, ms []float64) {
	b.Helper()
	require.NotEmpty(b, ms, name)
	slices.Sort(ms)
	b.ReportMetric(float64(len(ms)), name)
	b.ReportMetric(ms[len(ms)/2], name+"-p50-ms")
	b.ReportMetric(ms[(99*len(ms)+99)/100-1], name+"-p99-ms")
	b.ReportMetric(ms[len(ms)-1], name+"-max-ms")
}
