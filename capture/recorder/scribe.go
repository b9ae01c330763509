package recorder

import (
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"ridewitness/capture"
	"ridewitness/capture/session"
)

// scribe writes the tape into files.
type scribe struct {
	o     *Options
	tape  *tape
	batch *capture.Batch
	files int           // opened or tried
	file  *file         // nil: none is being written
	room  time.Time     // when it was asked for last
	tried time.Time     // when a file was tried last
	pause time.Duration // until another is tried; grows while none takes anything
	buses []string      // told so far, by BusID
	taken uint64        // packets of the recording up to the scribe's place
	lost  [capture.MaxBuses]lost

	mu     sync.Mutex // of status and base
	status Status
	base   int64 // number of a record less that in the present file
}

// lost is what is known of the frames that a bus lost, from the start of the recording.
type lost struct {
	now, section int64 // up to now, and where the section began
	counted      bool  // somebody counts
}

// file is one that is being written.
type file struct {
	session.File
	name    string
	writer  *session.Writer
	syncer  *syncer
	flushed time.Time
	synced  time.Time // when a sync was asked for last
	dirty   bool      // something was written since
	proven  bool      // the disk has taken something of it
}

// What the pause between two tries grows to, in tries.
const longestPause = 32

// maxFailed bounds the failures that the status lists.
const maxFailed = 16

func newScribe(o *Options, t *tape) *scribe {
	return &scribe{o: o, tape: t, batch: capture.NewBatch(), pause: o.Timing.Retry, taken: o.Behind.Packets}
}

// begin opens the first file.
func (s *scribe) begin() error {
	head := s.o.Head
	if s.o.Behind.Previous.Bytes > 0 {
		previous := s.o.Behind.Previous
		head.Previous = &previous
	}
	return s.open(head)
}

// open opens the next file and writes its head.
func (s *scribe) open(head session.SessionRecord) error {
	s.files++
	s.tried = time.Now()
	f, name, err := s.o.Files(s.files)
	if err != nil {
		return err
	}
	now := time.Now()
	n := &file{File: f, name: name, syncer: newSyncer(f), flushed: now, synced: now}
	if n.writer, err = session.NewWriter(f, s.o.Now(), head); err == nil {
		err = n.writer.Flush()
	}
	if err != nil {
		n.syncer.leave()
		return fmt.Errorf("%s: %w", name, err)
	}
	s.file = n
	s.change(func(st *Status) {
		st.File, st.Trouble, st.Written = name, nil, now
		st.Files = append(st.Files, name)
	})
	return nil
}

// run writes until the tape has ended.
func (s *scribe) run() error {
	tick := time.NewTicker(s.o.Timing.Flush)
	defer tick.Stop()
	for {
		over := s.write()
		if over {
			return s.finish()
		}
		s.upkeep()
		if s.file != nil && s.full() {
			continue // more is waiting
		}
		select {
		case <-s.tape.scribe.wake:
		case <-tick.C:
		case d := <-s.synced():
			s.took(d)
		}
	}
}

// triesAtEnd is how many files are tried for the last frames.
const triesAtEnd = 3

// finish ends the file; where it fails at its very end, what is not certain goes into another.
func (s *scribe) finish() error {
	for range triesAtEnd {
		if s.file == nil && s.reopen() != nil {
			continue
		}
		for s.file != nil && !s.write() {
		}
		if s.file != nil && s.end() {
			return nil
		}
	}
	return errors.Join(errors.New("the last frames could not be written"), s.state().Trouble)
}

// full reports whether the batch was, so that more is likely to wait.
func (s *scribe) full() bool { return len(s.batch.Frames) == cap(s.batch.Frames) }

// write takes one batch from the tape into the file. It reports true when the tape has ended and, where
// there is a file, all of it was taken.
func (s *scribe) write() (over bool) {
	if s.file == nil {
		return s.tape.over()
	}
	if _, err := s.tape.take(&s.tape.scribe, s.batch); err != nil {
		return true
	}
	s.taken += uint64(len(s.batch.Frames))
	if err := s.writeBatch(); err != nil {
		s.fail(err)
	}
	return false
}

