package recorder

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/session"
)

// began is when the recordings of these tests begin; their time stands still.
const began = capture.Stamp(1_772_000_000_000_000_000)

func now() capture.Stamp { return began }

// disk holds the files of a recording in memory. Every write, sync and close counts as an operation;
// which of them fail is the test's choice.
type disk struct {
	mu         sync.Mutex
	operations int
	fails      func(operation int) bool
	stall      time.Duration // of the first write after the head
	syncTakes  time.Duration
	files      []*diskFile
}

type diskFile struct {
	disk    *disk
	content []byte
	synced  int // bytes that the disk has for certain
	ended   bool
	writes  int
}

var errDisk = errors.New("the disk says no")

func (d *disk) open(int) (session.File, string, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	f := &diskFile{disk: d}
	d.files = append(d.files, f)
	return f, fmt.Sprintf("file-%d", len(d.files)), nil
}

// step counts an operation and says whether it fails.
func (d *disk) step() error {
	d.operations++
	if d.fails != nil && d.fails(d.operations) {
		return errDisk
	}
	return nil
}

func (f *diskFile) Write(p []byte) (int, error) {
	f.disk.mu.Lock()
	defer f.disk.mu.Unlock()
	f.writes++
	if f.disk.stall > 0 && f.writes == 2 {
		stall := time.NewTimer(f.disk.stall)
		f.disk.stall = 0
		f.disk.mu.Unlock()
		<-stall.C
		f.disk.mu.Lock()
	}
	if err := f.disk.step(); err != nil {
		f.content = append(f.content, p[:len(p)/2]...) // a torn write
		return len(p) / 2, err
	}
	f.content = append(f.content, p...)
	return len(p), nil
}

// Sync makes certain what was written before it was called, and takes its time.
func (f *diskFile) Sync() error {
	f.disk.mu.Lock()
	written, err := len(f.content), f.disk.step()
	f.disk.mu.Unlock()
	if err != nil {
		return err
	}
	<-time.After(f.disk.syncTakes)
	f.disk.mu.Lock()
	defer f.disk.mu.Unlock()
	f.synced = written
	return nil
}

func (f *diskFile) Close() error {
	f.disk.mu.Lock()
	defer f.disk.mu.Unlock()
	f.ended = true
	return f.disk.step()
}

// busNames are chosen to be mistaken for kinds of records.
var busNames = []string{"seal", "can1", "session", "can3", "can4", "can5", "can6", "can7"}

// numbered is a source of frames that carry their own number. It yields them in bursts and ends.
type numbered struct {
	frames, buses int
	burst         int
	gate          func(next int) // called before each burst
	sent          int
	named         bool
}

func (n *numbered) Next(ctx context.Context, into *capture.Batch) error {
	into.Reset()
	if err := ctx.Err(); err != nil {
		return err
	}
	if !n.named {
		n.named = true
		for i := range n.buses {
			into.Events = append(into.Events, capture.Event{At: began, Kind: capture.EventBus, Bus: capture.BusID(i), Name: busNames[i]})
		}
	}
	if n.sent == n.frames {
		if len(into.Events) > 0 {
			return nil
		}
		return io.EOF
	}
	if n.gate != nil {
		n.gate(n.sent)
	}
	for range min(n.burst, n.frames-n.sent) {
		into.Frames = append(into.Frames, n.frame())
	}
	return nil
}

func (n *numbered) frame() capture.Frame {
	f := capture.Frame{At: began.Add(time.Duration(n.sent) * time.Microsecond), ID: 0x123, Bus: capture.BusID(n.sent % n.buses), Len: 8, Flags: capture.Inbound}
	for i := range 8 {
		f.Data[i] = byte(n.sent >> (8 * i))
	}
	n.sent++
	return f
}

// number is the number that a frame carries.
func number(f *capture.Frame) int {
	n := 0
	for i := range 8 {
		n |= int(f.Data[i]) << (8 * i)
	}
	return n
}

// readBack is what a file holds.
type readBack struct {
	numbers []int
	lost    uint64
	records []capture.Event
	verdict session.Integrity
	events  []capture.Event
}

