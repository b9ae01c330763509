package safety

import (
	"fmt"
	"slices"

	"ridewitness/capture"
)

// tie is one tape reading held against the network's height.
type tie struct {
	at     capture.Stamp
	tapeMM float64
	offset float64 // tape minus signal, mm
	record uint64  // of the mark, 0 where the card says it
}

// maxTies bounds the tape readings of one corner.
const maxTies = 64

// tieTrack ties a network height signal to the tape.
type tieTrack struct {
	pending []tie // waiting for the signal's samples
	done    []tie
}

// expect adds a tape reading that is to be tied when its moment has passed.
func (t *tieTrack) expect(at capture.Stamp, tapeMM float64, record uint64) {
	if len(t.pending)+len(t.done) < maxTies {
		t.pending = append(t.pending, tie{at: at, tapeMM: tapeMM, record: record})
	}
}

// settle ties the readings whose moment lies tieSpan back, and reports whether one was tied.
func (t *tieTrack) settle(c *corner, now capture.Stamp, end bool) bool {
	tied := false
	kept := t.pending[:0]
	for _, p := range t.pending {
		if !end && now.Sub(p.at) < tieSpan {
			kept = append(kept, p)
			continue
		}
		if mean, ok := c.heightAround(p.at); ok {
			p.offset = p.tapeMM - mean
			t.done = append(t.done, p)
			tied = true
		}
	}
	t.pending = kept
	return tied
}

// heightAround returns the mean of the heights within tieSpan of at that lie within tieNearest of
// the one nearest to it.
func (c *corner) heightAround(at capture.Stamp) (float64, bool) {
	if c.height == nil {
		return 0, false
	}
	ring := &c.height.recent
	var nearest *point
	for i := range ring.n {
		if p := ring.back(i); nearest == nil || distance(p.at, at) < distance(nearest.at, at) {
			nearest = p
		}
	}
	if nearest == nil || distance(nearest.at, at) > capture.Stamp(tieSpan) {
		return 0, false
	}
	sum, n := 0.0, 0
	for i := range ring.n {
		p := ring.back(i)
		if distance(p.at, at) <= capture.Stamp(tieSpan) && abs(p.v-nearest.v) <= tieNearest {
			sum += p.v
			n++
		}
	}
	return sum / float64(n), true
}

// forget drops the reading of a mark that was taken back.
func (t *tieTrack) forget(record uint64) {
	if record == 0 {
		return
	}
	withdrawn := func(p tie) bool { return p.record == record }
	t.pending = slices.DeleteFunc(t.pending, withdrawn)
	t.done = slices.DeleteFunc(t.done, withdrawn)
}

func distance(a, b capture.Stamp) capture.Stamp { return max(a-b, b-a) }

func abs(v float64) float64 { return max(v, -v) }

// offset returns what to add to the signal to get the tape's height, and why it is not known.
func (t *tieTrack) offset() (mm float64, why Reason, note string) {
	if len(t.done) == 0 {
		return 0, NoMark, "no tape reading ties the height signal"
	}
	least, greatest, sum := t.done[0].offset, t.done[0].offset, 0.0
	for _, d := range t.done {
		least, greatest = min(least, d.offset), max(greatest, d.offset)
		sum += d.offset
	}
	if greatest-least > tieAgree {
		return 0, IsContradicted, fmt.Sprintf("tape readings tie the height signal to values %.1f mm apart", greatest-least)
	}
	return sum / float64(len(t.done)), "", ""
}
