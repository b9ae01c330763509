package scenario

import (
	"context"
	"encoding/json"
	"io"

	"ridewitness/capture"
	"ridewitness/decode"
)

// A tick is how often hands, control unit and sensors act, and the longest step of the integrator.
// Tenths of a second would do for hands; the body on its stop needs 5 ms.
const (
	tick        = int64(5e6) // ns
	tickSeconds = 0.005
	// restTick is the step of a vehicle that stands in the yard with its buses asleep.
	restTick    = int64(1e9)
	restSeconds = 1.0
)

// frameNS is how long a frame keeps its bus busy: 8 bytes at 500 kbit/s with stuffing.
const frameNS = 230_000

// countersEvery is how often the capture says what it counted.
const countersEvery = int64(10e9)

// Run is one simulation. It implements capture.Source: buses by EventBus, frames, marks and truth
// by EventJournal, losses by EventLoss, counts by EventCounters every 10 s and at the end. The
// `session` record is left to whoever writes a file. Not safe for concurrent use.
type Run struct {
	scenario *Scenario
	vehicle  *vehicle
	at       int64 // ns since the start; frames before it are out
	parts    int   // integrator steps per tick

	heights   [corners]sensor // mm, hub to wheel arch
	pressures [corners]sensor // bar gauge
	supply    sensor          // bar gauge
	valves    [corners]valve
	engine    engine
	lift      mover
	jacks     [corners]mover
	tester    tester
	weather   weather

	ignition   bool
	compressor bool
	lines      [corners]bool // open
	swap       swap
	weak       float64
	network    network
	electric   stream

	steps    []step // those to come
	task     task   // the one at work
	moments  []moment
	faults   []fault
	begun    bool
	resting  bool
	finished bool

	out *capture.Batch
}

// task is a step at work; it is asked once a tick and says whether it is done.
type task func(r *Run) bool

// moment is a named point in time that has been reached.
type moment struct {
	name string
	at   int64
}

// newRun puts the vehicle on its wheels and the network to work.
func newRun(s *Scenario, seed uint64) *Run {
	outside := gas{pressure: s.barometer, temperature: zeroCelsius + s.temperature}
	r := &Run{
		scenario: s,
		vehicle:  newVehicle(wagon, outside, s.isothermal),
		parts:    1,
		ignition: true,
		weak:     1,
		electric: newStream(seed, "electric"),
		steps:    s.steps,
		faults:   append([]fault(nil), s.faults...),
	}
	r.lift.place(liftDown)
	for i := range r.jacks {
		r.jacks[i].place(jackAway)
	}
	r.weather.temperature = s.temperature
	r.tester.random = newStream(seed, "tester")
	r.fitSensors(seed)
	r.network.open(wagonMessages(s.pressures), s.traffic, seed)
	return r
}

// fitSensors gives each sensor its own small error and its own noise.
func (r *Run) fitSensors(seed uint64) {
	for i, c := range decode.Corners {
		h := sensor{field: wagonHeight, lag: 0.1, noise: 0.15, keep: 0.5, factor: 1}
		h.random = newStream(seed, "height "+c.String())
		h.offset = float64(0.4 * h.random.gauss())
		r.heights[i] = h
		p := sensor{field: wagonPressure, lag: 0.2, noise: 0.003, keep: 0.6, factor: 1}
		p.random = newStream(seed, "pressure "+c.String())
		p.offset = float64(0.01 * p.random.gauss())
		r.pressures[i] = p
	}
	r.supply = sensor{field: wagonReservoir, lag: 0.2, noise: 0.004, keep: 0.6, factor: 1}
	r.supply.random = newStream(seed, "reservoir")
	r.watch(1)
	for i := range r.heights {
		r.heights[i].last = r.heights[i].raw(r.heights[i].followed)
		r.pressures[i].last = r.pressures[i].raw(r.pressures[i].followed)
	}
}

// Definitions returns the signal definitions of the vehicle (YAML).
func (r *Run) Definitions() string { return r.scenario.Definitions() }

// Card returns the job card (YAML).
func (r *Run) Card() string { return r.scenario.Card() }

// Next implements capture.Source.
func (r *Run) Next(ctx context.Context, into *capture.Batch) error {
	into.Reset()
	if err := ctx.Err(); err != nil {
		return err
	}
	if cap(into.Frames) == 0 {
		into.Frames = make([]capture.Frame, 0, capture.BatchFrames)
	}
	r.out = into
	for ticks := 1; !r.network.emit(r) && !r.finished; ticks++ {
		r.proceed()
		if ticks%patience == 0 && ctx.Err() != nil {
			break
		}
	}
	if len(into.Frames) > 0 || len(into.Events) > 0 {
		return nil
	}
	if r.finished {
		return io.EOF
	}
	return ctx.Err()
}

// patience is how many silent ticks go by until Next looks whether anybody still waits: some
// milliseconds of computing.
const patience = 4096

