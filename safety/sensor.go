package safety

import (
	"slices"
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/decode/quantity"
)

// Reading is one sample in the unit that the rules count in: bar gauge, mm, 1/min, km/h, V, degC,
// bar absolute for the barometer. For a signal with states Value is the raw pattern.
type Reading struct {
	At       capture.Stamp
	Packet   uint64
	Value    float64
	Source   float64 // as defined, in the definition's unit
	Raw      uint64
	Valid    bool
	Status   decode.Status
	Corner   decode.Corner
	Quantity decode.Quantity
	sensor   *sensor
}

// State returns the word of a signal with states, "" for any other.
func (r Reading) State() string {
	if r.sensor == nil {
		return ""
	}
	return r.sensor.signal.States[r.Raw]
}

// evidence returns r as something a finding can rest on.
func (r Reading) evidence() Evidence {
	if r.sensor == nil {
		return Evidence{At: r.At}
	}
	s := r.sensor.signal
	return Evidence{At: r.At, Signal: s.Name, Value: r.Source, Unit: s.Unit.Name, State: r.State(),
		Packet: r.Packet, Proof: r.sensor.proof()}
}

// span is a stretch in which a signal could not be relied on.
type span struct {
	from, to capture.Stamp
	why      Reason
}

// maxSpans bounds what is kept of one signal's bad stretches. Past it everything from the last one
// on counts as bad, which can only turn "held" into "cannot tell".
const maxSpans = 512

// sensor follows one signal: its last valid reading, its rhythm, its last seconds, and the
// stretches in which it was stale or invalid.
type sensor struct {
	signal *decode.Signal
	u      float64 // one standard deviation, in the rules' unit
	q      float64 // the signal's step, in the rules' unit
	scale  float64 // definition's unit to the rules' unit
	unit   quantity.Unit

	last    Reading // last valid one
	seen    bool    // a valid reading came
	first   capture.Stamp
	rhythm  decode.Rhythm
	recent  recent
	heard   capture.Stamp // last sample of any status
	badFrom capture.Stamp // first of the invalid samples since the last valid one
	bad     int
	spans   []span

	contradicted   bool
	contradictedAt capture.Stamp
	contradiction  string // one sentence
	mixedUp        bool   // its values are true, but may be those of another corner
	outside        int    // samples outside `valid` in a row
}

func (s *sensor) proof() decode.Proof {
	if s.contradicted {
		return decode.Contradicted
	}
	return s.signal.Proof
}

// add takes a sample and reports whether it is a valid one. It returns the gap before it in which
// nothing could be known, zero where there was none.
func (s *sensor) add(r Reading) (gap span, valid bool) {
	if s.heard == 0 {
		s.first = r.At
	}
	s.heard = r.At
	if !r.Valid {
		if s.bad == 0 {
			s.badFrom = r.At
		}
		s.bad++
		return span{}, false
	}
	if s.seen {
		if r.At.Sub(s.last.At) > s.rhythm.Gap() {
			gap = span{from: s.last.At, to: r.At, why: Stale}
		}
		if s.bad > 0 {
			gap = span{from: s.last.At, to: r.At, why: Invalid}
		}
	} else if s.bad > 0 {
		gap = span{from: s.first, to: r.At, why: Invalid}
	}
	if gap.why != "" {
		s.note(s.blind(gap))
	}
	if gap.to != 0 && gap.why == Stale {
		// Nothing is worked out across a gap: the last seconds begin anew behind it.
		s.recent.reset()
	}
	s.bad, s.badFrom = 0, 0
	s.rhythm.Add(r.At)
	s.last, s.seen = r, true
	s.recent.push(point{r.At, r.Value, r})
	return gap, true
}

// blind returns the part of a gap in which nothing was known: a value is fresh for a while, and good
// until one comes that is not. So what held before more was recorded holds after (HAZARDS H16).
func (s *sensor) blind(gap span) span {
	if !s.seen {
		return gap
	}
	gap.from = gap.from.Add(s.rhythm.Limit())
	if gap.why == Invalid {
		gap.from = min(gap.from, s.badFrom)
	}
	return gap
}

func (s *sensor) note(g span) {
	if len(s.spans) == maxSpans {
		last := &s.spans[maxSpans-1]
		last.to = g.to
		return
	}
	s.spans = append(s.spans, g)
}

// fresh reports whether the last valid reading is young enough at the time at.
func (s *sensor) fresh(at capture.Stamp) bool {
	return s != nil && s.seen && s.bad == 0 && at.Sub(s.last.At) <= s.rhythm.Limit()
}

// unseen returns why the signal is not fresh at the time at, "" where it is.
func (s *sensor) unseen(at capture.Stamp) Reason {
	switch {
	case s.fresh(at):
		return ""
	case s == nil || s.heard == 0:
		return NoSignal
	case s.bad > 0:
		return Invalid
	}
	return Stale
}

// startsWithin is how late a signal may come for the first time without leaving a gap before it: the
// longest that a signal of any rhythm counts as fresh.
const startsWithin = 10 * time.Second

