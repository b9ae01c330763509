package recorder

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"sync"
	"time"

	"ridewitness/capture"
	"ridewitness/capture/session"
)

// Options say how a recording is kept. Files, Head and Now must be set.
type Options struct {
	// Head is the first record of each section, without Previous and Recording.
	Head session.SessionRecord
	// Files opens the files of the recording: the first when it begins, another whenever one failed.
	Files Files
	// Behind is what the recording goes on from, the zero End where the first file is new.
	Behind session.End
	// Now is the time of the recording: the wall clock at its start plus the monotonic time elapsed.
	Now func() capture.Stamp
	// Room, when set, is asked once a second; an error ends the file in good order, and no other is
	// opened before the error is gone.
	Room func() error
	// Stop, when set, makes the source come to its end.
	Stop func()
	// Patient: the source can wait, since it is a file or a pipe. Then nothing is ever lost here.
	Patient bool
	// Timing is when what is done; zero fields take the defaults.
	Timing Timing

	frames int // on the tape; for tests
}

// Timing is when a recorder does what.
type Timing struct {
	Flush   time.Duration // to the system, at most so far apart
	Sync    time.Duration // to the disk
	Seal    time.Duration
	Section time.Duration // a new section begins
	Retry   time.Duration // looks for room, and tries to open a file where there is none
	Grace   time.Duration // for the source to end, once it was told to
}

func (t *Timing) fill() {
	for _, d := range []struct {
		field *time.Duration
		value time.Duration
	}{
		{&t.Flush, 100 * time.Millisecond},
		{&t.Sync, 500 * time.Millisecond}, // with the sync's own time that is less than a second
		{&t.Seal, 3 * time.Second},
		{&t.Section, time.Hour},
		{&t.Retry, time.Second},
		{&t.Grace, 2 * time.Second},
	} {
		if *d.field == 0 {
			*d.field = d.value
		}
	}
}

// Files opens the next file of a recording and returns its name. The first call is number 1.
type Files func(number int) (session.File, string, error)

// Recorder keeps what a source yields. Run does the work; the other methods may be called from other
// goroutines while it runs.
type Recorder struct {
	o      Options
	source capture.Source
	tape   *tape
	scribe *scribe
	heard  chan struct{} // closed when who listens has said all; nil: nobody listens
}

// New opens the first file of a recording. Its error is that of Files, or of writing the file's head.
func New(source capture.Source, o Options) (*Recorder, error) {
	o.Timing.fill()
	if o.frames == 0 {
		o.frames = tapeFrames
	}
	r := &Recorder{o: o, source: source, tape: newTape(o.frames, o.Patient)}
	r.tape.packets, r.tape.records = o.Behind.Packets, o.Behind.Records+1
	r.o.Head.Recording = rand.Text()
	r.scribe = newScribe(&r.o, r.tape)
	if err := r.scribe.begin(); err != nil {
		return nil, err
	}
	return r, nil
}

// Listen returns what is recorded as a source of its own, for who judges. Call it before Run. Frames
// and records have the numbers that they have in the file, as long as none was lost on the way there.
func (r *Recorder) Listen() *Listener {
	r.tape.ear.absent = false
	r.heard = make(chan struct{})
	return &Listener{tape: r.tape, heard: r.heard}
}

// Listener is a capture.Source over what is being recorded. It ends when the recorder's source does.
type Listener struct {
	tape  *tape
	heard chan struct{}
	once  sync.Once
}

// Next implements capture.Source.
func (l *Listener) Next(ctx context.Context, into *capture.Batch) error {
	return l.tape.next(ctx, into)
}

// Close says that nothing more is journalled for what was heard. The recording ends behind that; where it
// does not come, a while later.
func (l *Listener) Close() { l.once.Do(func() { l.tape.leave(); close(l.heard) }) }

// Run records until the source ends or ctx is done, and then ends the file. The error is what ended the
// source other than its end, or that the last frames could not be written; errors of files before are
// in the Status.
func (r *Recorder) Run(ctx context.Context) error {
	written := make(chan error, 1)
	go func() { written <- r.scribe.run() }()
	pumped := make(chan error, 1)
	pumping, stopPump := context.WithCancel(context.WithoutCancel(ctx))
	defer stopPump()
	go func() { pumped <- r.pump(pumping) }()
	err := r.wait(ctx, pumped, stopPump)
	r.tape.last()
	r.hearOut(ctx)
	r.tape.end()
	return errors.Join(err, <-written)
}

