package leak

import "math"

// Time constants and ranges of the temperature around, our own choice and from memory: the wall of
// a spring follows its surroundings in 20 to 60 min.
const (
	wallS       = 1800.0 // s
	bucketS     = 300.0  // s
	bucketCount = 24     // two hours
	nearBuckets = 6      // half an hour
	ambientOld  = 600.0  // s without a sample: no temperature signal
)

// span is the least and the greatest of some values; the zero value is empty.
type span struct {
	least, greatest float64
	any             bool
}

// add widens the span to hold v.
func (s *span) add(v float64) {
	if !s.any {
		*s = span{v, v, true}
		return
	}
	s.least, s.greatest = min(s.least, v), max(s.greatest, v)
}

// join widens the span to hold another one.
func (s *span) join(o span) {
	if o.any {
		s.add(o.least)
		s.add(o.greatest)
	}
}

func (s span) width() float64 { return s.greatest - s.least }

// ambient follows the temperature around: low-passed as the spring's wall follows it, and how far
// it ranged before and in the window.
type ambient struct {
	first, last float64 // times
	seen        bool
	wallK       float64 // low-passed

	buckets [bucketCount]struct {
		index int64
		span
	}
	wide span // window and two hours before it
	near span // window and half an hour before it
}

// add takes a temperature and reports whether it can be one: between 100 and 400 K, later than the
// one before it.
func (a *ambient) add(t, kelvin float64) bool {
	if !aTime(t) || !(kelvin > 100 && kelvin < 400) || a.seen && t <= a.last {
		return false
	}
	if !a.seen {
		a.first, a.wallK = t, kelvin
	} else {
		a.wallK += (kelvin - a.wallK) * (1 - math.Exp(-(t-a.last)/wallS))
	}
	a.last, a.seen = t, true
	i := int64(math.Floor(t / bucketS))
	b := &a.buckets[((i%bucketCount)+bucketCount)%bucketCount]
	if b.index != i {
		b.index, b.span = i, span{}
	}
	b.add(kelvin)
	a.wide.add(kelvin)
	a.near.add(kelvin)
	return true
}

// restart begins a new window at t; a clock that stepped back forgets all.
func (a *ambient) restart(t float64) {
	if a.seen && a.last > t {
		*a = ambient{}
		return
	}
	a.wide, a.near = span{}, span{}
	now := int64(math.Floor(t / bucketS))
	for _, b := range a.buckets {
		age := now - b.index
		if age < 0 || age >= bucketCount {
			continue
		}
		a.wide.join(b.span)
		if age <= nearBuckets {
			a.near.join(b.span)
		}
	}
}

// Drift of the gas temperature that an interval allows for, K/h. All are our own choice but those
// with a reason beside them.
const (
	driftSteady   = 1.0  // the ambient kept within 1 K for half an hour; the wall lags
	driftShort    = 2.0  // recorded, but shorter or less steady
	driftUnknown  = 4.0  // not recorded, warming
	driftCooling  = 12.0 // not recorded, cooling: a spring that was driven warm
	driftDriven   = 15.0 // driven within two hours: springs are 5 to 25 K above the air around
	driftPerRange = 3.0  // K/h for each K that the ambient ranged: the wall lags by 20 min or more
	driftOther    = 0.5  // between two corners in the same air
	steadyRange   = 1.0  // K
	changedRange  = 3.0  // K
	steadyAtLeast = 1800.0
)

// drift is how fast the gas may warm and cool, K/h.
type drift struct {
	warm, cool float64
	recorded   bool // by a temperature signal
}

// drift returns what to allow for in a window of length windowS that ended at endS. A temperature
// that stays within a range r turns a least-squares slope by at most 1.5 r/W, however it moves: that
// bounds the drift of a window in which the ambient changed. A car from -5 into 15 degC begins with
// half a kelvin a minute, which no wait of minutes can bound by less.
func (a *ambient) drift(endS, windowS float64, c Conditions) drift {
	d := drift{warm: driftUnknown, cool: driftCooling}
	if a.seen && endS-a.last <= ambientOld {
		d = drift{warm: driftShort, cool: driftShort, recorded: true}
		r := a.wide.width()
		most := undithered * r / windowS * 3600
		if r <= changedRange {
			most = min(most, driftPerRange*r)
		}
		switch {
		case r > steadyRange && most > driftShort:
			d.warm, d.cool = most, most
		case a.last-a.first >= steadyAtLeast && a.near.width() < steadyRange:
			d.warm, d.cool = driftSteady, driftSteady
		}
	}
	if c.Driven {
		d.cool = max(d.cool, driftDriven)
	}
	return d
}
