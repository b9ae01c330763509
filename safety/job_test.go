package safety

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/decode/quantity"
	"ridewitness/safety/jobcard"
)

// world is a small vehicle of its own: four springs of 2.2 L and 98 cm2, closed or open, gas that
// keeps its temperature (p V = const, Boyle), a lift that moves every corner in a straight line. It
// shares no code with what it tests.
type world struct {
	now    float64
	height [5]float64 // mm over design, by corner
	air    [5]float64 // bar absolute times litres
	open   [5]bool
	truth  [5]float64 // bar gauge in the spring when the lift last began to lower
	steps  []step
	next   [8]float64 // when each signal is due
	every  [8]float64
	noiseH float64
	noiseP float64
	chance *rand.Rand
}

const worldTick = 0.05

func newWorld(every [8]float64, noiseH, noiseP float64, seed uint64) *world {
	w := &world{every: every, noiseH: noiseH, noiseP: noiseP, chance: rand.New(rand.NewPCG(seed, 1))}
	for _, c := range decode.Corners {
		w.air[c] = (5.5 + 1.01325) * volume(0)
	}
	for i := range w.next {
		w.next[i] = w.every[i] * w.chance.Float64()
	}
	return w
}

// volume returns litres at a height in mm: 98 cm2 are 9.8 mL a millimetre.
func volume(mm float64) float64 { return 2.2 + 0.0098*mm }

func (w *world) gauge(c decode.Corner) float64 { return w.air[c]/volume(w.height[c]) - 1.01325 }

// wait lets time pass; each is called with the time step before every tick.
func (w *world) wait(seconds float64, each func(dt float64)) {
	for end := w.now + seconds; w.now < end; w.now += worldTick {
		if each != nil {
			each(worldTick)
		}
		for _, c := range decode.Corners {
			if w.open[c] {
				w.air[c] = 1.01325 * volume(w.height[c])
			}
		}
		w.sample()
	}
}

func (w *world) sample() {
	for i, c := range decode.Corners {
		w.emit(2*i, w.height[c]+w.noiseH*w.chance.NormFloat64(), 0.1)
		w.emit(2*i+1, w.gauge(c)+w.noiseP*w.chance.NormFloat64(), 0.01)
	}
}

func (w *world) emit(signal int, v, grain float64) {
	if w.now < w.next[signal] {
		return
	}
	w.next[signal] += w.every[signal]
	v = math.Round(v/grain) * grain
	s := &decode.Sample{At: stampAt(w.now), Value: v, Raw: uint64(int64(math.Round(v / grain))), Signal: decode.SignalIndex(signal), Status: decode.StatusValid, Packet: uint64(len(w.steps) + 1)}
	w.steps = append(w.steps, step{at: s.At, sample: s})
}

// move brings corners to a height over design at mm/s.
func (w *world) move(to, speed float64, corners ...decode.Corner) {
	from := w.height
	seconds := math.Abs(to-from[corners[0]]) / speed
	gone := 0.0
	w.wait(seconds, func(dt float64) {
		gone = min(gone+dt, seconds)
		for _, c := range corners {
			w.height[c] = from[c] + (to-from[c])*gone/seconds
		}
	})
	for _, c := range corners {
		w.height[c] = to
	}
}

// pump changes the air of a corner until its gauge pressure is there.
func (w *world) pump(c decode.Corner, bar, barPerSecond float64) {
	seconds := math.Abs(bar-w.gauge(c)) / barPerSecond
	from := w.gauge(c)
	gone := 0.0
	w.wait(seconds, func(dt float64) {
		gone = min(gone+dt, seconds)
		w.air[c] = (from + (bar-from)*gone/seconds + 1.01325) * volume(w.height[c])
	})
}

func (w *world) mark(name string, c decode.Corner) {
	tl := timeline{steps: w.steps}
	tl.mark(w.now, c, name)
	w.steps = tl.steps
}