// writeBatch writes the batch, and what the recording makes itself at its place among the frames.
func (s *scribe) writeBatch() error {
	for frames, e := range s.batch.InOrder() {
		part := capture.Batch{Frames: frames}
		s.file.dirty = s.file.dirty || len(frames) > 0 || e != nil
		if e != nil && !makes(e) {
			part.Events = []capture.Event{s.fitted(*e, len(frames))}
		}
		if err := s.file.writer.Write(&part); err != nil {
			return err
		}
		if e != nil && makes(e) {
			if err := s.own(e); err != nil {
				return err
			}
		}
	}
	return nil
}

// makes reports whether an event asks for something that a recording makes itself.
func makes(e *capture.Event) bool {
	return e.Kind == capture.EventSection || e.Kind == capture.EventJournal && e.Name == session.KindSeal
}

// fitted follows an event on its way into the file, and makes it fit there: behind that many frames, with
// the numbers of the file and the counts of the section.
func (s *scribe) fitted(e capture.Event, behind int) capture.Event {
	e.Index = behind
	switch e.Kind {
	case capture.EventBus:
		for len(s.buses) <= int(e.Bus%capture.MaxBuses) {
			s.buses = append(s.buses, "")
		}
		s.buses[e.Bus%capture.MaxBuses] = e.Name
	case capture.EventLoss:
		l := &s.lost[e.Bus%capture.MaxBuses]
		l.now = max(l.now, e.Dropped)
	case capture.EventCounters:
		l := &s.lost[e.Bus%capture.MaxBuses]
		if e.Dropped >= 0 { // counted from the start; a section has statistics of its own
			l.now, l.counted = max(l.now, e.Dropped), true
			e.Dropped = max(e.Dropped-l.section, 0)
		}
	case capture.EventJournal:
		if e.Name == session.KindMark && s.numberBase() != 0 {
			e.Body = renumber(e.Body, s.numberInFile)
		}
	}
	return e
}

// own writes what the recording makes itself: a seal, or the end of a section and the next one.
func (s *scribe) own(e *capture.Event) error {
	if e.Kind == capture.EventJournal {
		return s.file.writer.Seal(e.At)
	}
	if err := s.file.writer.End(e.At); err != nil {
		return err
	}
	head, previous := s.o.Head, s.file.writer.Digest()
	head.Previous = &previous
	w, err := session.NewWriter(s.file.File, e.At, head)
	if err != nil {
		return err
	}
	s.file.writer = w
	return s.names()
}

// names tells the present section of the buses that were named before it.
func (s *scribe) names() error {
	var b capture.Batch
	for id, name := range s.buses {
		if name != "" {
			b.Events = append(b.Events, capture.Event{Kind: capture.EventBus, Bus: capture.BusID(id), Name: name})
		}
		if s.lost[id].section = s.lost[id].now; s.lost[id].counted { // and goes on to be, none so far
			b.Events = append(b.Events, capture.Event{Kind: capture.EventCounters, Bus: capture.BusID(id), Received: -1})
		}
	}
	return s.file.writer.Write(&b)
}

// upkeep does what is due by the clock.
func (s *scribe) upkeep() {
	select {
	case d := <-s.synced():
		s.took(d)
	default:
	}
	now := time.Now()
	if now.Sub(s.room) >= s.o.Timing.Retry {
		s.room = now
		s.askRoom()
	}
	if s.file == nil {
		if now.Sub(s.tried) >= s.pause {
			s.retry()
		}
		return
	}
	if now.Sub(s.file.flushed) > s.o.Timing.Flush/2 { // so that no tick comes a moment too early
		s.flush(now)
	}
	if s.file != nil && s.file.dirty && !s.file.syncer.busy && now.Sub(s.file.synced) >= s.o.Timing.Sync && s.flush(now) {
		s.file.syncer.start(s.tape.place())
		s.file.synced, s.file.dirty = now, false
	}
}

// flush hands what was written to the system. It reports false where that failed.
func (s *scribe) flush(now time.Time) bool {
	s.file.flushed = now
	if err := s.file.writer.Flush(); err != nil {
		s.fail(err)
		return false
	}
	s.change(func(st *Status) { st.Written = now })
	return true
}

// retry tries another file, and waits longer each time that it can't be had.
func (s *scribe) retry() {
	if err := s.reopen(); err != nil {
		s.pause = min(2*s.pause, longestPause*s.o.Timing.Retry)
		s.change(func(st *Status) { st.Trouble = err })
	}
}

