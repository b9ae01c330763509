package decode

import (
	"time"

	"ridewitness/capture"
)

// gate lets the values of a sensor that several corners share through only while its signal's
// `valid_while` holds (hazard H06): the state has the named word, no other corner of the same
// list has it, and it has had it long enough. What it holds back is no sample of that corner at all;
// the corner's own values grow stale meanwhile, as they should.
//
//	valve rear-left   closed ___/ open          \_____________
//	valve rear-right  closed _________________________/ open
//	shared pressure   . . . . . . . . . . . . . . . . . . . .
//	rear-left         _ _ _ _ _ _ . . . . . _ _ _ _ _ _ _ _ _
//	                           ^ settled
//
// A network tells a state some time after the valve has it. `settled` covers the opening; a value
// between the closing and its telling passes, so a definition needs a state that is sent at least
// as often as the sensor.
type gate struct {
	rules  []gateRule  // by SignalIndex
	states []gateState // by SignalIndex
}

type gateRule struct {
	on      bool
	own     condition
	alone   []condition // of the other corners
	settled time.Duration
}

// condition is a state signal and the patterns of the word it is asked for.
type condition struct {
	signal   SignalIndex
	patterns map[uint64]bool
}

// gateState is a state signal's last pattern and since when it has it.
type gateState struct {
	follow bool
	valid  bool
	raw    uint64
	since  capture.Stamp
	pace   Rhythm
}

// newGate returns the gate of the signals, nil where none has a `valid_while`.
func newGate(signals []Signal) (*gate, error) {
	byName := map[string]SignalIndex{}
	var gated []SignalIndex
	for i := range signals {
		byName[signals[i].Name] = SignalIndex(i)
		if signals[i].ValidWhile != nil {
			gated = append(gated, SignalIndex(i))
		}
	}
	if len(gated) == 0 {
		return nil, nil
	}
	g := &gate{rules: make([]gateRule, len(signals)), states: make([]gateState, len(signals))}
	for _, i := range gated {
		own, problem := conditionOf(signals, byName, signals[i].ValidWhile)
		if problem != "" {
			return nil, &DefinitionError{Place: signals[i].Place, Signal: signals[i].Name, Problem: problem}
		}
		g.rules[i] = gateRule{on: true, own: own, settled: time.Duration(signals[i].ValidWhile.SettledNS)}
		g.states[own.signal].follow = true
	}
	for _, i := range gated {
		if signals[i].ValidWhile.Alone {
			g.rules[i].alone = g.others(signals, gated, i)
		}
	}
	return g, nil
}

// conditionOf finds the signal that a `valid_while` names, and the patterns of its word.
func conditionOf(signals []Signal, byName map[string]SignalIndex, w *ValidWhile) (condition, string) {
	at, known := byName[w.Signal]
	if !known {
		return condition{}, "valid_while: no signal is named " + w.Signal
	}
	c := condition{signal: at, patterns: map[uint64]bool{}}
	for raw, word := range signals[at].States {
		if word == w.Equals {
			c.patterns[raw] = true
		}
	}
	if len(c.patterns) == 0 {
		return condition{}, "valid_while: " + w.Signal + " has no state " + w.Equals
	}
	return c, ""
}

// others returns the conditions of the other signals that share the sensor of i.
func (g *gate) others(signals []Signal, gated []SignalIndex, i SignalIndex) []condition {
	var list []condition
	for _, k := range gated {
		shared := signals[k].Origin == signals[i].Origin && signals[k].Field == signals[i].Field
		if shared && g.rules[k].own.signal != g.rules[i].own.signal {
			list = append(list, g.rules[k].own)
		}
	}
	return list
}

// pass takes the samples of one payload, moves those that may pass to the front, and returns how many
// they are. The states of the payload are followed first: a payload that holds a sensor and its state
// means that state, whichever of the two was defined first.
func (g *gate) pass(samples []Sample) int {
	for i := range samples {
		if s := &g.states[samples[i].Signal]; s.follow {
			s.take(&samples[i])
		}
	}
	n := 0
	for i := range samples {
		if r := &g.rules[samples[i].Signal]; !r.on || g.holds(r, samples[i].At) {
			samples[n] = samples[i]
			n++
		}
	}
	return n
}

// holds reports whether the sensor speaks for the corner at that time.
func (g *gate) holds(r *gateRule, at capture.Stamp) bool {
	own := &g.states[r.own.signal]
	if !own.known(at) || !r.own.patterns[own.raw] || at < own.since.Add(r.settled) {
		return false
	}
	for _, o := range r.alone {
		// A state that is not known may be the named one as well.
		if other := &g.states[o.signal]; !other.known(at) || o.patterns[other.raw] {
			return false
		}
	}
	return true
}

// take follows a state signal. After a time in which the state was not known, or a step back of the
// time, it counts from anew.
func (st *gateState) take(s *Sample) {
	valid := s.Status == StatusValid
	if !st.known(s.At) || !valid || st.raw != s.Raw || s.At < st.since {
		st.since = s.At
	}
	st.raw, st.valid = s.Raw, valid
	st.pace.Add(s.At)
}

func (st *gateState) known(at capture.Stamp) bool { return st.valid && st.pace.Fresh(at) }
