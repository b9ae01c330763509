package replay

import (
	"context"
	"errors"
	"io"
	"sync/atomic"
	"time"

	"ridewitness/capture"
)

// Player plays a Source. Set the fields, then call Run once.
type Player struct {
	Source capture.Source
	Clock  Clock

	// Take is handed everything, in order. The batch is reused: it is good until Take returns. An
	// error ends Run.
	Take func(*capture.Batch) error

	// Skip, when set, takes what lies before From in place of Take: a judge wants it, a bus does not.
	Skip func(*capture.Batch) error

	From, To capture.Stamp // the stretch to play; 0: from the first, to the last

	// Each hands on the frames of one stamp at a time and counts the lateness of every one. Without
	// it what is due together goes together.
	Each bool

	// Gaps says what to do where nothing was recorded for long; Told, when set, is called before such
	// a stretch is run through.
	Gaps Gaps
	Told func(Gap)

	// Pace changes the speed of a Steered clock on the way, until somebody steers it by hand.
	Pace Pace

	// Stops are times at which the player halts, in order: nothing later is handed on before AtStop
	// has returned nil for it.
	Stops  []capture.Stamp
	AtStop func(ctx context.Context, stop int) error

	batch *capture.Batch
	part  capture.Batch
	sure  atomic.Int64  // nothing unheard of lies before this stamp
	high  capture.Stamp // latest stamp so far: one that steps back is not waited for
	begun bool
	stop  int
	leg   int
}

// Now is the time that a screen shows: that of the clock, but never past a frame that was not handed
// on yet, so that a slow machine does not look like a silent bus. It may be called from any goroutine
// while Run works.
func (p *Player) Now() capture.Stamp { return min(p.Clock.Now(), capture.Stamp(p.sure.Load())) }

// Gaps says how long a silence may be before it is run through in less. The zero Gaps waits through
// every one.
type Gaps struct {
	Longer time.Duration // a silence longer than this
	Take   time.Duration // takes that long
}

// Gap is a stretch in which nothing was recorded.
type Gap struct{ From, To capture.Stamp }

// Leg is a stretch of a Pace: up to a time, at a speed.
type Leg struct {
	Until capture.Stamp
	Speed float64 // AsFastAsItGoes, or seconds of the session per second
}

// Pace is a plan of speeds, in order. After its last leg the speed stays.
type Pace []Leg

// errAtEnd says that To was reached.
var errAtEnd = errors.New("the stretch to play is over")

// Run plays from the first frame to the last, or to To, and returns nil then. It returns the error of
// ctx, of the source, or of Take, Skip and AtStop as it is. Run starts no goroutine.
func (p *Player) Run(ctx context.Context) error {
	p.batch = capture.NewBatch()
	for {
		switch err := p.Source.Next(ctx, p.batch); {
		case err == io.EOF:
			return nil
		case err != nil:
			return err
		}
		if err := p.play(ctx); err == errAtEnd {
			return nil
		} else if err != nil {
			return err
		}
	}
}

// cursor is a place in a batch: how many frames and events of it are done.
type cursor struct{ frames, events int }

// play hands on one batch of the source in parts, each when it is due.
func (p *Player) play(ctx context.Context) error {
	var done cursor
	for {
		at, ok := p.next(done)
		if !ok {
			return nil
		}
		p.sure.Store(int64(at))
		if err := p.wait(ctx, at); err != nil {
			return err
		}
		end := p.due(done)
		if err := p.hand(done, end); err != nil {
			return err
		}
		p.sure.Store(int64(p.high))
		done = end
	}
}

// next returns when the frame or event after c is due, never earlier than what came before it.
func (p *Player) next(c cursor) (at capture.Stamp, ok bool) {
	b := p.batch
	switch {
	case c.events < len(b.Events) && b.Events[c.events].Index <= c.frames:
		at = b.Events[c.events].At
	case c.frames < len(b.Frames):
		at = b.Frames[c.frames].At
	case c.events < len(b.Events):
		at = b.Events[c.events].At
	default:
		return 0, false
	}
	return max(at, p.high), true
}

// step moves past the frame or event after c.
func (p *Player) step(c cursor) cursor {
	b := p.batch
	if c.events < len(b.Events) && (b.Events[c.events].Index <= c.frames || c.frames == len(b.Frames)) {
		c.events++
	} else {
		c.frames++
	}
	return c
}

