package live

import (
	"context"
	"errors"
	"io"
	"sync"
	"time"

	"ridewitness/capture"
)

// Stream is a source that comes from elsewhere, with the time of its own clock: that of its last frame or
// record, plus what has passed here since it came. Behind its end no time passes, so that what goes on where
// it ended can be recorded behind it. Next belongs to one goroutine, Now to all.
//
// What is written to a file and read from it comes some tenths of a second late, one time less than another.
// The clock goes by what came quickest in the last minutes, so that ages that are counted by it hold what
// the rest was late. That least delay itself nobody can know: of a file that is being written it is less
// than the time between two frames.
type Stream struct {
	source capture.Source

	mu     sync.Mutex
	last   capture.Stamp // that came
	quick  came          // the quickest of this stretch
	before came          // and of the one before
	turned time.Time
	ended  bool
}

// came is when something came that is stamped with the time of the stream.
type came struct {
	stamp capture.Stamp
	here  time.Time
}

// by returns the time of the stream as it goes on from there.
func (c *came) by(here time.Time) capture.Stamp { return c.stamp.Add(here.Sub(c.here)) }

// stretch is for how long the quickest counts: two clocks that are not set by each other part by less than
// 0.1 s meanwhile (common practice, no source).
const stretch = 10 * time.Minute

// NewStream returns a stream that begins at start. Its time stands still until something has come.
func NewStream(source capture.Source, start capture.Stamp) *Stream {
	return &Stream{source: source, last: start}
}

// Next implements capture.Source.
func (s *Stream) Next(ctx context.Context, into *capture.Batch) error {
	if err := s.source.Next(ctx, into); err != nil {
		s.mu.Lock()
		s.ended = errors.Is(err, io.EOF)
		s.mu.Unlock()
		return err
	}
	last := capture.Stamp(0)
	for i := range into.Events {
		if into.Events[i].Kind != capture.EventBus {
			last = max(last, into.Events[i].At)
		}
	}
	if n := len(into.Frames); n > 0 {
		last = max(last, into.Frames[n-1].At)
	}
	s.set(last)
	return nil
}

// set sets the clock by what came now.
func (s *Stream) set(stamp capture.Stamp) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if stamp < s.last {
		return
	}
	s.last = stamp
	now := time.Now()
	if now.Sub(s.turned) >= stretch {
		s.turned, s.before, s.quick = now, s.quick, came{stamp, now}
	} else if stamp >= s.quick.by(now) {
		s.quick = came{stamp, now}
	}
}

// Ended reports whether the stream came to an end by itself.
func (s *Stream) Ended() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.ended
}

// Now returns the time of the stream.
func (s *Stream) Now() capture.Stamp {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.ended || s.quick.here.IsZero() {
		return s.last
	}
	now := time.Now()
	if s.before.here.IsZero() {
		return s.quick.by(now)
	}
	return max(s.quick.by(now), s.before.by(now))
}
