//go:build linux || darwin || freebsd || netbsd || openbsd || dragonfly

package live

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/recorder"
	"ridewitness/capture/session"
	"ridewitness/capture/sourcetest"
)

// dawn is when the recordings of these tests begin.
const dawn = capture.Stamp(1_772_000_000_000_000_000)

// frail is a file that fails at its n-th operation behind the head.
type frail struct {
	session.File
	left int
}

var errFrail = errors.New("the disk says no")

func (f *frail) step() error {
	if f.left--; f.left < 0 {
		return errFrail
	}
	return nil
}

// Write writes half of what it fails at.
func (f *frail) Write(b []byte) (int, error) {
	if err := f.step(); err != nil {
		n, _ := f.File.Write(b[:len(b)/2])
		return n, err
	}
	return f.File.Write(b)
}

// paced yields frames that carry their number, two buses by turns, one every 10 ms, and a mark every 20.
type paced struct {
	frames int
	sent   int
	mark   func(n int)
	gate   func(n int)
}

// Next implements capture.Source.
func (p *paced) Next(ctx context.Context, into *capture.Batch) error {
	into.Reset()
	if p.sent == p.frames {
		return io.EOF
	}
	if p.sent == 0 {
		for bus, name := range []string{"can0", "can1"} {
			into.Events = append(into.Events, capture.Event{Kind: capture.EventBus, Bus: capture.BusID(bus), Name: name})
		}
	}
	time.Sleep(10 * time.Millisecond)
	if p.gate != nil {
		p.gate(p.sent)
	}
	if p.sent%20 == 0 {
		p.mark(p.sent)
	}
	into.Frames = append(into.Frames, capture.Frame{At: stampNow(), ID: 0x100, Bus: capture.BusID(p.sent % 2), Len: 2, Flags: capture.Inbound,
		Data: [64]byte{byte(p.sent), byte(p.sent >> 8)}})
	p.sent++
	return nil
}

// made is one recording in a bubble.
type made struct {
	path     string
	recorder *recorder.Recorder
	done     chan error
	opened   int
}

// record records in the background, and closes the door behind it. Each file but the last fails at its given
// write; 0 is that of its head.
func record(t *testing.T, path string, door *Door, fails []int, source *paced, change func(*recorder.Options)) *made {
	t.Helper()
	m := &made{path: path, done: make(chan error, 1)}
	o := recorder.Options{Now: stampNow, Timing: recorder.Timing{Section: 1500 * time.Millisecond, Seal: 700 * time.Millisecond},
		Files: func(n int) (session.File, string, error) {
			name := m.path
			if n > 1 {
				name = Numbered(m.path, n)
			}
			f, err := session.Create(name)
			m.opened = n
			if err == nil && n <= len(fails) {
				f = &frail{f, fails[n-1]}
			}
			return f, name, err
		}}
	if change != nil {
		change(&o)
	}
	var err error
	source.mark = func(n int) {
		_, err := m.recorder.Journal(stampNow(), session.MarkRecord{Kind: session.KindMark, Name: "note", Note: fmt.Sprint(n)})
		require.NoError(t, err)
	}
	m.recorder, err = recorder.New(source, o)
	require.NoError(t, err)
	go func() {
		err := m.recorder.Run(t.Context())
		door.Close()
		m.done <- err
	}()
	return m
}

// attended returns the name of a recording whose recorder answers at that many files. The sockets stay
// outside of the bubble of time: what waits at them holds it up.
func attended(t *testing.T, files int) (path string, door *Door) {
	t.Helper()
	path, door = filepath.Join(t.TempDir(), "job.pcapng"), NewDoor(nil, nil)
	t.Cleanup(door.Close)
	require.NoError(t, door.Open(path))
	for n := 2; n <= files; n++ {
		require.NoError(t, door.Open(Numbered(path, n)))
	}
	return path, door
}

