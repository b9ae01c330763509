package live

import (
	"context"
	"sync"
	"time"

	"ridewitness/replay/terminal"
)

// teller writes lines, one goroutine of its own: whoever reads them may be slow.
type teller struct {
	lines *terminal.Lines
	desk  *Desk
	rings chan struct{}
}

// Alarm implements display: the bell goes before the line.
func (t *teller) Alarm(terminal.State) { poke(t.rings) }

// Ring implements display.
func (t *teller) Ring() { poke(t.rings) }

func poke(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// lineEvery is how often a change is looked for.
const lineEvery = 100 * time.Millisecond

// inLines shows the session in lines while the work lasts. A reader who goes away ends the lines and
// nothing else.
func (d *Desk) inLines(ctx context.Context, work func(context.Context) error) error {
	o := d.o.Terminal
	t := &teller{lines: &terminal.Lines{Out: o.Out, ASCII: o.ASCII, Bell: o.Bell}, desk: d, rings: make(chan struct{}, 1)}
	d.display = t
	defer terminal.KeepFlowing(o.Out)()
	telling, stop := context.WithCancel(ctx)
	var workers sync.WaitGroup
	if o.Typed {
		workers.Go(func() { terminal.ReadKeys(telling, o.In, d.press) })
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		t.run(telling)
	}()
	err := work(ctx)
	stop()
	workers.Wait()
	select {
	case <-done:
	case <-time.After(leaveWait): // whoever reads takes nothing any more
	}
	return err
}

// leaveWait is how long a reader of lines may take for the last of them.
const leaveWait = time.Second

func (t *teller) run(ctx context.Context) {
	tick := time.NewTicker(lineEvery)
	defer tick.Stop()
	for {
		err := t.tell()
		if err != nil {
			return
		}
		select {
		case <-ctx.Done():
			_ = t.tell()
			return
		case <-tick.C:
		case <-t.rings:
			if t.lines.Ring() != nil {
				return
			}
		}
	}
}

func (t *teller) tell() error {
	s := t.desk.State()
	if err := t.lines.Update(&s); err != nil {
		return err
	}
	t.desk.told(&s)
	return nil
}
