package socketcan

import (
	"context"
	"slices"
	"sync"
	"sync/atomic"

	"ridewitness/capture"
)

// ringFrames is how many frames wait at most between the receiving thread and Next: a quarter of a second
// of eight full buses with the shortest frames that there are (224,719 frames/s), more than a second of two.
// Who calls Next must not wait for a disk; what it could not take in time is counted. It is a power of two.
const ringFrames = 1 << 16

// queue takes frames and events from one goroutine to one other. Frames go through a ring without a
// lock; events are few and remember how many frames were put in before them.
//
//	put --> | . . . f f f f f f . . | --> next
//	              ^taken      ^given        events: (at, event), by at
type queue struct {
	frames []capture.Frame
	given  atomic.Uint64 // frames ever put in
	taken  atomic.Uint64 // frames ever taken out
	wake   chan struct{} // something is there

	guard  sync.Mutex
	events []placed
	ended  error // what Next returns when all is taken; nil while more may come
}

// placed is an event and the count of frames before it.
type placed struct {
	at    uint64
	event capture.Event
}

// newQueue returns a queue whose memory is all there: it must not fault in during a burst.
func newQueue(frames int) *queue {
	q := &queue{frames: make([]capture.Frame, frames), wake: make(chan struct{}, 1)}
	for i := range q.frames {
		q.frames[i].Len = 1
	}
	return q
}

// put takes a frame in, and reports false where there is no room.
func (q *queue) put(f *capture.Frame) bool {
	given := q.given.Load()
	if given-q.taken.Load() == uint64(len(q.frames)) {
		return false
	}
	q.frames[given&uint64(len(q.frames)-1)] = *f
	q.given.Store(given + 1)
	return true
}

// tell takes an event in, behind the frames that are there. Losses of a bus at the same place are
// one, so that the events of a reader who stopped reading don't grow without end.
func (q *queue) tell(e capture.Event) {
	q.guard.Lock()
	defer q.guard.Unlock()
	at := q.given.Load()
	if e.Kind == capture.EventLoss {
		for i := len(q.events) - 1; i >= 0 && q.events[i].at == at; i-- {
			if old := &q.events[i].event; old.Kind == capture.EventLoss && old.Bus == e.Bus {
				old.Count += e.Count
				return
			}
		}
	}
	q.events = append(q.events, placed{at, e})
}

// signal wakes who waits in next. One call serves for all that was put in before it.
func (q *queue) signal() {
	select {
	case q.wake <- struct{}{}:
	default:
	}
}

// end says that nothing more comes, and what to return then.
func (q *queue) end(err error) {
	q.guard.Lock()
	q.ended = err
	q.guard.Unlock()
	q.signal()
}

// next is the Next of a capture.Source.
func (q *queue) next(ctx context.Context, into *capture.Batch) error {
	into.Reset()
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := q.take(into); err != nil || len(into.Frames) > 0 || len(into.Events) > 0 {
			return err
		}
		select {
		case <-q.wake:
		case <-ctx.Done():
		}
	}
}

// take moves what is there into a batch, as far as it has room. What was told before a frame was put
// in is seen by who sees that frame, since the count of frames is read first.
func (q *queue) take(into *capture.Batch) error {
	room := cap(into.Frames)
	if room == 0 {
		room = capture.BatchFrames
	}
	from := q.taken.Load()
	to := min(q.given.Load(), from+uint64(room))
	for i := from; i < to; i++ {
		into.Frames = append(into.Frames, q.frames[i&uint64(len(q.frames)-1)])
	}
	q.guard.Lock()
	defer q.guard.Unlock()
	due := 0
	for due < len(q.events) && q.events[due].at <= to {
		e := q.events[due].event
		e.Index = int(q.events[due].at - from)
		into.Events = append(into.Events, e)
		due++
	}
	q.events = slices.Delete(q.events, 0, due)
	q.taken.Store(to)
	if len(into.Frames) == 0 && len(into.Events) == 0 && to == q.given.Load() {
		return q.ended
	}
	return nil
}