// walked is what a trail yielded.
type walked struct {
	numbers []int // that the frames carry
	buses   map[string]int
	notes   []int
	values  []string // of marks
	records []uint64
	lost    uint64
	damage  int
	files   []string
	waits   []string
	end     error
}

func walk(t *testing.T, trail *Trail) *walked {
	t.Helper()
	w := &walked{buses: map[string]int{}}
	var names [2]string
	stop := make(chan struct{})
	watched := make(chan []string)
	go func() { // what a screen sees
		var waits []string
		for {
			if why := trail.Waiting(); why != "" && (len(waits) == 0 || waits[len(waits)-1] != why) {
				waits = append(waits, why)
			}
			select {
			case <-stop:
				watched <- waits
				return
			case <-time.After(10 * time.Millisecond):
			}
		}
	}()
	b := capture.NewBatch()
	for w.end = trail.Next(t.Context(), b); w.end == nil; w.end = trail.Next(t.Context(), b) {
		if file := filepath.Base(trail.File()); len(w.files) == 0 || w.files[len(w.files)-1] != file {
			w.files = append(w.files, file)
		}
		for frames, e := range b.InOrder() {
			for i := range frames {
				w.numbers = append(w.numbers, int(frames[i].Data[0])|int(frames[i].Data[1])<<8)
				w.buses[names[frames[i].Bus]]++
			}
			if e != nil {
				w.event(t, e, &names)
			}
		}
	}
	close(stop)
	w.waits = <-watched
	return w
}

func (w *walked) event(t *testing.T, e *capture.Event, names *[2]string) {
	t.Helper()
	switch e.Kind {
	case capture.EventBus:
		names[e.Bus] = e.Name
	case capture.EventLoss:
		w.lost += e.Count
	case capture.EventDamage:
		w.damage++
	case capture.EventJournal:
		if e.Record != 0 && e.Name != session.KindSeal { // the seal that ends a file is none of the recording
			w.records = append(w.records, e.Record)
		}
		if e.Name == session.KindMark {
			var m session.MarkRecord
			require.NoError(t, json.Unmarshal(e.Body, &m))
			w.values = append(w.values, m.Value)
			if n, err := strconv.Atoi(m.Note); err == nil {
				w.notes = append(w.notes, n)
			}
		}
	}
}

// whole requires every frame and every mark once and in order.
func (w *walked) whole(t *testing.T, frames int) {
	t.Helper()
	for i, n := range w.numbers {
		require.Equal(t, i, n)
	}
	require.Len(t, w.numbers, frames)
	require.Equal(t, map[string]int{"can0": frames / 2, "can1": frames / 2}, w.buses)
	require.Len(t, w.notes, frames/20)
	for i, n := range w.notes {
		require.Equal(t, 20*i, n)
	}
	for i := 1; i < len(w.records); i++ {
		require.Greater(t, w.records[i], w.records[i-1], "no number stands for two records")
	}
	require.Zero(t, w.lost)
	require.Zero(t, w.damage)
}

// TestATrailGoesOn: whatever ends a file, who follows the recording gets each frame and each mark once.
func TestATrailGoesOn(t *testing.T) {
	const frames = 600 // 6 s
	for name, fails := range map[string][]int{
		"nothing fails":          nil,
		"early":                  {4},
		"late":                   {40},
		"twice":                  {17, 23},
		"the second at its head": {21, 0},
		"the second behind it":   {21, 1},
		"three":                  {9, 2, 30},
	} {
		t.Run(name, func(t *testing.T) {
			path, door := attended(t, len(fails)+1)
			synctest.Test(t, func(t *testing.T) {
				m := record(t, path, door, fails, &paced{frames: frames}, nil)
				trail, err := OpenTrail(m.path)
				require.NoError(t, err)
				defer func() { trail.Close() }()
				w := walk(t, trail)
				require.NoError(t, <-m.done)
				require.ErrorIs(t, w.end, io.EOF)
				w.whole(t, frames)
				require.Equal(t, len(fails)+1, m.opened)
				require.Equal(t, filepath.Base(m.recorder.Status().File), w.files[len(w.files)-1])

				late, err := OpenTrail(m.path)
				require.NoError(t, err)
				defer func() { late.Close() }()
				w = walk(t, late)
				require.ErrorIs(t, w.end, io.EOF)
				w.whole(t, frames) // who comes when all is over goes through all of them too
			})
		})
	}
}

