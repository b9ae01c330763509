package safety

import (
	"ridewitness/capture"
)

// record is what is known of the recording itself: whether anybody counted what was lost.
type record struct {
	lost    [capture.MaxBuses]uint64 // told before frames, in the present section
	dropped [capture.MaxBuses]uint64 // told by the statistics of the present section
	before  uint64                   // lost in the sections before
	known   bool
	overrun [capture.MaxBuses]uint64 // times a controller said that it lost frames, nobody knows how many
	damage  int                      // pieces that could not be read
}

func (r *record) event(e capture.Event) {
	if e.Bus >= capture.MaxBuses {
		return
	}
	switch e.Kind {
	case capture.EventLoss:
		r.known = true
		r.lost[e.Bus] += e.Count
	case capture.EventCounters:
		if e.Dropped >= 0 {
			r.known = true
			r.dropped[e.Bus] = max(r.dropped[e.Bus], uint64(e.Dropped))
		}
	case capture.EventSection:
		r.before = r.total()
		r.lost, r.dropped = [capture.MaxBuses]uint64{}, [capture.MaxBuses]uint64{}
	case capture.EventDamage:
		r.damage++
	}
}

// overflow follows an error frame that says the controller lost frames.
func (r *record) overflow(b capture.BusID) {
	if b < capture.MaxBuses {
		r.overrun[b]++
	}
}

// overruns returns how often controllers said that they lost frames.
func (r *record) overruns() uint64 {
	var n uint64
	for _, c := range r.overrun {
		n += c
	}
	return n
}

// total returns how many frames were lost: per section and bus the larger of the two counts, never their sum.
func (r *record) total() uint64 {
	n := r.before
	for i := range r.lost {
		n += max(r.lost[i], r.dropped[i])
	}
	return n
}
