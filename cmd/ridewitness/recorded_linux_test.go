package main

import (
	"context"
	"encoding/binary"
	"errors"
	"io"
	"net"
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
	"golang.org/x/sys/unix"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/capture/socketcan/kerneltest"
)

// What the tests of `record` on a kernel share: the program in a process of its own, numbered frames on a
// link, and what a session holds of them.

// onePressure defines the pressure of rear-left, in the frames of a numberer.
const onePressure = `version: 1
signals:
  - {name: rear_left_pressure, corner: rear-left, quantity: pressure, reference: gauge, unit: bar, from: {frame: 0x152, format: standard},
     bytes: 0-1, order: high-first, mask: 0xFFFF, scale: 0.01, offset: 0, valid: {min: 0, max: 20}, proof: proven}
`

// oneSpring is a job card for it: under 1 bar the bellows must not carry.
const oneSpring = `version: 1
vehicle: {label: demo wagon 7}
serviced: [rear-left]
springs:
  rear: {corners: [rear-left], volume: 2.2 L, effective_area: 98 cm2, least_pressure: 1 bar, greatest_pressure: 11 bar}
`

// oneCorner returns the flags that name these two.
func oneCorner(t *testing.T) []string {
	t.Helper()
	folder := t.TempDir()
	signals, card := filepath.Join(folder, "pressure.yaml"), filepath.Join(folder, "card.yaml")
	require.NoError(t, os.WriteFile(signals, []byte(onePressure), 0o644))
	require.NoError(t, os.WriteFile(card, []byte(oneSpring), 0o644))
	return []string{"--signals", signals, "--jobcard", card}
}

// patience is how long something may take that must come.
const patience = time.Minute

// poll waits until something is so. It fails when that takes too long, or when stop is closed first.
func poll(t *testing.T, stop <-chan struct{}, is func() bool, why func() string) {
	t.Helper()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	late := time.NewTimer(patience)
	defer late.Stop()
	for !is() {
		select {
		case <-tick.C:
		case <-stop:
			if is() {
				return
			}
			require.Fail(t, "it ended before that", why())
		case <-late.C:
			require.Fail(t, "it did not come", why())
		}
	}
}

// program returns a command that runs this binary as one of its programs.
func program(t *testing.T, name string, args ...string) *exec.Cmd {
	t.Helper()
	binary, err := os.Executable()
	require.NoError(t, err)
	return &exec.Cmd{Path: binary, Args: append([]string{name}, args...), Env: os.Environ()}
}

// process is a program while it runs, with its lines in a file.
type process struct {
	*exec.Cmd
	t     *testing.T
	exit  int           // its exit status
	ended chan struct{} // closed behind its end
}

// begin runs a recorder in a process of its own.
func begin(t *testing.T, args ...string) *process {
	t.Helper()
	p := newProcess(t, program(t, "ridewitness", append([]string{"record"}, args...)...))
	p.start()
	return p
}

// newProcess returns a process that did not begin yet.
func newProcess(t *testing.T, cmd *exec.Cmd) *process {
	t.Helper()
	p := &process{Cmd: cmd, t: t, ended: make(chan struct{})}
	folder := t.TempDir()
	for name, to := range map[string]*io.Writer{"lines": &p.Stdout, "errors": &p.Stderr} {
		f, err := os.Create(filepath.Join(folder, name))
		require.NoError(t, err)
		t.Cleanup(func() { f.Close() })
		*to = f
	}
	return p
}

// start begins it. It ends with the test.
func (p *process) start() {
	p.t.Helper()
	require.NoError(p.t, p.Start())
	go func() {
		_ = p.Wait() // how it ended is in ProcessState
		p.exit = p.ProcessState.ExitCode()
		close(p.ended)
	}()
	p.killAtEnd()
}

func (p *process) killAtEnd() {
	p.t.Cleanup(func() {
		_ = p.Process.Kill()
		<-p.ended
	})
}

// nobody is a user without any right.
const nobody = 65534

