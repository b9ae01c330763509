package decode

import "ridewitness/capture"

// MaxBuckets is the most buckets of one signal: about the pixels of a plot's width.
const MaxBuckets = 1024

// Bucket is a stretch of one signal. First, Last, Least, Greatest and Sum are those of the valid
// samples and mean nothing while Count is 0. The least and the greatest are exact, whatever was merged.
type Bucket struct {
	From, To                     capture.Stamp // of its first and its last sample, of any status
	First, Last, Least, Greatest Point
	Sum                          float64
	Count                        uint64 // valid samples
	Bad                          uint64 // samples of any other status
	Gap                          bool   // nothing is known of the time before it: draw no line to it
	Torn                         bool   // a gap lies within it: draw no line through it
}

// Buckets keeps the course of one signal over a stream of any length in at most MaxBuckets buckets, for
// plots. The zero Buckets is empty. It allocates nothing once it is full, and is not safe for concurrent
// use.
//
//	|o o o o o o o|o o o o|      o o|o o o o o o o|     a bucket holds 2^shift ns
//	'------'------'-------'     '---'------'------'     the grid is that of the stamps
//	                        gap
//
// When they are full the width doubles, and neighbours that now share a stretch of the grid are merged.
// A gap keeps its neighbours apart, since a line over it would show what nobody measured: only a signal
// with more than MaxBuckets/2 gaps has them merged too, and those buckets say so.
type Buckets struct {
	list   []Bucket
	shift  uint
	gaps   int // buckets of list with Gap
	rhythm Rhythm
}

// firstShift makes the first buckets 2^20 ns wide, about a millisecond.
const firstShift = 20

// slot returns the stretch of the grid in which a stamp lies. The sign bit is turned so that slots rise
// with stamps; past 63 all stamps share one.
func (b *Buckets) slot(at capture.Stamp) uint64 { return (uint64(at) ^ 1<<63) >> b.shift }

// Add takes the next sample of the signal.
func (b *Buckets) Add(s Sample) {
	if b.list == nil {
		b.shift = firstShift
	}
	gap := b.breaks(&s)
	last := len(b.list) - 1
	if last < 0 || gap || b.slot(s.At) != b.slot(b.list[last].From) {
		if len(b.list) == MaxBuckets {
			b.halve()
		}
		b.list = append(b.list, Bucket{From: s.At, To: s.At, Gap: gap})
		last = len(b.list) - 1
		if gap {
			b.gaps++
		}
	}
	b.list[last].add(&s)
	if s.Status == StatusValid {
		b.rhythm.Add(s.At)
	}
}

// breaks reports whether nothing is known of the time between the valid sample before s and s: it is
// longer than the signal's rhythm allows, or runs backwards.
func (b *Buckets) breaks(s *Sample) bool {
	if s.Status != StatusValid || !b.rhythm.seen {
		return false
	}
	return s.At < b.rhythm.last || distance(b.rhythm.last, s.At) > b.rhythm.Gap()
}

// All returns the buckets in the order of the stream. They share memory with b and are good until the
// next Add.
func (b *Buckets) All() []Bucket { return b.list }

// halve merges neighbours until a quarter of the room is free.
func (b *Buckets) halve() {
	tear := b.gaps > MaxBuckets/2
	for len(b.list) > MaxBuckets*3/4 {
		b.shift++
		b.merge(tear)
	}
}

// merge joins neighbours of the same slot, over gaps only if tear is set.
func (b *Buckets) merge(tear bool) {
	kept := b.list[:1]
	for i := 1; i < len(b.list); i++ {
		last, next := &kept[len(kept)-1], &b.list[i]
		if b.slot(last.From) != b.slot(next.From) || next.Gap && !tear {
			kept = append(kept, *next)
			continue
		}
		if next.Gap {
			b.gaps--
		}
		last.join(next)
	}
	b.list = kept
}

// add takes one sample into the bucket.
func (k *Bucket) add(s *Sample) {
	k.From, k.To = min(k.From, s.At), max(k.To, s.At)
	if s.Status != StatusValid {
		k.Bad++
		return
	}
	p := s.point()
	if k.Count == 0 {
		k.First, k.Least, k.Greatest = p, p, p
	}
	if p.Value < k.Least.Value {
		k.Least = p
	}
	if p.Value > k.Greatest.Value {
		k.Greatest = p
	}
	k.Last = p
	k.Sum += p.Value
	k.Count++
}

// join takes the bucket that comes after k into k.
func (k *Bucket) join(next *Bucket) {
	k.From, k.To = min(k.From, next.From), max(k.To, next.To)
	k.Torn = k.Torn || next.Torn || next.Gap
	k.Bad += next.Bad
	if next.Count == 0 {
		return
	}
	if k.Count == 0 {
		k.First, k.Least, k.Greatest = next.First, next.Least, next.Greatest
	}
	if next.Least.Value < k.Least.Value {
		k.Least = next.Least
	}
	if next.Greatest.Value > k.Greatest.Value {
		k.Greatest = next.Greatest
	}
	k.Last = next.Last
	k.Sum += next.Sum
	k.Count += next.Count
}