func read(t testing.TB, content []byte) readBack {
	t.Helper()
	r := session.NewReader(bytes.NewReader(content), "file")
	defer r.Close()
	var all readBack
	batch := capture.NewBatch()
	for {
		err := r.Next(context.Background(), batch)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return all // a head that was never written whole
		}
		for i := range batch.Frames {
			all.numbers = append(all.numbers, number(&batch.Frames[i]))
		}
		for _, e := range batch.Events {
			switch e.Kind {
			case capture.EventLoss:
				all.lost += e.Count
			case capture.EventJournal:
				all.records = append(all.records, e)
			}
		}
		all.events = append(all.events, batch.Events...)
	}
	all.verdict = r.Integrity()
	return all
}

// quick is a timing under which everything happens often.
var quick = Timing{Flush: time.Millisecond, Sync: 2 * time.Millisecond, Seal: 3 * time.Millisecond, Retry: 2 * time.Millisecond, Grace: time.Second}

func options(d *disk) Options {
	return Options{Head: session.SessionRecord{Origin: session.OriginVirtual}, Files: d.open, Now: now, Timing: quick}
}

// pace lets everything that is due be done before the source goes on: time in these tests is that of a
// bubble (testing/synctest), which passes only when everybody waits.
func pace(int) {
	<-time.After(3 * time.Millisecond)
	synctest.Wait()
}

func TestEveryFrameIsInTheFile(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &disk{}
		r, err := New(&numbered{frames: 100_000, buses: 3, burst: 250}, options(d))
		require.NoError(t, err)
		ear := r.Listen()
		heard := make(chan int, 1)
		go func() {
			n := 0
			batch := capture.NewBatch()
			for ear.Next(context.Background(), batch) == nil {
				n += len(batch.Frames)
			}
			heard <- n
		}()
		require.NoError(t, r.Run(t.Context()))
		require.Len(t, d.files, 1)
		got := read(t, d.files[0].content)
		require.Equal(t, session.Sealed, got.verdict.Verdict, got.verdict.Why)
		require.Equal(t, 1, got.verdict.Sections)
		require.Len(t, got.numbers, 100_000)
		for i, n := range got.numbers {
			require.Equal(t, i, n)
		}
		require.Zero(t, got.lost)
		require.Equal(t, 100_000, <-heard)
		require.Equal(t, len(d.files[0].content), d.files[0].synced)
	})
}

// TestAFileThatFails lets the n-th operation on the disk fail, for every n, and asks for every frame in
// one of the files: of a file that failed only what a sync had made certain counts, since a disk that
// fails may have kept no more.
func TestAFileThatFails(t *testing.T) {
	for name, syncTakes := range map[string]time.Duration{"syncs at once": 0, "syncs slowly": 7 * time.Millisecond} {
		t.Run(name, func(t *testing.T) {
			whole := operations(t, syncTakes)
			for n := 2; n <= whole+1; n++ {
				synctest.Test(t, func(t *testing.T) { failsAt(t, n, syncTakes) })
			}
		})
	}
	_, err := New(&numbered{frames: 1, buses: 1, burst: 1}, options(&disk{fails: func(n int) bool { return n == 1 }}))
	require.ErrorIs(t, err, errDisk, "the head of the first file can't be written: there is no recording")
}

const framesWhileItFails = 600

func failsAt(t *testing.T, n int, syncTakes time.Duration) {
	d := &disk{fails: func(operation int) bool { return operation == n }, syncTakes: syncTakes}
	r, err := New(&numbered{frames: framesWhileItFails, buses: 2, burst: 20, gate: pace}, options(d))
	require.NoError(t, err, "operation %d", n)
	require.NoError(t, r.Run(t.Context()), "operation %d", n)
	seen := make([]bool, framesWhileItFails)
	for i, f := range d.files {
		content := f.content
		if i < len(d.files)-1 {
			content = content[:f.synced]
		}
		got := read(t, content)
		for k, number := range got.numbers {
			seen[number] = true
			require.EqualValues(t, number, goesOnFrom(got).Packets+uint64(k), "operation %d: file %d: packet %d", n, i+1, k+1)
		}
	}
	require.NotContains(t, seen, false, "operation %d: a frame is in no file", n)
	last := read(t, d.files[len(d.files)-1].content)
	require.Equal(t, session.Sealed, last.verdict.Verdict, "operation %d: %s", n, last.verdict.Why)
	if len(d.files) > 1 {
		require.NotEmpty(t, r.Status().Failed)
		require.True(t, has(last.records, `"what":"write-failed"`), "the file that goes on says why")
	}
}

