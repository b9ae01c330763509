package live

import (
	"context"
	"errors"
	"io"
	"slices"
	"sync"
	"time"

	"ridewitness/capture"
	"ridewitness/capture/session"
)

// Trail is a capture.Source over a recording that is being written, through all its files.
//
//	job.pcapng    J1 session | packets 1 .. 4200 | (it failed)
//	job-2.pcapng  J1 session | J2 disk: 3900 packets before | packets 1 .. ->
//	                                                          ^ 301 is the first that is new
//
// A file is gone on from when the file itself says so: it belongs to the same recording, it is none that
// was mended, and its second record names the file before. The name alone says nothing. What stands in
// both files is delivered once, and what stands in neither is told as lost. Numbers of packets and records
// are those of the whole recording.
//
// Between two files, and while the recorder lives, Next waits and Waiting says why. It ends as a
// session.Tailed does; with ErrNotSeen where the last file ended well and nobody here can see whether its
// recorder lives. File and Waiting may be called by all, the rest belongs to one goroutine.
type Trail struct {
	tailed    *session.Tailed
	source    capture.Source // tailed, with the numbers of its buses as in the files before
	names     []string       // of the buses, by number
	recording string         // that the section read last belongs to
	goesOn    bool           // the file that is read said that it goes on from another
	numbers   numbers
	end       error // final

	mu      sync.Mutex
	path    string
	waiting string
}

// ErrNotSeen says that a recording may go on without being seen to.
var ErrNotSeen = errors.New("it has ended; whether its recorder goes on in another file only the user who records can see")

// How a recording is looked after where nothing comes.
const (
	quiet      = 500 * time.Millisecond // before it is asked whether another file goes on
	askEvery   = 100 * time.Millisecond // while no file is being written
	headFlush  = time.Second            // the head of a new file is there by then
	longestAsk = time.Second            // for the answer of a recorder
)

// OpenTrail opens a session file that may still be written. Close it.
func OpenTrail(path string) (*Trail, error) {
	t := &Trail{path: path}
	if err := t.open(path); err != nil {
		return nil, err
	}
	return t, nil
}

func (t *Trail) open(path string) error {
	tailed, err := session.Tail(path, session.WithoutDigest())
	if err != nil {
		return err
	}
	t.tailed, t.goesOn = tailed, false
	t.source = SameBuses(tailed, slices.Clone(t.names))
	return nil
}

// Next implements capture.Source.
func (t *Trail) Next(ctx context.Context, into *capture.Batch) error {
	for {
		into.Reset()
		if err := ctx.Err(); err != nil {
			return err
		}
		if t.end != nil {
			return t.end
		}
		looking, enough := context.WithTimeout(ctx, quiet)
		err := t.source.Next(looking, into)
		enough()
		switch {
		case err == nil:
			t.take(into)
			if len(into.Frames) > 0 || len(into.Events) > 0 {
				return nil
			}
		case ctx.Err() != nil:
			return ctx.Err()
		case errors.Is(err, context.DeadlineExceeded): // nobody may be writing here any more: a disk that hangs keeps the file
			if next := t.successor(); next != nil && t.goOn(next, into) {
				return nil
			}
		default:
			return t.ended(ctx, err, into)
		}
	}
}

// ended looks for the file that goes on, for as long as the recorder lives.
func (t *Trail) ended(ctx context.Context, end error, into *capture.Batch) error {
	well := errors.Is(end, io.EOF)
	seen := time.Now()
	for {
		alive, known := Attended(ctx, t.File())
		if alive {
			seen = time.Now()
		}
		if next := t.successor(); next != nil && t.goOn(next, into) { // asked after the recorder: what it began before it went is there
			return nil
		}
		if !alive && (well && known || time.Since(seen) >= headFlush) {
			if well && !known {
				end = ErrNotSeen
			}
			t.end = end
			t.wait("")
			return end
		}
		t.wait("file ended, none goes on yet")
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(askEvery):
		}
	}
}

// goOn begins to read the file that goes on. It reports false where that can't be opened (yet).
func (t *Trail) goOn(next *successor, into *capture.Batch) bool {
	left := t.tailed
	if t.open(next.path) != nil {
		return false
	}
	t.goesOn = true
	left.Close() // it was only read
	into.Reset()
	into.Events = append(into.Events, capture.Event{Kind: capture.EventSection, At: t.numbers.at})
	into.Events = append(into.Events, t.numbers.goOn(next, len(t.names))...)
	t.mu.Lock()
	defer t.mu.Unlock()
	t.path, t.waiting = next.path, ""
	return true
}

// take follows a batch, and gives it the numbers of the recording.
func (t *Trail) take(b *capture.Batch) {
	for i := range b.Events {
		e := &b.Events[i]
		if head := session.ReadSession(e); head != nil && !head.Added {
			t.recording = head.Recording
		}
		if record := goesOnFrom(e); record != nil {
			t.goesOn = true
			t.numbers.before = before{packets: record.Packets, records: record.Records}
		}
	}
	b.Events = slices.DeleteFunc(b.Events, t.isNamed)
	t.numbers.fit(b, t.goesOn)
}

// isNamed reports whether an event names a bus that a file before named, and keeps the name of one that is new.
func (t *Trail) isNamed(e capture.Event) bool {
	if e.Kind != capture.EventBus || int(e.Bus) < len(t.names) {
		return e.Kind == capture.EventBus
	}
	t.names = append(t.names, e.Name)
	return false
}

// CaughtUp reports whether all that is written was delivered, in all files.
func (t *Trail) CaughtUp() bool {
	return t.end != nil || t.tailed.CaughtUp() && t.successor() == nil
}

// File returns the name of the file that is read now.
func (t *Trail) File() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.path
}

// Waiting says why nothing can come now, "" while a file is read.
func (t *Trail) Waiting() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.waiting
}

func (t *Trail) wait(why string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.waiting = why
}

// Close ends the reading.
func (t *Trail) Close() error { return t.tailed.Close() }
