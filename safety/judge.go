package safety

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/decode/quantity"
	"ridewitness/safety/jobcard"
)

// Judge drives the rules: it feeds the Vehicle and the watchers, and checks every verdict before
// it becomes a finding. It is fed in the order of the recording; it is not safe for concurrent use.
type Judge struct {
	// Alarm, when set, is called at once for each broken verdict that passes the checks.
	Alarm func(Finding)

	// Trace, when set, is told everything that happens to the vehicle.
	Trace func(Happening)

	vehicle *Vehicle
	signals []decode.Signal
	sensors []*sensor   // by decode.SignalIndex; nil: nobody follows it
	takers  [][]Watcher // by decode.SignalIndex
	passes  []*Pass
	watch   []Watcher // one a pass
	ask     map[string]bool
	record  record
	stages  stageTrack
	air     airLog
	done    bool
	wrong   []error // marks that could not be read
}

// NewJudge returns a Judge for the signals and the card (nil: none) that judges by all rules. ask
// names rules that are wanted beside those that the card asks for.
func NewJudge(signals []decode.Signal, card *jobcard.Card, ask []string) *Judge {
	return newJudge(Rules, signals, card, ask)
}

func newJudge(rules []*Rule, signals []decode.Signal, card *jobcard.Card, ask []string) *Judge {
	j := &Judge{signals: signals, ask: map[string]bool{}}
	j.vehicle = newVehicle(card, j.happen)
	for _, name := range ask {
		j.ask[name] = true
	}
	if card != nil {
		for _, name := range card.Ask {
			j.ask[name] = true
		}
	}
	j.sensors = make([]*sensor, len(signals))
	j.takers = make([][]Watcher, len(signals))
	for i := range signals {
		if signals[i].Quantity != decode.Other {
			j.sensors[i] = newSensor(&signals[i])
			j.vehicle.attach(j.sensors[i])
		}
	}
	j.air = newAirLog(j.vehicle)
	for _, r := range rules {
		j.start(r)
	}
	return j
}

// newSensor returns the sensor of a signal, its uncertainty and step in the unit of the rules.
func newSensor(s *decode.Signal) *sensor {
	unit, ok := ruleUnits[s.Quantity]
	if !ok {
		unit = s.Unit
	}
	scale, err := s.Unit.DifferenceIn(unit, 1)
	if err != nil {
		scale, unit = 1, s.Unit
	}
	n := &sensor{signal: s, scale: scale, unit: unit, u: s.Uncertainty * scale, q: s.Step() * scale}
	if n.u == 0 {
		n.u = defaultUncertainty[s.Quantity]
	}
	return n
}

// ruleUnits are the units that the rules count in.
var ruleUnits = map[decode.Quantity]quantity.Unit{
	decode.Pressure:           quantity.Bar,
	decode.SupplyPressure:     quantity.Bar,
	decode.BarometricPressure: quantity.Bar,
	decode.Height:             quantity.Millimetre,
	decode.EngineSpeed:        quantity.RPM,
	decode.VehicleSpeed:       quantity.KilometrePerHour,
	decode.BatteryVoltage:     quantity.Volt,
	decode.AmbientTemperature: quantity.Celsius,
	decode.AirTemperature:     quantity.Celsius,
}

// defaultUncertainty is one standard deviation where the definition gives none, in the rules' unit.
var defaultUncertainty = map[decode.Quantity]float64{
	decode.Pressure: defaultU, // common practice, no source
	decode.Height:   defaultHU,
}

// start makes the passes and watchers of one rule.
func (j *Judge) start(r *Rule) {
	switch r.Scope {
	case PerCorner:
		for _, id := range decode.Corners {
			if j.vehicle.corners[id].onAir {
				j.startPass(&Pass{Rule: r, Corner: id})
			}
		}
	case PerAxle:
		j.startPass(&Pass{Rule: r, Axle: Front})
		j.startPass(&Pass{Rule: r, Axle: Rear})
	case PerVehicle:
		j.startPass(&Pass{Rule: r})
	}
}

func (j *Judge) startPass(p *Pass) {
	p.vehicle, p.judge = j.vehicle, j
	w := p.Rule.Watch(p)
	j.passes = append(j.passes, p)
	j.watch = append(j.watch, w)
	for i, s := range j.sensors {
		if s != nil && slices.Contains(p.Rule.Takes, s.signal.Quantity) && p.hears(s.signal.Corner) {
			j.takers[i] = append(j.takers[i], w)
		}
	}
}

// hears reports whether a signal of that corner concerns the pass.
func (p *Pass) hears(c decode.Corner) bool {
	switch {
	case c == decode.NoCorner || p.Rule.Scope == PerVehicle:
		return true
	case p.Rule.Scope == PerAxle:
		return axleOf(c) == p.Axle
	default:
		return c == p.Corner
	}
}

// Observe follows samples, in the order in which they were decoded.
func (j *Judge) Observe(samples []decode.Sample) {
	for i := range samples {
		j.observe(&samples[i])
	}
}