// lower notes the truth and brings the body down.
func (w *world) lower(to, speed float64) {
	for _, c := range decode.Corners {
		w.truth[c] = w.gauge(c)
	}
	w.move(to, speed, decode.Corners[:]...)
}

// worldSignals are height and pressure of each corner in turn.
func worldSignals() []decode.Signal {
	var all []decode.Signal
	for _, c := range decode.Corners {
		all = append(all,
			decode.Signal{Name: c.String() + "-height", Corner: c, Quantity: decode.Height, Unit: quantity.Millimetre, Scale: 0.1, Reference: decode.Design, Place: "world", Field: decode.Field{Mask: 1}},
			decode.Signal{Name: c.String() + "-pressure", Corner: c, Quantity: decode.Pressure, Unit: quantity.Bar, Scale: 0.01, Reference: decode.Gauge, Place: "world", Field: decode.Field{Mask: 1}})
	}
	return all
}

const worldCard = `version: 1
springs:
  all: {corners: [front-left, front-right, rear-left, rear-right], volume: 2.2 L, effective_area: 98 cm2, least_pressure: 1 bar, greatest_pressure: 12 bar}
`

// judged is a session of the world and what came of it.
type judged struct {
	findings []Finding
	alarms   []Finding
}

func (w *world) judge(t require.TestingT) judged {
	card, err := jobcard.Load("card.yaml", []byte(worldCard))
	require.NoError(t, err)
	var out judged
	j := NewJudge(worldSignals(), card, nil)
	j.Alarm = func(f Finding) { out.alarms = append(out.alarms, f) }
	for i := range w.steps {
		w.steps[i].feed(j)
	}
	j.Finish()
	out.findings = j.Findings()
	return out
}

// outcome returns the worst that a rule says of a corner, "absent" where it says nothing.
func (d judged) outcome(rule *Rule, c decode.Corner) string {
	for _, f := range d.findings { // worst first
		if f.Rule == rule && f.Corner == c {
			return f.Outcome.String()
		}
	}
	return "absent"
}

// audible are the rules that sound by themselves (HAZARDS H10).
var audible = []*Rule{loweredWithoutPressure, loweredWithNoFillSeen, lineOpenedUnderPressure, overPressure, movedUnasked}

// rung returns the alarms of the rules that sound.
func (d judged) rung() []Finding {
	return slices.DeleteFunc(slices.Clone(d.alarms), func(f Finding) bool { return !slices.Contains(audible, f.Rule) })
}

// drawWorld draws rates and noise.
func drawWorld(t *rapid.T) *world {
	var every [8]float64
	for i := range every {
		every[i] = rapid.SampledFrom([]float64{0.05, 0.1, 0.2, 0.5, 1, 2}).Draw(t, "every")
	}
	return newWorld(every, rapid.SampledFrom([]float64{0, 0.1, 0.3}).Draw(t, "height noise"),
		rapid.SampledFrom([]float64{0, 0.01, 0.02}).Draw(t, "pressure noise"), rapid.Uint64().Draw(t, "seed"))
}

// TestRandomJobsNeverHoldOnAnEmptyCorner plays jobs in which corners are bled and perhaps not filled
// again. None that came down below its least pressure is ever held.
func TestRandomJobsNeverHoldOnAnEmptyCorner(t *testing.T) {
	empty := 0
	rapid.Check(t, func(rt *rapid.T) {
		w := drawWorld(rt)
		w.wait(25, nil)
		w.move(80, rapid.Float64Range(5, 40).Draw(rt, "raise mm/s"), decode.Corners[:]...)
		w.wait(20, nil)
		for _, c := range decode.Corners {
			drawWork(rt, w, c)
		}
		w.wait(rapid.Float64Range(1, 30).Draw(rt, "wait"), nil)
		w.lower(rapid.SampledFrom([]float64{0, -40}).Draw(rt, "down to"), rapid.Float64Range(1.5, 120).Draw(rt, "lower mm/s"))
		w.wait(25, nil)
		d := w.judge(rt)
		for _, c := range decode.Corners {
			if w.truth[c] >= 1 {
				continue
			}
			empty++
			for _, r := range []*Rule{loweredWithoutPressure, stoodWithoutPressure} {
				require.NotEqual(rt, "held", lastOutcome(d, r, c), "%s: %.2f bar", c, w.truth[c])
			}
		}
	})
	require.Greater(t, empty, 50)
}

