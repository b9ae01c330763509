package safety

import (
	"slices"

	"ridewitness/decode"
)

// Thresholds returns the limits that a finding's rule uses, as they counted at its corner.
func (j *Judge) Thresholds(f *Finding) []Threshold {
	all := make([]Threshold, 0, len(f.Rule.Limits))
	for _, name := range f.Rule.Limits {
		all = append(all, j.vehicle.limits.Get(name, f.Corner))
	}
	return all
}

// Marks returns the marks of the session that were not taken back.
func (j *Judge) Marks() []Mark {
	var all []Mark
	for _, m := range j.vehicle.marks.all {
		if !m.taken {
			all = append(all, *m)
		}
	}
	return all
}

// Unreadable returns what was wrong with marks that could not be read.
func (j *Judge) Unreadable() []error { return j.wrong }

// Proofs counts the definitions by proof, contradictions that the session showed included.
func (j *Judge) Proofs() (proven, assumed, contradicted int) {
	for i := range j.signals {
		proof := j.signals[i].Proof
		if s := j.sensors[i]; s != nil {
			proof = s.proof()
		}
		switch proof {
		case decode.Proven:
			proven++
		case decode.Contradicted:
			contradicted++
		default:
			assumed++
		}
	}
	return proven, assumed, contradicted
}

// Contradictions returns what contradicted signals, one sentence each.
func (j *Judge) Contradictions() []string {
	var all []string
	for _, s := range j.sensors {
		if s != nil && s.contradicted && !slices.Contains(all, s.contradiction) {
			all = append(all, s.contradiction)
		}
	}
	return all
}

// CornerState is what a picture of a corner shows beside its signals.
type CornerState struct {
	OnAir           bool
	Least, Greatest Threshold
	Series          float64 // reference height, in the height signal's own mm
	SeriesKnown     bool
	Pressure        Reading // last valid ones; not Valid where there is none
	Height          Reading
}

// Corner returns the state of a corner.
func (j *Judge) Corner(id decode.Corner) CornerState {
	c := j.vehicle.corners[id]
	s := CornerState{OnAir: c.onAir, Least: j.vehicle.limits.Get(LimitLeast, id), Greatest: j.vehicle.limits.Get(LimitGreatest, id)}
	if shift, ok := j.vehicle.overDesign(c); ok {
		s.Series, s.SeriesKnown = -shift, true
	}
	if c.pressure != nil {
		s.Pressure = c.pressure.last
	}
	if c.height != nil {
		s.Height = c.height.last
	}
	return s
}

// Gauge returns a value of a pressure signal in bar gauge and any other value in the rules' unit. For an
// absolute signal the last barometric pressure is taken.
func (j *Judge) Gauge(i decode.SignalIndex, value float64) float64 {
	s := j.sensors[i]
	if s == nil {
		return value
	}
	v := value * s.scale
	if s.signal.Quantity == decode.Pressure && s.signal.Reference == decode.Absolute {
		baro, _ := j.vehicle.barometer()
		v -= baro
	}
	return v
}
