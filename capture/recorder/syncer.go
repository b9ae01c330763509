package recorder

import (
	"time"

	"ridewitness/capture/session"
)

// syncer asks the disk beside the scribe: a sync may take as long as it likes and holds up nobody. Its
// methods belong to the scribe.
type syncer struct {
	file   session.File
	orders chan spot
	done   chan done
	busy   bool
	leaves bool // the file was given up: it is closed when the disk has answered
}

// done is the answer of the disk: everything before a place on the tape is there.
type done struct {
	upTo spot
	took time.Duration
	err  error
}

func newSyncer(f session.File) *syncer {
	s := &syncer{file: f, orders: make(chan spot), done: make(chan done, 1)}
	go s.run()
	return s
}

func (s *syncer) run() {
	for upTo := range s.orders {
		began := time.Now()
		err := s.file.Sync()
		s.done <- done{upTo, time.Since(began), err}
	}
	if s.leaves {
		s.file.Close() // it had failed; there is nobody to tell
	}
}

// start asks the disk to keep what was written, which is everything before a place on the tape.
func (s *syncer) start(upTo spot) {
	s.busy = true
	s.orders <- upTo
}

// wait waits for the answer that is due, if one is.
func (s *syncer) wait() error {
	if !s.busy {
		return nil
	}
	s.busy = false
	d := <-s.done
	return d.err
}

// stop ends the syncer of a file that was closed.
func (s *syncer) stop() { close(s.orders) }

// leave ends the syncer of a file that failed, and closes the file when the disk lets go of it.
func (s *syncer) leave() {
	s.leaves = true
	close(s.orders)
}