// goesOnFrom returns what a file says of the one before, nothing for the first.
func goesOnFrom(c readBack) (record session.DiskRecord) {
	for _, e := range c.records {
		if e.Name == session.KindDisk && e.Record == 2 {
			_ = json.Unmarshal(e.Body, &record) // what is no record says nothing
		}
	}
	return record
}

// operations returns how many operations a recording takes when nothing fails.
func operations(t *testing.T, syncTakes time.Duration) (whole int) {
	synctest.Test(t, func(t *testing.T) {
		d := &disk{syncTakes: syncTakes}
		r, err := New(&numbered{frames: framesWhileItFails, buses: 2, burst: 20, gate: pace}, options(d))
		require.NoError(t, err)
		require.NoError(t, r.Run(t.Context()))
		whole = d.operations
	})
	return whole
}

func has(records []capture.Event, text string) bool {
	for _, e := range records {
		if strings.Contains(string(e.Body), text) {
			return true
		}
	}
	return false
}

// TestCrashClones takes the power away after every sync and loses what was not synced, wholly or in
// part: what is left opens, and holds every frame that was synced.
func TestCrashClones(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &disk{}
		var clones [][]byte
		var sure []int
		source := &numbered{frames: 2000, buses: 1, burst: 25}
		source.gate = func(next int) {
			pace(next)
			d.mu.Lock()
			defer d.mu.Unlock()
			f := d.files[0]
			clones, sure = append(clones, bytes.Clone(f.content)), append(sure, f.synced)
		}
		r, err := New(source, options(d))
		require.NoError(t, err)
		require.NoError(t, r.Run(t.Context()))
		require.NotEmpty(t, clones)
		random := rand.New(rand.NewPCG(1, 2))
		kept := 0
		for i, content := range clones {
			certain := len(read(t, content[:sure[i]]).numbers)
			for range 3 {
				cut := sure[i] + random.IntN(len(content)-sure[i]+1)
				got := read(t, content[:cut])
				require.GreaterOrEqual(t, len(got.numbers), certain)
				require.NotEqual(t, session.Altered, got.verdict.Verdict, got.verdict.Why)
				for j, n := range got.numbers {
					require.Equal(t, j, n)
				}
			}
			kept = max(kept, certain)
		}
		require.Positive(t, kept, "some of the clones were taken after a sync")
	})
}

// TestAStalledDiskLosesNothing holds the disk for longer than the source takes for everything.
func TestAStalledDiskLosesNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &disk{stall: 300 * time.Millisecond}
		r, err := New(&numbered{frames: 200_000, buses: 8, burst: 256}, options(d))
		require.NoError(t, err)
		require.NoError(t, r.Run(t.Context()))
		got := read(t, d.files[0].content)
		require.Len(t, got.numbers, 200_000)
		require.Zero(t, got.lost)
		require.Equal(t, session.Sealed, got.verdict.Verdict, got.verdict.Why)
	})
}

// TestAStalledDiskAtFullRate: eight full buses of 1 Mbit/s carry 170,208 frames/s at most, of 47 bits each
// (ISO 11898-1: a data frame of no data without a stuff bit, with the intermission). A disk that takes
// nothing for a second, neither a write nor a sync, loses none of them, and the slow syncs are on record.
func TestAStalledDiskAtFullRate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const perMillisecond = 171
		d := &disk{stall: time.Second, syncTakes: 1100 * time.Millisecond}
		o := options(d)
		o.Timing = Timing{} // as it is in use
		source := &numbered{frames: 3000 * perMillisecond, buses: 8, burst: perMillisecond}
		source.gate = func(int) { <-time.After(time.Millisecond) }
		r, err := New(source, o)
		require.NoError(t, err)
		require.NoError(t, r.Run(t.Context()))
		got := read(t, d.files[0].content)
		require.Len(t, got.numbers, source.frames)
		require.Zero(t, got.lost)
		require.True(t, has(got.records, `"what":"slow-sync"`))
		require.Equal(t, session.Sealed, got.verdict.Verdict, got.verdict.Why)
	})
}

