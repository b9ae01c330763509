package safety

import (
	"fmt"
	"slices"
	"time"

	"ridewitness/decode"
)

const (
	bleedSettle = 2 * time.Second  // after a bleed: what its valve and a filtered signal still take
	bleedLate   = 60 * time.Second // a check for which no pressures came by then is given up
	bleedShare  = 0.3              // of what a spring held: less falls by cooling too (a quarter of the fill)
	maxChecks   = 4
)

// bleedCheck holds a bleed by request against the pressures: where that of the corner which was asked for
// did not move, and another corner's fell instead, the two are mixed up, in the definitions or on the
// vehicle. Then neither proves anything of its corner any more; a low one still belongs to one of them
// (HAZARDS H03).
type bleedCheck struct {
	run           *Run
	before, after [5]Reading // by decode.Corner; not Valid where there is none
}

// checkBleed begins to watch a bleed by request.
func (v *Vehicle) checkBleed(run *Run) {
	check := &bleedCheck{run: run}
	for _, id := range decode.Corners {
		p := v.corners[id].pressure
		if p == nil || !p.seen {
			continue
		}
		if at, ok := p.recent.before(run.Start); ok && run.Start.Sub(at.at) <= p.rhythm.Limit() {
			check.before[id] = at.r
		}
	}
	if len(v.bleeds) == maxChecks {
		v.bleeds = slices.Delete(v.bleeds, 0, 1)
	}
	v.bleeds = append(v.bleeds, check)
}

// checkBleeds follows a pressure after a bleed.
func (v *Vehicle) checkBleeds(c *corner, r Reading) {
	v.bleeds = slices.DeleteFunc(v.bleeds, func(b *bleedCheck) bool {
		end := b.run.End
		if end == 0 || r.At.Sub(end) < bleedSettle {
			return false
		}
		if !b.after[c.id].Valid {
			b.after[c.id] = r
		}
		if !b.complete() {
			return r.At.Sub(end) > bleedLate
		}
		v.judgeBleed(b)
		return true
	})
}

// complete reports whether each corner was seen behind the bleed that was seen before it.
func (b *bleedCheck) complete() bool {
	for id := range b.before {
		if b.before[id].Valid && !b.after[id].Valid {
			return false
		}
	}
	return true
}

// judgeBleed contradicts what a bleed shows to be mixed up.
func (v *Vehicle) judgeBleed(b *bleedCheck) {
	var still []*corner
	for _, id := range b.run.Corners {
		if !v.stayedFull(b, v.corners[id]) {
			return // it fell as it should, or nobody can tell
		}
		still = append(still, v.corners[id])
	}
	for _, id := range decode.Corners {
		c := v.corners[id]
		if !v.fellUnasked(b, c) {
			continue
		}
		at := b.after[id].At
		why := fmt.Sprintf("%s was bled by request from %s to %s, and it was %s that fell, by %.2f bar: definitions, lines or plugs are mixed up",
			list(b.run.Corners), v.clock(b.run.Start), v.clock(b.run.End), c.pressure.signal.Name, b.before[id].Value-b.after[id].Value)
		for _, mixed := range append(still, c) {
			if !mixed.pressure.contradicted {
				v.contradict(mixed, at, why)
				mixed.pressure.mixedUp = true
			}
		}
	}
}

// seenThrough reports whether the pressure of a corner was seen before, through and after the bleed.
func (v *Vehicle) seenThrough(b *bleedCheck, c *corner) bool {
	before, after := b.before[c.id], b.after[c.id]
	return before.Valid && after.Valid && !c.pressure.contradicted && c.pressure.whole(before.At, after.At, awake) == ""
}

// stayedFull reports whether a corner that was to be bled had something to lose, and kept it.
func (v *Vehicle) stayedFull(b *bleedCheck, c *corner) bool {
	if !v.seenThrough(b, c) {
		return false
	}
	before, p := b.before[c.id].Value, c.pressure
	return before-v.limits.Get(LimitResidual, c.id).Value >= airMoveLeast &&
		abs(before-b.after[c.id].Value) < max(airStepLeast, 2*p.u, 1.5*p.q)
}

// fellUnasked reports whether a corner lost its air though nothing that is known explains it.
func (v *Vehicle) fellUnasked(b *bleedCheck, c *corner) bool {
	if !v.seenThrough(b, c) || c.lineOpen != nil {
		return false
	}
	if m := v.marks.last(c.id, MarkBled, MarkLineOpen); m != nil && b.run.Start.Sub(m.At) < bleedLate {
		return false
	}
	if v.requests.askedAround(c.id, b.run.Start, b.after[c.id].At, bleedSettle) {
		return false
	}
	for _, id := range b.run.Corners {
		if slices.Contains(v.corners[id].circuit, c.id) {
			return false
		}
	}
	before := b.before[c.id].Value
	return before-b.after[c.id].Value >= max(airMoveLeast+2*c.pressure.u, bleedShare*before)
}
