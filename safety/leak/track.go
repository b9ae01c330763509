package leak

import (
	"math"
	"slices"
)

// The outlier rule: a sample further than 6 (1.48 MAD + q) from the median of the last ringSize
// samples. 1.48 MAD is a standard deviation for the normal law. Our own choice.
const (
	ringSize      = 31
	ringLeast     = 9
	outlierFactor = 6
	madToSigma    = 1.4826
)

// ring keeps the last samples of a signal, also sorted.
type ring struct {
	values [ringSize]float64
	sorted []float64
	next   int
}

// push keeps v and forgets the oldest value.
func (r *ring) push(v float64) {
	if len(r.sorted) == ringSize {
		i, _ := slices.BinarySearch(r.sorted, r.values[r.next])
		r.sorted = slices.Delete(r.sorted, i, i+1)
	}
	r.values[r.next] = v
	r.next = (r.next + 1) % ringSize
	i, _ := slices.BinarySearch(r.sorted, v)
	r.sorted = slices.Insert(r.sorted, i, v)
}

// far reports whether v is an outlier against what is kept, for a sensor of step q. The median
// absolute deviation of a sorted list is found by walking outwards from its middle.
func (r *ring) far(v, q float64) bool {
	n := len(r.sorted)
	if n < ringLeast {
		return false
	}
	median := r.sorted[n/2]
	distance := math.Abs(v - median)
	if distance <= outlierFactor*q {
		return false
	}
	low, high := n/2, n/2
	for high-low+1 <= n/2 {
		switch {
		case low == 0:
			high++
		case high == n-1 || median-r.sorted[low-1] <= r.sorted[high+1]-median:
			low--
		default:
			high++
		}
	}
	mad := max(median-r.sorted[low], r.sorted[high]-median)
	return distance > outlierFactor*(madToSigma*mad+q)
}

// track follows one signal sample by sample and fills the stat of the present sub-block.
type track struct {
	step     float64 // of the definition
	smallest float64 // least change between two samples ever seen; 0: it never changed
	last     point   // last sample taken, on the clock of the caller
	seen     bool
	kept     bool    // last is inside the window
	origin   float64 // the first value of the window; sums count from it
	ring     ring

	dropped, bad int // since the window's start

	second     point // sums of the second that is being collected
	secondN    float64
	secondFrom float64
	before     point // mean of the second before it
	beforeOK   bool
}

// q returns the step that counts: that of the definition, or the smallest one that really occurs,
// since some units send a fine number that moves in coarse steps.
func (k *track) q() float64 { return max(k.step, k.smallest) }

// restart forgets the window but not what was learnt of the sensor. A clock that stepped back
// begins anew too.
func (k *track) restart(t float64) {
	*k = track{step: k.step, smallest: k.smallest, last: k.last, seen: k.seen && k.last.t <= t}
}

// check says whether a sample may be used: finite, later than the one before it, no outlier. A second
// one at the same time is no fault and tells nothing.
func (k *track) check(t, v float64) bool {
	if k.seen && t == k.last.t {
		return false
	}
	if !aTime(t) || !finite(v) || k.seen && t < k.last.t {
		k.bad++
		return false
	}
	far := k.ring.far(v, k.q())
	k.ring.push(v)
	if far {
		k.dropped++
	}
	return !far
}

// learn notes the step that a sample makes.
func (k *track) learn(t, v float64) (change float64) {
	if k.seen {
		change = v - k.last.x
		if size := math.Abs(change); size > 0 && (k.smallest == 0 || size < k.smallest) {
			k.smallest = size
		}
	}
	k.last, k.seen = point{t, v}, true
	return change
}

// keep adds a sample to a sub-block; t counts from the window's start.
func (k *track) keep(s *stat, t, v, change float64) {
	if !k.kept {
		k.kept, k.origin, change = true, v, 0
	}
	x := v - k.origin
	s.n++
	s.t += t
	s.x += x
	s.levels.add(v)
	switch {
	case change > 0:
		s.up++
	case change < 0:
		s.down++
	}
	k.collect(s, point{t, x})
}

// apart is the gap, s, across which two means are no neighbours any more.
const apart = 30

// collect averages to one value a second, the rate at which the correlation is judged.
func (k *track) collect(s *stat, p point) {
	if k.secondN > 0 && p.t >= k.secondFrom+1 {
		mean := point{k.second.t / k.secondN, k.second.x / k.secondN}
		s.seconds.add(mean)
		if k.beforeOK && mean.t-k.before.t < apart {
			s.pairs.add(k.before, mean)
		}
		k.before, k.beforeOK = mean, true
		k.second, k.secondN = point{}, 0
	}
	if k.secondN == 0 {
		k.secondFrom = math.Floor(p.t)
	}
	k.second.t += p.t
	k.second.x += p.x
	k.secondN++
}

// aTime reports whether t can be a time in seconds: anything within some 30 000 years.
func aTime(t float64) bool { return math.Abs(t) < 1e12 }

// finite reports whether every number is one.
func finite(values ...float64) bool {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}