// TestWhatIsLostIsCounted gives the tape too little room for a disk that stalls: what is in the file
// and what it says is lost are everything, bus by bus.
func TestWhatIsLostIsCounted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &disk{stall: 100 * time.Millisecond}
		o := options(d)
		o.frames = 1 << 12
		source := &numbered{frames: 50_000, buses: 3, burst: 256}
		r, err := New(source, o)
		require.NoError(t, err)
		require.NoError(t, r.Run(t.Context()))
		got := read(t, d.files[0].content)
		require.Positive(t, got.lost)
		require.Equal(t, 50_000, len(got.numbers)+int(got.lost))
		require.Equal(t, got.lost, r.Status().Lost)
		perBus := [3]uint64{}
		for _, e := range got.events {
			if e.Kind == capture.EventLoss {
				perBus[e.Bus] += e.Count
			}
		}
		for _, n := range got.numbers {
			perBus[n%3]++
		}
		require.Equal(t, [3]uint64{16_667, 16_667, 16_666}, perBus)
	})
}

// TestWhoListensHoldsUpNobody: nobody takes what is for the ear, and the file has everything.
func TestWhoListensHoldsUpNobody(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &disk{}
		o := options(d)
		o.frames = 1 << 12
		var r *Recorder
		source := &numbered{frames: 50_000, buses: 1, burst: 256}
		source.gate = func(int) {
			r.tape.mu.Lock()
			behind := r.tape.head - r.tape.scribe.at.frame
			r.tape.mu.Unlock()
			if behind > 1<<11 {
				pace(0)
			}
		}
		r, err := New(source, o)
		require.NoError(t, err)
		ear := r.Listen()
		require.NoError(t, r.Run(t.Context()))
		got := read(t, d.files[0].content)
		require.Len(t, got.numbers, 50_000)
		var lost, heard uint64
		batch := capture.NewBatch()
		for ear.Next(t.Context(), batch) == nil {
			heard += uint64(len(batch.Frames))
			for _, e := range batch.Events {
				if e.Kind == capture.EventLoss {
					lost += e.Count
				}
			}
		}
		require.Equal(t, uint64(50_000), lost+heard, "who listens is told what it missed")
		require.Equal(t, lost, r.Status().Missed)
	})
}

// TestAPatientSourceWaits: a source that can wait loses nothing on the smallest tape.
func TestAPatientSourceWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &disk{stall: 50 * time.Millisecond}
		o := options(d)
		o.frames, o.Patient = 1<<9, true
		r, err := New(&numbered{frames: 20_000, buses: 2, burst: 256}, o)
		require.NoError(t, err)
		require.NoError(t, r.Run(t.Context()))
		got := read(t, d.files[0].content)
		require.Len(t, got.numbers, 20_000)
		require.Zero(t, got.lost)
	})
}

// TestSections begins a section often: each verifies, and hangs on the one before.
func TestSections(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &disk{}
		o := options(d)
		o.Timing.Section = 4 * time.Millisecond
		r, err := New(&numbered{frames: 1000, buses: 2, burst: 20, gate: pace}, o)
		require.NoError(t, err)
		require.NoError(t, r.Run(t.Context()))
		got := read(t, d.files[0].content)
		require.Equal(t, session.Sealed, got.verdict.Verdict, got.verdict.Why)
		require.Greater(t, got.verdict.Sections, 2)
		require.Len(t, got.numbers, 1000)
	})
}

