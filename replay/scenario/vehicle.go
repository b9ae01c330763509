package scenario

import "ridewitness/decode"

// corners is how many corners a vehicle has; index i is decode.Corners[i].
const corners = len(decode.Corners)

// indexOf returns the index of a corner; c must be one of decode.Corners.
func indexOf(c decode.Corner) int { return int(c) - 1 }

// spring is one corner: its air spring, the share of the body it carries, and how far it travels.
// Heights are metres over design height.
type spring struct {
	volume float64 // m3 at design height, lines included
	area   float64 // m2, dV/dh as the height sees it
	load   float64 // N at standstill
	droop  float64 // m, wheel hanging
	bump   float64 // m, on its stop
	series float64 // mm, hub to wheel arch at design height
	before float64 // mm, the same when the job begins
	arm    float64 // m, how much earlier its lift arm touches than the lift's own height says
}

// Stiffness and damping of what holds the body when the air does not. The stops are rubber, the
// lift is steel that gives two millimetres under a corner's load. Invented, of the usual size.
const (
	stopStiffness = 3e5 // N/m, bump and rebound stop
	liftStiffness = 2e6 // N/m
	grip          = 4   // s/m, how much more a stop or an arm pushes while it is being pressed
	damper        = 3e3 // N s/m
)

// contact is the force of a stop or an arm that is pressed in by a depth (m) which grows at a speed
// (m/s). Its damping grows with the depth, so that touching is soft: a force that jumps within a
// step would cost the integrator its order.
func contact(stiffness, depth, speed float64) float64 {
	if depth <= 0 {
		return 0
	}
	return float64(stiffness * depth * max(1+float64(grip*speed), 0))
}

// volumeAt returns the volume in m3 at a height.
func (s *spring) volumeAt(height float64) float64 { return s.volume + float64(s.area*height) }

// standingPressure is the absolute pressure in Pa that carries the corner.
func (s *spring) standingPressure(ambient float64) float64 { return ambient + s.load/s.area }

// support is what carries the body or lifts a wheel from below: how high the corner would be held,
// in metres over design height, and how fast that changes. The rate holds for a whole step, so that
// a lift starts and stops on the boundary of one.
type support struct{ height, rate float64 }

// after returns the support a time later.
func (u support) after(seconds float64) support {
	u.height += float64(u.rate * seconds)
	return u
}

// lowest returns what holds a corner during a tick when the second of two supports closes it
// further.
func (u support) lowest(other support) support {
	start := min(u.height, other.height)
	end := min(u.after(tickSeconds).height, other.after(tickSeconds).height)
	return support{height: start, rate: (end - start) / tickSeconds}
}

// push returns the upward force on the body in N, the weight included.
func (s *spring) push(a *air, gauge float64, held support) float64 {
	force := float64(gauge*s.area) - s.load - float64(damper*a.speed)
	force += contact(stopStiffness, s.bump-a.height, -a.speed)
	force -= contact(stopStiffness, a.height-s.droop, a.speed)
	force += contact(liftStiffness, held.height-a.height, held.rate-a.speed)
	return force
}

// tank is the reservoir with its compressor.
type tank struct {
	volume      float64 // m3
	delivery    float64 // kg/s into an empty tank
	stall       float64 // Pa gauge at which the compressor delivers nothing
	cutIn       float64 // Pa gauge
	cutOut      float64 // Pa gauge
	settle      float64 // s, gas to wall
	beginsGauge float64 // Pa
}

// build is a vehicle as it was made.
type build struct {
	springs  [corners]spring
	tank     tank
	fill     orifice // reservoir to spring
	bleed    orifice // spring to surroundings
	openLine orifice
	gasTime  float64 // s, gas to wall of a spring
	wallTime float64 // s, wall to surroundings
}

// air is the state of one corner.
type air struct {
	mass   float64 // kg
	gas    float64 // K
	wall   float64 // K
	height float64 // m over design height
	speed  float64 // m/s, upwards
}

// state is everything that the integrator moves.
type state struct {
	corner   [corners]air
	tankMass float64 // kg
	tankGas  float64 // K
}

