package socketcan

import (
	"context"
	"fmt"

	"golang.org/x/sys/unix"

	"ridewitness/capture"
)

// Source is a capture.Source over live buses. Next belongs to one goroutine; Close may be called from
// another. The journal events it yields are of the kinds `link` and `clock`. Every loss is told as an
// EventLoss; where it happened is in Counts.
type Source struct {
	buses    []Bus
	queue    *queue
	receiver *receiver
}

// Open begins to listen to buses, which are numbered in the order of their names. The error is a
// *LinkError that says what is wrong with which of them; then none is open.
func Open(names []string, o Options) (*Source, error) {
	if err := checkNames(names); err != nil {
		return nil, err
	}
	if o.Buffer == 0 {
		o.Buffer = DefaultBuffer
	}
	s := &Source{queue: newQueue(ringFrames)}
	r, err := newReceiver(s.queue, o)
	if err != nil {
		return nil, &LinkError{Err: err}
	}
	s.receiver = r
	for _, name := range names {
		bus, err := r.add(name)
		if err != nil {
			r.closeAll()
			return nil, &LinkError{Link: name, Err: err}
		}
		s.buses = append(s.buses, bus)
	}
	go r.run()
	return s, nil
}

func checkNames(names []string) error {
	if len(names) == 0 {
		return &LinkError{Err: ErrNone}
	}
	if len(names) > capture.MaxBuses {
		return &LinkError{Err: fmt.Errorf("%w: %d, at most %d", ErrTooMany, len(names), capture.MaxBuses)}
	}
	seen := make(map[string]bool)
	for _, name := range names {
		if seen[name] {
			return &LinkError{Link: name, Err: ErrNamedTwice}
		}
		seen[name] = true
	}
	return nil
}

// Buses returns what was opened, by BusID.
func (s *Source) Buses() []Bus { return s.buses }

// Counts returns what was counted so far, by BusID. It may be called from any goroutine.
func (s *Source) Counts() []Counts {
	all := make([]Counts, len(s.buses))
	for i, b := range s.receiver.buses {
		all[i] = b.counts()
	}
	return all
}

// Now returns the time of the recording: the wall clock when it was opened, plus the monotonic time
// elapsed, which the stamps of frames are in. It may be called from any goroutine.
func (s *Source) Now() capture.Stamp {
	start := s.receiver.clock.start // never changed
	return capture.Stamp(start.wall + clockNow(unix.CLOCK_MONOTONIC) - start.monotonic)
}

// Next implements capture.Source. It returns io.EOF when everything is read that came before Close.
func (s *Source) Next(ctx context.Context, into *capture.Batch) error { return s.queue.next(ctx, into) }

// Close ends the listening and waits until it has ended. What was received before can still be read.
func (s *Source) Close() error { return s.receiver.stop() }
