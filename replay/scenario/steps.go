package scenario

import (
	"fmt"
	"math"

	"ridewitness/decode"
)

// step is one thing that somebody does. begin starts it on a run and returns what is asked once a
// tick until it is done, nil when it is done at once. A step does not change: what it remembers
// lies in the task.
type step interface{ begin(r *Run) task }

// until returns a task that is done at a time.
func until(at int64) task { return func(r *Run) bool { return r.at >= at } }

// waitStep lets time pass.
type waitStep struct{ ns int64 }

func (s waitStep) begin(r *Run) task { return until(r.at + s.ns) }

// momentStep gives this point of the job a name, to which faults may refer.
type momentStep struct{ name string }

func (s momentStep) begin(r *Run) task {
	r.moments = append(r.moments, moment{s.name, r.at})
	return nil
}

// markStep is a key pressed in the journal.
type markStep struct {
	name   string
	corner decode.Corner
	value  string
	note   string
}

// mark is the journal record of a mark.
type mark struct {
	Kind   string `json:"kind"`
	Name   string `json:"name"`
	Corner string `json:"corner"`
	Value  string `json:"value"`
	Note   string `json:"note"`
	By     string `json:"by"`
}

func (s markStep) begin(r *Run) task {
	r.mark(mark{Name: s.name, Corner: s.corner.String(), Value: s.value, Note: s.note})
	return nil
}

// mark writes a mark, unless nothing is recorded.
func (r *Run) mark(m mark) {
	if r.network.unseen {
		return
	}
	m.Kind = "mark"
	r.journal(m.Kind, m)
}

// tapeStep reads a tape at corner after corner.
type tapeStep struct {
	corners []decode.Corner
	every   int64 // ns that one reading takes
}

func (s tapeStep) begin(r *Run) task {
	next, at := 0, r.at+s.every
	return func(r *Run) bool {
		if r.at < at {
			return false
		}
		c := s.corners[next]
		mm := math.Floor(r.archHeight(indexOf(c)) + 0.5)
		r.mark(mark{Name: "tape", Corner: c.String(), Value: fmt.Sprintf("%.0f mm", mm)})
		next, at = next+1, r.at+s.every
		return next == len(s.corners)
	}
}

// liftStep moves the lift. 0 is where its arms carry the body at design height.
type liftStep struct{ height, speed float64 } // m, m/s

func (s liftStep) begin(r *Run) task {
	if s.height < r.lift.now {
		r.tell(r.portrait("lower"))
	} else {
		r.tell(r.portrait("raise"))
	}
	r.lift.goTo(s.height, s.speed)
	return func(r *Run) bool { return r.lift.arrived() }
}

// jackStep lifts the wheel of one corner until it is so far open, or takes the jack away.
type jackStep struct {
	corner        decode.Corner
	height, speed float64 // m over design height, m/s
}

func (s jackStep) begin(r *Run) task {
	i := indexOf(s.corner)
	j := &r.jacks[i]
	if j.now == jackAway {
		// The jack meets the wheel where it hangs.
		j.place(r.vehicle.springs[i].droop)
	}
	r.tellCorner("jack", i)
	j.goTo(min(s.height, r.vehicle.springs[i].droop), s.speed)
	return func(r *Run) bool {
		if !j.arrived() {
			return false
		}
		if s.height == jackAway {
			j.place(jackAway)
		}
		return true
	}
}

// ignitionStep turns the key. The buses stay awake for a while after off.
type ignitionStep struct{ on bool }

const afterrun = int64(20e9)

func (s ignitionStep) begin(r *Run) task {
	r.ignition = s.on
	if s.on {
		if r.network.asleep {
			r.network.wake(r.at)
		}
		return nil
	}
	r.engine.stop()
	r.tester.disconnect()
	asleep := r.at + afterrun
	return func(r *Run) bool {
		if r.at < asleep {
			return false
		}
		r.network.sleep()
		return true
	}
}

// engineStep starts or stops the engine.
type engineStep struct{ on bool }

func (s engineStep) begin(r *Run) task {
	if s.on {
		r.engine.start()
		r.tell(truth{What: "engine on"})
	} else {
		r.engine.stop()
		r.tell(truth{What: "engine off"})
	}
	return nil
}

// lineStep opens or closes an air line.
type lineStep struct {
	corner decode.Corner
	open   bool
}

func (s lineStep) begin(r *Run) task {
	i := indexOf(s.corner)
	what := "line closed"
	if s.open {
		what = "line open"
	}
	r.tellCorner(what, i)
	r.lines[i] = s.open
	return nil
}

// renewStep changes the springs of corners.
type renewStep struct {
	corners []decode.Corner
	ns      int64 // for all of them
}

func (s renewStep) begin(r *Run) task {
	at := r.at + s.ns
	return func(r *Run) bool {
		if r.at < at {
			return false
		}
		for _, c := range s.corners {
			r.vehicle.renew(indexOf(c))
			r.tellCorner("renewed", indexOf(c))
		}
		return true
	}
}

