package terminal

import (
	"encoding/json"
	"fmt"
	"time"

	"ridewitness/capture"
	"ridewitness/capture/session"
)

// journal follows what a recording says of itself: links, clocks, disk and battery.
func (f *Follower) journal(e *capture.Event) {
	switch e.Name {
	case session.KindLink:
		var r session.LinkRecord
		if json.Unmarshal(e.Body, &r) == nil {
			f.link(e.At, &r)
		}
	case session.KindClock:
		var r session.ClockChange
		if json.Unmarshal(e.Body, &r) == nil {
			f.clockChange(e.At, &r)
		}
	case session.KindDisk:
		var r session.DiskRecord
		if json.Unmarshal(e.Body, &r) == nil {
			f.note(e.At, "disk", diskWords(&r))
		}
	case session.KindPower:
		var r session.PowerRecord
		if json.Unmarshal(e.Body, &r) == nil && r.Percent > 0 {
			f.note(e.At, "power", fmt.Sprintf("on battery, %d %% left: plug it in", r.Percent))
		}
	}
}

// link follows the state of a bus's link. One that is down or gone delivers nothing.
func (f *Follower) link(at capture.Stamp, r *session.LinkRecord) {
	name := clean(r.Bus)
	was, known := f.links[name]
	if !known && len(f.links) == capture.MaxBuses {
		return
	}
	f.links[name] = r.State
	switch {
	case !known && !absent(r.State), was == r.State:
	case r.State == session.LinkGone:
		f.note(at, "blind", name+": the adapter is gone")
	case r.State == session.LinkDown:
		f.note(at, "blind", name+": the link is down")
	case absent(was):
		f.note(at, "link", name+" is there again, "+clean(r.State))
	default:
		f.note(at, "link", name+": "+clean(r.State))
	}
	lost := false
	for _, state := range f.links {
		lost = lost || absent(state)
	}
	f.adapter(at, lost)
	f.settle()
}

func absent(state string) bool { return state == session.LinkGone || state == session.LinkDown }

func (f *Follower) clockChange(at capture.Stamp, r *session.ClockChange) {
	if r.StepNS != 0 {
		f.note(at, "clock", fmt.Sprintf("the clock of this computer was set by %s; times here go on as before", time.Duration(r.StepNS).Round(time.Millisecond)))
	}
	if r.SleptNS != 0 {
		f.note(at, "blind", "this computer slept for "+age(time.Duration(r.SleptNS)))
	}
}

func diskWords(r *session.DiskRecord) string {
	switch r.What {
	case session.DiskFailed:
		text := "could not be written: another file goes on"
		if r.Uncertain > 0 {
			text += fmt.Sprintf("; %s frames may be gone", grouped(r.Uncertain))
		}
		return clean(r.File) + " " + text
	case session.DiskSlow:
		return fmt.Sprintf("it took %.1f s to take what was written", r.Seconds)
	case session.DiskLow:
		return fmt.Sprintf("%s MB of room left", grouped(r.Free/1e6))
	default:
		return clean(r.What)
	}
}
