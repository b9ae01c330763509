package decode

import (
	"time"

	"ridewitness/capture"
)

// gate lets the values of a sensor that several corners share through only while its signal's
// `valid_while` holds (HAZARDS H06): the state has the named word, no other corner of the same
// list has it, and it has had it long enough.
type gate struct {
	rules  []gateRule // by SignalIndex; nil where there is none
	states []gateState
}

type gateRule struct {
	on      bool
	state   SignalIndex
	raw     map[uint64]bool // patterns of the named word
	alone   []SignalIndex   // the other corners' states
	settled time.Duration
}

// gateState is a state signal's last pattern and since when it has it.
type gateState struct {
	raw   uint64
	since capture.Stamp
	at    capture.Stamp
	valid bool
	pace  Rhythm
}

// newGate returns the gate of the signals, nil where none has a `valid_while`.
func newGate(signals []Signal) *gate {
	byName := map[string]SignalIndex{}
	any := false
	for i := range signals {
		byName[signals[i].Name] = SignalIndex(i)
		any = any || signals[i].ValidWhile != nil
	}
	if !any {
		return nil
	}
	g := &gate{rules: make([]gateRule, len(signals)), states: make([]gateState, len(signals))}
	for i := range signals {
		w := signals[i].ValidWhile
		if w == nil {
			continue
		}
		r := gateRule{on: true, state: byName[w.Signal], raw: map[uint64]bool{}, settled: time.Duration(w.SettledNS)}
		for raw, word := range signals[r.state].States {
			r.raw[raw] = word == w.Equals
		}
		if w.Alone {
			r.alone = others(signals, byName, SignalIndex(i))
		}
		g.rules[i] = r
	}
	return g
}

// others returns the state signals of the other signals that share the sensor of i.
func others(signals []Signal, byName map[string]SignalIndex, i SignalIndex) []SignalIndex {
	var list []SignalIndex
	for k := range signals {
		w := signals[k].ValidWhile
		if SignalIndex(k) != i && w != nil && w.Signal != signals[i].ValidWhile.Signal && sameSensor(&signals[k], &signals[i]) {
			list = append(list, byName[w.Signal])
		}
	}
	return list
}

func sameSensor(a, b *Signal) bool { return a.Origin == b.Origin && a.Field == b.Field }

// holds follows state signals and reports whether a sample may pass.
func (g *gate) holds(signals []Signal, s Sample) bool {
	if g == nil {
		return true
	}
	if signals[s.Signal].States != nil {
		g.states[s.Signal].follow(s)
	}
	r := &g.rules[s.Signal]
	if !r.on {
		return true
	}
	state := &g.states[r.state]
	if !state.has(r.raw, s.At) || s.At.Sub(state.since) < r.settled {
		return false
	}
	for _, o := range r.alone {
		// A state that is not known may be open as well.
		if other := &g.states[o]; !other.fresh(s.At) || r.raw[other.raw] {
			return false
		}
	}
	return true
}

func (st *gateState) follow(s Sample) {
	if !st.valid || st.raw != s.Raw || s.Status != StatusValid {
		st.since = s.At
	}
	st.raw, st.at, st.valid = s.Raw, s.At, s.Status == StatusValid
	st.pace.Add(s.At)
}

func (st *gateState) fresh(at capture.Stamp) bool { return st.valid && st.pace.Fresh(at) }

func (st *gateState) has(raw map[uint64]bool, at capture.Stamp) bool {
	return st.fresh(at) && raw[st.raw]
}
