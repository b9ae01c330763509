package terminal

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"ridewitness/capture"
	"ridewitness/replay"
	"ridewitness/safety"
)

// Show is a session to be played on a terminal. Open, Pipeline and Terminal must be set.
type Show struct {
	// Open begins the session anew, and Pipeline makes what judges it: each is called once a round.
	Open     func() (capture.Source, error)
	Pipeline func() (*safety.Pipeline, error)

	Terminal Terminal
	Facts    Facts
	Survey   *replay.Survey // where stages and findings lie; nil: the keys for them say so

	Speed    float64 // replay.AsFastAsItGoes, or within replay.Slowest and replay.Fastest
	Paused   bool    // it begins paused
	From, To capture.Stamp
	Gaps     replay.Gaps
	Pace     replay.Pace
	Repeat   bool

	// Hold keeps the last picture until a key ends it.
	Hold bool
	// Whole goes on without a picture when somebody quits, so that the judge hears everything.
	Whole bool

	// Lateness is how late frames were shown, once Play has returned.
	Lateness replay.Lateness
}

// stage is one showing: what its goroutines share.
type stage struct {
	show  *Show
	clock *replay.Steered

	writing sync.Mutex // of lines

	mu     sync.Mutex
	follow *Follower
	player *replay.Player
	screen *Screen
	lines  *Lines
	notice string
	until  time.Time // when the notice goes
	ended  bool
	again  bool
	cancel context.CancelFunc // of the round
	quit   chan struct{}      // closed by q
	asked  sync.Once
}

// errQuit says that somebody pressed q.
var errQuit = errors.New("somebody ended it")

// Play plays the session and returns the pipeline of the last round, finished. Where the terminal is
// not full it writes lines; where Terminal.Out is nil it shows nothing at all.
func (sh *Show) Play(ctx context.Context) (*safety.Pipeline, error) {
	if sh.Facts.Keys == nil {
		sh.Facts.Keys = ReplayKeys
	}
	st := &stage{show: sh, clock: replay.NewSteered(sh.From, sh.Speed), quit: make(chan struct{})}
	defer func() { sh.Lateness = st.clock.Lateness() }()
	if sh.Paused {
		st.clock.Pause()
	}
	if !sh.Terminal.Full {
		if sh.Terminal.Out != nil {
			st.lines = &Lines{Out: sh.Terminal.Out, ASCII: sh.Terminal.ASCII}
		}
		return st.inLines(ctx)
	}
	return st.onScreen(ctx)
}

// inLines plays and writes lines, also while no frame comes.
func (st *stage) inLines(ctx context.Context) (*safety.Pipeline, error) {
	if st.lines == nil {
		return st.rounds(ctx)
	}
	ctx, stop := context.WithCancel(ctx)
	var worker sync.WaitGroup
	worker.Go(func() {
		tick := time.NewTicker(lineEvery)
		defer tick.Stop()
		for {
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
				if st.tell() != nil {
					return
				}
			}
		}
	})
	p, err := st.rounds(ctx)
	stop()
	worker.Wait()
	return p, err
}

// lineEvery is how often a change is looked for while no frame comes.
const lineEvery = 250 * time.Millisecond

// onScreen plays on a full terminal and leaves it as it was.
func (st *stage) onScreen(ctx context.Context) (*safety.Pipeline, error) {
	st.screen = NewScreen(st.show.Terminal)
	var p *safety.Pipeline
	drawn, err := st.screen.Hold(ctx, Hold{State: st.state, Press: st.press, Lost: st.end, Work: func(ctx context.Context) (err error) {
		if p, err = st.rounds(ctx); err == nil && st.show.Hold {
			st.hold(ctx)
		}
		return err
	}})
	if err == nil {
		err = drawn
	}
	return p, err
}

// hold waits until somebody quits.
func (st *stage) hold(ctx context.Context) {
	st.mu.Lock()
	st.ended = true
	st.mu.Unlock()
	select {
	case <-st.quit:
	case <-ctx.Done():
	}
}

// rounds plays until it is over.
func (st *stage) rounds(ctx context.Context) (*safety.Pipeline, error) {
	for {
		p, err := st.round(ctx)
		switch {
		case st.takeAgain():
		case errors.Is(err, errQuit):
			return p, nil
		case err != nil || !st.show.Repeat:
			return p, err
		}
	}
}

func (st *stage) takeAgain() bool {
	st.mu.Lock()
	defer st.mu.Unlock()
	again := st.again
	st.again = false
	return again
}

// round plays the session once.
func (st *stage) round(ctx context.Context) (*safety.Pipeline, error) {
	sh := st.show
	src, err := sh.Open()
	if err != nil {
		return nil, err
	}
	if c, ok := src.(interface{ Close() }); ok {
		defer c.Close()
	}
	pipe, err := sh.Pipeline()
	if err != nil {
		return nil, err
	}
	follow := Follow(pipe, sh.Facts)
	if st.lines != nil {
		st.lines.Restart()
	}
	round, cancel := context.WithCancel(ctx)
	defer cancel()
	player := &replay.Player{Source: src, Clock: st.clock, Take: st.take, From: sh.From, To: sh.To, Gaps: sh.Gaps, Pace: sh.Pace, Told: st.gap}
	st.mu.Lock()
	st.follow, st.player, st.cancel = follow, player, cancel
	st.mu.Unlock()
	if st.quitting() {
		cancel() // the key came before there was a round to end
	}
	if st.screen != nil {
		follow.Alarm = func(s State) { st.screen.Alarm(st.dress(s)) }
	}
	err = player.Run(round)
	if st.quitting() && ctx.Err() == nil {
		err = errQuit
		if sh.Whole {
			if rest := capture.Each(ctx, src, follow.Take); rest != nil {
				err = rest
			}
		}
	}
	follow.Finish()
	st.tell()
	return pipe, err
}

