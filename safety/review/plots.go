package review

import (
	"ridewitness/decode"
	"ridewitness/safety"
)

// plots keeps the course of the pressures and heights, in bounded memory.
type plots struct {
	signals []decode.Signal
	buckets []*decode.Buckets // by decode.SignalIndex; nil: not drawn
}

func newPlots(signals []decode.Signal) *plots {
	p := &plots{signals: signals, buckets: make([]*decode.Buckets, len(signals))}
	for i := range signals {
		s := &signals[i]
		if s.Corner != decode.NoCorner && (s.Quantity == decode.Pressure || s.Quantity == decode.Height) {
			p.buckets[i] = &decode.Buckets{}
		}
	}
	return p
}

func (p *plots) add(samples []decode.Sample) {
	for i := range samples {
		if b := p.buckets[samples[i].Signal]; b != nil {
			b.Add(samples[i])
		}
	}
}

// of returns the plot of a corner's quantity, in bar gauge or mm.
func (p *plots) of(j *safety.Judge, c decode.Corner, q decode.Quantity) Plot {
	for i := range p.signals {
		if p.signals[i].Corner != c || p.signals[i].Quantity != q {
			continue
		}
		out := Plot{Signal: p.signals[i].Name, Unit: "mm"}
		if q == decode.Pressure {
			out.Unit = "bar gauge"
		}
		index := decode.SignalIndex(i)
		cut := false
		for _, b := range p.buckets[i].All() {
			if b.Count == 0 || b.Torn {
				cut = true
			}
			if b.Count == 0 {
				continue
			}
			out.Points = append(out.Points, PlotPoint{From: b.First.At, To: b.Last.At,
				Least: j.Gauge(index, b.Least.Value), Greatest: j.Gauge(index, b.Greatest.Value),
				First: j.Gauge(index, b.First.Value), Last: j.Gauge(index, b.Last.Value), Break: b.Gap || cut || b.Bad > 0})
			cut = b.Bad > 0
		}
		return out
	}
	return Plot{}
}
