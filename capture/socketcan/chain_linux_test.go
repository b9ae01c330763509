package socketcan

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime/debug"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"ridewitness/capture"
	"ridewitness/capture/recorder"
	"ridewitness/capture/session"
	"ridewitness/decode/signaldef"
	"ridewitness/replay/live"
	"ridewitness/replay/scenario"
	"ridewitness/replay/terminal"
	"ridewitness/replay/terminal/ptytest"
	"ridewitness/safety"
	"ridewitness/safety/jobcard"
)

// The whole way of a frame but the bus itself: datagrams into sockets, and behind them the thread that
// receives, the ring, the recorder with its file on a disk, decoder and judge, as a recording has them.

// standIn is a Source whose buses are datagram sockets, and what sends to each. They are named can0,
// can1 and so on. It ends when it is closed.
func standIn(t testing.TB, buses int) (s *Source, out []int) {
	t.Helper()
	s = &Source{queue: newQueue(ringFrames)}
	r, err := newReceiver(s.queue, Options{})
	require.NoError(t, err)
	s.receiver = r
	var links []Facts
	for i := range buses {
		f := Facts{Name: fmt.Sprintf("can%d", i), Index: i + 1, Kind: KindVirtual, CAN: true, Up: true, Mode: ModeVirtual}
		in, to := pair(t, DefaultBuffer)
		r.buses = append(r.buses, &bus{id: capture.BusID(i), name: f.Name, facts: f, socket: in})
		s.queue.tell(capture.Event{At: r.clock.now(), Kind: capture.EventBus, Bus: capture.BusID(i), Name: f.Name})
		links, out = append(links, f), append(out, to)
		s.buses = append(s.buses, Bus{Name: f.Name, Facts: f, Buffer: in.buffer, Forced: in.forced})
	}
	r.links = func() ([]Facts, error) { return links, nil }
	go r.run()
	t.Cleanup(func() { s.Close() })
	return s, out
}

// wagon is the demonstration vehicle: its definitions and job card, and some frames as its two buses
// carry them.
type wagon struct {
	pipeline *safety.Pipeline
	records  [2][]byte // struct can_frame, one behind the other
}

func newWagon(t testing.TB) *wagon {
	t.Helper()
	job, err := scenario.Builtin("proper")
	require.NoError(t, err)
	signals, err := signaldef.Load("definitions", []byte(job.Definitions()))
	require.NoError(t, err)
	card, err := jobcard.Load("card", []byte(job.Card()))
	require.NoError(t, err)
	w := &wagon{}
	w.pipeline, err = safety.NewPipeline(signals, card, nil)
	require.NoError(t, err)
	run, err := job.Open(1)
	require.NoError(t, err)
	batch := capture.NewBatch()
	for range 8 {
		require.NoError(t, run.Next(t.Context(), batch))
		for i := range batch.Frames {
			f := &batch.Frames[i]
			r := record(uint32(f.ID), 0)
			r[4] = f.Len
			copy(r[8:], f.Data[:f.Len])
			w.records[f.Bus] = append(w.records[f.Bus], r...)
		}
	}
	return w
}

// traffic sends a vehicle's frames in a circle, a share of them to each bus.
type traffic struct {
	out     []int
	records [][]byte // by bus, struct can_frame one behind the other
	next    []int    // by bus, in bytes
	sent    uint64
}

// atOnce is how many datagrams one write makes at most (UDP_MAX_SEGMENTS of linux/udp.h).
const atOnce = 64

func newTraffic(records [2][]byte, out []int) (*traffic, error) {
	s := &traffic{out: out, next: make([]int, len(out))}
	for i, to := range out {
		if err := unix.SetsockoptInt(to, unix.SOL_UDP, unix.UDP_SEGMENT, classicFrameLength); err != nil {
			return nil, err
		}
		s.records = append(s.records, records[i%len(records)])
	}
	return s, nil
}

