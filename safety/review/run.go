package review

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/decode"
	"ridewitness/safety"
	"ridewitness/safety/jobcard"
)

// Input is a session and what is known beside it.
type Input struct {
	Source      capture.Source
	File        string // name, for the report
	Signals     []decode.Signal
	Card        *jobcard.Card // nil: none
	CardName    string
	Ask         []string
	Definitions []string // names of the definition files
	Replaced    []string // definitions that a later file replaced
	// Integrity returns the verdict on the file once the source has ended; nil where there is none.
	Integrity func() session.Integrity
	// Progress, when set, is told now and then how far the session has been read.
	Progress func(at capture.Stamp)
}

// Run judges a session in one forward pass.
func Run(ctx context.Context, in Input) (*Review, error) {
	pipeline, err := safety.NewPipeline(in.Signals, in.Card, in.Ask)
	if err != nil {
		return nil, err
	}
	plots := newPlots(pipeline.Decoder.Signals())
	pipeline.Tap = plots.add
	var facts session.Facts
	var losses []Loss
	var handovers []handover
	err = capture.Each(ctx, in.Source, func(batch *capture.Batch) {
		facts.Observe(batch)
		pipeline.Take(batch)
		losses = appendLosses(losses, batch, &facts)
		handovers = appendHandovers(handovers, batch)
		if in.Progress != nil {
			in.Progress(pipeline.Judge.Now())
		}
	})
	if err != nil {
		return nil, err
	}
	pipeline.Finish()
	r := &Review{Schema: Schema, judged: pipeline.Judge, signals: pipeline.Decoder.Signals()}
	r.session(in, &facts)
	r.judge(pipeline.Judge)
	r.record(in, &facts, pipeline)
	r.corners(in, pipeline.Judge, plots)
	r.Record.Losses = losses
	r.handovers(handovers)
	r.Outcome = r.outcome()
	return r, nil
}

// session fills the facts of the recording.
func (r *Review) session(in Input, f *session.Facts) {
	s := &r.Session
	*s = Session{File: in.File, Start: f.Start().String(), End: f.End().String(), Frames: f.Frames(), Lost: f.Lost(),
		Origin: f.Origin(), Integrity: session.Unsealed.String(), Anchors: []string{}, Buses: []Bus{}}
	if in.Integrity != nil {
		verdict := in.Integrity()
		s.Integrity = verdict.Verdict.String()
		r.Record.IntegrityNote = IntegrityNote(verdict)
	}
	if m := f.Mended(); m != nil {
		s.MendedFrom = &m.Integrity
	}
	if before := f.GoesOn(); before != nil {
		name := filepath.Base(before.File)
		s.GoesOnFrom = &name
	}
	for _, b := range f.Buses() {
		s.Buses = append(s.Buses, Bus{Name: b.Name, Frames: b.Frames, Lost: b.Lost})
	}
}

// IntegrityNote says in words what the seals prove.
func IntegrityNote(i session.Integrity) string {
	proven := "nothing of it is proven"
	if i.Proven.Offset > 0 {
		proven = fmt.Sprintf("proven up to %s, packet %d", i.Proven.At, i.Proven.Packet)
	}
	switch i.Verdict {
	case session.Sealed:
		return "every byte is as it was written; without an anchor that proves nothing against the file's owner"
	case session.Altered, session.CutShort:
		return i.Why + "; " + proven
	default:
		return "it has no seal: nothing proves it, and nothing speaks against it"
	}
}

// judge takes over what the judge says.
func (r *Review) judge(j *safety.Judge) {
	r.Stages, r.Findings, r.Limits, r.Leaks, r.Sag = []Stage{}, []Finding{}, []Limit{}, []Leak{}, []Sag{}
	for _, s := range j.Stages() {
		r.Stages = append(r.Stages, Stage{Stage: s.Name, Corners: cornerNames(s.Corners), Start: s.Start.String(), End: s.End.String(),
			From: s.From, From0: s.Start, To0: s.End})
	}
	findings := j.Findings()
	for i := range findings {
		r.Findings = append(r.Findings, findingOf(&findings[i]))
	}
	r.limits(j, findings)
	for _, l := range j.Leaks() {
		r.Leaks = append(r.Leaks, leakOf(l))
	}
	for _, s := range j.Sags() {
		r.Sag = append(r.Sag, sagOf(s))
	}
}

func cornerNames(cs []decode.Corner) []string {
	names := make([]string, 0, len(cs))
	for _, c := range cs {
		names = append(names, c.String())
	}
	return names
}

