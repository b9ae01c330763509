package prepare

import (
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/safety"
	"ridewitness/safety/jobcard"
)

// Known is what was known beside the buses: definitions and job card.
type Known struct {
	Signals  []decode.Signal
	Replaced []string      // what a later definition took the place of
	Card     *jobcard.Card // nil: none
}

// Heard is what came while somebody listened. The zero value is that nobody did.
type Heard struct {
	Listened       time.Duration
	Buses          []HeardBus
	Tallies        []decode.Tally // by signal
	Others         []decode.Report
	Undecodable    []decode.Unserved
	Contradictions []string
}

// HeardBus is what came on one bus.
type HeardBus struct {
	Name   string
	Frames uint64 // error frames left out
	Errors uint64 // error frames: reports of the controller
	Lost   uint64 // known to be lost
	Bytes  uint64 // that these take in a session
}

// of returns what came on a bus, nil where nobody listened to it.
func (h *Heard) of(name string) *HeardBus {
	if h == nil || h.Listened <= 0 {
		return nil
	}
	for i := range h.Buses {
		if h.Buses[i].Name == name {
			return &h.Buses[i]
		}
	}
	return nil
}

// Listener counts what comes, and decodes it.
type Listener struct {
	pipeline *safety.Pipeline
	heard    Heard
}

// NewListener returns a Listener for the definitions and the card that are known. The error is one of the
// definitions.
func NewListener(k *Known, buses []string) (*Listener, error) {
	p, err := safety.NewPipeline(k.Signals, k.Card, nil)
	if err != nil {
		return nil, err
	}
	l := &Listener{pipeline: p, heard: Heard{Tallies: make([]decode.Tally, len(k.Signals))}}
	for _, name := range buses {
		l.heard.Buses = append(l.heard.Buses, HeardBus{Name: name})
	}
	p.Tap = func(samples []decode.Sample) {
		for i := range samples {
			l.heard.Tallies[samples[i].Signal].Add(samples[i])
		}
	}
	return l, nil
}

// Take follows one batch. Buses are numbered as they were named to NewListener.
func (l *Listener) Take(b *capture.Batch) {
	for i := range b.Frames {
		f := &b.Frames[i]
		if int(f.Bus) >= len(l.heard.Buses) {
			continue
		}
		bus := &l.heard.Buses[f.Bus]
		bus.Bytes += uint64(sessionBytes(f))
		if f.Flags.Has(capture.Error) {
			bus.Errors++
		} else {
			bus.Frames++
		}
	}
	for i := range b.Events {
		if e := &b.Events[i]; e.Kind == capture.EventLoss && int(e.Bus) < len(l.heard.Buses) {
			l.heard.Buses[e.Bus].Lost += e.Count
		}
	}
	l.pipeline.Take(b)
}

// Heard ends the listening, which took that long, and returns what came.
func (l *Listener) Heard(listened time.Duration) *Heard {
	l.pipeline.Finish()
	l.heard.Listened = listened
	l.heard.Others = l.pipeline.Decoder.Reports()
	l.heard.Undecodable = l.pipeline.Decoder.Undecodable()
	l.heard.Contradictions = l.pipeline.Judge.Contradictions()
	return &l.heard
}

// sessionBytes is what a frame takes in a session file: an enhanced packet block of pcapng (28 bytes
// before the data, 4 behind it, 12 for its flags) and the frame's record of link type 227 (8 bytes and
// the payload, padded to 4).
func sessionBytes(f *capture.Frame) int {
	const around = 28 + 4 + 12 + 8
	return around + (len(f.Payload())+3)&^3
}
