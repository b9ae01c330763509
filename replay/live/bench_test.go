package live

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"ridewitness/capture"
	"ridewitness/capture/recorder"
	"ridewitness/capture/session"
	"ridewitness/replay/scenario/scenariotest"
	"ridewitness/replay/terminal"
	"ridewitness/safety"
)

// job is a simulated job in memory.
type job struct{ *scenariotest.Job }

func simulated(t testing.TB, name string) *job {
	t.Helper()
	return &job{scenariotest.Of(t, name)}
}

func (j *job) start() capture.Stamp { return j.Whole.Frames[0].At }

// until returns the job up to so long after its start.
func (j *job) until(d time.Duration) *capture.Slice { return j.between(0, d) }

// between returns a stretch of the job.
func (j *job) between(from, to time.Duration) *capture.Slice {
	at := func(d time.Duration) int {
		n, _ := slices.BinarySearchFunc(j.Whole.Frames, j.start().Add(d), func(f capture.Frame, s capture.Stamp) int { return int(f.At.Sub(s)) })
		return n
	}
	first, last := at(from), at(to)
	s := &capture.Slice{Frames: j.Whole.Frames[first:last]}
	for _, e := range j.Whole.Events {
		if e.Kind == capture.EventBus || e.Index >= first && e.Index < last {
			e.Index = max(e.Index-first, 0)
			s.Events = append(s.Events, e)
		}
	}
	return s
}

// ledger keeps what a desk puts on record.
type ledger struct {
	mu      sync.Mutex
	records []entry
	status  recorder.Status
	err     error
}

type entry struct {
	at     capture.Stamp
	kind   string
	body   []byte
	number uint64
}

func (l *ledger) Journal(at capture.Stamp, record any) (uint64, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.err != nil {
		return 0, l.err
	}
	body, err := json.Marshal(record)
	if err != nil {
		return 0, err
	}
	var head struct{ Kind string }
	if err := json.Unmarshal(body, &head); err != nil {
		return 0, err
	}
	e := entry{at, head.Kind, body, uint64(len(l.records) + 1)}
	l.records = append(l.records, e)
	return e.number, nil
}

func (l *ledger) Status() recorder.Status {
	l.mu.Lock()
	defer l.mu.Unlock()
	s := l.status
	if s.Written.IsZero() {
		s.Written = time.Now()
	}
	return s
}

func (l *ledger) set(f func(*recorder.Status)) {
	l.mu.Lock()
	defer l.mu.Unlock()
	f(&l.status)
}

// of returns the records of one kind.
func (l *ledger) of(kind string) []entry {
	l.mu.Lock()
	defer l.mu.Unlock()
	var all []entry
	for _, e := range l.records {
		if e.kind == kind {
			all = append(all, e)
		}
	}
	return all
}

// marks returns the marks as a table: name, corner, note, and how long after the start they are.
func (l *ledger) marks(t *testing.T, start capture.Stamp) []string {
	t.Helper()
	var all []string
	for _, e := range l.of(session.KindMark) {
		var m session.MarkRecord
		require.NoError(t, json.Unmarshal(e.body, &m))
		all = append(all, fmt.Sprintf("%s|%s|%s|%s|%s", e.at.Sub(start).Round(100*time.Millisecond), m.Name, m.Corner, m.Value, m.Note))
	}
	return all
}

// earpiece is a display that counts.
type earpiece struct {
	mu     sync.Mutex
	alarms []terminal.State
	rings  int
}

func (e *earpiece) Alarm(s terminal.State) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.alarms = append(e.alarms, s)
}

func (e *earpiece) Ring() {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.rings++
}

// heard returns how often it rang since the last time, alarms apart.
func (e *earpiece) heard() int {
	e.mu.Lock()
	defer e.mu.Unlock()
	n := e.rings
	e.rings = 0
	return n
}

func (e *earpiece) warned() []terminal.State {
	e.mu.Lock()
	defer e.mu.Unlock()
	return slices.Clone(e.alarms)
}

// table is a desk at work in a bubble of time.
type table struct {
	*Desk
	t     *testing.T
	keep  *ledger
	ear   *earpiece
	start capture.Stamp // when the bubble begins
	feed  chan *capture.Batch
	ended int // how often the end was asked for
	done  chan error
}

// sit starts a desk behind what was of a job at so long after its start, and runs do in the bubble.
func sit(t *testing.T, j *job, after time.Duration, change func(*Options), do func(*table)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		pipe, err := safety.NewPipeline(j.Signals, j.Card, nil)
		require.NoError(t, err)
		began := time.Now()
		b := &table{t: t, keep: &ledger{}, ear: &earpiece{}, start: j.start().Add(after), feed: make(chan *capture.Batch), done: make(chan error, 1)}
		o := Options{Pipeline: pipe, Now: func() capture.Stamp { return b.start.Add(time.Since(began)) }, Keep: b.keep,
			Facts: terminal.Facts{Origin: "simulated", Start: j.start(), Keys: terminal.LiveKeys}, End: func() { b.ended++ }}
		if change != nil {
			change(&o)
		}
		b.Desk = New(o)
		require.NoError(t, b.Recall(t.Context(), j.until(after)))
		b.display = b.ear
		go func() { b.done <- b.work(t.Context(), b) }()
		synctest.Wait()
		do(b)
		close(b.feed)
		require.NoError(t, <-b.done)
	})
}

// Next implements capture.Source.
func (b *table) Next(ctx context.Context, into *capture.Batch) error {
	into.Reset()
	select {
	case more, open := <-b.feed:
		if !open {
			return io.EOF
		}
		into.Frames, into.Events = append(into.Frames, more.Frames...), append(into.Events, more.Events...)
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// give feeds a stretch of a job at once.
func (b *table) give(s *capture.Slice) {
	b.t.Helper()
	for {
		batch := capture.NewBatch()
		if err := s.Next(b.t.Context(), batch); errors.Is(err, io.EOF) {
			break
		} else {
			require.NoError(b.t, err)
		}
		b.feed <- batch
	}
	synctest.Wait()
}

// live feeds a stretch of a job in its own time.
func (b *table) live(j *job, from, to time.Duration) {
	b.t.Helper()
	const step = 100 * time.Millisecond
	for at := from; at < to; at += step {
		b.pass(step)
		if s := j.between(at, at+step); len(s.Frames) > 0 {
			b.give(s)
		}
	}
}

// pass lets time pass.
func (b *table) pass(d time.Duration) {
	<-time.After(d)
	synctest.Wait()
}

// keys presses keys one after the other.
func (b *table) keys(keys string) {
	for _, k := range []byte(keys) {
		b.press(k)
	}
	synctest.Wait()
}

// body returns the only record of a kind.
func body[R any](t *testing.T, l *ledger, kind string) R {
	t.Helper()
	all := l.of(kind)
	require.Len(t, all, 1, "records of kind %s", kind)
	var r R
	require.NoError(t, json.Unmarshal(all[0].body, &r))
	return r
}

func TestMain(m *testing.M) {
	// Sockets of doors go into a folder of the tests' own.
	folder, err := os.MkdirTemp("", "door-*")
	if err == nil {
		err = os.Setenv("XDG_RUNTIME_DIR", folder)
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	status := m.Run()
	os.RemoveAll(folder)
	os.Exit(status)
}

// first reads the first of some records.
func first[R any](t *testing.T, all []entry) R {
	t.Helper()
	var r R
	require.NoError(t, json.Unmarshal(all[0].body, &r))
	return r
}
