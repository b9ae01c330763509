package safety

import (
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/safety/airspring"
	"ridewitness/safety/jobcard"
)

// The numbers by which the Vehicle reads its signals. Each stands in RULES.md with where it comes
// from; those that a job card may override are in limit.go.
const (
	stillFor      = 5 * time.Second  // a height that keeps within stillRange that long hangs, or stands, still
	stillRange    = 1.0              // mm
	stillRangeMax = 3.0              // mm, for a noisy sensor
	levelBand     = 1.0              // mm; within it of the level a corner still hangs
	openBy        = 20.0             // mm; two corners that open by it make a raise
	together      = 10 * time.Second // corners that move within it move together
	returnBand    = 2.0              // mm; back within it of its level a corner hangs again
	axleBand      = 5.0              // mm; within it of hanging, the other axle excuses a jack
	jackFor       = 10 * time.Minute
	restFor       = 3 * time.Second // still that long after two corners closed by closedBy: standing
	closedBy      = 20.0            // mm
	nearDesign    = 40.0            // mm; all heights within it of design and no raise: standing
	standingSpeed = 3.0             // km/h
	standingRate  = 2.0             // mm/s; while standing only a closing this fast is one

	pressureLag = 500 * time.Millisecond // of a pressure signal behind the spring
	p0Oldest    = 60 * time.Second       // an older pressure proves nothing, not even "broken"
	slowClosing = 2 * time.Second        // a closing seen later than that after it began is slow

	airRate      = 0.03 // bar/s over 1 s
	airRateSpan  = time.Second
	airNoise     = 4.0             // standard deviations of its noise; a pressure must change by more to move
	airHeight    = 3.0             // mm; the height that an air move may change
	airApart     = 2 * time.Second // stretches less than that apart belong together
	airAfter     = 3 * time.Second // no air move that soon after a raise or a closing
	airStepLeast = 0.1             // bar; a smaller stretch is no step
	airMoveLeast = 0.3             // bar; a smaller change in all is neither bleed nor fill

	largeSpring  = 5e-3 // m3; above it the gas takes longer to settle
	largeSettle  = 300.0
	warmShare    = 0.25 // of the last fill step, taken off while the gas is warm
	zeroAfter    = 10 * time.Second
	zeroBand     = 0.1              // bar
	seaLevel     = 1.01325          // bar, ISO 2533 at sea level
	seaLevelU    = 0.04             // bar, weather and some altitude (from memory)
	sleepFrom    = 5 * time.Second  // a silence of every bus that long, after 'ignition off', is a bus asleep
	sleepEdge    = 10 * time.Second // by which signals may stop earlier and come back later than the bus
	beyond       = 1.5              // times the greatest pressure: no spring has that, so the signal is wrong
	outsideFor   = 2                // samples outside `valid` in a row that contradict a signal
	risePart     = 1.0 / 3          // of the isothermal rise; less than that is no pressure of this spring
	defaultU     = 0.05             // bar, common practice, no source
	defaultHU    = 0.3              // mm, within one recording; common practice, no source
	tapeU        = 1.0              // mm, common practice, no source
	tieSpan      = 2 * time.Second
	tieAgree     = 3.0 // mm
	tieNearest   = 1.0 // mm
	contactClear = 1.5 // seconds of rest before the pressure at rest is read
)

// corner is what is known of one corner of the vehicle.
type corner struct {
	id       decode.Corner
	height   *sensor
	pressure *sensor
	spring   *jobcard.Spring
	onAir    bool
	circuit  []decode.Corner // others that share its air

	heightNoise   noise
	pressureNoise noise

	still     bool
	rest      float64 // mean height of the last stretch in which it was still, mm
	restKnown bool
	inRest    Reading // last height within the band of rest

	level      float64 // highest still height since the last raise, mm
	levelKnown bool
	unsteady   bool // the level was never still: good for "broken" only
	opened     bool // opened in the last raise, or a mark said that it hangs
	openStart  Reading
	opening    bool
	low, peak  float64 // before a raise, and highest in it, mm

	cand    candidate
	closing *Closing
	lastEnd capture.Stamp // when a closing of this corner ended

	air    airTrack
	before Reading // the last pressure
	ties   tieTrack

	lineOpen    *Mark
	zeroAt      capture.Stamp // when the zero is to be tested; 0: not
	zeroTested  bool          // a pressure was tested with its line open
	lowest      Reading       // lowest valid pressure since the last bleed began
	lowestKnown bool
	provenAt    capture.Stamp // last time it was seen at or above its least pressure
	bledAt      capture.Stamp // last time it was bled, or its line opened
}

// candidate is the moment that would be T0 if the corner began to close now.
type candidate struct {
	at  Reading
	p0  Pressure0
	raw uint64
	ok  bool
}

func (c *corner) band() float64 { return max(levelBand, 3*c.sigmaHeight()) }

func (c *corner) sigmaHeight() float64 { return c.heightNoise.sigma(c.height.q) }

// closingBy is how far below its level a corner must be to be closing, in mm.
func (c *corner) closingBy(limit float64) float64 { return max(limit, 6*c.sigmaHeight()) }

// stillness says whether the height kept still over d up to now, and its mean.
func (c *corner) stillness(now capture.Stamp, d time.Duration) (bool, float64) {
	const fewest = 4
	least, greatest, mean, n, reach := c.height.recent.over(now.Add(-d), fewest)
	allowed := min(max(stillRange, 6*c.sigmaHeight()), stillRangeMax)
	return reach && n >= fewest && greatest.v-least.v <= allowed, mean
}

// p0Before returns the pressure that counts if the corner began to close at `at`: the last valid
// one before it, less the height's period and the pressure's own lag.
func (c *corner) p0Before(at capture.Stamp, settle float64) Pressure0 {
	p := c.pressure
	if p == nil || !p.seen {
		return Pressure0{}
	}
	cut := at.Add(-c.height.rhythm.Period() - pressureLag)
	pt, ok := p.recent.before(cut)
	if !ok {
		return Pressure0{}
	}
	limit := p.rhythm.Limit()
	warm, unseen := c.air.warm(at, settle)
	return Pressure0{
		Reading: pt.r,
		Known:   true,
		Fresh:   cut.Sub(pt.at) <= limit && at.Sub(p.last.At) <= limit && p.bad == 0,
		Age:     at.Sub(pt.at).Seconds(),
		Warm:    warm,
		Unseen:  unseen,
	}
}

// settle is how long the gas of this corner's spring may stay warm after a fill, in seconds.
func (c *corner) settle(limit Threshold) float64 {
	if limit.From == "default" && c.spring != nil && c.spring.Volume.Known && c.spring.Volume.Value > largeSpring {
		return largeSettle
	}
	return limit.Value
}

// gas returns the corner's spring as the equations want it; the zero Spring knows nothing.
func (c *corner) gas() airspring.Spring {
	s := c.spring
	if s == nil {
		return airspring.Spring{}
	}
	g := airspring.Spring{MotionRatio: s.MotionRatio.Value, MotionKnown: s.MotionRatio.Known}
	if s.Volume.Known {
		g.VolumeM3 = s.Volume.Value
	}
	if s.Area.Known {
		g.AreaM2 = s.Area.Value
	}
	return g
}
