package scenario

import (
	"fmt"
	"strings"

	"ridewitness/capture"
	"ridewitness/decode"
)

// when is the moment of a fault: a time after the start, or a time after a moment of the job.
type when struct {
	moment string // "": the start
	after  int64  // ns
	given  bool
}

// fault is something wrong, with a size and a time.
type fault struct {
	kind     *faultKind
	corner   decode.Corner
	with     decode.Corner
	quantity decode.Quantity
	size     float64 // in the kind's unit
	state    string
	bus      int // -1: every bus
	from     when
	until    when

	begun, over bool
}

// faultKind is one kind of fault.
type faultKind struct {
	name  string
	about string
	takes []string // keys besides kind, from and until; all have to be given unless in `may`
	may   []string
	unit  string // of its size
	words func(f *fault) string
	set   func(r *Run, f *fault, on bool)
}

// faultKinds is the list: a new kind is one entry.
var faultKinds = []*faultKind{
	{name: "leak", about: "a corner loses air; the size holds at its standing pressure",
		takes: []string{"corner", "size"}, unit: "ml/min",
		words: func(f *fault) string { return fmt.Sprintf("%s leaks %g ml/min", f.corner, f.size) },
		set:   setLeak},
	{name: "cross-flow", about: "air passes from one corner to another; the size holds at their standing pressures",
		takes: []string{"corner", "with", "size"}, unit: "ml/min",
		words: func(f *fault) string {
			return fmt.Sprintf("%g ml/min pass between %s and %s", f.size, f.corner, f.with)
		},
		set: setCrossFlow},
	{name: "stuck-valve", about: "a corner's valve stays closed, or open to the surroundings, whatever is asked",
		takes: []string{"corner", "state"},
		words: func(f *fault) string { return fmt.Sprintf("the valve of %s is stuck %s", f.corner, f.state) },
		set: func(r *Run, f *fault, on bool) {
			how := map[string]stuck{"closed": stuckClosed, "open": stuckOpen}[f.state]
			if !on {
				how = moves
			}
			r.valves[indexOf(f.corner)].stuck = how
		}},
	{name: "weak-compressor", about: "the compressor delivers only a share",
		takes: []string{"size"}, unit: "%",
		words: func(f *fault) string { return fmt.Sprintf("the compressor delivers %g %%", f.size) },
		set:   func(r *Run, f *fault, on bool) { r.weak = choose(on, f.size/100, 1) }},
	{name: "shifted-linkage", about: "a height sensor's linkage has moved; the body has not",
		takes: []string{"corner", "size"}, unit: "mm",
		words: func(f *fault) string { return fmt.Sprintf("the height sensor of %s reads %+g mm", f.corner, f.size) },
		set:   func(r *Run, f *fault, on bool) { r.heights[indexOf(f.corner)].shift = choose(on, f.size, 0) }},
	{name: "dead-sensor", about: "a sensor's frames stay away; an axle's heights share a frame",
		takes: []string{"corner", "quantity"}, words: sensorWords("sends nothing"), set: setCondition(dead)},
	{name: "frozen-sensor", about: "a sensor's frames go on with the last value",
		takes: []string{"corner", "quantity"}, words: sensorWords("is frozen"), set: setCondition(frozen)},
	{name: "invalid-sensor", about: "a sensor's frames say that there is no value",
		takes: []string{"corner", "quantity"}, words: sensorWords("says it has no value"), set: setCondition(broken)},
	{name: "swapped-corners", about: "two corners' sensors are mixed up",
		takes: []string{"corner", "with", "quantity"},
		words: func(f *fault) string {
			return fmt.Sprintf("the %ss of %s and %s are swapped", f.quantity, f.corner, f.with)
		},
		set: setSwap},
	{name: "wrong-unit", about: "a sensor's values are too large by a factor, as in another unit",
		takes: []string{"corner", "quantity", "size"},
		words: func(f *fault) string {
			return fmt.Sprintf("the %s of %s is sent %g times too large", f.quantity, f.corner, f.size)
		},
		set: func(r *Run, f *fault, on bool) { r.sensorOf(f).factor = choose(on, f.size, 1) }},
	{name: "absolute-pressures", about: "the pressures are sent as absolute ones, the definitions say gauge",
		words: func(*fault) string { return "pressures are sent as absolute ones under a gauge definition" },
		set: func(r *Run, _ *fault, on bool) {
			for i := range r.pressures {
				r.pressures[i].shift = choose(on, r.vehicle.in.outside.pressure/1e5, 0)
			}
		}},
	{name: "lost-frames", about: "the capture loses a share of the frames, and counts them",
		takes: []string{"size"}, may: []string{"bus"}, unit: "%",
		words: func(f *fault) string { return fmt.Sprintf("%g %% of the frames%s are lost", f.size, onBus(f.bus)) },
		set: func(r *Run, f *fault, on bool) {
			n := &r.network
			n.lossy, n.lossBus, n.lossPart = on, f.bus, f.size/100
		}},
	{name: "gap", about: "nothing is recorded, and nobody counts what is missing",
		words: func(*fault) string { return "nothing is recorded" },
		set:   func(r *Run, _ *fault, on bool) { r.network.unseen = on }},
	{name: "silent-tester", about: "the tester's heartbeat stops; the unit leaves its session after 5 s",
		words: func(*fault) string { return "the tester's heartbeat is lost" },
		set:   func(r *Run, _ *fault, on bool) { r.tester.silent = on }},
	{name: "refused-request", about: "the control unit refuses to start a routine at a corner",
		takes: []string{"corner"},
		words: func(f *fault) string { return fmt.Sprintf("requests for %s are refused", f.corner) },
		set:   func(r *Run, f *fault, on bool) { r.tester.refuses[indexOf(f.corner)] = on }},
	{name: "unasked-bleed", about: "the control unit lets air out of a corner that nobody asked it to bleed",
		takes: []string{"corner"},
		words: func(f *fault) string { return fmt.Sprintf("the control unit bleeds %s by itself", f.corner) },
		set:   func(r *Run, f *fault, on bool) { r.valves[indexOf(f.corner)].venting = on }},
	{name: "short-fill", about: "the hands stop filling a corner at a pressure, and go on with the job: it comes down too early",
		takes: []string{"corner", "size"}, unit: "bar",
		words: func(f *fault) string {
			return fmt.Sprintf("%s is filled to %g bar only, and comes down too early", f.corner, f.size)
		}},
}