func (st *stage) take(b *capture.Batch) error {
	st.follow.Take(b)
	return st.tell()
}

// tell writes lines, where lines are written.
func (st *stage) tell() error {
	if st.lines == nil {
		return nil
	}
	s := st.state()
	st.writing.Lock()
	defer st.writing.Unlock()
	return st.lines.Update(&s)
}

// gap says that a silence is run through.
func (st *stage) gap(g replay.Gap) {
	st.say(fmt.Sprintf("nothing was recorded for %s; that is run through in %s", age(g.To.Sub(g.From)), age(st.show.Gaps.Take)))
}

const noticeFor = 4 * time.Second

func (st *stage) say(text string) {
	st.mu.Lock()
	defer st.mu.Unlock()
	st.notice, st.until = text, time.Now().Add(noticeFor)
}

// state is what is shown now.
func (st *stage) state() State {
	st.mu.Lock()
	follow, player := st.follow, st.player
	st.mu.Unlock()
	if follow == nil {
		return State{Mode: st.show.Facts.Mode, Origin: st.show.Facts.Origin, Keys: st.show.Facts.Keys, Speed: st.clock.Speed(), Why: "no frame yet"}
	}
	return st.dress(follow.State(player.Now()))
}

// dress adds what the clock and the keys say.
func (st *stage) dress(s State) State {
	s.Speed, s.Paused = st.clock.Speed(), st.clock.Paused()
	st.mu.Lock()
	defer st.mu.Unlock()
	s.Ended = st.ended
	if time.Now().Before(st.until) {
		s.Notice = st.notice
	}
	return s
}

func (st *stage) quitting() bool {
	select {
	case <-st.quit:
		return true
	default:
		return false
	}
}

// end quits.
func (st *stage) end() {
	st.asked.Do(func() { close(st.quit) })
	st.stopRound()
}

func (st *stage) stopRound() {
	st.mu.Lock()
	defer st.mu.Unlock()
	if st.cancel != nil {
		st.cancel()
	}
}

// speeds are the steps of the keys + and -.
var speeds = []float64{replay.Slowest, 0.25, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, replay.Fastest}

// press does what a key says.
func (st *stage) press(key byte) {
	switch key {
	case ' ':
		if st.clock.Paused() {
			st.clock.Resume()
			st.say("it runs")
		} else {
			st.clock.Pause()
			st.say("paused")
		}
	case '+', '=', '-', '_':
		st.faster(key == '+' || key == '=')
	case 'n', 'N':
		st.next(replay.StagePoint, "stage", 0)
	case 'f', 'F':
		st.next(replay.FindingPoint, "finding", beforeFinding)
	case 'r', 'R':
		st.restart()
	case 'q', 'Q', Interrupt:
		st.end()
	case Suspend:
		st.say("Ctrl-Z does nothing here; Q quits")
	}
}

func (st *stage) faster(up bool) {
	now := st.clock.Speed()
	to := now
	for i, s := range speeds {
		if up && s > now {
			to = s
			break
		}
		if !up && s < now {
			to = speeds[i]
		}
	}
	if now == replay.AsFastAsItGoes {
		to = replay.Fastest
	}
	st.clock.SetSpeed(to)
	st.say(fmt.Sprintf("speed %g", to))
}

// beforeFinding is how long before a finding a jump lands, so that it is seen to come.
const beforeFinding = 5 * time.Second

func (st *stage) next(kind replay.PointKind, word string, lead time.Duration) {
	if st.show.Survey == nil {
		st.say("the session was not looked through: no " + word + " is known")
		return
	}
	point, ok := st.show.Survey.Next(st.clock.Now().Add(lead), kind)
	if !ok {
		st.say("no later " + word)
		return
	}
	st.clock.Jump(point.At.Add(-lead))
	if kind == replay.FindingPoint && st.clock.Speed() > 1 {
		st.clock.SetSpeed(1) // it is gone in a moment otherwise
	}
	st.say(fmt.Sprintf("next %s: %s", word, clean(point.Text)))
}

func (st *stage) restart() {
	st.mu.Lock()
	st.again = !st.ended
	st.mu.Unlock()
	st.stopRound()
}

// Demo plays a session within about total: slower where it matters, on a full terminal only.
// Anywhere else it does the work and shows nothing. It returns the finished pipeline.
func Demo(ctx context.Context, sh Show, total time.Duration) (*safety.Pipeline, error) {
	sh.Whole = true
	if sh.Facts.Mode == Live {
		sh.Facts.Mode = Simulation // a demonstration is never live, whatever is forgotten
	}
	if !sh.Terminal.Full {
		sh.Terminal.Out, sh.Speed = nil, replay.AsFastAsItGoes
		return sh.Play(ctx)
	}
	src, err := sh.Open()
	if err != nil {
		return nil, err
	}
	if c, ok := src.(interface{ Close() }); ok {
		defer c.Close()
	}
	pipe, err := sh.Pipeline()
	if err != nil {
		return nil, err
	}
	survey, err := replay.Look(ctx, src, pipe)
	if err != nil {
		return nil, err
	}
	sh.Survey, sh.Facts.End = &survey, survey.End
	sh.Pace, sh.Speed = survey.Within(total), 1
	return sh.Play(ctx)
}