func (j *Judge) observe(s *decode.Sample) {
	n := j.sensors[s.Signal]
	if n == nil {
		return
	}
	j.Tick(s.At)
	j.vehicle.heard(s.At)
	r := j.reading(n, s)
	gap, valid := n.add(r)
	if !valid {
		j.vehicle.invalid(r)
		return
	}
	n.outside = 0
	if gap.why != "" && r.Quantity == decode.Pressure {
		j.happen(Happening{Kind: SignalGap, At: gap.to, Start: gap.from, Corner: r.Corner, Quantity: r.Quantity})
	}
	j.vehicle.observe(r, gap)
	if r.Quantity == decode.EngineSpeed {
		j.stages.engine(r.Value >= j.vehicle.limits.Get(LimitEngineSpeed, decode.NoCorner).Value, r.At)
	}
	j.air.observe(j.vehicle, r)
	for _, w := range j.takers[s.Signal] {
		w.Sample(r)
	}
}

// reading turns a sample into the unit of the rules; an absolute pressure becomes gauge by the
// barometer.
func (j *Judge) reading(n *sensor, s *decode.Sample) Reading {
	r := Reading{At: s.At, Packet: s.Packet, Source: s.Value, Value: s.Value * n.scale, Raw: s.Raw, Status: s.Status,
		Corner: n.signal.Corner, Quantity: n.signal.Quantity, sensor: n}
	r.Valid = s.Status == decode.StatusValid && !math.IsNaN(s.Value) && !math.IsInf(s.Value, 0)
	switch n.signal.Quantity {
	case decode.AmbientTemperature, decode.AirTemperature:
		if v, err := n.signal.Unit.In(quantity.Celsius, s.Value); err == nil {
			r.Value = v
		}
	case decode.Pressure, decode.SupplyPressure:
		if n.signal.Reference == decode.Absolute {
			baro, u := j.vehicle.barometer()
			r.Value -= baro
			n.u = math.Hypot(max(n.signal.Uncertainty*n.scale, defaultUncertainty[n.signal.Quantity]), u)
		}
	}
	return r
}

// Talk follows what tester and control unit said.
func (j *Judge) Talk(talk *decode.Talk) {
	j.Tick(talk.At)
	j.vehicle.talk(talk)
}

// Now returns the stamp up to which the judge has been fed.
func (j *Judge) Now() capture.Stamp { return j.vehicle.now }

// ahead looks over frames that come next: for reports of controllers that lost some, and for stretches in
// which there is none.
func (j *Judge) ahead(frames []capture.Frame) {
	for i := range frames {
		if frames[i].ControllerOverflow() {
			j.record.overflow(frames[i].Bus)
		}
		j.vehicle.recorded(frames[i].At)
	}
}

// past lets time pass over frames of which every sample was told.
func (j *Judge) past(frames []capture.Frame) {
	last := frames[len(frames)-1].At
	j.Tick(last)
	j.vehicle.heard(last)
}

// Tick lets time pass to at, the stamp of the frame that is looked at.
func (j *Judge) Tick(at capture.Stamp) { j.vehicle.tick(at) }

// Event follows what lies between the frames.
func (j *Judge) Event(e capture.Event) {
	j.record.event(e)
	if e.Kind != capture.EventJournal || e.Name != "mark" {
		return
	}
	m, err := ParseMark(e)
	if err != nil {
		if len(j.wrong) < maxMarks {
			j.wrong = append(j.wrong, err)
		}
		return
	}
	j.Tick(m.At)
	if kept := j.vehicle.marks.add(m); kept != nil {
		j.vehicle.mark(kept)
	}
}

// happen hands a happening to every watcher.
func (j *Judge) happen(h Happening) {
	if h.Kind == MarkTaken {
		j.withdraw(h.Mark)
	}
	if j.Trace != nil {
		j.Trace(h)
	}
	for _, w := range j.watch {
		w.Happen(h)
	}
	j.stages.happen(j.vehicle, h)
	j.air.happen(j.vehicle, h)
}

// withdraw drops the verdicts that rest on a mark which was taken back.
func (j *Judge) withdraw(m *Mark) {
	for _, p := range j.passes {
		p.verdicts = slices.DeleteFunc(p.verdicts, func(v Verdict) bool {
			return slices.ContainsFunc(v.Evidence, func(e Evidence) bool { return e.Mark != "" && e.Record == m.Record && e.At == m.At })
		})
		p.unmarked(m)
	}
}

// Finish ends the recording. Nothing may be fed after it.
func (j *Judge) Finish() {
	if j.done {
		return
	}
	j.done = true
	j.vehicle.finish()
	j.air.finish(j.vehicle)
	for _, w := range j.watch {
		w.Finish(j.vehicle.now)
	}
	j.stages.finish(j.vehicle)
}

// Findings returns what every rule that applied says, worst first. Call it after Finish.
func (j *Judge) Findings() []Finding {
	var all []Finding
	for _, p := range j.passes {
		all = append(all, j.conclude(p)...)
	}
	slices.SortStableFunc(all, func(a, b Finding) int {
		return cmp.Or(cmp.Compare(b.Outcome.rank(), a.Outcome.rank()), cmp.Compare(b.Rule.Severity, a.Rule.Severity),
			cmp.Compare(a.Start, b.Start))
	})
	return all
}

