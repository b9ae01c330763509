package safety

import (
	"fmt"
	"slices"

	"ridewitness/capture"
	"ridewitness/decode"
)

var oneSideOnly = &Rule{
	Name:  "one-side-only",
	Title: "whether both springs of the axle were renewed",
	Doc: `The job card says that one spring of an axle was renewed and the other was not. Springs of
one axle age together.`,
	Source:   "common practice, no source",
	Severity: Advice,
	Scope:    PerAxle,
	Watch:    func(p *Pass) Watcher { return &oneSideWatch{p: p} },
}

type oneSideWatch struct {
	deaf
	p *Pass
}

func (w *oneSideWatch) Finish(at capture.Stamp) {
	card := w.p.vehicle.card
	if card == nil || len(card.Serviced) == 0 {
		return
	}
	cs := w.p.Axle.Corners()
	left, right := slices.Contains(card.Serviced, cs[0]), slices.Contains(card.Serviced, cs[1])
	v := Verdict{Outcome: Held, Start: w.p.vehicle.start, End: at, Class: Said}
	switch {
	case left && right:
		v.Summary = fmt.Sprintf("both springs of the %s axle were renewed", w.p.Axle)
	case !left && !right:
		v.Summary = fmt.Sprintf("no spring of the %s axle was renewed", w.p.Axle)
	default:
		v.Outcome = Broken
		v.Summary = fmt.Sprintf("one spring of the %s axle was renewed, the other was not", w.p.Axle)
	}
	w.p.Report(v)
}

var springPastDate = &Rule{
	Name:     "spring-past-date",
	Title:    "whether the new spring was within its date",
	Doc:      `The session lies after the last day on which the new spring may be fitted, by the job card.`,
	Source:   "the spring's own date on the job card",
	Severity: Warning,
	Scope:    PerCorner,
	Asked:    AskedByCard,
	Watch:    func(p *Pass) Watcher { return &dateWatch{p: p} },
}

type dateWatch struct {
	deaf
	p *Pass
}

func (w *dateWatch) Finish(at capture.Stamp) {
	card := w.p.vehicle.card
	if card == nil || card.NewSprings[w.p.Corner] == nil {
		return
	}
	by := card.NewSprings[w.p.Corner].UseBy
	v := Verdict{Start: w.p.vehicle.start, End: at, Class: Said}
	switch {
	case by == 0:
		v.Reason, v.Note = NoLimit, "no date of the new spring on the job card"
	case w.p.vehicle.start >= by:
		v.Outcome = Broken
		v.Summary = fmt.Sprintf("%s: the new spring was past its date", w.p.Corner)
	default:
		v.Outcome = Held
		v.Summary = fmt.Sprintf("%s: the new spring was within its date", w.p.Corner)
	}
	w.p.Report(v)
}

var springTooLong = &Rule{
	Name:     "spring-too-long",
	Title:    "whether the new spring had the length it should have",
	Doc:      `The length of the new spring lies above the greatest on the job card.`,
	Source:   "the spring's own limit on the job card",
	Severity: Warning,
	Scope:    PerCorner,
	Asked:    AskedByCard,
	Watch:    func(p *Pass) Watcher { return &lengthWatch{p: p} },
}

type lengthWatch struct {
	deaf
	p *Pass
}

func (w *lengthWatch) Finish(at capture.Stamp) {
	card := w.p.vehicle.card
	if card == nil || card.NewSprings[w.p.Corner] == nil {
		return
	}
	s := card.NewSprings[w.p.Corner]
	v := Verdict{Start: w.p.vehicle.start, End: at, Class: Said}
	switch {
	case !s.LengthMM.Known || !s.GreatestLengthMM.Known:
		v.Reason, v.Note = NoLimit, "length or greatest length of the new spring is not on the job card"
	case s.LengthMM.Value > s.GreatestLengthMM.Value:
		v.Outcome = Broken
		v.Summary = fmt.Sprintf("%s: the new spring is %s long, greatest %s", w.p.Corner, mm(s.LengthMM.Value), mm(s.GreatestLengthMM.Value))
	default:
		v.Outcome = Held
		v.Summary = fmt.Sprintf("%s: the new spring is %s long, greatest %s", w.p.Corner, mm(s.LengthMM.Value), mm(s.GreatestLengthMM.Value))
	}
	w.p.Report(v)
}

var lowVoltage = &Rule{
	Name:  "low-voltage",
	Title: "whether the supply held its voltage under load",
	Doc: `The supply lay under 11.5 V (23 V where its median lies above 16 V) for 3 s or more while the
compressor or a valve worked, or air moved.`,
	Source:   "common practice, no source",
	Severity: Advice,
	Scope:    PerVehicle,
	Takes:    []decode.Quantity{decode.BatteryVoltage},
	Watch:    func(p *Pass) Watcher { return &voltageWatch{p: p} },
}