// lastOutcome is outcome, but what a rule held of the time before the lift is no matter here.
func lastOutcome(d judged, r *Rule, c decode.Corner) string {
	if r == stoodWithoutPressure {
		for _, f := range d.findings {
			if f.Rule == r && f.Corner == c && f.Outcome == Held && f.End < stampAt(60) {
				return "held before"
			}
		}
	}
	return d.outcome(r, c)
}

// drawWork draws what is done to one corner on the lift.
func drawWork(t *rapid.T, w *world, c decode.Corner) {
	if !rapid.Bool().Draw(t, "serviced") {
		return
	}
	w.pump(c, rapid.Float64Range(0, 0.2).Draw(t, "bled to"), rapid.Float64Range(0.2, 2).Draw(t, "bar/s"))
	w.wait(5, nil)
	if rapid.Bool().Draw(t, "line") {
		w.mark(MarkLineOpen, c)
		w.open[c] = true
		w.wait(12, nil)
		w.open[c] = rapid.Bool().Draw(t, "forgotten")
		if !w.open[c] {
			w.mark(MarkLineClosed, c)
		}
	}
	if rapid.Bool().Draw(t, "jack") {
		w.mark(MarkJack, c)
		w.wait(1, nil)
		w.move(20, 15, c)
		w.wait(5, nil)
		w.move(80, 15, c)
		w.wait(6, nil)
	}
	if rapid.Bool().Draw(t, "filled") && !w.open[c] {
		w.pump(c, rapid.Float64Range(0.2, 4).Draw(t, "filled to"), rapid.Float64Range(0.1, 1).Draw(t, "fill bar/s"))
		w.wait(3, nil)
	}
}

// properJob plays a job as it should be: bled one after the other in two steps, lines opened and
// closed, filled in three steps with a jack in between, settled, lowered.
func properJob(w *world, marks bool, settle, speed float64) {
	mark := func(name string, c decode.Corner) {
		if marks {
			w.mark(name, c)
		}
	}
	w.wait(30, nil)
	w.move(80, 20, decode.Corners[:]...)
	w.wait(20, nil)
	for _, c := range []decode.Corner{decode.RearLeft, decode.RearRight} {
		w.pump(c, 1.5, 0.3)
		w.wait(8, nil)
		w.pump(c, 0, 0.2)
		w.wait(40, nil)
		mark(MarkLineOpen, c)
		w.open[c] = true
		w.wait(60, nil)
		w.open[c] = false
		mark(MarkLineClosed, c)
		w.wait(10, nil)
		w.pump(c, 0.4, 0.1)
		w.wait(10, nil)
		mark(MarkJack, c)
		w.move(0, 20, c)
		w.wait(20, nil)
		w.pump(c, 1.5, 0.1)
		w.wait(10, nil)
		w.move(80, 20, c)
		w.wait(20, nil)
		w.pump(c, 3.2, 0.1)
		w.wait(10, nil)
		mark(MarkFilled, c)
	}
	w.wait(settle, nil)
	mark(MarkGoingDown, decode.NoCorner)
	w.lower(0, speed)
	w.wait(30, nil)
	mark(MarkLowered, decode.NoCorner)
	w.wait(5, nil)
}