// TestATrailWaitsForRoom: a file that ended in good order for want of room is gone on with once there is
// some, and whoever follows is blind until then, with the cause.
func TestATrailWaitsForRoom(t *testing.T) {
	const frames = 400
	path, door := attended(t, 2)
	synctest.Test(t, func(t *testing.T) {
		full := make(chan bool, 1)
		full <- false
		set := func(now bool) { <-full; full <- now }
		source := &paced{frames: frames, gate: func(n int) {
			switch n {
			case 100:
				set(true)
			case 300:
				time.Sleep(3 * time.Minute)
				set(false)
			}
		}}
		m := record(t, path, door, nil, source, func(o *recorder.Options) {
			o.Room = func() error {
				is := <-full
				full <- is
				if is {
					return errFrail
				}
				return nil
			}
		})
		trail, err := OpenTrail(path)
		require.NoError(t, err)
		defer func() { trail.Close() }()
		w := walk(t, trail)
		require.NoError(t, <-m.done)
		require.ErrorIs(t, w.end, io.EOF)
		w.whole(t, frames)
		require.Equal(t, []string{"job.pcapng", "job-2.pcapng"}, w.files)
		require.Equal(t, []string{"file ended, none goes on yet"}, w.waits[:1])
	})
}

// TestATrailOfAHangingDisk: a disk that takes nothing and lets nothing go keeps the lock of its file.
func TestATrailOfAHangingDisk(t *testing.T) {
	path, door := attended(t, 2)
	synctest.Test(t, func(t *testing.T) {
		m := record(t, path, door, []int{20}, &paced{frames: 400}, nil)
		trail, err := OpenTrail(path)
		require.NoError(t, err)
		defer func() { trail.Close() }()
		lockWhenFree(t, path)
		w := walk(t, trail)
		require.NoError(t, <-m.done)
		require.ErrorIs(t, w.end, io.EOF)
		w.whole(t, 400)
	})
}

// lockWhenFree takes the lock of a file as soon as its recorder lets go of it, and keeps it until the test ends.
func lockWhenFree(t *testing.T, path string) {
	t.Helper()
	f, err := os.Open(path)
	require.NoError(t, err)
	taken := make(chan struct{})
	go func() {
		defer close(taken)
		for syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB) != nil {
			time.Sleep(time.Millisecond)
		}
	}()
	t.Cleanup(func() {
		<-taken
		f.Close()
	})
}

// head is how a file of the recording `one` begins.
func head(change func(*session.SessionRecord)) session.SessionRecord {
	h := session.SessionRecord{Origin: session.OriginVirtual, Recording: "ONE"}
	if change != nil {
		change(&h)
	}
	return h
}

// wrote writes a session by hand.
func wrote(t *testing.T, path string, h session.SessionRecord, do func(*session.Writer)) {
	t.Helper()
	f, err := session.Create(path)
	require.NoError(t, err)
	w, err := session.NewWriter(f, dawn, h)
	require.NoError(t, err)
	do(w)
	require.NoError(t, w.Close(dawn))
}

// some writes frames that carry the numbers from first to last.
func some(t *testing.T, w *session.Writer, first, last int) {
	t.Helper()
	b := &capture.Batch{Events: []capture.Event{{Kind: capture.EventBus, Name: "can0"}}}
	for n := first; n <= last; n++ {
		b.Frames = append(b.Frames, capture.Frame{At: dawn.Add(time.Duration(n) * time.Millisecond), ID: 0x100, Len: 2, Data: [64]byte{byte(n)}})
	}
	require.NoError(t, w.Write(b))
}

