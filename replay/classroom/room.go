package classroom

import (
	"errors"
	"fmt"
	"sync"
	"time"

	"ridewitness/capture"
)

// Phase is where a class is between two stops.
//
//	          stop reached        Ask          Close          Reveal
//	Playing --------------> Due ------> Open -------> Closed --------> Revealed
//	   ^                     |                                            |
//	   +------- Skip --------+           <------- next stop or Skip ------+
//
// Only these steps exist, and each names the state it was meant for (see Room.Do), so a key that
// is pressed twice asks, closes or reveals once.
type Phase uint8

const (
	Playing  Phase = iota // playing or paused
	Due                   // held at a stop, not asked yet
	Open                  // answers are taken
	Closed                // no more answers; the right one is not told yet
	Revealed              // told; playing may go on
)

var phaseNames = [...]string{"playing", "due", "open", "closed", "revealed"}

// String returns the word used in messages.
func (p Phase) String() string {
	if int(p) < len(phaseNames) {
		return phaseNames[p]
	}
	return fmt.Sprintf("Phase(%d)", uint8(p))
}

// Command is what a trainer may do.
type Command string

const (
	Play     Command = "play" // or pause
	Back     Command = "back" // 10 s
	Forward  Command = "forward"
	LastStop Command = "last-stop"
	NextStop Command = "next-stop"
	Slower   Command = "slower"
	Faster   Command = "faster"
	JoinCard Command = "join" // show or hide how to join
	Ask      Command = "ask"
	Close    Command = "close"
	Reveal   Command = "reveal"
	// Skip passes a stop without asking, or puts a revealed question away.
	Skip Command = "skip"
)

// Keys are the trainer's keys, by the names that browsers give them (KeyboardEvent.key).
var Keys = map[string]Command{
	" ": Play, "ArrowLeft": Back, "ArrowRight": Forward, "PageUp": LastStop, "PageDown": NextStop,
	"-": Slower, "+": Faster, "=": Faster, "j": JoinCard, "q": Ask, "c": Close, "r": Reveal, "n": Skip,
}

// Errors of Do and Answer. Pages show them as they are.
var (
	ErrMovedOn   = errors.New("moved on since; press again")
	ErrUnasked   = errors.New("a stop is due: ask the question, or skip it")
	ErrOpen      = errors.New("a question is open: close and reveal it first")
	ErrNotNow    = errors.New("that step does not come now")
	ErrUnknown   = errors.New("no such command")
	ErrNoSeat    = errors.New("this seat is not known; join again")
	ErrFull      = errors.New("the class is full")
	ErrNotOpen   = errors.New("no question is open")
	ErrNoChoice  = errors.New("no such choice")
	errNoPlaying = errors.New("the session is over")
)

// seekStep is how far the arrow keys go.
const seekStep = 10 * time.Second

// Room is the state of one class. Its methods may be called from several goroutines.
type Room struct {
	Lesson *Lesson
	Course *Course

	mu      sync.Mutex
	begun   time.Time
	clock   clock
	stops   []bound
	next    int // the first stop that was neither revealed nor skipped; len(stops): none
	phase   Phase
	step    uint64 // counts changes of phase
	joining bool   // the join card is shown
	seats   seats
	changed chan struct{} // closed and replaced at each change of what pages show
}

// NewRoom returns a room at the start of the course, paused. The error joins a *StopError for each
// stop of the lesson that never comes. A nil lesson plays without stops.
func NewRoom(l *Lesson, c *Course) (*Room, error) {
	if l == nil {
		l = &Lesson{Window: defaultWindow}
	}
	stops, err := bind(l, c)
	if err != nil {
		return nil, err
	}
	r := &Room{Lesson: l, Course: c, begun: time.Now(), clock: newClock(c.Start), stops: stops, joining: true,
		changed: make(chan struct{})}
	r.seats.byToken = map[string]*seat{}
	return r, nil
}

// Step returns the number of the state that the room is in now. It grows with each change of phase.
func (r *Room) Step() uint64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.advance()
	return r.step
}

// Changed returns a channel that is closed at the next command or change of phase.
func (r *Room) Changed() <-chan struct{} {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.changed
}

// tell wakes those who wait on Changed.
func (r *Room) tell() {
	close(r.changed)
	r.changed = make(chan struct{})
}

