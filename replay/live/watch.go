package live

import (
	"context"
	"fmt"
	"time"

	"ridewitness/capture/host"
	"ridewitness/capture/session"
	"ridewitness/replay/terminal"
)

// Machine is what a recording must know of the computer that it runs on.
type Machine struct {
	Disk  func() (host.Disk, error) // of the folder that is written to
	Power func() (host.Power, error)
}

// How often what is looked after.
const (
	tendEvery    = 100 * time.Millisecond
	machineEvery = 10 * time.Second
	sightSteady  = time.Second     // before a change of sight goes on record
	writeLate    = 2 * time.Second // without anything written, before that is said
	toldLate     = time.Second     // a screen that takes nothing for so long has not shown it
)

// Bounds of what is told of disk and battery. A recorder needs less than 1 GB an hour for two buses.
const (
	lowDisk   = 1 << 30
	lowPower  = 20 // percent
	powerStep = 5  // percent, before it is told again
)

// watch is what is looked after between two looks.
type watch struct {
	machine Machine
	looked  time.Time
	sight   terminal.Sight
	since   time.Time // when the sight became so
	told    bool      // and is on record
	low     bool      // the disk was low
	percent int       // of the battery, told last; 0: none was
	file    string    // that was watched
}

// tend does what is due until ctx is done.
func (d *Desk) tend(ctx context.Context) {
	tick := time.NewTicker(tendEvery)
	defer tick.Stop()
	if d.o.Keep != nil && d.o.Terminal.Typed {
		d.testSound()
	}
	d.look()
	for {
		select {
		case <-ctx.Done():
			return
		case now := <-tick.C:
			d.look()
			d.settle(now)
			d.sounds(now)
		}
	}
}

// look follows the recorder and the machine, or which file is watched.
func (d *Desk) look() {
	if d.o.Watched != nil {
		d.lookWhere()
	}
	if d.o.Keep == nil {
		return
	}
	status := d.o.Keep.Status()
	now := time.Now()
	d.mu.Lock()
	d.status = status
	was := d.trouble
	d.trouble = ""
	switch {
	case status.Trouble != nil:
		d.trouble = status.Trouble.Error()
	case now.Sub(status.Written) > writeLate:
		d.trouble = "the disk takes nothing"
	}
	begins := was == "" && d.trouble != ""
	due := now.Sub(d.watch.looked) >= machineEvery
	d.mu.Unlock()
	if begins {
		d.ring()
	}
	if due {
		d.watch.looked = now
		d.lookAtMachine()
	}
}

// lookWhere tells of another file that is watched.
func (d *Desk) lookWhere() {
	file, _ := d.o.Watched()
	if file != d.watch.file {
		d.watch.file = file
		d.say(true, "The recording goes on in "+file+", and this screen watches that.")
	}
}

// lookAtMachine tells of a disk or a battery that runs low.
func (d *Desk) lookAtMachine() {
	w := &d.watch
	if w.machine.Disk != nil {
		disk, err := w.machine.Disk()
		low := err == nil && disk.Free < lowDisk
		if low && !w.low {
			d.keep(d.o.Now(), session.DiskRecord{Kind: session.KindDisk, What: session.DiskLow, Free: disk.Free})
			d.say(true, fmt.Sprintf("The disk has %d MB of room left: make room, or end the recording in good order.", disk.Free/1e6))
		}
		w.low = low
	}
	if w.machine.Power != nil {
		power, err := w.machine.Power()
		if err != nil || !power.Known || !power.OnBattery || power.Percent > lowPower {
			w.percent = 0
			return
		}
		if w.percent == 0 || power.Percent <= w.percent-powerStep {
			w.percent = power.Percent
			d.keep(d.o.Now(), session.PowerRecord{Kind: session.KindPower, Percent: power.Percent})
			d.say(true, fmt.Sprintf("On battery, %d %% left: plug it in.", power.Percent))
		}
	}
}

// settle puts on record what has waited long enough: a change of sight, a warning that no screen took, a
// question that nobody answered.
func (d *Desk) settle(now time.Time) {
	d.mu.Lock()
	var news []warned
	for len(d.news) > 0 && now.Sub(d.news[0].put) > toldLate {
		news, d.news = append(news, d.news[0]), d.news[1:]
	}
	late := d.asked != nil && now.After(d.asked.until)
	d.mu.Unlock()
	for i := range news {
		d.keep(d.o.Now(), news[i].record(nil))
	}
	if late {
		d.unanswered()
	}
	d.settleSight(now)
}

// settleSight puts a change of sight on record once it has lasted.
func (d *Desk) settleSight(now time.Time) {
	if d.o.Keep == nil {
		return
	}
	s := d.State()
	w := &d.watch
	if s.Sight != w.sight || w.since.IsZero() {
		w.sight, w.since, w.told = s.Sight, now, false
	}
	if w.told || now.Sub(w.since) < sightSteady {
		return
	}
	w.told = true
	d.keep(d.o.Now(), session.BlindRecord{Kind: session.KindBlind, State: s.Sight.String(), Why: s.Blindness()})
}

// record is the journal record of a warning; took is how long it was from the frame to the screen.
func (n *warned) record(took *time.Duration) session.WarningRecord {
	r := session.WarningRecord{Kind: session.KindWarning, Rule: n.Rule, Corner: cornerWord(n.Corner), Text: n.Head, Since: n.Since.String()}
	if took != nil {
		r.ToldMS = known(float64(took.Microseconds()) / 1000)
	}
	c := n.state
	if c == nil {
		return r
	}
	if c.Pressure.Seen {
		r.DataAgeS = known(max(c.Pressure.Age, c.Height.Age).Seconds())
	}
	if c.Closing {
		r.ClosedMM = known(c.ClosedMM)
	}
	if c.LeftKnown {
		r.LeftMM = known(c.LeftMM)
	}
	if s, ok := c.LeftSeconds(); ok {
		r.LeftS = known(s)
	}
	return r
}

func known(v float64) *float64 { return &v }