// conclude returns the findings of one pass: all that are broken, or else the one that tells most.
func (j *Judge) conclude(p *Pass) []Finding {
	if !p.applies {
		return nil
	}
	if len(p.verdicts) == 0 {
		return []Finding{j.check(p, j.silent(p))}
	}
	var broken []Finding
	var rest *Finding
	denied := false // rest was broken until a signal proved wrong: somebody may have heard the alarm
	for _, v := range p.verdicts {
		f := j.check(p, v)
		switch {
		case f.Outcome == Broken:
			broken = append(broken, f)
		case rest == nil || f.Outcome.worse(rest.Outcome) || f.Outcome == rest.Outcome && (f.Outcome == Held || v.Outcome == Broken && !denied):
			rest, denied = &f, v.Outcome == Broken
		}
	}
	if len(broken) == 0 {
		return []Finding{*rest}
	}
	if p.dropped > 0 {
		last := &broken[len(broken)-1]
		last.Note = join(last.Note, fmt.Sprintf("and %d more times", p.dropped))
	}
	return broken
}

// silent is the verdict of a rule that applied and said nothing.
func (j *Judge) silent(p *Pass) Verdict {
	v := Verdict{Outcome: CannotTell, Start: j.vehicle.start, End: j.vehicle.now, Reason: NotObservable}
	for _, q := range p.Rule.Takes {
		if s := j.vehicle.sensor(p.Corner, q); s == nil || s.heard == 0 {
			v.Reason = NoSignal
			v.Note = fmt.Sprintf("no %s signal", q)
			break
		}
	}
	return v
}

// check turns a verdict into a finding. Here, and only here, "held" and "broken" become "cannot
// tell" for want of a signal, of a limit, of whole data or of truth.
func (j *Judge) check(p *Pass, v Verdict) Finding {
	f := Finding{Verdict: v, Rule: p.Rule, Corner: p.Corner, Axle: p.Axle, Asked: j.asks(p), Proof: decode.Proven}
	if len(v.Rests) == 0 {
		f.Proof = decode.Assumed
	}
	for _, r := range v.Rests {
		s := j.vehicle.sensor(r.Corner, r.Quantity)
		if s != nil {
			f.Proof = weaker(f.Proof, s.proof())
		}
		if f.Outcome == CannotTell {
			continue
		}
		if s != nil && s.mixedUp && f.Outcome == Broken {
			f.Note = join(f.Note, s.contradiction) // at one of the corners it is so
		} else if s != nil && s.contradicted {
			f.deny(IsContradicted, j.revised(v, s))
		} else if f.Outcome == Held {
			if why := j.vehicle.whole(s, r.From, r.To); why != "" {
				f.deny(why, restText(s, r, why))
			}
		}
	}
	for _, name := range p.Rule.Limits {
		t := p.Limit(name)
		if f.Outcome != CannotTell && !t.Known || f.Outcome == Held && name == LimitLeast && t.From != "card" {
			f.deny(NoLimit, fmt.Sprintf("no %s given", name))
		}
	}
	if f.Outcome == CannotTell {
		f.Summary = cannotTellSentence(p, f)
		// Nobody can ask a bus that sleeps; only somebody who wants to know gets 'cannot tell' for it.
		f.Asked = f.Asked && (f.Reason != BusAsleep || j.ask[p.Rule.Name])
	}
	return f
}

// deny turns the finding into "cannot tell".
func (f *Finding) deny(why Reason, note string) {
	f.Outcome, f.Reason, f.Note = CannotTell, why, join(f.Note, note)
}

// revised says what was said before a signal proved wrong, and what denied it (HAZARDS H16).
func (j *Judge) revised(v Verdict, s *sensor) string {
	if v.End <= s.contradictedAt {
		return fmt.Sprintf("the frames said: %s; then, at %s, %s", v.Summary, j.vehicle.clock(s.contradictedAt), s.contradiction)
	}
	return s.contradiction
}

func restText(s *sensor, r Rest, why Reason) string {
	if s == nil {
		return fmt.Sprintf("no %s signal", r.Quantity)
	}
	return fmt.Sprintf("%s was %s", s.signal.Name, map[Reason]string{NoSignal: "never heard", Invalid: "invalid", Stale: "stale", Gap: "not recorded",
		BusAsleep: "silent: the bus was asleep"}[why])
}

// weaker returns the weaker of two proofs.
func weaker(a, b decode.Proof) decode.Proof {
	rank := [...]int{decode.Assumed: 1, decode.Proven: 2, decode.Contradicted: 0}
	if rank[b] < rank[a] {
		return b
	}
	return a
}

// asks reports whether the pass was asked for.
func (j *Judge) asks(p *Pass) bool {
	if j.ask[p.Rule.Name] {
		return true
	}
	switch p.Rule.Asked {
	case AskedAlways:
		return true
	case AskedByMark:
		return p.marked
	case AskedByCard:
		return p.applies
	default:
		return false
	}
}

func join(a, b string) string {
	switch {
	case a == "":
		return b
	case b == "" || a == b:
		return a
	default:
		return a + "; " + b
	}
}