// wait waits for the source to end; once ctx is done it is told to, and has a while for it.
func (r *Recorder) wait(ctx context.Context, pumped <-chan error, stopPump func()) error {
	seal := time.NewTicker(r.o.Timing.Seal)
	defer seal.Stop()
	section := time.NewTicker(r.o.Timing.Section)
	defer section.Stop()
	for {
		select {
		case err := <-pumped:
			return err
		case <-seal.C:
			r.tape.tell(capture.Event{At: r.o.Now(), Kind: capture.EventJournal, Name: session.KindSeal})
		case <-section.C:
			r.tape.tell(capture.Event{At: r.o.Now(), Kind: capture.EventSection})
		case <-ctx.Done():
			return r.stop(pumped, stopPump)
		}
	}
}

// hearOut lets who listens put on record what there was to say of the last frames. What comes from a live
// bus waits no longer than the grace.
func (r *Recorder) hearOut(ctx context.Context) {
	if r.heard == nil {
		return
	}
	if r.o.Patient {
		select {
		case <-r.heard:
			return
		case <-ctx.Done():
		}
	}
	select {
	case <-r.heard:
	case <-time.After(r.o.Timing.Grace):
	}
}

func (r *Recorder) stop(pumped <-chan error, stopPump func()) error {
	if r.o.Stop == nil {
		stopPump()
	} else {
		go r.o.Stop()
	}
	select {
	case err := <-pumped:
		if errors.Is(err, context.Canceled) {
			return nil
		}
		return err
	case <-time.After(r.o.Timing.Grace):
		return nil // it hangs in a read; what it had yielded is kept
	}
}

// pump moves what the source yields onto the tape.
func (r *Recorder) pump(ctx context.Context) error { return capture.Each(ctx, r.source, r.tape.put) }

// ErrNotKept is the answer to a record that can't be kept: the recording has ended, or no file could be
// written for so long that there is no room for more.
var ErrNotKept = errors.New("the record is not kept: the recording has ended, or nothing can be written")

// Journal puts a record into the recording at the present moment, and returns its number in the file
// that is being written. record is any value whose JSON is an object with a field kind; a take-back names
// a record by its number in that file.
func (r *Recorder) Journal(at capture.Stamp, record any) (uint64, error) {
	e, err := event(at, record)
	if err != nil {
		return 0, err
	}
	if e.Name == session.KindMark && r.scribe.numberBase() != 0 {
		e.Body = renumber(e.Body, r.scribe.numberOnTape)
	}
	number := r.tape.tell(e)
	if number == 0 {
		return 0, ErrNotKept
	}
	return r.scribe.numberInFile(number), nil
}

// event makes the event of a record.
func event(at capture.Stamp, record any) (capture.Event, error) {
	body, err := json.Marshal(record)
	if err != nil {
		return capture.Event{}, err
	}
	var head struct{ Kind string }
	if err := json.Unmarshal(body, &head); err != nil || head.Kind == "" || head.Kind == session.KindSeal || head.Kind == session.KindSession {
		return capture.Event{}, fmt.Errorf("a record of a recording is a JSON object with a kind, neither seal nor session: %.40q", body)
	}
	return capture.Event{At: at, Kind: capture.EventJournal, Name: head.Kind, Body: body}, nil
}

// Status returns how the recording goes.
func (r *Recorder) Status() Status {
	s := r.scribe.state()
	s.Missed = r.tape.missedBy(&r.tape.ear)
	s.Lost = r.tape.missedBy(&r.tape.scribe)
	s.Forgotten = r.tape.forgot()
	return s
}

// Status is how a recording goes.
type Status struct {
	File    string        // that is being written
	Files   []string      // all of them, File included
	Written time.Time     // when something was handed to the system last, or there was nothing to
	Synced  time.Time     // when the disk had it last
	Longest time.Duration // of a sync
	Trouble error         // why no file is being written; nil while one is
	Failed  []error       // what ended files before their time, the first few
	Lost    uint64        // frames that no file has since the disk was too late
	Missed  uint64        // frames that who listens was too late for

	// Forgotten counts records that had no room, since no file was written for very long.
	Forgotten uint64
}
