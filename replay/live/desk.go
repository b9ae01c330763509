package live

import (
	"context"
	"errors"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"ridewitness/capture"
	"ridewitness/capture/recorder"
	"ridewitness/capture/session"
	"ridewitness/replay/terminal"
	"ridewitness/safety"
)

// Options say what a desk shows and where. Pipeline and Now must be set.
type Options struct {
	Pipeline *safety.Pipeline // that was not fed yet
	Facts    terminal.Facts
	Terminal terminal.Terminal // Out nil: nothing is shown
	Now      func() capture.Stamp

	// Keep takes what is put on record; nil: somebody else's recording is watched.
	Keep Keeper
	// Machine is what it runs on; what is nil is not looked at.
	Machine Machine
	// Elsewhere: the stamps are those of another computer, and say nothing of how late something is here.
	Elsewhere bool
	// Page is the address of the page that shows the same; "" for none.
	Page string
	// Watched, when set, is the file that is watched now, and why nothing can come from it, "" where it can.
	Watched func() (file, why string)
	// End ends the recording, or the watching.
	End func()
}

// Keeper keeps records in the recording that is being made. *recorder.Recorder is one.
type Keeper interface {
	Journal(at capture.Stamp, record any) (uint64, error)
	Status() recorder.Status
}

// Desk shows one session. Make it with New.
type Desk struct {
	o       Options
	follow  *terminal.Follower
	display display

	mu       sync.Mutex
	status   recorder.Status
	trouble  string // why nothing is written
	news     []warned
	notice   notice
	pane     terminal.Pane
	asked    *question
	moment   moment
	marks    []uint64 // that can be taken back, oldest first, in the file below
	file     string
	sound    string
	silenced capture.Stamp // no sound until then
	rang     time.Time     // last
	ending   time.Time     // when somebody asked for the end
	behind   time.Duration // how late the last frame was judged
	caught   time.Time     // since when nothing waits to be judged; zero while something does
	closed   bool          // nothing more comes
	over     string        // why nothing more comes to who only watches
	watch    watch
}

// warned is a warning that is not on record yet.
type warned struct {
	terminal.Danger
	late  time.Duration // from the frame that brought it to the judge
	put   time.Time     // when it was handed to the screen
	state *terminal.Corner
}

// notice is the answer to the last key.
type notice struct {
	text  string
	loud  bool
	until time.Time
}

// display takes what can't wait for the next picture.
type display interface {
	Alarm(terminal.State)
	Ring()
}

// New returns a desk for a session of which nothing was fed yet.
func New(o Options) *Desk {
	d := &Desk{o: o, follow: terminal.Follow(o.Pipeline, o.Facts), display: mute{}, sound: soundUntested}
	d.watch.machine = o.Machine
	if o.Watched != nil {
		d.watch.file, _ = o.Watched()
	}
	if o.Page != "" {
		d.say(false, "page: "+o.Page+" (? shows it again)")
	}
	return d
}

// mute shows nothing.
type mute struct{}

func (mute) Alarm(terminal.State) {}
func (mute) Ring()                {}

// Recall feeds what the session holds already, without a sound: whoever goes on with a recording must
// not forget what it knew.
func (d *Desk) Recall(ctx context.Context, source capture.Source) error {
	return capture.Each(ctx, source, d.follow.Take)
}

// Run shows what a source yields until it ends, and finishes the judge. The error is that of the source.
func (d *Desk) Run(ctx context.Context, source capture.Source) error {
	work := func(ctx context.Context) error { return d.work(ctx, source) }
	t := d.o.Terminal
	switch {
	case t.Out == nil:
		return work(ctx)
	case !t.Full:
		return d.inLines(ctx, work)
	}
	screen := terminal.NewScreen(t)
	screen.Told = d.told
	d.display = screen
	// A terminal that goes away ends the pictures and nothing else.
	drawn, err := screen.Hold(ctx, terminal.Hold{State: d.State, Press: d.press, Work: work})
	if err != nil && !d.isClosed() {
		return errors.Join(err, d.inSilence(ctx, work))
	}
	if err == nil && d.o.Keep == nil {
		return drawn
	}
	return err
}

// inSilence goes on where the terminal could not be taken.
func (d *Desk) inSilence(ctx context.Context, work func(context.Context) error) error {
	d.display = mute{}
	return work(ctx)
}

// work judges what comes, and does what is due, until nothing more comes.
func (d *Desk) work(ctx context.Context, source capture.Source) error {
	d.follow.Alarm = d.alarm
	beside, stop := context.WithCancel(ctx)
	var workers sync.WaitGroup
	workers.Go(func() { d.tend(beside) })
	err := d.judge(ctx, source)
	if d.o.Keep == nil {
		d.stay(ctx, err)
	}
	stop()
	workers.Wait()
	d.follow.Finish()
	d.settle(time.Now().Add(time.Hour))
	d.mu.Lock()
	d.closed = true
	d.mu.Unlock()
	return err
}

// stay keeps the last picture, blind, until whoever watches has seen that nothing more comes.
func (d *Desk) stay(ctx context.Context, err error) {
	d.mu.Lock()
	switch {
	case err == nil:
		d.over = "the file has ended, no recorder answers"
	case errors.Is(err, ErrNotSeen):
		d.over = "the file has ended, its recorder can't be seen"
	case errors.Is(err, session.ErrRecorderGone):
		d.over = "the recorder is gone"
	default:
		d.over = "the file can't be read any further"
	}
	d.mu.Unlock()
	if d.o.Terminal.Full && ctx.Err() == nil {
		<-ctx.Done()
	}
}