func findingOf(f *safety.Finding) Finding {
	out := Finding{Rule: f.Rule.Name, Outcome: f.Outcome.String(), Asked: f.Asked, Severity: f.Rule.Severity.String(),
		Corner: f.Corner.String(), Axle: f.Axle.String(), Start: f.Start.String(), End: f.End.String(), Summary: f.Summary,
		Class: f.Class.String(), Source: f.Rule.Source, Proof: f.Proof.String(), Evidence: []Evidence{},
		Reason: string(f.Reason), Note: f.Note, From0: f.Start, To0: f.End, Title: f.Rule.Title}
	for _, e := range f.Evidence {
		out.Evidence = append(out.Evidence, evidenceOf(e))
		if e.Signal == "" {
			continue
		}
		if rests := fmt.Sprintf("%s (%s)", e.Signal, e.Proof); !slices.Contains(out.RestsOn, rests) {
			out.RestsOn = append(out.RestsOn, rests)
		}
	}
	return out
}

func evidenceOf(e safety.Evidence) Evidence {
	out := Evidence{Time: e.At.String(), Signal: e.Signal, Frame: e.Packet, Mark: e.Mark, Record: e.Record, At0: e.At}
	switch {
	case len(e.Message) > 0:
		out.Message = fmt.Sprintf("% X", e.Message)
	case e.Signal != "":
		out.Proof = e.Proof.String()
		out.State = e.State
		if e.State == "" {
			v := e.Value
			out.Value, out.Unit = &v, e.Unit
		}
	}
	return out
}

// limits lists every threshold of the rules that applied, one row for each place that it counted at.
func (r *Review) limits(j *safety.Judge, findings []safety.Finding) {
	type row struct {
		rule   string
		limit  safety.Threshold
		corner decode.Corner
	}
	seen := map[row]bool{}
	for i := range findings {
		f := &findings[i]
		for _, t := range j.Thresholds(f) {
			key := row{f.Rule.Name, t, f.Corner}
			if seen[key] {
				continue
			}
			seen[key] = true
			l := Limit{Rule: f.Rule.Name, Name: t.Name.String(), Unit: t.Unit, From: t.From, Corner: f.Corner.String()}
			if t.Known {
				v := t.Value
				l.Value = &v
			}
			r.Limits = append(r.Limits, l)
		}
	}
}

func leakOf(l safety.LeakRow) Leak {
	e := l.Estimate
	out := Leak{Corner: l.Corner.String(), Regime: e.Regime.String(), Start: l.Start.String(), End: l.End.String(),
		Confidence: e.Confidence, Outcome: e.Outcome.String(), NeedsS: e.NeedsS, Note: e.Note, PressureBar: e.MeanGauge / 1e5}
	if e.HasRate {
		si, anr := e.PaM3PerS(), e.MlMin()
		out.Rate = &Interval{Value: si.Value, Low: si.Low, High: si.High, Unit: "Pa m3/s"}
		out.RateANR = &Interval{Value: anr.Value, Low: anr.Low, High: anr.High}
	}
	if e.LimitMlMin > 0 {
		limit := e.LimitMlMin
		out.LimitANR = &limit
	}
	if e.SagMMIn12h != nil {
		mm := e.SagMMIn12h.Value
		out.SagMMIn12h = &mm
	}
	return out
}

func sagOf(s safety.SagRow) Sag {
	out := Sag{Corner: s.Corner.String(), Start: s.Start.String(), End: s.End.String(), DropMM: s.Sag.DropMM.Value,
		Causes: []Cause{}, Note: s.Sag.Note, Sentence: s.Sag.Sentence}
	for _, c := range s.Sag.Causes {
		out.Causes = append(out.Causes, Cause{Cause: c.Cause.String(), MM: c.MM, LowMM: c.LowMM, HighMM: c.HighMM, Weight: c.Weight, Note: c.Note})
	}
	return out
}

// partMissing says whether the record goes on where the file does not: a cut file, or what was left of one,
// however well the copy is sealed; or whether it began in another file.
func (r *Review) partMissing() bool {
	return r.Session.Integrity == session.CutShort.String() || r.Session.MendedFrom != nil || r.Session.GoesOnFrom != nil
}

// outcome sums up: a broken danger or warning, asked or not, or an altered file warns; an asked rule
// that cannot tell, none that holds, or a file of which a part is missing cannot tell. Advice never decides.
func (r *Review) outcome() string {
	if r.Session.Integrity == session.Altered.String() {
		return WarningGiven
	}
	held, untold := false, r.partMissing()
	for i := range r.Findings {
		f := &r.Findings[i]
		switch f.Outcome {
		case safety.Broken.String():
			if f.Severity != safety.Advice.String() {
				return WarningGiven
			}
		case safety.Held.String():
			held = held || f.Asked
		default:
			untold = untold || f.Asked
		}
	}
	if untold || !held {
		return CannotTellAny
	}
	return NothingFound
}

