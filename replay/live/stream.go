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
type Stream struct {
	source capture.Source

	mu    sync.Mutex
	last  capture.Stamp
	came  time.Time
	ended bool
}

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
	s.mu.Lock()
	defer s.mu.Unlock()
	if last >= s.last {
		s.last, s.came = last, time.Now()
	}
	return nil
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
	if s.came.IsZero() || s.ended {
		return s.last
	}
	return s.last.Add(time.Since(s.came))
}