func (d *Desk) isClosed() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.closed
}

// awaited is a source that notes when it is waited for.
type awaited struct {
	capture.Source
	desk *Desk
}

// Next implements capture.Source.
func (a awaited) Next(ctx context.Context, into *capture.Batch) error {
	a.desk.await(time.Now())
	defer a.desk.await(time.Time{})
	return a.Source.Next(ctx, into)
}

func (d *Desk) await(since time.Time) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.caught = since
}

// judge feeds what comes.
func (d *Desk) judge(ctx context.Context, source capture.Source) error {
	return capture.Each(ctx, awaited{source, d}, func(b *capture.Batch) {
		d.follow.Take(b)
		if n := len(b.Frames); n > 0 {
			d.came(b.Frames[n-1].At)
		}
	})
}

// came notes how late the last frame was judged.
func (d *Desk) came(at capture.Stamp) {
	late := d.late(at)
	d.mu.Lock()
	defer d.mu.Unlock()
	d.behind = late
}

// late returns how long ago a frame came from its bus.
func (d *Desk) late(at capture.Stamp) time.Duration {
	if d.o.Elsewhere {
		return 0
	}
	return max(d.o.Now().Sub(at), 0)
}

// alarm is called by the follower at the moment a danger begins.
func (d *Desk) alarm(s terminal.State) {
	newest := s.Dangers[0]
	late := d.late(newest.Brought)
	d.mu.Lock()
	n := warned{Danger: newest, late: late, put: time.Now()}
	for i := range s.Corners {
		if s.Corners[i].Corner == newest.Corner {
			n.state = &s.Corners[i]
		}
	}
	d.news = append(d.news, n)
	d.silenced, d.rang = 0, time.Now() // a new danger ends the silence
	s = d.dressed(s)
	d.mu.Unlock()
	d.display.Alarm(s)
}

// told is called when a state was shown: the dangers in it are told, and go on record.
func (d *Desk) told(shown *terminal.State) {
	now := d.o.Now()
	var news []warned
	d.mu.Lock()
	d.news = slices.DeleteFunc(d.news, func(n warned) bool {
		there := slices.ContainsFunc(shown.Dangers, func(o terminal.Danger) bool { return o.Is(&n.Danger) })
		if there {
			news = append(news, n)
		}
		return there
	})
	d.mu.Unlock()
	for i := range news {
		took := news[i].late + time.Since(news[i].put)
		if !d.o.Elsewhere {
			d.follow.Told(&news[i].Danger, took)
		}
		d.keep(now, news[i].record(&took))
	}
}

// State returns what there is to show now.
func (d *Desk) State() terminal.State {
	s := d.follow.State(d.o.Now())
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.dressed(s)
}

// viewLate is how old what is judged may be before the screen is called blind; what waits to be judged is
// handed over within caughtUp.
const (
	viewLate = time.Second
	caughtUp = 50 * time.Millisecond
)

// isBehind reports whether frames wait that came a while ago. Where none waits the view has caught up,
// however late the last one was: that it was is told by the ages. The lock is held.
func (d *Desk) isBehind(now time.Time) bool {
	return d.behind > viewLate && !d.closed && (d.caught.IsZero() || now.Sub(d.caught) < caughtUp)
}

// dressed adds what the desk knows. The lock is held.
func (d *Desk) dressed(s terminal.State) terminal.State {
	s.Ended, s.Pane = d.closed || d.over != "", d.pane
	now := time.Now()
	switch {
	case d.asked != nil:
		s.Notice = d.asked.words(s.Start)
	case now.Before(d.notice.until):
		s.Notice, s.Loud = d.notice.text, d.notice.loud
	case d.o.Keep != nil && d.sound == soundAsked:
		s.Notice = soundQuestion
	}
	waits := ""
	if d.o.Watched != nil {
		s.Watched, waits = d.o.Watched()
		s.Watched = filepath.Base(s.Watched)
	}
	switch {
	case d.over != "":
		s.Sight, s.Why = terminal.Blind, d.over
	case waits != "":
		s.Sight, s.Why = terminal.Blind, waits
	case d.isBehind(now):
		s.Sight, s.Why = terminal.Blind, "view "+terminal.Age(d.behind)+" behind"
	}
	if d.o.Keep != nil {
		s.Recording = &terminal.Recording{File: d.status.File, WrittenAgo: max(now.Sub(d.status.Written), 0), Page: d.o.Page,
			Sound: d.soundWords(), SilencedUntil: d.silenced, Trouble: d.trouble}
	}
	return s
}

// say answers a key, for a while.
func (d *Desk) say(loud bool, text string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.notice = notice{text: text, loud: loud, until: time.Now().Add(noticeFor)}
}

// hush takes the answer to a key away.
func (d *Desk) hush() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.notice = notice{}
}

// noticeFor is how long an answer stays.
const noticeFor = 6 * time.Second

// keep puts a record into the recording. Where that can't be, the answer to the key says so.
func (d *Desk) keep(at capture.Stamp, record any) (uint64, bool) {
	if d.o.Keep == nil {
		return 0, false
	}
	n, err := d.o.Keep.Journal(at, record)
	if err != nil {
		d.say(true, err.Error())
	}
	return n, err == nil
}