// stamp returns the session time of a number of nanoseconds after the start.
func (r *Run) stamp(at int64) capture.Stamp { return r.scenario.start + capture.Stamp(at) }

// proceed goes on by one tick: what people and units do at its start, then what the vehicle does
// during it. Frames due within it are sent afterwards, with what the sensors show at its start.
func (r *Run) proceed() {
	if r.begun {
		r.move()
	} else {
		r.begin()
	}
	r.switchFaults()
	r.follow()
	r.operate()
	if r.resting || r.finished {
		return
	}
	r.network.upTo = r.at + tick
	r.count()
}

// begin says what buses there are and what is wrong.
func (r *Run) begin() {
	r.begun = true
	for i := range r.network.buses {
		r.event(capture.Event{Kind: capture.EventBus, Bus: capture.BusID(i), Name: busName(i)})
	}
	for i := range r.faults {
		r.tell(truth{What: "fault", Text: r.faults[i].sentence()})
	}
}

// follow lets the hands go on with the job: step after step, until one of them takes time.
func (r *Run) follow() {
	for !r.finished {
		if r.task != nil && !r.task(r) {
			return
		}
		if len(r.steps) == 0 {
			r.finish()
			return
		}
		r.task = r.steps[0].begin(r)
		r.steps = r.steps[1:]
	}
}

// finish ends the run with the last truth and the last counts.
func (r *Run) finish() {
	r.task = nil
	r.finished = true
	r.tell(r.portrait("end"))
	r.network.flush(r)
	r.network.report(r)
}

// move takes the vehicle and its sensors through one tick.
func (r *Run) move() {
	if r.resting {
		r.at += restTick
		r.vehicle.rest(restSeconds)
		r.watch(restSeconds)
		return
	}
	r.at += tick
	for range r.parts {
		r.vehicle.advance(tickSeconds / float64(r.parts))
	}
	r.engine.turn(tickSeconds)
	r.watch(tickSeconds)
}

// watch lets the sensors follow what they measure.
func (r *Run) watch(seconds float64) {
	for i := range r.heights {
		from := r.swap.heights(i)
		r.heights[i].follow(r.archHeight(from), seconds)
		r.pressures[i].follow(r.vehicle.gauge(r.swap.pressures(i))/1e5, seconds)
	}
	r.supply.follow(r.vehicle.tankGauge()/1e5, seconds)
}

// archHeight is what a tape would show at corner i, in mm.
func (r *Run) archHeight(i int) float64 {
	return r.vehicle.springs[i].series + float64(1000*r.vehicle.now.corner[i].height)
}

// operate sets what acts on the vehicle during the next tick.
func (r *Run) operate() {
	in := &r.vehicle.in
	in.outside.temperature = zeroCelsius + r.weather.at(r.at)
	lift := r.lift.step()
	for i := range r.valves {
		in.held[i] = r.supportOf(i, lift, r.jacks[i].step())
		in.fill[i] = r.valves[i].supply(r.vehicle.fill)
		in.bleed[i] = r.valves[i].vent(r.vehicle.bleed)
		if r.lines[i] {
			in.bleed[i], in.fill[i] = r.vehicle.openLine, orifice{}
		}
	}
	r.runCompressor()
	r.tester.keepUp(r)
}

// supportOf returns what holds corner i from below: the lift's arm, the jack under the wheel where
// that closes the corner further, and never beyond the droop at which the wheel hangs free.
func (r *Run) supportOf(i int, lift, jack support) support {
	sp := &r.vehicle.springs[i]
	lift.height += sp.arm
	return lift.lowest(jack).lowest(support{height: sp.droop})
}

// runCompressor keeps the reservoir between its two pressures while the ignition is on.
func (r *Run) runCompressor() {
	gauge := r.vehicle.tankGauge()
	switch {
	case !r.ignition || gauge >= r.vehicle.tank.cutOut:
		r.compressor = false
	case gauge < r.vehicle.tank.cutIn:
		r.compressor = true
	}
	r.vehicle.in.compressor = 0
	if r.compressor {
		r.vehicle.in.compressor = r.weak
	}
}

// count reports at its time what the capture counted, while there is a capture.
func (r *Run) count() {
	if r.at >= r.network.reportAt && !r.network.unseen {
		r.network.report(r)
		r.network.reportAt = r.at - r.at%countersEvery + countersEvery
	}
}

// event adds an event at this time.
func (r *Run) event(e capture.Event) {
	e.At = r.stamp(r.at)
	e.Index = len(r.out.Frames)
	r.out.Events = append(r.out.Events, e)
}

// journal adds a record to the journal.
func (r *Run) journal(kind string, body any) {
	text, err := json.Marshal(body)
	if err != nil {
		// Records are structs of texts and finite numbers; the physics yields no others.
		panic("scenario: journal record: " + err.Error())
	}
	r.event(capture.Event{Kind: capture.EventJournal, Name: kind, Body: text})
}
