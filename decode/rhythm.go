package decode

import (
	"math"
	"slices"
	"time"

	"ridewitness/capture"
)

// rhythmGaps is how many gaps between samples a rhythm is taken from.
const rhythmGaps = 20

// A sample's age is limited by its signal's own rhythm: one timeout for all would call a slow signal
// dead or a dead fast one alive (hazard H07). The numbers are our own choice.
const (
	freshPeriods = 3
	freshLeast   = time.Second
	freshMost    = 10 * time.Second
)

// longestGap bounds a gap that is kept, so that the sum of two fits a Duration.
const longestGap = time.Duration(math.MaxInt64 / 2)

// Rhythm follows how often a signal comes. The zero Rhythm knows nothing.
type Rhythm struct {
	last capture.Stamp
	seen bool
	n    int // gaps so far
	ring [rhythmGaps]time.Duration
	sort [rhythmGaps]time.Duration // the gaps of ring, least first
}

// Add notes a sample at the time at. A stamp that steps back, or stands, counts as no gap.
func (r *Rhythm) Add(at capture.Stamp) {
	if r.seen && at > r.last {
		r.insert(distance(r.last, at))
	}
	r.last, r.seen = at, true
}

// distance returns the time from one stamp to a later one, at most longestGap: stamps may lie further
// apart than a Duration holds.
func distance(from, to capture.Stamp) time.Duration {
	return time.Duration(min(uint64(to)-uint64(from), uint64(longestGap)))
}

// insert puts a gap in the place of the oldest one. The new one is seldom far from it, so it moves
// there step by step, past those that lie between.
func (r *Rhythm) insert(gap time.Duration) {
	slot, i := r.n%rhythmGaps, min(r.n, rhythmGaps-1)
	kept := r.sort[:i+1]
	if r.n >= rhythmGaps {
		i, _ = slices.BinarySearch(kept, r.ring[slot])
	}
	for ; i > 0 && kept[i-1] > gap; i-- {
		kept[i] = kept[i-1]
	}
	for ; i < len(kept)-1 && kept[i+1] < gap; i++ {
		kept[i] = kept[i+1]
	}
	kept[i] = gap
	r.ring[slot] = gap
	r.n++
}

// Period returns the median of the last gaps, 0 before there is one.
func (r *Rhythm) Period() time.Duration {
	n := min(r.n, rhythmGaps)
	if n == 0 {
		return 0
	}
	return (r.sort[(n-1)/2] + r.sort[n/2]) / 2
}

// Limit returns the age up to which a sample counts as fresh: three periods, at least 1 s, at most
// 10 s. Before a rhythm is known it is the least: of a signal that came once nobody can say that it
// still holds, and what is not known must not pass for fresh.
func (r *Rhythm) Limit() time.Duration {
	if r.Period() > freshMost/freshPeriods {
		return freshMost
	}
	return max(freshPeriods*r.Period(), freshLeast)
}

// fewGaps is how many gaps a rhythm is not yet known from.
const fewGaps = 3

// Gap returns the gap between two samples past which nothing is known of what lies between them:
// the limit, or the longest there can be while the rhythm is not known yet.
func (r *Rhythm) Gap() time.Duration {
	if r.n < fewGaps {
		return freshMost
	}
	return r.Limit()
}

// Fresh reports whether the last sample is young enough at now. Buses are read one after the other,
// so a sample may be a little younger than now; one that lies further ahead than an age may be is as
// unknown as an old one.
func (r *Rhythm) Fresh(now capture.Stamp) bool {
	return r.seen && distance(min(r.last, now), max(r.last, now)) <= r.Limit()
}