// TestDamageIsPutOnRecord: what could not be read of a source stands in the file, at its place and once, also
// when that file is recorded again.
func TestDamageIsPutOnRecord(t *testing.T) {
	source := capture.Source(&capture.Slice{Frames: []capture.Frame{{At: began, Len: 1}, {At: began + 1, Len: 1}}, Events: []capture.Event{
		{Kind: capture.EventBus, Name: "can0"}, {At: began, Kind: capture.EventDamage, Index: 1, Err: errors.New("byte 99: a hole")}}})
	for range 2 {
		d := &disk{}
		o := options(d)
		o.Patient = true
		r, err := New(source, o)
		require.NoError(t, err)
		require.NoError(t, r.Run(t.Context()))
		got := read(t, d.files[0].content)
		require.Len(t, got.numbers, 2)
		var damage []capture.Event
		for _, e := range got.events {
			if e.Kind == capture.EventDamage {
				damage = append(damage, e)
			}
		}
		require.Len(t, damage, 1)
		require.EqualError(t, damage[0].Err, "byte 99: a hole")
		require.EqualValues(t, 1, damage[0].Packet, "between the frames")
		require.Equal(t, began, damage[0].At)
		records := slices.DeleteFunc(got.records, func(e capture.Event) bool { return e.Name != session.KindDamage })
		require.Len(t, records, 1)
		require.JSONEq(t, `{"kind":"damage","why":"byte 99: a hole"}`, string(records[0].Body))
		source = session.NewReader(bytes.NewReader(d.files[0].content), "file")
	}
}

// counted yields a loss of two frames before each burst, and now and then the count from the start of the
// recording.
type counted struct {
	numbered
	every int // bursts between two counts
	lost  int64
}

func (c *counted) Next(ctx context.Context, into *capture.Batch) error {
	if err := c.numbered.Next(ctx, into); err != nil {
		return err
	}
	c.lost += 2
	into.Events = append(into.Events, capture.Event{At: began, Kind: capture.EventLoss, Count: 2})
	if c.lost/2%int64(c.every) == 0 {
		into.Events = append(into.Events, capture.Event{At: began, Kind: capture.EventCounters, Index: len(into.Frames), Received: int64(c.sent), Dropped: c.lost})
	}
	return nil
}

// TestSectionsCountForThemselves: the sections' losses add up to those of the recording, once each, however
// seldom the source counts.
func TestSectionsCountForThemselves(t *testing.T) {
	for _, every := range []int{1, 4} {
		t.Run(fmt.Sprintf("counted every %d bursts", every), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				d := &disk{}
				o := options(d)
				o.Timing.Section = 10 * time.Millisecond
				source := &counted{numbered: numbered{frames: 1000, buses: 1, burst: 20, gate: pace}, every: every}
				r, err := New(source, o)
				require.NoError(t, err)
				require.NoError(t, r.Run(t.Context()))
				sections, lost, counts := lostIn(t, d.files[0].content)
				require.Greater(t, sections, 2)
				require.EqualValues(t, source.lost, lost)
				require.Equal(t, sections, counts, "each says what it lost")
			})
		})
	}
}

// lostIn returns what the statistics of a file's sections count as lost, and how many of them there are.
func lostIn(t *testing.T, content []byte) (sections int, lost int64, counts int) {
	t.Helper()
	reader := session.NewReader(bytes.NewReader(content), "file")
	defer reader.Close()
	batch := capture.NewBatch()
	for reader.Next(context.Background(), batch) == nil {
		for _, e := range batch.Events {
			if e.Kind == capture.EventCounters {
				lost += e.Dropped
				counts++
			}
		}
	}
	return reader.Integrity().Sections, lost, counts
}

// TestAFileThatEndsForWantOfRoomCounts: what one file told before its end, the next does not count again.
func TestAFileThatEndsForWantOfRoomCounts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &disk{}
		o := options(d)
		asked := 0
		o.Timing.Retry = 2 * time.Millisecond
		o.Room = func() error {
			if asked++; asked%5 == 0 {
				return errDisk
			}
			return nil
		}
		source := &counted{numbered: numbered{frames: 1000, buses: 1, burst: 20, gate: pace}, every: 3}
		r, err := New(source, o)
		require.NoError(t, err)
		require.NoError(t, r.Run(t.Context()))
		require.Greater(t, len(d.files), 2)
		all := int64(0)
		for _, f := range d.files {
			_, lost, counts := lostIn(t, f.content)
			require.Equal(t, 1, counts, "each says what it lost")
			all += lost
		}
		require.EqualValues(t, source.lost, all)
	})
}