// Kind is a kind of fault for whoever writes a scenario.
type Kind struct {
	Name  string
	About string   // one line
	Keys  []string // that have to be given besides kind, from and until
}

// FaultKinds returns the kinds of faults, in the order in which they are explained best.
func FaultKinds() []Kind {
	list := make([]Kind, len(faultKinds))
	for i, k := range faultKinds {
		list[i] = Kind{k.name, k.about, k.takes}
	}
	return list
}

// choose returns one of two sizes.
func choose(on bool, size, normal float64) float64 {
	if on {
		return size
	}
	return normal
}

// sensorWords says what a sensor does.
func sensorWords(does string) func(*fault) string {
	return func(f *fault) string { return fmt.Sprintf("the %s sensor of %s %s", f.quantity, f.corner, does) }
}

func onBus(i int) string {
	if i < 0 {
		return ""
	}
	return " on " + busName(i)
}

// sentence says what is wrong and when.
func (f *fault) sentence() string {
	var b strings.Builder
	b.WriteString(f.kind.words(f))
	if f.from.given {
		b.WriteString(" from " + f.from.String())
	}
	if f.until.given {
		b.WriteString(" until " + f.until.String())
	}
	return b.String()
}

// String returns '00:12:00', 'lowering' or '00:00:05 after lowering'.
func (w when) String() string {
	if w.moment == "" {
		return clock(w.after)
	}
	if w.after == 0 {
		return w.moment
	}
	return clock(w.after) + " after " + w.moment
}

// clock writes a time after the start as hours, minutes and seconds.
func clock(ns int64) string {
	s := ns / 1e9
	return fmt.Sprintf("%02d:%02d:%02d", s/3600, s/60%60, s%60)
}