// airStep has the tester bleed or fill a corner until the control unit's sensor shows a pressure.
type airStep struct {
	fill   bool
	corner decode.Corner
	gauge  float64 // bar
	atMost int64   // ns
}

// enough is how near to where they wanted to stop hands leave it, bar.
const enough = 0.01

// begin asks, moves air, asks to stop: three stages, each as long as it takes.
func (s airStep) begin(r *Run) task {
	i := indexOf(s.corner)
	do, what := bleedRoutine, "bleed"
	if s.fill {
		do, what = fillRoutine, "fill"
		if limit, short := r.shortFill(i); short {
			s.gauge = min(s.gauge, limit)
			if r.pressures[i].followed >= s.gauge-enough {
				return nil
			}
		}
	}
	started := r.tester.ask(r, r.tester.connect(r), startRoutine, do, i)
	var stopped answer
	return func(r *Run) bool {
		v := &r.valves[i]
		switch {
		case r.at < started.at:
			return false
		case !started.granted:
			r.tellCorner(what+" refused", i)
			return true
		case stopped.at == 0 && !s.moving(v):
			s.set(v, true)
			r.tellCorner(what+" begins", i)
		case stopped.at == 0 && s.reached(r, i, started.at):
			stopped = r.tester.ask(r, r.at, stopRoutine, do, i)
		case stopped.at > 0 && r.at >= stopped.at:
			s.set(v, false)
			r.tellCorner(what+" ends", i)
			return true
		}
		return false
	}
}

// moving reports whether the step's valve is open, set moves it.
func (s airStep) moving(v *valve) bool {
	if s.fill {
		return v.filling
	}
	return v.bleeding
}

func (s airStep) set(v *valve, open bool) {
	if s.fill {
		v.filling = open
	} else {
		v.bleeding = open
	}
}

// reached reports whether it is time to stop.
func (s airStep) reached(r *Run, i int, since int64) bool {
	seen := r.pressures[i].followed
	if r.tester.lost || r.at-since >= s.atMost {
		return true
	}
	return s.fill && seen >= s.gauge || !s.fill && seen <= s.gauge
}

// levelStep lets the control unit bring corners to a height by itself, in pulses.
type levelStep struct {
	corners []decode.Corner
	offset  float64 // mm over design height
	within  float64 // mm
	atMost  int64   // ns
}

// How the unit levels: a look every few seconds, then a pulse that does about half of what is
// missing, since the body and the gas take their time.
const (
	levelEvery = int64(3e9)
	fillPulse  = 60e6 // ns a mm
	bleedPulse = 30e6
	levelPulse = 1e9 // the longest
)

func (s levelStep) begin(r *Run) task {
	end, look := r.at+s.atMost, r.at
	var closes [corners]int64
	return func(r *Run) bool {
		for i := range closes {
			if r.at >= closes[i] && closes[i] > 0 {
				r.valves[i].filling, r.valves[i].bleeding, closes[i] = false, false, 0
			}
		}
		if r.at < look {
			return false
		}
		look = r.at + levelEvery
		done := true
		for _, c := range s.corners {
			i := indexOf(c)
			off := r.heights[i].followed - r.vehicle.springs[i].series - s.offset
			if off >= -s.within && off <= s.within {
				continue
			}
			done = false
			closes[i] = r.at + s.pulse(&r.valves[i], off)
		}
		if r.at >= end || done {
			r.closeAll(s.corners)
			return true
		}
		return false
	}
}

// pulse opens the valve that brings a corner back, and returns for how long, in whole ticks.
func (s levelStep) pulse(v *valve, off float64) int64 {
	v.filling, v.bleeding = off < 0, off > 0
	long := off * bleedPulse
	if off < 0 {
		long = -off * fillPulse
	}
	return max(int64(min(long, levelPulse))/tick, 1) * tick
}

// closeAll closes the control unit's valves of corners.
func (r *Run) closeAll(list []decode.Corner) {
	for _, c := range list {
		v := &r.valves[indexOf(c)]
		v.filling, v.bleeding = false, false
	}
}

// weatherStep lets the temperature go to another in the background.
type weatherStep struct {
	temperature float64 // degC
	over        int64   // ns
}

func (s weatherStep) begin(r *Run) task {
	r.weather.turnTo(s.temperature, r.at, s.over)
	return nil
}

// nightStep leaves the vehicle alone with its buses asleep. The control unit wakes them now and
// then and looks around.
type nightStep struct {
	ns    int64
	every int64 // from one waking to the next
	awake int64
}

func (s nightStep) begin(r *Run) task {
	end := r.at + s.ns
	change := r.at + s.every
	r.doze()
	return func(r *Run) bool {
		switch {
		case r.at >= end:
			r.stir()
			return true
		case r.at < change:
		case r.resting:
			r.stir()
			change = r.at + s.awake
		default:
			r.doze()
			change = r.at + s.every
		}
		return false
	}
}

// doze and stir put the vehicle to rest and wake it.
func (r *Run) doze() {
	r.resting = true
	r.network.sleep()
}

func (r *Run) stir() {
	r.resting = false
	r.network.wake(r.at)
}