// TestNumbersAreThoseOfTheFile: what Journal returns is the number under which a reader of the file that
// was being written finds the record, over sections and in the file that follows one that failed.
func TestNumbersAreThoseOfTheFile(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &disk{fails: func(operation int) bool { return operation == 40 }}
		o := options(d)
		o.Timing.Section = 7 * time.Millisecond
		var r *Recorder
		type note struct {
			text, file string
			number     uint64
		}
		var told []note
		source := &numbered{frames: 1500, buses: 1, burst: 50}
		source.gate = func(next int) {
			pace(next)
			n := note{text: fmt.Sprintf(`"note %d"`, next), file: r.Status().File}
			var err error
			n.number, err = r.Journal(now(), session.MarkRecord{Kind: session.KindMark, Name: "note", Note: fmt.Sprintf("note %d", next)})
			require.NoError(t, err)
			told = append(told, n)
		}
		r, err := New(source, o)
		require.NoError(t, err)
		require.NoError(t, r.Run(t.Context()))
		require.Len(t, d.files, 2)
		found := map[string]int{}
		for i, f := range d.files {
			for _, e := range read(t, f.content).records {
				for _, n := range told {
					if n.file == fmt.Sprintf("file-%d", i+1) && strings.Contains(string(e.Body), n.text) {
						require.Equal(t, n.number, e.Record, n.text)
						found[n.file]++
					}
				}
			}
		}
		require.Greater(t, found["file-1"], 3)
		require.Greater(t, found["file-2"], 3)
	})
}

// TestABehindGoesOn records behind a finished session: one file that verifies, its numbers going on.
func TestABehindGoesOn(t *testing.T) {
	path := filepath.Join(t.TempDir(), "session.pcapng")
	record := func(o Options, frames int) {
		r, err := New(&numbered{frames: frames, buses: 2, burst: 50}, o)
		require.NoError(t, err)
		require.NoError(t, r.Run(t.Context()))
	}
	o := options(nil)
	o.Files = func(int) (session.File, string, error) { f, err := session.Create(path); return f, path, err }
	record(o, 100)
	f, end, err := session.Continue(path)
	require.NoError(t, err)
	require.EqualValues(t, 100, end.Packets)
	o.Behind = end
	o.Files = func(int) (session.File, string, error) { return f, path, nil }
	r, err := New(&numbered{frames: 50, buses: 2, burst: 50}, o)
	require.NoError(t, err)
	number, err := r.Journal(now(), session.MarkRecord{Kind: session.KindMark, Name: "note", Note: "again"})
	require.NoError(t, err)
	require.NoError(t, r.Run(t.Context()))
	content, err := os.ReadFile(path)
	require.NoError(t, err)
	got := read(t, content)
	require.Equal(t, session.Sealed, got.verdict.Verdict, got.verdict.Why)
	require.Equal(t, 2, got.verdict.Sections)
	require.Len(t, got.numbers, 150)
	require.True(t, slices.ContainsFunc(got.records, func(e capture.Event) bool {
		return e.Record == number && strings.Contains(string(e.Body), "again")
	}), "J%d", number)
}

// TestEventsHaveABound: a scribe without a file keeps what it can, counts the rest, and no loss is
// forgotten.
func TestEventsHaveABound(t *testing.T) {
	tp := newTape(1<<6, false)
	tp.tell(capture.Event{Kind: capture.EventBus, Name: "can0"})
	for range maxEvents + 10 {
		tp.tell(capture.Event{Kind: capture.EventJournal, Name: "clock", Body: []byte(`{"kind":"clock"}`)})
	}
	tp.tell(capture.Event{Kind: capture.EventLoss, Count: 7})
	require.EqualValues(t, 11, tp.forgot())
	batch := capture.NewBatch()
	_, err := tp.take(&tp.scribe, batch)
	require.NoError(t, err)
	var lost uint64
	for _, e := range batch.Events {
		if e.Kind == capture.EventLoss {
			lost += e.Count
		}
	}
	require.EqualValues(t, 7, lost)
	require.Len(t, batch.Events, maxEvents+1)
}