// record fills what a reader may want to know beside the session's facts.
func (r *Review) record(in Input, f *session.Facts, p *safety.Pipeline) {
	rec := &r.Record
	rec.Start, rec.End = f.Start(), f.End()
	rec.Definitions, rec.Card, rec.Replaced = in.Definitions, in.CardName, in.Replaced
	rec.Proven, rec.Assumed, rec.Contradicted = p.Judge.Proofs()
	rec.NotDecoded = notDecoded(p.Decoder)
	for _, err := range p.Judge.Unreadable() {
		rec.Unreadable = append(rec.Unreadable, err.Error())
	}
	for _, g := range f.Gaps() {
		rec.Gaps = append(rec.Gaps, Gap{g.From, g.To})
	}
	for _, err := range f.Damage() {
		if len(rec.Damage) < maxDamageShown {
			rec.Damage = append(rec.Damage, err.Error())
		}
	}
	for _, m := range p.Judge.Marks() {
		rec.Marks = append(rec.Marks, Mark{At: m.At, Name: m.Name, Corner: m.Corner.String(), Value: m.Value, Record: m.Record})
	}
	rec.card(in.Card)
}

const maxDamageShown = 20

// notDecoded says which signals gave no value because nothing in this session serves them, and who
// else sent values that did not count.
func notDecoded(d *decode.Decoder) []string {
	var all []string
	signals := d.Signals()
	for _, u := range d.Undecodable() {
		all = append(all, fmt.Sprintf("%s: %s", signals[u.Signal].Name, u.Why))
	}
	for _, other := range d.Reports() {
		all = append(all, fmt.Sprintf("%s: a second sender sent %d values, from packet %d on; the first one heard counts",
			signals[other.Signal].Name, other.Values, other.FirstPacket))
	}
	return all
}

func (rec *Record) card(card *jobcard.Card) {
	if card == nil {
		rec.SpringsByGuess = true
		return
	}
	rec.Job, rec.Label, rec.SpringsByGuess = card.Job, card.Label, !card.HasSprings
	for _, s := range card.Said {
		rec.Said = append(rec.Said, fmt.Sprintf("%s (%s)", s.Item, s.By))
	}
	if card.HasSprings {
		for _, c := range decode.Corners {
			if card.Springs[c] == nil {
				rec.NotAirSprung = append(rec.NotAirSprung, c.String())
			}
		}
	}
}

// corners fills what the pictures show.
func (r *Review) corners(in Input, j *safety.Judge, p *plots) {
	for _, id := range decode.Corners {
		s := j.Corner(id)
		c := &r.Corners[id]
		c.OnAir = s.OnAir
		c.Pressure, c.Height = p.of(j, id, decode.Pressure), p.of(j, id, decode.Height)
		c.Present = len(c.Pressure.Points)+len(c.Height.Points) > 0
		if s.OnAir && s.Least.Known {
			c.Least = &s.Least.Value
		}
		if s.OnAir && s.Greatest.Known {
			c.Greatest = &s.Greatest.Value
		}
		if s.SeriesKnown {
			c.Series = &s.Series
		}
		c.Last = lastWords(s)
	}
}

func lastWords(s safety.CornerState) string {
	text := ""
	if s.Pressure.Valid {
		text = fmt.Sprintf("%.2f bar gauge", s.Pressure.Value)
	}
	if s.Height.Valid {
		if text != "" {
			text += ", "
		}
		text += fmt.Sprintf("%.1f mm", s.Height.Value)
	}
	return text
}

// maxLossesShown bounds the losses that have their mark on the time axis.
const maxLossesShown = 200

// appendLosses adds the losses that a batch tells of.
func appendLosses(losses []Loss, b *capture.Batch, f *session.Facts) []Loss {
	for i := range b.Events {
		e := &b.Events[i]
		if e.Kind != capture.EventLoss || len(losses) == maxLossesShown {
			continue
		}
		name := ""
		if buses := f.Buses(); int(e.Bus) < len(buses) {
			name = buses[e.Bus].Name
		}
		losses = append(losses, Loss{From: e.At, To: e.At, Bus: name, Frames: e.Count})
	}
	return losses
}

// handover is a record of somebody who took the job over.
type handover struct {
	*session.HandoverRecord
	at     capture.Stamp
	record uint64
}

// maxHandovers bounds the handovers that are listed; the latest count.
const maxHandovers = 20

// appendHandovers adds the handovers that a batch tells of.
func appendHandovers(all []handover, b *capture.Batch) []handover {
	for i := range b.Events {
		h := session.ReadHandover(&b.Events[i])
		if h == nil {
			continue
		}
		if len(all) == maxHandovers {
			all = slices.Delete(all, 0, 1)
		}
		all = append(all, handover{h, b.Events[i].At, b.Events[i].Record})
	}
	return all
}

// handovers puts those who took over among what was said.
func (r *Review) handovers(all []handover) {
	for _, h := range all {
		said := "handed over to " + orNone(h.To)
		if h.By != "" {
			said += " by " + h.By
		}
		said += fmt.Sprintf(", %s (J%d)", r.clock(h.at), h.record)
		if h.Note != "" {
			said += ": " + h.Note
		}
		r.Record.Said = append(r.Record.Said, said)
	}
}
