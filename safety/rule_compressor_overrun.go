package safety

import (
	"fmt"
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
)

var compressorOverrun = &Rule{
	Name:  "compressor-overrun",
	Title: "how long the compressor ran at a stretch",
	Doc: `The compressor was on for longer than the card's limit; a pause of less than 10 s is no rest.
Without a limit on the card nothing is told: engine-driven compressors run long.`,
	Source:   "the job card; the pause is our own choice",
	Severity: Warning,
	Scope:    PerVehicle,
	Takes:    []decode.Quantity{decode.Compressor},
	Limits:   []LimitName{LimitCompressorRun},
	Watch:    func(p *Pass) Watcher { return &compressorWatch{p: p} },
}

const compressorPause = 10 * time.Second

type compressorWatch struct {
	deaf
	p          *Pass
	on, off    Reading
	heard      capture.Stamp
	running    bool
	inStretch  bool
	longest    time.Duration
	longestOn  Reading
	longestEnd Reading
	any        bool
	reported   bool
}

func (w *compressorWatch) Sample(r Reading) {
	w.any = true
	on := r.State() == "on"
	if w.heard != 0 && r.At.Sub(w.heard) > r.sensor.rhythm.Limit() {
		w.inStretch, w.running = false, false // what lies in a gap is neither a run nor a rest
	}
	w.heard = r.At
	switch {
	case on && !w.inStretch:
		w.on, w.inStretch, w.reported = r, true, false
	case !on && w.running:
		w.off = r
	case !on && w.inStretch && r.At.Sub(w.off.At) >= compressorPause:
		w.inStretch = false
	}
	if w.inStretch && on {
		w.run(r)
	}
	w.running = on
}

func (w *compressorWatch) run(r Reading) {
	if d := r.At.Sub(w.on.At); d > w.longest {
		w.longest, w.longestOn, w.longestEnd = d, w.on, r
	}
	limit := w.p.Limit(LimitCompressorRun)
	if limit.Known && !w.reported && r.At.Sub(w.on.At).Seconds() > limit.Value {
		w.reported = true
		w.p.Report(Verdict{Outcome: Broken, Start: w.on.At, End: r.At, Class: Seen,
			Summary:  fmt.Sprintf("the compressor ran for more than %.0f s without a rest", limit.Value),
			Evidence: []Evidence{w.on.evidence(), r.evidence()}, Rests: []Rest{{Quantity: decode.Compressor, From: w.on.At, To: r.At}}})
	}
}

func (w *compressorWatch) Finish(at capture.Stamp) {
	if !w.any || !w.p.Limit(LimitCompressorRun).Known && !w.p.wanted() {
		return
	}
	v := Verdict{Outcome: Held, Start: w.p.vehicle.start, End: at, Class: Seen,
		Summary: fmt.Sprintf("the compressor never ran for more than %.0f s at a stretch", w.longest.Seconds()),
		Rests:   []Rest{{Quantity: decode.Compressor, From: w.p.vehicle.start, To: at}}}
	if w.longest > 0 {
		v.Evidence = []Evidence{w.longestOn.evidence(), w.longestEnd.evidence()}
	}
	w.p.Report(v)
}
