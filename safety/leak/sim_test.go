package leak

import (
	"math"
	"math/rand/v2"

	"ridewitness/safety/airspring"
)

// The invented springs of the examples: a passenger car's and a heavy vehicle's.
var (
	car   = airspring.Spring{VolumeM3: 2.2e-3, AreaM2: 98e-4, MotionRatio: 1, MotionKnown: true}
	heavy = airspring.Spring{VolumeM3: 18e-3, AreaM2: 320e-4, MotionRatio: 1, MotionKnown: true}
)

// bench makes readings of one spring with a known leak. It shares nothing with the estimator but
// the gas constant, which is ISO 2533's, and nothing with the simulator of sessions.
type bench struct {
	spring   airspring.Spring
	standing bool
	mlMin    float64 // true leak at the start, ANR; it falls with the absolute pressure

	seconds, hz     float64
	noisePa, noiseS float64 // pressure noise: standard deviation and time constant; 0 s is white
	stepPa          float64
	noiseMM, stepMM float64
	warmPa, warmS   float64                 // excess of a warm fill, and the gas-to-wall time constant
	gasK            func(t float64) float64 // gas temperature; nil: 293.15 K
	ambientK        func(t float64) float64 // what the temperature signal says; nil: no signal
	ambientBefore   float64                 // s of temperature recorded before the restart
	settle          float64                 // 0: samples count from the first on
	others          []Trend
	driven          bool
	limit           float64
	startPa         float64 // absolute; 0: 420 767 Pa hanging, 570 713 Pa standing
	heightMM        float64 // hanging height; 0: 80 mm
	noHeight        bool
}

// feed runs the bench into a window.
func (b bench) feed(rng *rand.Rand) (w *Window, trueMlMin float64) {
	settle := b.settle
	if settle == 0 {
		settle = 1e-9
	}
	w = New(Setup{Spring: b.spring, StepPa: b.stepPa, StepMM: b.stepMM, SettleS: settle})
	return w, b.into(w, rng)
}

// into feeds a window and returns the mean of the true leak over the time, ml/min ANR.
func (b bench) into(w *Window, rng *rand.Rand) (trueMlMin float64) {
	gas := b.gasK
	if gas == nil {
		gas = func(float64) float64 { return 293.15 }
	}
	pa, mm := 420767.0, 80.0
	if b.standing {
		pa, mm = 570713, 0
	}
	if b.startPa > 0 {
		pa = b.startPa
	}
	area := b.spring.AreaM2
	m3 := b.spring.VolumeM3 + area*mm/1000
	kg := pa * m3 / (287.05287 * gas(0))
	phase := rng.Float64() // where the reading lies within its step
	b.before(w, pa, phase)
	dt := 1 / b.hz
	leakS := b.mlMin * 1.185e-3 / 60e3 / pa // kg/(s Pa)
	noiseP, noiseH := newNoise(b.noisePa, b.noiseS, dt, rng), newNoise(b.noiseMM, b.noiseS, dt, rng)
	truePa := pa
	nextAmbient, kg0 := 0.0, kg
	for i := 0; float64(i)*dt <= b.seconds; i++ {
		t := float64(i) * dt
		if b.standing {
			mm = (kg*287.05287*gas(t)/truePa - b.spring.VolumeM3) / area * 1000
		} else {
			truePa = kg * 287.05287 * gas(t) / m3
		}
		kg -= leakS * truePa * dt
		warm := b.warmPa * math.Exp(-t/max(b.warmS, 1))
		w.Pressure(t, rounded(truePa-101325+warm+noiseP.next(), b.stepPa, phase))
		if !b.noHeight {
			w.Height(t, rounded(mm+noiseH.next(), b.stepMM, phase))
		}
		if b.ambientK != nil && t >= nextAmbient {
			w.Ambient(t, b.ambientK(t))
			w.Barometer(t, 101325)
			nextAmbient += 10
		}
	}
	return (kg0 - kg) / b.seconds / 1.185e-3 * 60e3
}

// before gives the window the time before the check: the temperature so far, and a pressure that
// moved, as it does when a spring is filled.
func (b bench) before(w *Window, pa, phase float64) {
	start := -b.ambientBefore - 20
	w.Restart(start)
	for t := start; t < 0; t += 10 {
		if b.ambientK != nil {
			w.Ambient(t, b.ambientK(t))
		}
		w.Pressure(t, rounded(pa-101325+t/10*b.stepPa, b.stepPa, phase))
		w.Height(t, rounded(t/10*b.stepMM, b.stepMM, phase))
	}
	w.Restart(-1e-9)
}

func rounded(v, step, phase float64) float64 {
	if step == 0 {
		return v
	}
	return (math.Round(v/step+phase) - phase) * step
}

// noise is white, or first-order autoregressive with a time constant.
type noise struct {
	sd, r, x float64
	rng      *rand.Rand
}

func newNoise(sd, tau, dt float64, rng *rand.Rand) *noise {
	n := &noise{sd: sd, rng: rng}
	if tau > 0 {
		n.r = math.Exp(-dt / tau)
	}
	n.x = sd * rng.NormFloat64()
	return n
}

func (n *noise) next() float64 {
	n.x = n.r*n.x + n.sd*math.Sqrt(1-n.r*n.r)*n.rng.NormFloat64()
	return n.x
}

func (b bench) conditions() Conditions {
	c := Conditions{Regime: Hanging, Height: OverDesign, LimitMlMin: b.limit, Others: b.others, Driven: b.driven}
	if b.standing {
		c.Regime = Standing
	}
	return c
}

func (b bench) estimate(rng *rand.Rand) (e Estimate, trueMlMin float64) {
	w, trueMlMin := b.feed(rng)
	return w.Evaluate(b.conditions()), trueMlMin
}