func from(file string, packets uint64, records int64) session.DiskRecord {
	return session.DiskRecord{Kind: session.KindDisk, What: session.DiskFailed, File: file, Packets: packets, Records: records}
}

// TestATrailTakesNoStranger: the name of a file says nothing of what is in it.
func TestATrailTakesNoStranger(t *testing.T) {
	second := func(h func(*session.SessionRecord), records ...any) func(*testing.T, string) {
		return func(t *testing.T, path string) {
			wrote(t, path, head(h), func(w *session.Writer) {
				for _, r := range records {
					require.NoError(t, w.Journal(dawn, r))
				}
				some(t, w, 10, 19)
			})
		}
	}
	other := func(h *session.SessionRecord) { h.Recording = "OTHER" }
	mended := func(h *session.SessionRecord) { h.MendedFrom = &session.MendedFrom{Integrity: "cut-short"} }
	for name, c := range map[string]struct {
		files map[int]func(*testing.T, string)
		want  []string
	}{
		"it goes on":              {map[int]func(*testing.T, string){2: second(nil, from("/elsewhere/job.pcapng", 10, -1))}, []string{"job.pcapng", "job-2.pcapng"}},
		"another recording":       {map[int]func(*testing.T, string){2: second(other, from("job.pcapng", 10, -1))}, nil},
		"it names no recording":   {map[int]func(*testing.T, string){2: second(func(h *session.SessionRecord) { h.Recording = "" }, from("job.pcapng", 10, -1))}, nil},
		"from another file":       {map[int]func(*testing.T, string){2: second(nil, from("bob.pcapng", 10, -1))}, nil},
		"it was mended":           {map[int]func(*testing.T, string){2: second(mended, from("job.pcapng", 10, -1))}, nil},
		"it does not say so":      {map[int]func(*testing.T, string){2: second(nil)}, nil},
		"it says so later":        {map[int]func(*testing.T, string){2: second(nil, session.SoundRecord{Kind: session.KindSound}, from("job.pcapng", 10, -1))}, nil},
		"another disk record":     {map[int]func(*testing.T, string){2: second(nil, session.DiskRecord{Kind: session.KindDisk, What: session.DiskLow, File: "job.pcapng"})}, nil},
		"rubbish":                 {map[int]func(*testing.T, string){2: func(t *testing.T, path string) { require.NoError(t, os.WriteFile(path, []byte("no session"), 0o600)) }}, nil},
		"nothing in it":           {map[int]func(*testing.T, string){2: func(t *testing.T, path string) { require.NoError(t, os.WriteFile(path, nil, 0o600)) }}, nil},
		"a folder":                {map[int]func(*testing.T, string){2: func(t *testing.T, path string) { require.NoError(t, os.Mkdir(path, 0o700)) }}, nil},
		"a pipe":                  {map[int]func(*testing.T, string){2: func(t *testing.T, path string) { require.NoError(t, syscall.Mkfifo(path, 0o600)) }}, nil},
		"behind a stranger":       {map[int]func(*testing.T, string){2: second(other), 3: second(nil, from("job.pcapng", 10, -1))}, []string{"job.pcapng", "job-3.pcapng"}},
		"behind one that failed":  {map[int]func(*testing.T, string){2: second(nil), 3: second(nil, from("job-2.pcapng", 10, -1))}, []string{"job.pcapng", "job-3.pcapng"}},
		"from one that is behind": {map[int]func(*testing.T, string){2: second(nil, from("job-3.pcapng", 10, -1)), 3: second(other)}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "job.pcapng")
			wrote(t, path, head(nil), func(w *session.Writer) { some(t, w, 0, 9) })
			for n, write := range c.files {
				write(t, Numbered(path, n))
			}
			synctest.Test(t, func(t *testing.T) {
				trail, err := OpenTrail(path)
				require.NoError(t, err)
				defer func() { trail.Close() }()
				w := walk(t, trail)
				require.ErrorIs(t, w.end, io.EOF)
				frames, files := 20, c.want
				if c.want == nil {
					frames, files = 10, []string{"job.pcapng"}
				}
				require.Equal(t, files, w.files)
				require.Len(t, w.numbers, frames)
				require.Zero(t, w.lost)
			})
		})
	}
}