// enter changes the phase.
func (r *Room) enter(p Phase) {
	r.phase = p
	r.step++
	r.tell()
}

// advance moves the room to now: over silences, and to a halt at a stop or the end. It returns the
// session time. Everything that looks at the room calls it first, so the room needs no goroutine.
func (r *Room) advance() capture.Stamp {
	at := r.clock.Now()
	if r.clock.Paused() {
		return at
	}
	if to := r.Course.skip(at); to != at {
		at = min(to, r.horizon())
		r.clock.set(at, true)
	}
	if limit := r.horizon(); at >= limit {
		at = limit
		r.clock.set(at, false)
		r.hold(at)
	}
	return at
}

// hold puts the room on hold where a stop is reached.
func (r *Room) hold(at capture.Stamp) {
	if (r.phase == Playing || r.phase == Revealed) && r.next < len(r.stops) && at >= r.stops[r.next].at {
		r.seats.clear()
		r.enter(Due)
	}
}

// horizon returns the time that nothing may be shown beyond: the next stop, or the end.
func (r *Room) horizon() capture.Stamp {
	if r.next < len(r.stops) {
		return r.stops[r.next].at
	}
	return r.Course.End
}

// asked returns the stop whose question is due, open, closed or revealed; nil while there is none.
// A revealed one has been passed already.
func (r *Room) asked() *bound {
	switch r.phase {
	case Due, Open, Closed:
		return &r.stops[r.next]
	case Revealed:
		return &r.stops[r.next-1]
	default:
		return nil
	}
}

// Do carries out a command. seen is the Step that the trainer saw when choosing it; it counts for
// the commands that change the phase, which are refused with ErrMovedOn when the room has changed
// since. A refused command changes nothing.
func (r *Room) Do(c Command, seen uint64) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	at := r.advance()
	switch c {
	case Ask, Close, Reveal, Skip:
		if seen != r.step {
			return ErrMovedOn
		}
		return r.proceed(c)
	case JoinCard:
		r.joining = !r.joining
	case Slower:
		r.clock.turn(-1)
	case Faster:
		r.clock.turn(1)
	case Play:
		if err := r.play(at); err != nil {
			return err
		}
	case Back, Forward, LastStop, NextStop:
		if r.phase == Open || r.phase == Closed {
			return ErrOpen
		}
		r.seek(c, at)
	default:
		return ErrUnknown
	}
	r.tell()
	return nil
}

// proceed takes one step between phases.
func (r *Room) proceed(c Command) error {
	switch {
	case c == Ask && r.phase == Due:
		r.joining = false
		r.seats.clear()
		r.enter(Open)
	case c == Close && r.phase == Open:
		r.enter(Closed)
	case c == Reveal && r.phase == Closed:
		// The next stop may lie at the same moment; it then waits until this one is put away.
		r.next++
		r.enter(Revealed)
	case c == Skip && r.phase == Due:
		r.next++
		r.enter(Playing)
	case c == Skip && r.phase == Revealed:
		r.seats.clear()
		r.enter(Playing)
	default:
		return ErrNotNow
	}
	return nil
}

// play plays or pauses.
func (r *Room) play(at capture.Stamp) error {
	switch {
	case !r.clock.Paused():
		r.clock.set(at, false)
	case r.phase == Due:
		return ErrUnasked
	case r.phase == Open || r.phase == Closed:
		return ErrOpen
	case at >= r.Course.End:
		return errNoPlaying
	default:
		r.joining = false
		r.clock.set(at, true)
	}
	return nil
}

// seek moves the clock, never past the horizon. Going back from a stop that is due leaves it to
// come again.
func (r *Room) seek(c Command, at capture.Stamp) {
	to := at
	switch c {
	case Back:
		to = at.Add(-seekStep)
	case Forward:
		to = at.Add(seekStep)
	case NextStop:
		to = r.horizon()
	case LastStop:
		to = r.Course.Start
		for i := range r.next {
			if s := r.stops[i].at; s < at {
				to = s
			}
		}
	}
	to = min(max(to, r.Course.Start), r.horizon())
	playing := !r.clock.Paused() && (c == Back || c == Forward) && to < r.horizon()
	r.clock.set(to, playing)
	if r.phase == Due && to < r.stops[r.next].at {
		r.enter(Playing)
		return
	}
	r.hold(to)
}