// reached reports whether w has come; one that was not given has come when `missing` says so.
func (r *Run) reached(w when, missing bool) bool {
	if !w.given {
		return missing
	}
	if w.moment == "" {
		return r.at >= w.after
	}
	for _, m := range r.moments {
		if m.name == w.moment {
			return r.at >= m.at+w.after
		}
	}
	return false
}

// switchFaults begins and ends faults at their time.
func (r *Run) switchFaults() {
	for i := range r.faults {
		f := &r.faults[i]
		if !f.begun && r.reached(f.from, true) {
			f.begun = true
			r.turn(f, true)
		}
		if f.begun && !f.over && r.reached(f.until, false) {
			f.over = true
			r.turn(f, false)
		}
	}
}

// turn switches one fault and says so.
func (r *Run) turn(f *fault, on bool) {
	if f.kind.set != nil {
		f.kind.set(r, f, on)
	}
	what := "fault begins"
	if !on {
		what = "fault ends"
	}
	r.tell(truth{What: what, Text: f.kind.words(f)})
}

// shortFill returns the pressure at which the hands stop filling corner i, in bar.
func (r *Run) shortFill(i int) (gauge float64, short bool) {
	for j := range r.faults {
		f := &r.faults[j]
		if f.kind.name == "short-fill" && f.begun && !f.over && indexOf(f.corner) == i {
			return f.size, true
		}
	}
	return 0, false
}

// leakCritical is the critical ratio of a leak: a hole, not a valve.
const leakCritical = 0.5

// setLeak opens a hole of the size that gives the wanted flow while the corner stands.
func setLeak(r *Run, f *fault, on bool) {
	i := indexOf(f.corner)
	v := r.vehicle
	if !on {
		v.in.leak[i] = orifice{}
		return
	}
	outside := v.in.outside
	unit := orifice{conductance: 1, critical: leakCritical}
	flow := unit.flow(v.springs[i].standingPressure(outside.pressure), outside.pressure, ratedTemperature)
	v.in.leak[i] = orifice{conductance: kgPerSecond(f.size) / flow, critical: leakCritical}
}

// setCrossFlow opens a way between two corners of the size that gives the wanted flow while both
// stand. The loader refuses corners that carry the same pressure: no way is wide enough there.
func setCrossFlow(r *Run, f *fault, on bool) {
	v := r.vehicle
	v.in.cross = orifice{}
	if !on {
		return
	}
	v.in.crossA, v.in.crossB = indexOf(f.corner), indexOf(f.with)
	ambient := v.in.outside.pressure
	a := v.springs[v.in.crossA].standingPressure(ambient)
	b := v.springs[v.in.crossB].standingPressure(ambient)
	unit := orifice{conductance: 1, critical: leakCritical}
	flow := unit.flow(max(a, b), min(a, b), ratedTemperature)
	v.in.cross = orifice{conductance: kgPerSecond(f.size) / flow, critical: leakCritical}
}

// sensorOf returns the sensor that a fault is about.
func (r *Run) sensorOf(f *fault) *sensor {
	if f.quantity == decode.Height {
		return &r.heights[indexOf(f.corner)]
	}
	return &r.pressures[indexOf(f.corner)]
}

func setCondition(c condition) func(*Run, *fault, bool) {
	return func(r *Run, f *fault, on bool) {
		s := r.sensorOf(f)
		s.condition = working
		if on {
			s.condition = c
		}
	}
}

// swap says whose value each sensor sees. The zero swap is none: a corner's own.
type swap struct{ height, pressure pair }

// pair is two corners that are mixed up.
type pair struct{ a, b decode.Corner }

// of returns the corner that corner i's sensor sees.
func (p pair) of(i int) int {
	switch decode.Corners[i] {
	case p.a:
		return indexOf(p.b)
	case p.b:
		return indexOf(p.a)
	}
	return i
}

func (s swap) heights(i int) int   { return s.height.of(i) }
func (s swap) pressures(i int) int { return s.pressure.of(i) }

func setSwap(r *Run, f *fault, on bool) {
	p := &r.swap.pressure
	if f.quantity == decode.Height {
		p = &r.swap.height
	}
	*p = pair{}
	if on {
		*p = pair{f.corner, f.with}
	}
}

var _ capture.Source = (*Run)(nil)
