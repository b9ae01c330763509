package leak

import (
	"math"

	"ridewitness/safety/airspring"
)

// maxBlocks bounds a window's memory. When it is full, neighbours are merged and sub-blocks last
// twice as long: between 120 and 240 of them hold a window of any length.
const maxBlocks = 240

// Settling after air was moved, s: the gas takes the temperature of its wall with 5 to 60 s, and
// 300 s leave at most 0.2 ml/min of a warm fill (computed).
const (
	settleSmall = 180.0
	settleLarge = 300.0
	largeM3     = 5e-3
)

// block is a stretch of the window.
type block struct {
	pressure, height stat
	wall             mean // temperature of the air around, low-passed, K
	barometer        mean // Pa
}

// mean is a mean that can be merged.
type mean struct{ n, sum float64 }

func (m *mean) add(v float64) { m.n++; m.sum += v }

func (m *mean) merge(o mean) { m.n += o.n; m.sum += o.sum }

func (b *block) merge(o *block) {
	b.pressure.merge(&o.pressure)
	b.height.merge(&o.height)
	b.wall.merge(o.wall)
	b.barometer.merge(o.barometer)
}

// Window collects the samples of one corner. Its memory is bounded whatever its length. Times are
// seconds on any clock that does not step back. It is not for concurrent use.
type Window struct {
	setup    Setup
	started  bool
	from     float64 // samples count from here on
	blockS   float64 // length of a sub-block
	blocks   []block
	pressure track
	height   track
	ambient  ambient
}

// New returns a window that has seen nothing. The start of a recording counts as air just moved.
func New(setup Setup) *Window {
	if !(setup.SettleS > 0) || math.IsInf(setup.SettleS, 0) {
		setup.SettleS = settleSmall
		if setup.Spring.VolumeM3 > largeM3 {
			setup.SettleS = settleLarge
		}
	}
	w := &Window{setup: setup}
	w.pressure.step, w.height.step = atLeastZero(setup.StepPa), atLeastZero(setup.StepMM)
	return w
}

// atLeastZero turns a step that can't be into an unknown one.
func atLeastZero(v float64) float64 {
	if finite(v) {
		return max(v, 0)
	}
	return 0
}

// Restart says that at the time s air was moved, or that somebody lifted or let down the vehicle,
// opened a line, drove: nothing before it counts any more, and the settling begins anew. What was
// learnt of sensors and of the temperature stays.
func (w *Window) Restart(s float64) {
	if !aTime(s) {
		return
	}
	w.started = true
	w.from = s + w.setup.SettleS
	w.blockS = 1
	w.blocks = w.blocks[:0]
	w.pressure.restart(s)
	w.height.restart(s)
	w.ambient.restart(s)
}

// Pressure adds a gauge pressure. What can't be is counted and left out: not finite, stepping back
// in time, at or below vacuum.
func (w *Window) Pressure(s, gaugePa float64) {
	if gaugePa <= -airspring.StandardPressurePa {
		gaugePa = math.NaN()
	}
	if b := w.add(&w.pressure, s, gaugePa); b != nil {
		w.pressure.keep(&b.pressure, s-w.from, gaugePa, w.pressure.learn(s, gaugePa))
	}
}

// Height adds a height in mm, measured from what Conditions.Height will say.
func (w *Window) Height(s, mm float64) {
	if b := w.add(&w.height, s, mm); b != nil {
		w.height.keep(&b.height, s-w.from, mm, w.height.learn(s, mm))
	}
}

// add checks a sample and returns the sub-block it belongs to, nil when it does not count.
func (w *Window) add(k *track, s, v float64) *block {
	if !w.started && aTime(s) {
		w.Restart(s)
	}
	if !k.check(s, v) {
		return nil
	}
	if s < w.from {
		k.learn(s, v)
		k.bad, k.dropped = 0, 0
		return nil
	}
	return w.blockAt(s)
}

// Ambient adds a temperature of the air around, K.
func (w *Window) Ambient(s, kelvin float64) {
	if w.ambient.add(s, kelvin) && w.started && s >= w.from {
		w.blockAt(s).wall.add(w.ambient.wallK)
	}
}

// Barometer adds a pressure of the air around, Pa.
func (w *Window) Barometer(s, absolutePa float64) {
	if aTime(s) && absolutePa > 30e3 && absolutePa < 120e3 && w.started && s >= w.from {
		w.blockAt(s).barometer.add(absolutePa)
	}
}

// blockAt returns the sub-block of a time in the window, and merges as often as it takes. A signal
// that lags behind another falls into an earlier one.
func (w *Window) blockAt(s float64) *block {
	i := (s - w.from) / w.blockS
	for i >= maxBlocks {
		w.halve()
		i = (s - w.from) / w.blockS
	}
	for len(w.blocks) <= int(i) {
		w.blocks = append(w.blocks, block{})
	}
	return &w.blocks[int(i)]
}

// halve merges the sub-blocks in pairs.
func (w *Window) halve() {
	n := (len(w.blocks) + 1) / 2
	for i := range n {
		b := w.blocks[2*i]
		if 2*i+1 < len(w.blocks) {
			b.merge(&w.blocks[2*i+1])
		}
		w.blocks[i] = b
	}
	w.blocks = w.blocks[:n]
	w.blockS *= 2
}
