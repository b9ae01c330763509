package session

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"time"

	"ridewitness/capture"
)

// Tailed is a capture.Source over a session file that another process is still writing.
//
//	section .......... J99 seal (end) | section ............. enhanced pack
//	[ delivered as fast as it goes                          ][ torn ]^ Next waits for more
//
// What is written is delivered within about a twentieth of a second, each block once it is whole, in the
// order of the file: additions behind an end come last, as in a Reader. A block that is there in part is
// waited for.
//
// The recorder holds the lock of its file as long as it lives, and that is how Next ends:
//
//   - with io.EOF where the last section has the seal that ends it and nobody has the lock. A long
//     recording begins another section behind such a seal, so the seal alone is not the end; records
//     that are added later are not waited for
//   - with ErrRecorderGone where nobody has the lock and the section has not ended. Whoever judges must
//     then be blind, not calm
//   - with ErrCutBack or ErrReplaced where the path does not lead any more to what was read
//   - with a *FormatError where the framing is broken: what a Reader of a finished file takes for its
//     end is none here
//
// All of these are final; that ctx is done is not. On a system without advisory locks, and on a file
// system without them, nobody can know whether more comes: Next waits until ctx is done. Integrity says
// after the end what the seals of what was read prove. It is not safe for concurrent use.
type Tailed struct {
	*Reader
	path   string
	medium *atHand
	timer  *time.Timer
	free   int64 // bytes that were read when nobody had the lock at the last look; -1: somebody had it
	end    error // what ended it, where the Reader can't know
}

// Why a file is not followed any further.
var (
	ErrRecorderGone = errors.New("its recorder is gone and did not end it: the recording was cut short, or goes on in another file; " +
		"mend this one, then record --continue goes on behind it")
	ErrCutBack  = errors.New("it became shorter while it was followed; what was shown is not what is there now")
	ErrReplaced = errors.New("it was moved, removed or replaced while it was followed; follow it anew where it is")
)

// poll is how often a file in which nothing more is at hand is looked at.
const poll = 50 * time.Millisecond

// Tail opens a session file that may still be written. Close it. What is no regular file is refused with
// ErrNotRegular: a Reader over a pipe waits by itself.
func Tail(path string, options ...Option) (*Tailed, error) {
	info, err := os.Stat(path) // to open a pipe may wait for ever
	if err != nil {
		return nil, err
	}
	if !info.Mode().IsRegular() {
		return nil, &FormatError{File: path, Block: "file", Err: ErrNotRegular}
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	t := &Tailed{path: path, medium: &atHand{file: f}, timer: time.NewTimer(poll), free: -1}
	t.timer.Stop()
	t.Reader = NewReader(t.medium, path, options...)
	t.live = true
	return t, nil
}

// atHand reads a file that grows, without waiting.
type atHand struct {
	file *os.File
	over bool // nothing more is taken
}

// Read implements io.Reader. Where nothing more is written it returns errPause.
func (a *atHand) Read(b []byte) (int, error) {
	if a.over {
		return 0, io.EOF
	}
	n, err := a.file.Read(b)
	if err == io.EOF {
		err = errPause
	}
	return n, err
}

// Next implements capture.Source.
func (t *Tailed) Next(ctx context.Context, into *capture.Batch) error {
	for {
		err := t.Reader.Next(ctx, into)
		switch {
		case err != nil:
			return t.ending(ctx, err)
		case len(into.Frames) > 0 || len(into.Events) > 0:
			return nil
		}
		if err := t.look(ctx); err != nil {
			return err
		}
	}
}

// ending turns what ended the Reader into what it means here.
func (t *Tailed) ending(ctx context.Context, err error) error {
	switch {
	case ctx.Err() != nil && err == ctx.Err():
		return err
	case t.end != nil:
		return t.end
	case t.stop != nil:
		return t.stop
	}
	return err
}

// look finds out, where nothing more is at hand, whether more can come, and waits for it. That nobody has
// the lock must be seen twice, with nothing new in between: the first time, what was written last may
// not have been read yet, or who just made the file has not taken it yet.
func (t *Tailed) look(ctx context.Context) error {
	read, free := t.feed.offset, unlocked(t.medium.file)
	switch {
	case free && t.free == read:
		t.finish(t.conclusion())
		return nil
	case free:
		t.free = read
	default:
		t.free = -1
	}
	if !free || !t.complete() { // else it may be put elsewhere, for it is over
		if err := t.changed(); err != nil {
			t.finish(err)
			return nil
		}
	}
	return t.wait(ctx)
}

// finish ends the Reader where it stands.
func (t *Tailed) finish(end error) { t.end, t.medium.over = end, true }

// complete reports whether what is there ends with the seal that ends a section.
func (t *Tailed) complete() bool { return t.state.ended && t.tell() == t.feed.offset }

// conclusion is what it means that nothing more comes.
func (t *Tailed) conclusion() error {
	if t.complete() {
		return io.EOF
	}
	end := t.fault(t.tell(), "file", ErrRecorderGone, "")
	if torn := t.feed.offset - t.tell(); torn > 0 {
		end.Detail = fmt.Sprintf("the last %d bytes are the beginning of a block", torn)
	}
	return end
}

// changed says whether the path leads to something else than what was read.
func (t *Tailed) changed() error {
	ours, err := t.medium.file.Stat()
	if err != nil {
		return err
	}
	if read := t.feed.offset; ours.Size() < read {
		return t.fault(ours.Size(), "file", ErrCutBack, "%d bytes, %d were read", ours.Size(), read)
	}
	there, err := os.Stat(t.path)
	switch {
	case errors.Is(err, fs.ErrNotExist) || err == nil && !os.SameFile(ours, there):
		return t.fault(t.tell(), "file", ErrReplaced, "")
	default:
		return err
	}
}

func (t *Tailed) wait(ctx context.Context) error {
	t.timer.Reset(poll)
	select {
	case <-t.timer.C:
		return nil
	case <-ctx.Done():
		t.timer.Stop()
		return ctx.Err()
	}
}

// Behind returns how many bytes are written that were not delivered yet, a torn block among them; -1
// where that can't be known, as after Close.
func (t *Tailed) Behind() int64 {
	info, err := t.medium.file.Stat()
	if err != nil {
		return -1
	}
	return max(info.Size()-t.Offset(), 0)
}

// CaughtUp reports whether all that is written was delivered, but for a torn block: the next call of Next
// would wait. A screen that draws only then is quiet while it catches up and never keeps the last frames
// to itself.
func (t *Tailed) CaughtUp() bool {
	info, err := t.medium.file.Stat()
	return err == nil && info.Size() <= t.feed.offset && !t.holds()
}

// Close ends the reading and closes the file.
func (t *Tailed) Close() error {
	t.timer.Stop()
	t.Reader.Close()
	return t.medium.file.Close()
}