// TestRandomProperJobsAreNeverBlamed plays proper jobs at every rate, with and without marks.
func TestRandomProperJobsAreNeverBlamed(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		w := drawWorld(rt)
		properJob(w, rapid.Bool().Draw(rt, "marks"), rapid.Float64Range(0, 300).Draw(rt, "settle"), rapid.Float64Range(3, 60).Draw(rt, "lower mm/s"))
		d := w.judge(rt)
		require.Empty(rt, d.rung())
		for _, f := range d.findings {
			if f.Rule.Severity == Danger {
				require.NotEqual(rt, Broken, f.Outcome, f.Summary)
			}
		}
	})
}

// FuzzJudge feeds samples, marks and talk in any order, with any values and stamps. Nothing may
// panic, and nothing may grow without bound.
func FuzzJudge(f *testing.F) {
	f.Add([]byte{0, 1, 2, 3, 4, 5, 6, 7, 8, 9})
	f.Add([]byte("a mark, a sample, and another one: nothing in order"))
	f.Fuzz(func(t *testing.T, data []byte) {
		card, err := jobcard.Load("card.yaml", []byte(worldCard))
		require.NoError(t, err)
		j := NewJudge(worldSignals(), card, []string{"not-tight"})
		at := timelineStart
		for i := 0; i+4 <= len(data); i += 4 {
			op, a, b, c := data[i], data[i+1], data[i+2], data[i+3]
			at += capture.Stamp(int8(b)) * 250e6
			fuzzStep(j, at, op, a, c)
		}
		j.Finish()
		for _, finding := range j.Findings() {
			require.NotEmpty(t, finding.Summary, finding.Rule.Name)
		}
		require.LessOrEqual(t, len(j.vehicle.marks.all), maxMarks)
		for _, p := range j.passes {
			require.LessOrEqual(t, len(p.verdicts), maxVerdicts+1)
		}
	})
}

func fuzzStep(j *Judge, at capture.Stamp, op, a, c byte) {
	if op < 200 {
		value := float64(c)/10 - 5
		if a%2 == 0 {
			value = float64(c) - 100
		}
		status := decode.StatusValid
		if op > 190 {
			status = [...]decode.Status{decode.StatusInvalid, decode.StatusOutOfRange}[op%2]
		}
		j.Observe([]decode.Sample{{At: at, Value: value, Raw: uint64(c), Signal: decode.SignalIndex(a % 8), Status: status}})
		return
	}
	tl := timeline{}
	kind := MarkKinds[int(a)%len(MarkKinds)]
	name := kind.Name
	switch name {
	case MarkTape:
		name += "=391 mm"
	case MarkTakeBack:
		name += "=J1"
	}
	tl.mark(at.Sub(timelineStart).Seconds(), decode.Corner(c%5), name)
	j.Event(*tl.steps[0].event)
}

// TestHostileMarksStayBounded sets more marks than anybody would, all at once.
func TestHostileMarksStayBounded(t *testing.T) {
	w := newWorld([8]float64{0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1}, 0, 0, 1)
	w.wait(1, nil)
	j := NewJudge(worldSignals(), nil, nil)
	for i := range w.steps {
		w.steps[i].feed(j)
	}
	tl := timeline{}
	for _, k := range []string{MarkLineOpen, MarkTape + "=391 mm", MarkLiftUp, MarkLowered, MarkTightened, MarkGoingDown} {
		tl.steps = nil
		tl.mark(2, decode.RearLeft, k)
		for range maxMarks / 4 {
			tl.steps[0].feed(j)
		}
	}
	j.Finish()
	require.Len(t, j.vehicle.marks.all, maxMarks)
	require.Positive(t, j.vehicle.marks.dropped)
	for _, p := range j.passes {
		require.LessOrEqual(t, len(p.verdicts), maxVerdicts, p.Rule.Name)
		require.LessOrEqual(t, len(p.asking), maxMarks, p.Rule.Name)
	}
	for _, c := range decode.Corners {
		ties := &j.vehicle.corners[c].ties
		require.LessOrEqual(t, len(ties.done)+len(ties.pending), maxTies)
	}
	require.LessOrEqual(t, len(j.Stages()), maxStages)
}