// TestATrailTellsWhatIsMissing: what stands in both files comes once, what stands in neither is a loss.
func TestATrailTellsWhatIsMissing(t *testing.T) {
	mark := func(name, value string) session.MarkRecord {
		return session.MarkRecord{Kind: session.KindMark, Name: name, Value: value}
	}
	for name, c := range map[string]struct {
		from    session.DiskRecord
		first   int // number that the first frame of the second file carries
		marks   []session.MarkRecord
		frames  int // in all
		lost    uint64
		damage  int
		records []uint64
		values  []string
	}{
		// The first file: J1 session, J2 and J3 marks, ten packets. Its seal is none of the recording.
		"nothing":              {from("job.pcapng", 10, 1), 10, []session.MarkRecord{mark("note", "")}, 20, 0, 0, []uint64{1, 2, 3, 4}, []string{"a", "b", ""}},
		"three stand in both":  {from("job.pcapng", 7, 0), 7, []session.MarkRecord{mark("note", "b"), mark("note", "c")}, 17, 0, 0, []uint64{1, 2, 3, 4}, []string{"a", "b", "c"}},
		"all stand in both":    {from("job.pcapng", 0, -1), 0, []session.MarkRecord{mark("note", "a"), mark("note", "b")}, 10, 0, 0, []uint64{1, 2, 3}, []string{"a", "b"}},
		"five frames":          {from("job.pcapng", 15, 1), 15, nil, 20, 5, 0, []uint64{1, 2, 3}, []string{"a", "b"}},
		"two records":          {from("job.pcapng", 10, 3), 10, []session.MarkRecord{mark("note", "")}, 20, 0, 1, []uint64{1, 2, 3, 6}, []string{"a", "b", ""}},
		"a take-back":          {from("job.pcapng", 10, 1), 10, []session.MarkRecord{mark("bled", ""), mark("take-back", "J3")}, 20, 0, 0, []uint64{1, 2, 3, 4, 5}, []string{"a", "b", "", "J4"}},
		"one of a file before": {from("job.pcapng", 10, 1), 10, []session.MarkRecord{mark("take-back", "")}, 20, 0, 1, []uint64{1, 2, 3, 4}, []string{"a", "b", ""}},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "job.pcapng")
			wrote(t, path, head(nil), func(w *session.Writer) {
				require.NoError(t, w.Journal(dawn, mark("note", "a")))
				require.NoError(t, w.Journal(dawn, mark("note", "b")))
				some(t, w, 0, 9)
			})
			wrote(t, Numbered(path, 2), head(nil), func(w *session.Writer) {
				require.NoError(t, w.Journal(dawn, c.from))
				for _, m := range c.marks {
					require.NoError(t, w.Journal(dawn, m))
				}
				some(t, w, c.first, c.first+9)
			})
			synctest.Test(t, func(t *testing.T) {
				trail, err := OpenTrail(path)
				require.NoError(t, err)
				defer func() { trail.Close() }()
				w := walk(t, trail)
				require.ErrorIs(t, w.end, io.EOF)
				require.Len(t, w.numbers, c.frames)
				for i := 1; i < len(w.numbers); i++ {
					require.Greater(t, w.numbers[i], w.numbers[i-1])
				}
				require.Equal(t, c.lost, w.lost)
				require.Equal(t, c.damage, w.damage)
				require.Equal(t, c.records, w.records)
				require.Equal(t, c.values, w.values)
			})
		})
	}
}