// as lets another user run it, who has no privilege.
func (p *process) as(user uint32) {
	p.t.Helper()
	door := p.t.TempDir()
	require.NoError(p.t, os.Chown(door, int(user), int(user)))
	p.Env = append(p.Env, "XDG_RUNTIME_DIR="+door)
	p.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: user, Gid: user}}
}

// told returns what it has said so far.
func (p *process) told() string { return textOf(p.t, p.Stdout) }

// complained returns what it has said on standard error.
func (p *process) complained() string { return textOf(p.t, p.Stderr) }

func textOf(t *testing.T, f io.Writer) string {
	t.Helper()
	b, err := os.ReadFile(f.(*os.File).Name())
	require.NoError(t, err)
	return string(b)
}

// until waits until something is so, while it runs.
func (p *process) until(what string, is func() bool) {
	p.t.Helper()
	poll(p.t, p.ended, is, func() string { return what + "\n" + p.told() + p.complained() })
}

// says waits until its lines hold that text so many times.
func (p *process) says(times int, text string) {
	p.t.Helper()
	p.until(text, func() bool { return strings.Count(p.told(), text) >= times })
}

// stop asks it to end, as a service manager does, and returns its exit status.
func (p *process) stop() int {
	p.t.Helper()
	p.signal(unix.SIGTERM)
	return p.status()
}

// status waits for its end.
func (p *process) status() int {
	p.t.Helper()
	poll(p.t, nil, func() bool {
		select {
		case <-p.ended:
			return true
		default:
			return false
		}
	}, func() string { return "its end\n" + p.told() + p.complained() })
	require.Empty(p.t, forbidden([]string{"record"}, p.told()+p.complained()))
	return p.exit
}

func (p *process) signal(s os.Signal) {
	p.t.Helper()
	require.NoError(p.t, p.Process.Signal(s))
}

// ownDoor gives this test and what it starts a folder of their own for the recorder's socket.
func ownDoor(t *testing.T) { t.Setenv("XDG_RUNTIME_DIR", t.TempDir()) }

// marks sets a mark by the command.
func marks(t *testing.T, file string, args ...string) {
	t.Helper()
	out, errs, exit := does(t, append([]string{"mark", file}, args...)...)
	require.Equal(t, exitDone, exit, errs)
	require.Regexp(t, `^J\d+: `+args[0], out)
}

// numberer puts frames on a link that carry a pressure and their own number: 0x152 with two bytes of
// centibars and six of the number, high byte first, by hand from struct can_frame of linux/can.h.
type numberer struct {
	socket   int
	pressure uint64

	mu   sync.Mutex
	sent []time.Time // when each went out, by its number
}

// emptySpring is 0.05 bar: nothing that could carry.
const emptySpring = 5

// numbersOn returns a numberer of a link, whose socket goes with the test.
func numbersOn(t *testing.T, link string) *numberer {
	t.Helper()
	n := &numberer{pressure: emptySpring}
	n.open(t, link)
	t.Cleanup(func() { unix.Close(n.socket) })
	return n
}

// open gives it a socket on a link. It hears nothing of what others send.
func (n *numberer) open(t *testing.T, link string) {
	t.Helper()
	found, err := net.InterfaceByName(link)
	require.NoError(t, err)
	n.socket, err = unix.Socket(unix.AF_CAN, unix.SOCK_RAW|unix.SOCK_CLOEXEC, unix.CAN_RAW)
	require.NoError(t, err)
	require.NoError(t, unix.SetsockoptCanRawFilter(n.socket, unix.SOL_CAN_RAW, unix.CAN_RAW_FILTER, nil))
	require.NoError(t, unix.Bind(n.socket, &unix.SockaddrCAN{Ifindex: found.Index}))
}

// again takes another socket, of a link that was made anew.
func (n *numberer) again(t *testing.T, link string) {
	t.Helper()
	unix.Close(n.socket)
	n.open(t, link)
}

