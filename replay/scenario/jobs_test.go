package scenario

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ridewitness/capture"
)

// parts are steps and faults that are put together at random. The hardest are here: dropped on an
// empty spring, lines open over night, everything leaking at once.
var (
	someSteps = []string{
		"wait: 5 s", "wait: 20 s",
		"lift: {to: 300 mm, speed: 200 mm/s}", "lift: {to: -300 mm, speed: 200 mm/s}", "lift: {to: 20 mm, speed: 50 mm/s}",
		"jack: {corner: rear-left, to: -70 mm, speed: 200 mm/s}", "jack: {corner: rear-left, away: true, speed: 200 mm/s}",
		"bleed: {corner: rear-left, to: 0 bar, at_most: 40 s}", "bleed: {corner: front-right, to: 1 bar, at_most: 40 s}",
		"fill: {corner: rear-left, to: 9 bar, at_most: 40 s}", "fill: {corner: front-right, to: 3 bar, at_most: 40 s}",
		"open_line: rear-left", "close_line: rear-left", "renew: {corners: [rear-left], takes: 5 s}",
		"engine: on", "engine: off", "weather: {to: -20 degC, over: 10 min}",
		"level: {corners: [front-left, rear-left], at_most: 20 s}",
		"night: {takes: 20 min, wakes_every: 8 min, awake: 2 s}",
	}
	someFaults = []string{
		"{kind: leak, corner: rear-left, size: 20000 ml/min}",
		"{kind: cross-flow, corner: rear-left, with: rear-right, size: 20000 ml/min}",
		"{kind: stuck-valve, corner: front-right, state: open}",
		"{kind: unasked-bleed, corner: rear-right}",
		"{kind: weak-compressor, size: 0 %}",
	}
)

// Whatever is done in whatever order, the vehicle stays one: air has a mass, bodies rest between
// their stops, and every number is one.
func TestAnyJobStaysPhysical(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		steps := rapid.SliceOfN(rapid.SampledFrom(someSteps), 1, 8).Draw(t, "steps")
		faults := rapid.SliceOfNDistinct(rapid.SampledFrom(someFaults), 0, 3, rapid.ID).Draw(t, "faults")
		heat := rapid.SampledFrom([]string{"real", "none"}).Draw(t, "heat")
		text := head + "heat: " + heat + "\nsteps:\n  - " + strings.Join(steps, "\n  - ") + "\n"
		if len(faults) > 0 {
			text += "faults:\n  - " + strings.Join(faults, "\n  - ") + "\n"
		}
		s, err := Load("job.yaml", text)
		require.NoError(t, err)
		r, err := s.Open(1)
		require.NoError(t, err)
		r.out = capture.NewBatch()
		for !r.finished {
			r.out.Reset()
			r.proceed()
			checkPhysical(t, r)
		}
	})
}

func checkPhysical(t *rapid.T, r *Run) {
	for i := range r.vehicle.now.corner {
		a := &r.vehicle.now.corner[i]
		sane := a.mass > 0 && a.mass < 0.1 && a.gas > 150 && a.gas < 700 && a.wall > 200 && a.wall < 350 &&
			a.height > -0.13 && a.height < 0.13 && math.Abs(a.speed) < 5
		if !sane {
			t.Fatalf("%s: corner %d: %+v", clock(r.at), i, *a)
		}
	}
	if p := r.vehicle.tankGauge(); !(p > -1e3 && p < 20e5) {
		t.Fatalf("%s: reservoir at %g Pa", clock(r.at), p)
	}
}

// Air that is closed in goes nowhere, whatever moves.
func TestClosedAirStays(t *testing.T) {
	r := func() *Run {
		s, err := Load("job.yaml", head+`steps:
  - lift: {to: 300 mm, speed: 100 mm/s}
  - jack: {corner: rear-left, to: -40 mm}
  - jack: {corner: rear-left, away: true}
  - lift: {to: -300 mm, speed: 100 mm/s}
  - night: {takes: 1 h}
`)
		require.NoError(t, err)
		r, err := s.Open(1)
		require.NoError(t, err)
		return r
	}()
	before := r.vehicle.now
	play(t, r, func(*capture.Batch) {})
	for i := range before.corner {
		require.Equal(t, before.corner[i].mass, r.vehicle.now.corner[i].mass)
	}
}