// plus returns s + k d.
func (s *state) plus(d *state, k float64) state {
	r := *s
	for i := range r.corner {
		c, dc := &r.corner[i], &d.corner[i]
		c.mass += float64(k * dc.mass)
		c.gas += float64(k * dc.gas)
		c.wall += float64(k * dc.wall)
		c.height += float64(k * dc.height)
		c.speed += float64(k * dc.speed)
	}
	r.tankMass += float64(k * d.tankMass)
	r.tankGas += float64(k * d.tankGas)
	return r
}

// controls is what the world does to the vehicle. They hold still for a whole step: read anew at
// each stage of a step, a valve that opens in it would cost hundreds of pascals.
type controls struct {
	fill       [corners]orifice
	bleed      [corners]orifice // valve or open line to the surroundings
	leak       [corners]orifice
	cross      orifice // between crossA and crossB
	crossA     int
	crossB     int
	held       [corners]support
	compressor float64 // share of the rated delivery, 0 while off
	outside    gas
}

// vehicle is a vehicle in motion.
type vehicle struct {
	build
	isothermal bool // gas and wall always have the temperature of the surroundings
	now        state
	in         controls
}

// corner returns the gas in spring i in state s.
func (v *vehicle) corner(s *state, i int) gas {
	a := &s.corner[i]
	return gas{pressureOf(a.mass, a.gas, v.springs[i].volumeAt(a.height)), a.gas}
}

// tankGas returns the gas in the reservoir in state s.
func (v *vehicle) reservoir(s *state) gas {
	return gas{pressureOf(s.tankMass, s.tankGas, v.tank.volume), s.tankGas}
}

// gauge returns the pressure in spring i over the surroundings, Pa.
func (v *vehicle) gauge(i int) float64 { return v.corner(&v.now, i).pressure - v.in.outside.pressure }

// tankGauge returns the reservoir's pressure over the surroundings, Pa.
func (v *vehicle) tankGauge() float64 { return v.reservoir(&v.now).pressure - v.in.outside.pressure }

// flows sums what passes through every opening in state s.
func (v *vehicle) flows(s *state) (x [corners]exchange, reservoir exchange) {
	var outside exchange
	var inside [corners]gas
	supply := v.reservoir(s)
	for i := range inside {
		inside[i] = v.corner(s, i)
		v.in.fill[i].pass(supply, inside[i], &reservoir, &x[i])
		v.in.bleed[i].pass(inside[i], v.in.outside, &x[i], &outside)
		v.in.leak[i].pass(inside[i], v.in.outside, &x[i], &outside)
	}
	a, b := v.in.crossA, v.in.crossB
	v.in.cross.pass(inside[a], inside[b], &x[a], &x[b])

	if v.in.compressor > 0 {
		back := (supply.pressure - v.in.outside.pressure) / v.tank.stall
		q := float64(max(v.in.compressor*v.tank.delivery*(1-back), 0))
		reservoir.in += q
		reservoir.heat += float64(q * v.in.outside.temperature)
	}
	return x, reservoir
}

// rates returns the time derivative of state s, `seconds` into the step.
func (v *vehicle) rates(s *state, seconds float64) state {
	x, reservoir := v.flows(s)
	var d state
	for i := range d.corner {
		sp, a := &v.springs[i], &s.corner[i]
		held := v.in.held[i].after(seconds)
		gauge := v.corner(s, i).pressure - v.in.outside.pressure
		d.corner[i] = air{
			mass:   x[i].in - x[i].out,
			height: a.speed,
			speed:  sp.push(a, gauge, held) * gravity / sp.load,
		}
		if !v.isothermal {
			d.corner[i].gas = v.gasRate(sp, a, x[i])
			d.corner[i].wall = (v.in.outside.temperature - a.wall) / v.wallTime
		}
	}
	d.tankMass = reservoir.in - reservoir.out
	if !v.isothermal {
		d.tankGas = reservoir.warming(s.tankMass, s.tankGas) -
			(s.tankGas-v.in.outside.temperature)/v.tank.settle
	}
	return d
}

// gasRate returns dT/dt of a spring's gas: what flows, what the moving wall does, and what the
// wall takes.
func (v *vehicle) gasRate(sp *spring, a *air, x exchange) float64 {
	work := (heatRatio - 1) * a.gas * sp.area * a.speed / sp.volumeAt(a.height)
	return x.warming(a.mass, a.gas) - work - (a.gas-a.wall)/v.gasTime
}