// due returns the end of what may go now: at least one item, and nothing past the next limit.
func (p *Player) due(from cursor) cursor {
	at, _ := p.next(from)
	limit := at
	switch {
	case p.high < p.From:
		limit = max(at, p.limit())
	case !p.Each:
		limit = max(at, min(p.horizon(), p.limit()))
	}
	end := from
	for {
		at, ok := p.next(end)
		if !ok || at > limit {
			return end
		}
		p.high = at
		end = p.step(end)
	}
}

// horizon is the time up to which the clock lets go.
func (p *Player) horizon() capture.Stamp {
	if c, ok := p.Clock.(*Steered); ok {
		return c.horizon()
	}
	return p.Clock.Now()
}

// limit is the next time that nothing may pass in one go: where it begins, ends, stops, changes pace.
func (p *Player) limit() capture.Stamp {
	limit := capture.Stamp(1<<63 - 1)
	if p.high < p.From {
		limit = p.From - 1
	}
	if p.To != 0 {
		limit = min(limit, p.To)
	}
	if p.stop < len(p.Stops) {
		limit = min(limit, p.Stops[p.stop])
	}
	if p.leg < len(p.Pace) {
		limit = min(limit, p.Pace[p.leg].Until)
	}
	return limit
}

// wait waits until at is due, through stops, changes of pace and silences on the way.
func (p *Player) wait(ctx context.Context, at capture.Stamp) error {
	if at < p.From {
		return ctx.Err()
	}
	p.begin(at)
	for {
		p.pace()
		limit := p.limit()
		if at <= limit {
			break
		}
		if err := p.until(ctx, limit); err != nil {
			return err
		}
		if err := p.pass(ctx, limit); err != nil {
			return err
		}
	}
	return p.until(ctx, at)
}

// begin sets a steered clock to where the playing begins.
func (p *Player) begin(at capture.Stamp) {
	if p.begun {
		return
	}
	p.begun = true
	if p.From == 0 {
		p.From = at
	}
	p.high = max(p.high, p.From)
	if c, ok := p.Clock.(*Steered); ok {
		c.Jump(p.From)
	}
	for p.stop < len(p.Stops) && p.Stops[p.stop] < p.From {
		p.stop++
	}
}

// pace sets the speed of the present leg.
func (p *Player) pace() {
	for p.leg < len(p.Pace) && p.Pace[p.leg].Until < p.high {
		p.leg++
	}
	if c, ok := p.Clock.(*Steered); ok && p.leg < len(p.Pace) {
		c.pace(p.Pace[p.leg].Speed)
	}
}

// until waits for a time, and runs through a silence before it.
func (p *Player) until(ctx context.Context, at capture.Stamp) error {
	c, steered := p.Clock.(*Steered)
	if now := p.Clock.Now(); steered && p.Gaps.Longer > 0 && between(now, at) > p.Gaps.Longer && between(p.high, at) > p.Gaps.Longer {
		if p.Told != nil {
			p.Told(Gap{p.high, at})
		}
		c.Hurry(at, p.Gaps.Take)
	}
	if err := p.Clock.Until(ctx, at); err != nil {
		return err
	}
	p.high = max(p.high, at)
	return nil
}

// pass goes past a limit that was reached.
func (p *Player) pass(ctx context.Context, limit capture.Stamp) error {
	if p.leg < len(p.Pace) && p.Pace[p.leg].Until == limit {
		p.leg++
	}
	for p.stop < len(p.Stops) && p.Stops[p.stop] <= limit {
		stop := p.stop
		p.stop++
		if p.AtStop != nil {
			if err := p.AtStop(ctx, stop); err != nil {
				return err
			}
		}
	}
	if p.To != 0 && p.To <= limit {
		return errAtEnd
	}
	return nil
}

// hand hands on the items between two places of the batch.
func (p *Player) hand(from, to cursor) error {
	p.part.Frames = p.batch.Frames[from.frames:to.frames]
	p.part.Events = append(p.part.Events[:0], p.batch.Events[from.events:to.events]...)
	for i := range p.part.Events {
		p.part.Events[i].Index = max(p.part.Events[i].Index-from.frames, 0)
	}
	if p.Skip != nil && p.high < p.From {
		return p.Skip(&p.part)
	}
	return p.Take(&p.part)
}