// askRoom ends the file in good order when there is no room for more.
func (s *scribe) askRoom() {
	if s.o.Room == nil || s.file == nil {
		return
	}
	err := s.o.Room()
	if err == nil {
		return
	}
	if s.end() {
		s.file = nil
		s.change(func(st *Status) { st.File, st.Trouble = "", err })
	}
}

// synced returns the channel of the present syncer, nil where there is none.
func (s *scribe) synced() <-chan done {
	if s.file == nil {
		return nil
	}
	return s.file.syncer.done
}

// took takes the answer of the disk.
func (s *scribe) took(d done) {
	s.file.syncer.busy = false
	if d.err != nil {
		s.fail(d.err)
		return
	}
	s.tape.keep(d.upTo)
	s.file.proven, s.pause = true, s.o.Timing.Retry
	s.change(func(st *Status) { st.Synced, st.Longest = time.Now(), max(st.Longest, d.took) })
	if d.took > slowSync {
		s.journal(session.DiskRecord{Kind: session.KindDisk, What: session.DiskSlow, Seconds: d.took.Seconds()})
	}
}

// slowSync is how long a sync may take before it is told: so much was at risk meanwhile.
const slowSync = time.Second

// journal puts a record of the scribe's own onto the tape. What it puts there are structs of plain
// values, which always have a text.
func (s *scribe) journal(record session.DiskRecord) {
	if e, err := event(s.o.Now(), record); err == nil {
		s.tape.tell(e)
	}
}

// fail gives up the file, and goes on in another with what is not certain to be on the disk.
func (s *scribe) fail(err error) {
	failed := s.file
	s.file = nil
	failed.syncer.leave()
	s.change(func(st *Status) {
		st.File, st.Trouble = "", fmt.Errorf("%s: %w", failed.name, err)
		if len(st.Failed) < maxFailed {
			st.Failed = append(st.Failed, st.Trouble)
		}
	})
	if failed.proven {
		s.retry()
		return
	}
	s.pause = min(2*s.pause, longestPause*s.o.Timing.Retry) // this one took nothing: the next won't either
}

// reopen opens another file after one failed, or ended for want of room, and says in it why.
func (s *scribe) reopen() error {
	if s.o.Room != nil {
		if err := s.o.Room(); err != nil {
			return err
		}
	}
	why := s.state()
	if err := s.open(s.o.Head); err != nil { // it counts from J1 on, whatever came before
		return err
	}
	back := s.tape.rewind()
	s.taken -= back.again
	const ownRecords = 2 // the session record and this one
	base := int64(back.record) - ownRecords - 1
	record := session.DiskRecord{Kind: session.KindDisk, What: session.DiskFailed, Again: back.again, Uncertain: back.uncertain, Packets: s.taken, Records: base}
	if why.Trouble != nil {
		record.Error = why.Trouble.Error()
	}
	if len(why.Files) > 0 {
		record.File = why.Files[len(why.Files)-1]
	}
	s.mu.Lock()
	s.base = base
	s.mu.Unlock()
	if err := s.file.writer.Journal(s.o.Now(), record); err != nil {
		return s.giveUp(err)
	}
	if err := s.names(); err != nil {
		return s.giveUp(err)
	}
	return nil
}

// giveUp takes a new file back that failed at its head.
func (s *scribe) giveUp(err error) error {
	s.file.syncer.leave()
	s.file = nil
	return err
}

// end ends the file. It reports false when that failed; then another file was begun, or none is left.
func (s *scribe) end() bool {
	place := s.tape.place()
	err := s.file.syncer.wait()
	if err == nil {
		err = s.file.writer.Close(s.o.Now())
	}
	if err == nil {
		s.tape.keep(place)
		s.file.syncer.stop()
		return true
	}
	s.fail(err)
	return false
}

func (s *scribe) change(f func(*Status)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	f(&s.status)
}

func (s *scribe) state() Status {
	s.mu.Lock()
	defer s.mu.Unlock()
	st := s.status
	st.Files, st.Failed = slices.Clone(st.Files), slices.Clone(st.Failed)
	return st
}

func (s *scribe) numberBase() int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.base
}

// numberOnTape returns which number a record of the present file has on the tape.
func (s *scribe) numberOnTape(n uint64) uint64 { return uint64(max(int64(n)+s.numberBase(), 0)) }

// numberInFile returns which number a record has in the present file, 0 where it is in one before.
func (s *scribe) numberInFile(n uint64) uint64 { return uint64(max(int64(n)-s.numberBase(), 0)) }
