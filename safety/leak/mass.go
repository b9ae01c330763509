package leak

import (
	"math"

	"ridewitness/safety/airspring"
)

// massSlope is the regression of the air mass, kg/s, gained positive. Without a volume it is that
// of p/T, scaled so that it is exact with a volume of 1 m3.
type massSlope struct {
	slope
	kg       float64 // mean mass
	pressure slope   // of the absolute pressure, Pa/s
	steps    float64 // mass that one step of each signal stands for, for the test of the halves
}

// mass regresses the mass over the stretch.
func (s stretch) mass() massSlope {
	p := s.pressureSlope()
	rt := airspring.GasConstant * s.gas.kelvin
	if s.regime != Standing {
		return s.massFixedHeight(p, rt)
	}
	h := s.heightSlope()
	m3 := s.gas.volumeAt(h.at.x)
	perPa, perMM := m3/rt, p.at.x*s.gas.areaM2/1000/rt
	still := math.Abs(p.slope) <= p.half()
	pMeans, hMeans := s.means(pressureOf, s.gas.ambientPa+s.w.pressure.origin), s.means(heightOf, s.w.height.origin)
	means := make([]point, len(hMeans))
	for i, hm := range hMeans {
		pa := p.at.x
		if !still {
			pa = pMeans[i].x
		}
		means[i] = point{hm.t, pa * s.gas.volumeAt(hm.x) / rt}
	}
	m := massSlope{slope: slope{fit: straight(means, 0)}, kg: p.at.x * m3 / rt, pressure: p}
	m.step, m.steps = perMM*h.step, perMM*s.w.height.q()
	m.err, m.noise = m.se, tQuantile*m.se
	err := perMM * h.err
	if !still {
		m.step += perPa * p.step
		m.steps += perPa * s.w.pressure.q()
		err = math.Hypot(err, perPa*p.err)
	}
	m.consider(err)
	return m
}

// massFixedHeight is the mass where the height is fixed: it goes as the pressure.
func (s stretch) massFixedHeight(p slope, rt float64) massSlope {
	m3 := 1.0
	if s.gas.volumeKnown {
		m3 = s.gas.volumeAt(s.heightMean())
	}
	k := m3 / rt
	m := massSlope{slope: p, kg: p.at.x * k, pressure: p, steps: k * s.w.pressure.q()}
	m.fit.slope, m.se, m.err, m.noise, m.step = k*p.fit.slope, k*p.se, k*p.err, k*p.noise, k*p.step
	m.at.x = m.kg
	return m
}

// heightMean returns the mean height over the stretch, or else over the whole window: a part of it in
// which no height came has the volume of the rest.
func (s stretch) heightMean() float64 {
	b := s.part(0, 1)
	if b.height.n == 0 {
		return s.gas.meanMM
	}
	return b.height.mean().x + s.w.height.origin
}

// settled compares the slopes of the two halves: while the gas still takes its wall's temperature,
// the first is steeper. A leak that decays with the pressure is steeper too, by slope^2/p for
// choked flow and up to three times that for laminar flow; that much is no sign of settling. The
// error is that of the block means alone: correlation can't be told from settling.
func (s stretch) settled() bool {
	first, second := s.half(0).mass(), s.half(1).mass()
	w := s.seconds() / 2
	bend := 0.0
	if first.kg > 0 {
		whole := (first.fit.slope + second.fit.slope) / 2
		bend = -whole * whole / first.kg * w
	}
	share := 2 * undithered
	if s.dithered(s.main()) {
		share = ditheredShare
	}
	allowed := tQuantile*math.Hypot(first.se, second.se) + share*first.steps/w
	difference := first.fit.slope - second.fit.slope
	return math.Abs(difference-1.5*bend) <= allowed+1.5*math.Abs(bend)
}

// main is the signal that carries the answer in the stretch's regime.
func (s stretch) main() pick {
	if s.regime == Standing {
		return heightOf
	}
	return pressureOf
}