// one sends the next frame. A frame that the kernel does not take has no number.
func (n *numberer) one() error {
	n.mu.Lock()
	defer n.mu.Unlock()
	var frame [kerneltest.ClassicMTU]byte
	binary.NativeEndian.PutUint32(frame[:], 0x152)
	frame[4] = 8
	binary.BigEndian.PutUint64(frame[8:], n.pressure<<48|uint64(len(n.sent)))
	_, err := unix.Write(n.socket, frame[:])
	if err == nil {
		n.sent = append(n.sent, time.Now())
	}
	return err
}

// some sends that many.
func (n *numberer) some(t *testing.T, count int) {
	t.Helper()
	for range count {
		require.NoError(t, n.one())
	}
}

// every sends one at each tick until the function that is returned is called.
func (n *numberer) every(d time.Duration) (stop func()) {
	return every(d, func() { _ = n.one() }) // where the link is down nothing is sent
}

// every does something at each tick until the function that is returned is called.
func every(d time.Duration, do func()) (stop func()) {
	tick := time.NewTicker(d)
	end, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		for {
			select {
			case <-end:
				return
			case <-tick.C:
				do()
			}
		}
	}()
	return sync.OnceFunc(func() {
		tick.Stop()
		close(end)
		<-ended
	})
}

// times returns when each that was sent so far went out, by its number.
func (n *numberer) times() []time.Time {
	n.mu.Lock()
	defer n.mu.Unlock()
	return slices.Clone(n.sent)
}

// count returns how many were sent so far.
func (n *numberer) count() int {
	n.mu.Lock()
	defer n.mu.Unlock()
	return len(n.sent)
}

// kept is what a session holds of numbered frames, by bus.
type kept struct {
	integrity session.Integrity
	head      *session.SessionRecord
	numbers   map[string][]uint64
	stamps    []capture.Stamp
	told      map[string]uint64 // lost, as told before a frame
	lost      map[string]int64  // lost, by the statistics
	received  map[string]int64  // frames that there were, by the statistics
}

// holds reads a session.
func holds(t *testing.T, path string) *kept {
	t.Helper()
	k := &kept{numbers: map[string][]uint64{}, told: map[string]uint64{}, lost: map[string]int64{}, received: map[string]int64{}}
	names := map[capture.BusID]string{}
	k.integrity = walk(t, path, func(f *capture.Frame) {
		k.numbers[names[f.Bus]] = append(k.numbers[names[f.Bus]], binary.BigEndian.Uint64(f.Data[:])&(1<<48-1))
		k.stamps = append(k.stamps, f.At)
	}, func(e *capture.Event) { k.event(e, names) })
	return k
}

// walk goes through a session in its order.
func walk(t *testing.T, path string, frame func(*capture.Frame), event func(*capture.Event)) session.Integrity {
	t.Helper()
	source, err := session.Open(path)
	require.NoError(t, err)
	defer source.Close()
	b := capture.NewBatch()
	for {
		err := source.Next(context.Background(), b)
		if errors.Is(err, io.EOF) {
			return source.Integrity()
		}
		require.NoError(t, err)
		for frames, e := range b.InOrder() {
			for i := range frames {
				frame(&frames[i])
			}
			if e != nil {
				event(e)
			}
		}
	}
}

func (k *kept) event(e *capture.Event, names map[capture.BusID]string) {
	switch e.Kind {
	case capture.EventBus:
		names[e.Bus] = e.Name
	case capture.EventLoss:
		k.told[names[e.Bus]] += e.Count
	case capture.EventCounters:
		k.lost[names[e.Bus]] += e.Dropped
		k.received[names[e.Bus]] += e.Received
	case capture.EventJournal:
		if head := session.ReadSession(e); head != nil && k.head == nil {
			k.head = head
		}
	}
}

// upTo returns the numbers from one on.
func upTo(from, count int) []uint64 {
	all := make([]uint64, count)
	for i := range all {
		all[i] = uint64(from + i)
	}
	return all
}