// TestTakenBackAcrossFiles renames what a take-back names, since another file counts anew.
func TestTakenBackAcrossFiles(t *testing.T) {
	body := []byte(`{"kind":"mark","name":"take-back","corner":"","value":"J12","note":"","by":""}`)
	for name, c := range map[string]struct {
		body []byte
		to   uint64
		want string
	}{
		"moved":           {body, 4, `"value":"J4"`},
		"of another file": {body, 0, `(it was J12 of another file)`},
		"another mark":    {[]byte(`{"kind":"mark","name":"note","value":"J12"}`), 4, `"value":"J12"`},
		"no number":       {[]byte(`{"kind":"mark","name":"take-back","value":"all"}`), 4, `"value":"all"`},
		"no object":       {[]byte(`[`), 4, `[`},
	} {
		t.Run(name, func(t *testing.T) {
			require.Contains(t, string(renumber(c.body, func(uint64) uint64 { return c.to })), c.want)
		})
	}
}

// TestNoRoom ends a file in good order and goes on in another when there is room again.
func TestNoRoom(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &disk{}
		o := options(d)
		var mu sync.Mutex
		room := error(nil)
		o.Room = func() error { mu.Lock(); defer mu.Unlock(); return room }
		set := func(err error) { mu.Lock(); room = err; mu.Unlock() }
		errFull := errors.New("the disk is full")
		var r *Recorder
		source := &numbered{frames: 300, buses: 1, burst: 10}
		await := func(trouble bool) {
			for (r.Status().Trouble != nil) != trouble {
				<-time.After(time.Millisecond)
			}
		}
		source.gate = func(next int) {
			switch next {
			case 100:
				set(errFull)
				await(true)
			case 200:
				set(nil)
				await(false)
			}
		}
		r, err := New(source, o)
		require.NoError(t, err)
		require.NoError(t, r.Run(t.Context()))
		require.Len(t, d.files, 2)
		seen := 0
		for _, f := range d.files {
			got := read(t, f.content)
			require.Equal(t, session.Sealed, got.verdict.Verdict, got.verdict.Why)
			seen += len(got.numbers)
		}
		require.Equal(t, 300, seen, "what came meanwhile was on the tape")
		require.True(t, has(read(t, d.files[1].content).records, errFull.Error()))
	})
}

// TestStop ends a source that would go on for ever.
func TestStop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &disk{}
		o := options(d)
		ctx, cancel := context.WithCancel(t.Context())
		source := &numbered{frames: 1 << 40, buses: 1, burst: 10}
		source.gate = func(next int) {
			pace(next)
			if next >= 100 {
				cancel()
			}
		}
		r, err := New(source, o)
		require.NoError(t, err)
		require.NoError(t, r.Run(ctx))
		got := read(t, d.files[0].content)
		require.Equal(t, session.Sealed, got.verdict.Verdict, got.verdict.Why)
		require.GreaterOrEqual(t, len(got.numbers), 100)
		_, err = r.Journal(now(), session.MarkRecord{Kind: session.KindMark, Name: "note"})
		require.ErrorIs(t, err, ErrNotKept)
	})
}

// TestADeadDisk never takes anything: the end comes, with an error.
func TestADeadDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := &disk{fails: func(operation int) bool { return operation > 3 }}
		r, err := New(&numbered{frames: 5000, buses: 1, burst: 100}, options(d))
		require.NoError(t, err)
		err = r.Run(t.Context())
		require.ErrorContains(t, err, "the last frames could not be written")
		require.ErrorIs(t, err, errDisk)
	})
}

func TestJournalRefusesWhatIsNoRecord(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, err := New(&numbered{buses: 1}, options(&disk{}))
		require.NoError(t, err)
		for name, record := range map[string]any{
			"no object": 7, "no kind": struct{ A int }{1}, "a seal": session.SealRecord{Kind: session.KindSeal},
			"a session": session.SessionRecord{Kind: session.KindSession}, "no JSON": func() {},
		} {
			_, err := r.Journal(now(), record)
			require.Error(t, err, name)
		}
		require.NoError(t, r.Run(t.Context()))
	})
}