// second sends for a second, each millisecond what is due.
func (s *traffic) second(rate int) error {
	begin, before := clockNow(unix.CLOCK_MONOTONIC), 0
	for ms := 1; ms <= 1000; ms++ {
		at := unix.NsecToTimespec(begin + int64(ms)*int64(time.Millisecond))
		for unix.ClockNanosleep(unix.CLOCK_MONOTONIC, unix.TIMER_ABSTIME, &at, nil) == unix.EINTR {
		}
		due := rate / len(s.out) * ms / 1000
		for bus := range s.out {
			if err := s.send(bus, due-before); err != nil {
				return err
			}
		}
		before = due
	}
	return nil
}

// send sends some frames to a bus. The kernel makes a datagram of each.
func (s *traffic) send(bus, count int) error {
	records := s.records[bus]
	for left := count * classicFrameLength; left > 0; {
		from := s.next[bus]
		n, err := unix.Write(s.out[bus], records[from:min(len(records), from+min(left, atOnce*classicFrameLength))])
		if err != nil && !errors.Is(err, unix.EINTR) {
			return err
		}
		n = max(n, 0)
		left -= n
		s.next[bus] = (from + n) % len(records)
		s.sent += uint64(n / classicFrameLength)
	}
	return nil
}

// Who sends and who looks at the screen are processes of their own, so that the processor time of this one
// is that of a recording, and its threads wait for no others. They are this program under other names.
const (
	senderName   = "sender-of-frames"
	onlookerName = "onlooker"
)

