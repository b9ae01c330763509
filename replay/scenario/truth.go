package scenario

import (
	"math"

	"ridewitness/decode"
)

// truth is a journal record of what really happened. Nothing that judges a session may read it.
type truth struct {
	Kind    string        `json:"kind"`
	What    string        `json:"what"`
	Corner  string        `json:"corner,omitempty"`
	Text    string        `json:"text,omitempty"`
	Gauge   *float64      `json:"gauge_bar,omitempty"`
	Corners []cornerTruth `json:"corners,omitempty"`
}

// cornerTruth is the true state of one corner.
type cornerTruth struct {
	Corner   string  `json:"corner"`
	Gauge    float64 `json:"gauge_bar"`
	HeightMM float64 `json:"height_mm"`
	Mass     float64 `json:"mass_g"`
	Gas      float64 `json:"gas_degc"`
	Leak     float64 `json:"leak_kg_per_s"`
}

// tell writes a truth into the journal.
func (r *Run) tell(t truth) {
	t.Kind = "truth"
	r.journal(t.Kind, t)
}

// tellCorner writes a truth about one corner with its pressure.
func (r *Run) tellCorner(what string, corner int) {
	gauge := rounded(r.vehicle.gauge(corner) / 1e5)
	r.tell(truth{What: what, Corner: decode.Corners[corner].String(), Gauge: &gauge})
}

// portrait returns a truth with the state of every corner.
func (r *Run) portrait(what string) truth {
	t := truth{What: what, Corners: make([]cornerTruth, corners)}
	for i, c := range decode.Corners {
		a := &r.vehicle.now.corner[i]
		t.Corners[i] = cornerTruth{
			Corner:   c.String(),
			Gauge:    rounded(r.vehicle.gauge(i) / 1e5),
			HeightMM: rounded(r.archHeight(i)),
			Mass:     rounded(a.mass * 1e3),
			Gas:      rounded(a.gas - zeroCelsius),
			Leak:     r.leakOf(i),
		}
	}
	return t
}

// rounded keeps six digits behind the point: what the integrator is good for.
func rounded(v float64) float64 { return math.Round(v*1e6) / 1e6 }

// leakOf returns the flow in kg/s out of the leak of corner i.
func (r *Run) leakOf(i int) float64 {
	var from, to exchange
	v := r.vehicle
	v.in.leak[i].pass(v.corner(&v.now, i), v.in.outside, &from, &to)
	return from.out
}