// advance moves the vehicle by one step of the classic Runge-Kutta method of fourth order.
func (v *vehicle) advance(seconds float64) {
	half := seconds / 2
	s := v.now
	k1 := v.rates(&s, 0)
	s2 := s.plus(&k1, half)
	k2 := v.rates(&s2, half)
	s3 := s.plus(&k2, half)
	k3 := v.rates(&s3, half)
	s4 := s.plus(&k3, seconds)
	k4 := v.rates(&s4, seconds)
	s = s.plus(&k1, seconds/6)
	s = s.plus(&k2, seconds/3)
	s = s.plus(&k3, seconds/3)
	v.now = s.plus(&k4, seconds/6)
	v.hold()
	for i := range v.in.held {
		v.in.held[i] = v.in.held[i].after(seconds)
	}
}

// hold puts all gas at the temperature of the surroundings where the scenario wants no heat.
func (v *vehicle) hold() {
	if !v.isothermal {
		return
	}
	for i := range v.now.corner {
		v.now.corner[i].gas = v.in.outside.temperature
		v.now.corner[i].wall = v.in.outside.temperature
	}
	v.now.tankGas = v.in.outside.temperature
}

// rest moves a vehicle that stands still by a long step, seconds to a minute: gas has its wall's
// temperature, and each corner lies where its forces balance. A wide opening needs shorter parts.
func (v *vehicle) rest(seconds float64) {
	parts := int(seconds*v.haste()) + 1
	for range parts {
		v.restPart(seconds / float64(parts))
	}
}

// haste returns the greatest haste of all openings.
func (v *vehicle) haste() float64 {
	most := 0.0
	for i := range v.springs {
		a := &v.now.corner[i]
		volume := v.springs[i].volumeAt(a.height)
		for _, o := range [...]orifice{v.in.bleed[i], v.in.leak[i], v.in.fill[i], v.in.cross} {
			most = max(most, o.haste(volume, a.gas))
		}
	}
	return most
}

func (v *vehicle) restPart(seconds float64) {
	x, reservoir := v.flows(&v.now)
	warm := min(seconds/v.wallTime, 1)
	for i := range v.now.corner {
		a := &v.now.corner[i]
		a.mass += float64((x[i].in - x[i].out) * seconds)
		a.wall += float64((v.in.outside.temperature - a.wall) * warm)
		a.gas = a.wall
		v.balance(i)
	}
	v.now.tankMass += float64((reservoir.in - reservoir.out) * seconds)
	v.now.tankGas = v.in.outside.temperature
	v.hold()
}

// balance puts corner i where the forces on it add up to nothing. They fall steadily with height,
// so halving the interval finds the place: fifty halvings of a metre are a femtometre.
func (v *vehicle) balance(i int) {
	sp, a := &v.springs[i], v.now.corner[i]
	a.speed = 0
	low, high := sp.bump-0.1, sp.droop+0.1
	for range 50 {
		a.height = (low + high) / 2
		gauge := pressureOf(a.mass, a.gas, sp.volumeAt(a.height)) - v.in.outside.pressure
		if sp.push(&a, gauge, v.in.held[i]) > 0 {
			low = a.height
		} else {
			high = a.height
		}
	}
	v.now.corner[i] = a
}

// newVehicle returns a vehicle that stands at rest in surroundings, each corner at its height
// before the job.
func newVehicle(b build, outside gas, isothermal bool) *vehicle {
	v := &vehicle{build: b, isothermal: isothermal}
	v.in.outside = outside
	t := outside.temperature
	for i := range v.springs {
		sp := &v.springs[i]
		v.in.held[i].height = -1
		height := (sp.before - sp.series) / 1000
		mass := massOf(sp.standingPressure(outside.pressure), t, sp.volumeAt(height))
		v.now.corner[i] = air{mass: mass, gas: t, wall: t, height: height}
	}
	v.now.tankGas = t
	v.now.tankMass = massOf(outside.pressure+b.tank.beginsGauge, t, b.tank.volume)
	return v
}

// renew puts a new spring, with nothing but the surrounding air in it, into corner i.
func (v *vehicle) renew(i int) {
	a := &v.now.corner[i]
	t := v.in.outside.temperature
	a.gas, a.wall = t, t
	a.mass = massOf(v.in.outside.pressure, t, v.springs[i].volumeAt(a.height))
}