// TestATrailThatEnds: a recorder that is gone without a word, and one that nobody here can see.
func TestATrailThatEnds(t *testing.T) {
	path := filepath.Join(t.TempDir(), "job.pcapng")
	wrote(t, path, head(nil), func(w *session.Writer) { some(t, w, 0, 9) })
	whole, err := os.ReadFile(path)
	require.NoError(t, err)
	killed := filepath.Join(t.TempDir(), "killed.pcapng")
	require.NoError(t, os.WriteFile(killed, whole[:len(whole)-100], 0o600))
	for name, c := range map[string]struct {
		path string
		want error
	}{"ended": {path, io.EOF}, "killed": {killed, session.ErrRecorderGone}} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				trail, err := OpenTrail(c.path)
				require.NoError(t, err)
				defer func() { trail.Close() }()
				w := walk(t, trail)
				require.ErrorIs(t, w.end, c.want)
				require.Equal(t, w.end, trail.Next(t.Context(), capture.NewBatch()), "the end stays the end")
				require.Empty(t, trail.Waiting())
				require.True(t, trail.CaughtUp())
			})
		})
	}
}

func TestTrailIsASource(t *testing.T) {
	path := filepath.Join(t.TempDir(), "job.pcapng")
	wrote(t, path, head(nil), func(w *session.Writer) { some(t, w, 0, 9) })
	wrote(t, Numbered(path, 2), head(nil), func(w *session.Writer) {
		require.NoError(t, w.Journal(dawn, from("job.pcapng", 7, -1)))
		some(t, w, 7, 19)
	})
	sourcetest.Run(t, func(t *testing.T) capture.Source {
		trail, err := OpenTrail(path)
		require.NoError(t, err)
		t.Cleanup(func() { trail.Close() })
		return trail
	})
}

func TestNumbered(t *testing.T) {
	for _, c := range []struct {
		first string
		n     int
		want  string
	}{{"job.pcapng", 2, "job-2.pcapng"}, {"a.b/job", 12, "a.b/job-12"}, {"job-2.pcapng", 3, "job-2-3.pcapng"}} {
		require.Equal(t, c.want, Numbered(c.first, c.n))
		first, n := unnumbered(c.want)
		require.Equal(t, c.first, first)
		require.Equal(t, c.n, n)
	}
	for _, alone := range []string{"job.pcapng", "job-1.pcapng", "job-.pcapng", "-2.pcapng", "job-0.pcapng", "job-x2.pcapng", "job-99999999.pcapng"} {
		first, n := unnumbered(alone)
		require.Equal(t, alone, first)
		require.Equal(t, 1, n)
	}
}

// TestHowOldTheNewsIs: a frame reaches who follows within a flush and a look, and the clock that its age is
// counted by is behind by no more than the time between two frames.
func TestHowOldTheNewsIs(t *testing.T) {
	const flush, look, apart = 100 * time.Millisecond, 50 * time.Millisecond, 10 * time.Millisecond
	path, door := attended(t, 1)
	synctest.Test(t, func(t *testing.T) {
		m := record(t, path, door, nil, &paced{frames: 1000}, nil)
		trail, err := OpenTrail(path)
		require.NoError(t, err)
		defer func() { trail.Close() }()
		s := NewStream(trail, stampNow())
		began, b, oldest, off := time.Now(), capture.NewBatch(), time.Duration(0), time.Duration(0)
		for err = s.Next(t.Context(), b); err == nil; err = s.Next(t.Context(), b) {
			if time.Since(began) < time.Second || len(b.Frames) == 0 {
				continue // before that nobody knows what is quick
			}
			oldest = max(oldest, stampNow().Sub(b.Frames[0].At))
			off = max(off, stampNow().Sub(s.Now()))
		}
		require.ErrorIs(t, err, io.EOF)
		require.NoError(t, <-m.done)
		t.Logf("the oldest frame was %v old when it came, and the clock behind by at most %v", oldest, off)
		require.LessOrEqual(t, oldest, flush+look+apart)
		require.LessOrEqual(t, off, 2*apart)
	})
}