const (
	lowLong     = 3.0  // s
	truckFrom   = 16.0 // V; above it the supply is one of 24 V
	truckFactor = 2.0
)

type voltageWatch struct {
	deaf
	p      *Pass
	high   int // samples above truckFrom
	n      int
	low    Reading
	inLow  bool
	dipped bool // it was low for a moment
	lowest Reading
	worked bool
	done   bool
}

func (w *voltageWatch) Sample(r Reading) {
	w.n++
	if r.Value > truckFrom {
		w.high++
	}
	limit := w.p.Limit(LimitLowVoltage)
	least := limit.Value
	if limit.From == "default" && 2*w.high > w.n {
		least *= truckFactor
	}
	works := w.works()
	w.worked = w.worked || works
	if !works || r.Value >= least {
		w.inLow, w.done = false, false
		return
	}
	if !w.inLow {
		w.inLow, w.dipped, w.low, w.lowest = true, true, r, r
	}
	if r.Value < w.lowest.Value {
		w.lowest = r
	}
	if r.At.Sub(w.low.At).Seconds() >= lowLong && !w.done {
		w.done = true
		w.p.Report(Verdict{Outcome: Broken, Start: w.low.At, End: r.At, Class: Seen,
			Summary:  fmt.Sprintf("the supply fell to %.1f V while compressor or valves worked, at least %.1f V are wanted", w.lowest.Value, least),
			Evidence: []Evidence{w.low.evidence(), w.lowest.evidence()}, Rests: w.rests(w.low.At, r.At)})
	}
}

func (w *voltageWatch) rests(from, to capture.Stamp) []Rest {
	return []Rest{{Quantity: decode.BatteryVoltage, From: from, To: to}}
}

// works reports whether compressor, valve or air works now.
func (w *voltageWatch) works() bool {
	v := w.p.vehicle
	if s := v.sensors[decode.Compressor]; s.fresh(v.now) && s.last.State() == "on" {
		return true
	}
	if s := v.sensors[decode.Valve]; s.fresh(v.now) && s.last.State() == "open" {
		return true
	}
	for _, id := range decode.Corners {
		if v.corners[id].air.active {
			return true
		}
	}
	return false
}

func (w *voltageWatch) Finish(at capture.Stamp) {
	if w.n == 0 || !w.worked {
		return
	}
	v := Verdict{Outcome: Held, Start: w.p.vehicle.start, End: at, Class: Seen,
		Summary: "the supply held its voltage while compressor and valves worked", Rests: w.rests(w.p.vehicle.start, at)}
	if w.dipped {
		v.Outcome, v.Reason, v.Note = CannotTell, InsideUncertainty, "the supply dipped for less than 3 s"
		v.Evidence = []Evidence{w.lowest.evidence()}
	}
	w.p.Report(v)
}

var recordIncomplete = &Rule{
	Name:  "record-incomplete",
	Title: "whether the recording is whole",
	Doc: `Frames were lost, something could not be read, or a signal was stale, invalid or not recorded
where a rule that was asked needed it. Held where somebody counted the losses, there were none, and
nothing was missing. Where nobody counted, nothing can be told.`,
	Source:   "our own choice",
	Severity: Advice,
	Scope:    PerVehicle,
	Watch:    func(p *Pass) Watcher { return &recordWatch{p: p} },
}

type recordWatch struct {
	deaf
	p *Pass
}

// Finish must come after every other watcher's; the list of rules ends with this one.
func (w *recordWatch) Finish(at capture.Stamp) {
	j := w.p.judge
	v := Verdict{Start: w.p.vehicle.start, End: at, Class: Seen}
	missing := j.missing()
	lost := j.record.total()
	switch {
	case lost > 0:
		v.Outcome = Broken
		v.Summary = fmt.Sprintf("%d frames were lost", lost)
		v.Note = missing
	case j.record.overruns() > 0:
		v.Outcome = Broken
		v.Summary = fmt.Sprintf("an adapter said %d times that it lost frames; nobody knows how many", j.record.overruns())
		v.Note = missing
	case j.record.damage > 0:
		v.Outcome = Broken
		v.Summary = "something in the recording could not be read and was left out"
		v.Note = missing
	case missing != "":
		v.Outcome = Broken
		v.Summary = "the recording lacks what the rules needed: " + missing
	case !j.record.known:
		v.Reason, v.Note = NotObservable, "nobody counted whether frames were lost"
	default:
		v.Outcome = Held
		v.Summary = "no frame was lost, and every signal came that the rules needed"
	}
	w.p.Report(v)
}

// missing says what a rule that was asked lacked, "" where nothing was.
func (j *Judge) missing() string {
	for _, p := range j.passes {
		if p.Rule == recordIncomplete || !p.applies || !j.asks(p) {
			continue
		}
		for _, f := range j.conclude(p) {
			if f.Outcome != CannotTell {
				continue
			}
			switch f.Reason {
			case Stale, Invalid, Gap:
				return f.Summary
			}
		}
	}
	return ""
}
