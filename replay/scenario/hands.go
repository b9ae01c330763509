package scenario

// Places of lift and jack that touch nothing, m over design height.
const (
	liftDown = -0.3
	jackAway = 0.3
)

// mover goes to a height at a speed: the lift, or the jack under a wheel. Heights say how far the
// corner is open, so a jack that lifts a wheel moves down.
type mover struct {
	now, target float64 // m over design height
	speed       float64 // m/s
}

// place puts the mover somewhere at once.
func (m *mover) place(height float64) { m.now, m.target = height, height }

// goTo sets where it goes.
func (m *mover) goTo(height, speed float64) { m.target, m.speed = height, speed }

// arrived reports whether it stands still.
func (m *mover) arrived() bool { return m.now == m.target }

// step returns the place and speed for the coming tick and moves there.
func (m *mover) step() support {
	start, furthest := m.now, float64(m.speed*tickSeconds)
	switch way := m.target - m.now; {
	case way > furthest:
		m.now += furthest
	case way < -furthest:
		m.now -= furthest
	default:
		m.now = m.target
	}
	return support{height: start, rate: (m.now - start) / tickSeconds}
}

// weather is the temperature of the surroundings, in degC: constant, or on its way to another.
type weather struct {
	temperature float64
	target      float64
	from, over  int64 // ns; over 0: it stays
}

// turnTo begins a change at a time, which takes `over` nanoseconds.
func (w *weather) turnTo(target float64, now, over int64) {
	*w = weather{temperature: w.at(now), target: target, from: now, over: over}
}

// at returns the temperature at a time.
func (w *weather) at(now int64) float64 {
	if w.over == 0 {
		return w.temperature
	}
	share := min(float64(now-w.from)/float64(w.over), 1)
	return w.temperature + float64((w.target-w.temperature)*share)
}

// engine turns at cranking speed, then at idle. Speeds are those of a small petrol engine [common
// practice: cranking 100 to 250 rpm, idle from 500].
type engine struct {
	running  bool
	cranking float64 // s left
	speed    float64 // rpm
}

const (
	crankingTime  = 0.9
	crankingSpeed = 210
	idleSpeed     = 760
	engineLag     = 0.4 // s
)

func (e *engine) start() { e.running, e.cranking = true, crankingTime }
func (e *engine) stop()  { e.running = false }

// turn moves the engine on by a step.
func (e *engine) turn(seconds float64) {
	goal := 0.0
	switch {
	case !e.running:
	case e.cranking > 0:
		e.cranking -= seconds
		goal = crankingSpeed
	default:
		goal = idleSpeed
	}
	e.speed += float64((goal - e.speed) * (seconds / engineLag))
	if goal == 0 && e.speed < 30 {
		e.speed = 0
	}
}

// voltage returns what the battery shows, V.
func (r *Run) voltage() float64 {
	v := 12.4
	switch {
	case r.engine.speed > 500:
		v = 14.1
	case r.engine.running:
		v = 10.4
	}
	if r.compressor {
		v -= 0.3
	}
	for _, one := range r.valves {
		if one.passes() {
			v -= 0.05
		}
	}
	return v
}

// valve is the control unit's pair of valves of one corner, and what a fault makes of it.
type valve struct {
	filling, bleeding bool
	venting           bool // a fault: the unit's own will
	stuck             stuck
}

// stuck says how a valve is stuck.
type stuck uint8

const (
	moves stuck = iota
	stuckClosed
	stuckOpen // the bleeding one
)

// passes is what the control unit reports. It knows what it asked for, not what the valve does.
func (v valve) passes() bool { return v.filling || v.bleeding || v.venting }

// supply returns the opening from the reservoir.
func (v valve) supply(o orifice) orifice {
	if v.filling && v.stuck == moves {
		return o
	}
	return orifice{}
}

// vent returns the opening to the surroundings.
func (v valve) vent(o orifice) orifice {
	if v.stuck == stuckOpen || (v.bleeding || v.venting) && v.stuck == moves {
		return o
	}
	return orifice{}
}