// whole returns "" when the signal was valid and fresh from one time to the other, and else why not.
// Stretches that asleep knows count only where there is no other reason.
func (s *sensor) whole(from, to capture.Stamp, asleep func(span) bool) Reason {
	if s == nil || s.heard == 0 {
		return NoSignal
	}
	if !s.seen {
		return Invalid
	}
	slept := Reason("")
	for _, g := range s.spans {
		if g.from >= to || g.to <= from {
			continue
		}
		if g.why != Stale || !asleep(g) {
			return g.why
		}
		slept = BusAsleep
	}
	switch {
	case len(s.spans) == maxSpans && to > s.spans[maxSpans-1].from:
		return Gap
	case s.bad > 0 && to > s.badFrom:
		return Invalid
	case to > s.last.At && to.Sub(s.last.At) > s.rhythm.Limit():
		if !asleep(span{from: s.last.At, to: to, why: Stale}) {
			return Stale
		}
		slept = BusAsleep
	}
	if s.first.Sub(from) > startsWithin {
		return Gap
	}
	return slept
}

// awake is for questions in which a bus that slept is no excuse.
func awake(span) bool { return false }

// contradict marks the signal as one that can't be true. The first reason stays.
func (s *sensor) contradict(at capture.Stamp, why string) {
	if s.contradicted {
		return
	}
	s.contradicted, s.contradictedAt, s.contradiction = true, at, why
}

// point is one reading kept for the last seconds.
type point struct {
	at capture.Stamp
	v  float64
	r  Reading
}

// recentSpacing is the least time between two kept readings: 128 of them reach back 6.4 s or more.
const recentSpacing = 50 * time.Millisecond

// recent is a ring of the last readings of a signal, thinned to recentSpacing.
type recent struct {
	pts  [128]point
	n    int // how many are kept
	next int
}

func (r *recent) reset() { r.n, r.next = 0, 0 }

// push keeps p and reports whether it did.
func (r *recent) push(p point) bool {
	if r.n > 0 && p.at.Sub(r.back(0).at) < recentSpacing {
		return false
	}
	r.pts[r.next] = p
	r.next = (r.next + 1) % len(r.pts)
	r.n = min(r.n+1, len(r.pts))
	return true
}

// back returns the reading i places before the last one.
func (r *recent) back(i int) *point {
	return &r.pts[(r.next-1-i+2*len(r.pts))%len(r.pts)]
}

// before returns the last reading not later than at.
func (r *recent) before(at capture.Stamp) (point, bool) {
	for i := range r.n {
		if p := r.back(i); p.at <= at {
			return *p, true
		}
	}
	return point{}, false
}

// over returns the least, the greatest and the mean of the readings from `from` on, how many they
// are, and whether they reach back that far. Where fewer than fewest lie there, earlier ones are
// taken until there are as many: a slow signal tells the same, later. There is no least and no
// greatest where n is 0.
func (r *recent) over(from capture.Stamp, fewest int) (least, greatest *point, mean float64, n int, reach bool) {
	sum := 0.0
	low, high := r.back(0), r.back(0)
	for i := range r.n {
		p := r.back(i)
		reach = reach || p.at <= from
		if p.at < from && n >= fewest {
			break
		}
		if p.v < low.v {
			low = p
		}
		if p.v > high.v {
			high = p
		}
		sum += p.v
		n++
	}
	if n == 0 {
		return nil, nil, 0, 0, reach
	}
	return low, high, sum / float64(n), n, reach
}

// noiseWindow is how many second differences the noise of a signal is taken from.
const noiseWindow = 21

// noise estimates the standard deviation of a signal's noise from the median of the absolute
// second differences of neighbouring readings: a steady movement cancels in them, a single jump
// does not move the median. For independent errors a second difference has 6 times the variance
// of one reading, and the median of absolute values is 0.6745 standard deviations (normal law).
type noise struct {
	prev, prev2 float64
	n           int
	ring        [noiseWindow]float64
	sorted      []float64
}

func (e *noise) add(v float64) {
	if e.n >= 2 {
		d := v - 2*e.prev + e.prev2
		if d < 0 {
			d = -d
		}
		e.insert(d)
	}
	e.prev2, e.prev = e.prev, v
	e.n++
}

// insert puts a difference in the place of the oldest one. It moves there step by step: most often
// there are few between the two. Readings are finite, so no difference is NaN.
func (e *noise) insert(d float64) {
	if e.sorted == nil {
		e.sorted = make([]float64, 0, noiseWindow)
	}
	at, i := (e.n-2)%noiseWindow, len(e.sorted)
	if i == noiseWindow {
		i, _ = slices.BinarySearch(e.sorted, e.ring[at])
	} else {
		e.sorted = append(e.sorted, d)
	}
	for ; i > 0 && e.sorted[i-1] > d; i-- {
		e.sorted[i] = e.sorted[i-1]
	}
	for ; i < len(e.sorted)-1 && e.sorted[i+1] < d; i++ {
		e.sorted[i] = e.sorted[i+1]
	}
	e.sorted[i] = d
	e.ring[at] = d
}

// sigma returns the estimate, never less than that of the signal's step q.
func (e *noise) sigma(q float64) float64 {
	const quantised = 0.2887 // 1/sqrt(12), the standard deviation of rounding to a step
	floor := q * quantised
	if len(e.sorted) == 0 {
		return floor
	}
	return max(floor, e.sorted[len(e.sorted)/2]/0.6745/2.4495)
}