func TestMain(m *testing.M) {
	var err error
	switch os.Args[0] {
	case senderName:
		err = sendAsTold()
	case onlookerName:
		err = lookOn()
	default:
		os.Exit(m.Run())
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

// senderOrder is what a sender is told first.
type senderOrder struct {
	Records [2][]byte
	Buses   int
	Rate    int // frames a second, of all buses together
}

// sendAsTold is a sender: what it sends is on its standard input, its sockets are the files from 3 on. For
// every line that it reads it sends for a second, and then says how many frames it has sent.
func sendAsTold() error {
	told := json.NewDecoder(os.Stdin)
	var order senderOrder
	if err := told.Decode(&order); err != nil {
		return err
	}
	var out []int
	for i := range order.Buses {
		out = append(out, 3+i)
	}
	s, err := newTraffic(order.Records, out)
	if err != nil {
		return err
	}
	for {
		var again struct{}
		if err := told.Decode(&again); err != nil {
			return nil // nobody asks any more
		}
		if err := s.second(order.Rate); err != nil {
			return err
		}
		fmt.Println(s.sent)
	}
}

// self is this program under another name.
func self(t testing.TB, name string) *exec.Cmd {
	t.Helper()
	path, err := os.Executable()
	require.NoError(t, err)
	return &exec.Cmd{Path: path, Args: []string{name}, Stderr: os.Stderr}
}

// sender is such a process.
type sender struct {
	tell *json.Encoder
	in   io.Reader
	sent uint64
}

func newSender(t testing.TB, rate int, c *chain) *sender {
	t.Helper()
	cmd := self(t, senderName)
	for _, fd := range c.out {
		same, err := unix.FcntlInt(uintptr(fd), unix.F_DUPFD_CLOEXEC, 0)
		require.NoError(t, err)
		f := os.NewFile(uintptr(same), "socket")
		defer f.Close()
		cmd.ExtraFiles = append(cmd.ExtraFiles, f)
	}
	to, err := cmd.StdinPipe()
	require.NoError(t, err)
	from, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	t.Cleanup(func() {
		to.Close()
		require.NoError(t, cmd.Wait())
	})
	s := &sender{tell: json.NewEncoder(to), in: from}
	require.NoError(t, s.tell.Encode(senderOrder{Records: c.wagon.records, Buses: len(c.out), Rate: rate}))
	return s
}

// second lets it send for a second.
func (s *sender) second() error {
	if err := s.tell.Encode(struct{}{}); err != nil {
		return err
	}
	_, err := fmt.Fscanln(s.in, &s.sent)
	return err
}

// stallable is a file on a disk that can be made to take nothing for a while.
type stallable struct {
	session.File
	write, sync atomic.Int64 // nanoseconds that the next one waits
}

func (s *stallable) Write(b []byte) (int, error) {
	s.wait(&s.write)
	return s.File.Write(b)
}

func (s *stallable) Sync() error {
	s.wait(&s.sync)
	return s.File.Sync()
}

func (s *stallable) wait(long *atomic.Int64) {
	if d := long.Swap(0); d != 0 {
		<-time.After(time.Duration(d))
	}
}

// glass is a terminal with an onlooker.
type glass struct {
	line     *os.File  // the program's side
	onlooker *exec.Cmd // at the person's side
	said     bytes.Buffer
}

func newGlass(t testing.TB) *glass {
	t.Helper()
	hand, line := ptytest.Pair(t)
	defer hand.Close()
	g := &glass{line: line, onlooker: self(t, onlookerName)}
	g.onlooker.Stdin, g.onlooker.Stdout = hand, &g.said
	require.NoError(t, g.onlooker.Start())
	return g
}

// lookOn is an onlooker: it says when each bell came out of its standard input, in monotonic nanoseconds.
func lookOn() error {
	piece := make([]byte, 64<<10)
	for {
		n, err := os.Stdin.Read(piece)
		if err != nil {
			return nil // the program's side is closed
		}
		for range bytes.Count(piece[:n], []byte{'\a'}) {
			fmt.Println(clockNow(unix.CLOCK_MONOTONIC))
		}
	}
}

// close ends it, and returns when each bell came, in monotonic nanoseconds.
func (g *glass) close(t testing.TB) (bells []int64) {
	t.Helper()
	require.NoError(t, errors.Join(g.line.Close(), g.onlooker.Wait()))
	for line := range strings.Lines(g.said.String()) {
		at, err := strconv.ParseInt(strings.TrimSpace(line), 10, 64)
		require.NoError(t, err)
		bells = append(bells, at)
	}
	return bells
}

// chain is a recording of a stand-in at work, shown on a terminal.
type chain struct {
	source *Source
	out    []int
	wagon  *wagon
	rec    *recorder.Recorder
	path   string
	file   *stallable
	screen *glass
	bells  []capture.Stamp // that came out of it, after the end
	done   sync.WaitGroup
	failed [2]error
}

// newChain starts a recording of a vehicle on some buses, whose screen somebody looks at.
func newChain(t testing.TB, w *wagon, buses int) *chain {
	t.Helper()
	c := &chain{wagon: w, path: filepath.Join(t.TempDir(), "chain.pcapng")}
	c.source, c.out = standIn(t, buses)
	f, err := session.Create(c.path)
	require.NoError(t, err)
	c.file = &stallable{File: f}
	c.rec, err = recorder.New(c.source, recorder.Options{
		Head:  session.SessionRecord{Origin: session.OriginVirtual},
		Files: func(int) (session.File, string, error) { return c.file, c.path, nil },
		Now:   c.source.Now, Stop: func() { c.source.Close() },
	})
	require.NoError(t, err)
	c.screen = newGlass(t)
	desk := live.New(live.Options{Pipeline: w.pipeline, Now: c.source.Now, Keep: c.rec,
		Terminal: terminal.Terminal{In: c.screen.line, Out: c.screen.line, Full: true, Colour: true, Bell: true}})
	ear := c.rec.Listen()
	c.done.Go(func() { c.failed[0] = c.rec.Run(context.Background()) })
	c.done.Go(func() {
		c.failed[1] = desk.Run(context.Background(), ear)
		ear.Close()
	})
	return c
}

// end ends the recording, and accounts for every frame that was sent: each is in the file, or in a
// count of lost ones that is in the file. It returns that count. look, when set, is shown what is in it.
func (c *chain) end(t testing.TB, sent uint64, look func(*capture.Batch)) (lost uint64) {
	t.Helper()
	require.NoError(t, c.source.Close())
	c.done.Wait()
	require.NoError(t, errors.Join(c.failed[:]...))
	start := c.source.receiver.clock.start
	for _, at := range c.screen.close(t) {
		c.bells = append(c.bells, capture.Stamp(start.wall+at-start.monotonic))
	}
	r, err := session.Open(c.path)
	require.NoError(t, err)
	defer r.Close()
	var facts session.Facts
	kept := uint64(0)
	require.NoError(t, capture.Each(t.Context(), r, func(b *capture.Batch) {
		facts.Observe(b)
		kept += uint64(len(b.Frames))
		if look != nil {
			look(b)
		}
	}))
	require.Equal(t, session.Sealed, r.Integrity().Verdict, r.Integrity().Why)
	require.NotNil(t, facts.Lost())
	require.Equal(t, sent, kept+*facts.Lost())
	return *facts.Lost()
}

// The way of every frame, in small: what is sent on eight buses is in the file or counted.
func TestChainKeepsWhatIsSent(t *testing.T) {
	c := newChain(t, newWagon(t), 8)
	s, err := newTraffic(c.wagon.records, c.out)
	require.NoError(t, err)
	for range 50 {
		for bus := range c.out {
			require.NoError(t, s.send(bus, 40))
		}
	}
	require.EqualValues(t, 16_000, s.sent)
	require.Zero(t, c.end(t, s.sent, nil))
}

// BenchmarkChain records paced traffic, one second of it per iteration: say -benchtime 5x. cpu-% is the
// processor time of the recording process, in percent of one core. What the kernel does for a datagram
// until it waits in the socket is done by who sends it, and is not in it. 'stalled' is with a disk that
// takes nothing for the first second.
func BenchmarkChain(b *testing.B) {
	for _, c := range []struct {
		name        string
		rate, buses int
		stall       time.Duration
	}{
		{"5000", 5_000, 2, 0},
		{"40000", 40_000, 2, 0},
		{"170000", 170_000, 8, 0},
		{"170000-stalled", 170_000, 8, time.Second},
	} {
		b.Run(c.name, func(b *testing.B) { benchmarkChain(b, c.rate, c.buses, c.stall) })
	}
}

func benchmarkChain(b *testing.B, rate, buses int, stall time.Duration) {
	c := newChain(b, newWagon(b), buses)
	s := newSender(b, rate, c)
	defer debug.SetGCPercent(debug.SetGCPercent(25)) // as the command has it
	resetPeak(b)
	c.file.write.Store(int64(stall))
	c.file.sync.Store(int64(stall))
	before, began := processorTime(b), time.Now()
	for b.Loop() {
		if err := s.second(); err != nil {
			b.Fatal(err)
		}
	}
	cpu, wall := processorTime(b)-before, time.Since(began)
	peak, resident := memory(b, "VmHWM"), memory(b, "VmRSS")
	missed := c.rec.Status().Missed
	b.ReportMetric(0, "ns/op") // a second, by definition
	b.ReportMetric(float64(s.sent)/wall.Seconds(), "frames/s")
	b.ReportMetric(100*cpu.Seconds()/wall.Seconds(), "cpu-%")
	b.ReportMetric(float64(c.end(b, s.sent, nil)), "lost")
	b.ReportMetric(float64(missed), "unjudged")
	b.ReportMetric(peak, "peak-MiB")
	b.ReportMetric(resident, "rss-MiB")
}

// processorTime returns what this process has taken so far.
func processorTime(t testing.TB) time.Duration {
	t.Helper()
	var all unix.Rusage
	require.NoError(t, unix.Getrusage(unix.RUSAGE_SELF, &all))
	return time.Duration(all.Utime.Nano() + all.Stime.Nano())
}

// resetPeak makes the process's peak of memory what it uses now (proc(5), clear_refs).
func resetPeak(t testing.TB) {
	t.Helper()
	debug.FreeOSMemory()
	require.NoError(t, os.WriteFile("/proc/self/clear_refs", []byte("5"), 0))
}

// memory returns a line of /proc/self/status (proc(5)) in MiB.
func memory(t testing.TB, name string) float64 {
	t.Helper()
	status, err := os.ReadFile("/proc/self/status")
	require.NoError(t, err)
	_, rest, found := bytes.Cut(status, []byte("\n"+name+":"))
	require.True(t, found)
	line, _, _ := bytes.Cut(rest, []byte(" kB\n"))
	kib, err := strconv.ParseFloat(string(bytes.TrimSpace(line)), 64)
	require.NoError(t, err)
	return kib / 1024
}
