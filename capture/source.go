package capture

import (
	"context"
	"errors"
	"io"
	"iter"
)

// EventKind says what an Event tells.
type EventKind uint8

const (
	// EventBus names a bus: Bus and Name. It comes before the first frame of that bus.
	EventBus EventKind = iota + 1
	// EventJournal is a journal record: Name is its kind, Record its number, Body its JSON text.
	EventJournal
	// EventLoss: Count frames of Bus were lost between the frame before it on that bus and the
	// next one. Name, where it is set, says that it may be other buses as well.
	EventLoss
	// EventCounters is what the capture itself counted for Bus up to now: Received and Dropped,
	// each -1 where it is not known.
	EventCounters
	// EventTimeBack: the stamp of the next frame of Bus is earlier than that of the one before it
	// by Count nanoseconds. No journal record explains it, so durations across it mean nothing.
	EventTimeBack
	// EventDamage: something in the source could not be read and was left out, frames of any bus maybe;
	// Err says what and where.
	EventDamage
	// EventSection: another section of the file begins, with counters of its own. The first one of a
	// stream is not told.
	EventSection
)

// Event is what happened between the frames.
type Event struct {
	At       Stamp
	Kind     EventKind
	Bus      BusID
	Index    int    // frames of the same batch that come before it
	Packet   uint64 // number of the last packet before it, 0 where there is none
	Record   uint64 // EventJournal: number of the record, from 1
	Name     string
	Body     []byte
	Count    uint64
	Received int64
	Dropped  int64
	Err      error
}

// BatchFrames is how many frames a Source fills at most into an empty Batch of NewBatch.
const BatchFrames = 256

// Batch is filled by Source.Next. The caller owns it and reuses it; what lies in it is good until
// the next call. Event bodies are not reused.
type Batch struct {
	Frames []Frame
	Events []Event // by Index
}

// NewBatch returns an empty batch with room for BatchFrames frames.
func NewBatch() *Batch { return &Batch{Frames: make([]Frame, 0, BatchFrames)} }

// Reset empties the batch and keeps its memory.
func (b *Batch) Reset() {
	b.Frames = b.Frames[:0]
	b.Events = b.Events[:0]
}

// InOrder walks through the batch as it happened: the frames before each event with the event, and last
// those behind all events with nil. An event whose Index points out of the batch, or back, stands as near
// to its place as it can. The frames share memory with the batch.
func (b *Batch) InOrder() iter.Seq2[[]Frame, *Event] {
	return func(yield func([]Frame, *Event) bool) {
		next := 0
		for i := range b.Events {
			upTo := min(max(next, b.Events[i].Index), len(b.Frames))
			if !yield(b.Frames[next:upTo], &b.Events[i]) {
				return
			}
			next = upTo
		}
		yield(b.Frames[next:], nil)
	}
}

// Source yields batches until io.EOF.
//
// Next resets into and fills it with at least one frame or event, at most cap(into.Frames) frames
// (BatchFrames when that is 0). It returns io.EOF, with an empty batch, at the clean end only. An
// error that is not io.EOF is final: each later call returns it again. What was read before the
// error has been delivered. When ctx is done Next returns its error; that one is not final.
// A Source is not safe for concurrent use.
type Source interface {
	Next(ctx context.Context, into *Batch) error
}

// Each hands every batch of a source to take, in order, until its clean end. The error is that of the
// source; the batch is reused.
func Each(ctx context.Context, source Source, take func(*Batch)) error {
	batch := NewBatch()
	for {
		switch err := source.Next(ctx, batch); {
		case errors.Is(err, io.EOF):
			return nil
		case err != nil:
			return err
		}
		take(batch)
	}
}

// Slice is a Source over frames and events held in memory, for tests and small jobs. Events are
// placed by Index, which counts frames of the whole slice.
type Slice struct {
	Frames []Frame
	Events []Event
	done   int
	told   int
}

// Next implements Source.
func (s *Slice) Next(ctx context.Context, into *Batch) error {
	into.Reset()
	if err := ctx.Err(); err != nil {
		return err
	}
	room := cap(into.Frames)
	if room == 0 {
		room = BatchFrames
	}
	start := s.done
	end := min(start+room, len(s.Frames))
	into.Frames = append(into.Frames, s.Frames[start:end]...)
	s.done = end
	for s.told < len(s.Events) && s.Events[s.told].Index <= end {
		e := s.Events[s.told]
		e.Index -= start
		into.Events = append(into.Events, e)
		s.told++
	}
	if len(into.Frames) == 0 && len(into.Events) == 0 {
		return io.EOF
	}
	return nil
}
