package safety

import (
	"fmt"

	"ridewitness/capture"
	"ridewitness/decode"
)

var loweredWithNoFillSeen = &Rule{
	Name:  "lowered-with-no-fill-seen",
	Title: "whether it was filled again after the bleed, before it came down",
	Doc: `The corner was bled or its line opened, and since then nobody asked for a fill that was
answered, nobody said that it is filled, and its pressure was not seen to rise by 0.3 bar at rest;
then the body came down, or somebody said that it goes down or is down. It needs no pressure
signal: it can break and never hold. Where the bleed is known from marks alone and the tester's
requests can't be read, nothing can be told.`,
	Source:   "common practice, no source",
	Severity: Danger,
	Scope:    PerCorner,
	Asked:    AskedNever,
	Watch:    func(p *Pass) Watcher { return &noFillWatch{p: p} },
}

type noFillWatch struct {
	deaf
	p     *Pass
	bled  *Mark
	since capture.Stamp
}

func (w *noFillWatch) Happen(h Happening) {
	switch h.Kind {
	case MarkSet:
		w.mark(h.Mark)
	case MarkTaken:
		w.retrace(h)
	case AirStep:
		if w.p.mine(h) && h.Move.Fill && h.Move.Change() >= airMoveLeast {
			w.bled = nil
		}
	case DescentBegan, DescentJoined:
		if w.p.mine(h) {
			w.down(h.Start, h.At, h.Closing.evidence())
		}
	}
}

func (w *noFillWatch) mark(m *Mark) {
	switch m.Name {
	case MarkGoingDown, MarkLowered:
		w.down(m.At, m.At, []Evidence{m.evidence()})
		return
	}
	if !w.p.meant(m) {
		return
	}
	switch m.Name {
	case MarkBled, MarkLineOpen:
		w.bled, w.since = m, m.At
	case MarkFilled:
		w.bled = nil
	}
}

// retrace finds the bleed that counts after a mark was taken back.
func (w *noFillWatch) retrace(h Happening) {
	last := w.p.vehicle.marks.last(w.p.Corner, MarkBled, MarkLineOpen, MarkFilled)
	switch {
	case last == nil || last.Name == MarkFilled:
		if w.bled == h.Mark {
			w.bled = nil
		}
	case h.Mark.Name == MarkFilled || w.bled == h.Mark:
		w.bled, w.since = last, last.At
	}
}

func (w *noFillWatch) down(from, at capture.Stamp, evidence []Evidence) {
	if w.bled == nil {
		return
	}
	v := Verdict{Start: from, End: at, Class: Said, Evidence: append([]Evidence{w.bled.evidence()}, evidence...)}
	if w.requestsUnread() {
		v.Reason, v.Note = NotObservable, "the tester's requests on the job card could not be read from this recording"
	} else {
		v.Outcome = Broken
		v.Summary = fmt.Sprintf("%s came down: bled, and no filling seen since", w.p.Corner)
	}
	w.p.Report(v)
	w.bled = nil
}

// requestsUnread reports whether the card names requests that would tell of a fill, which nobody
// has read.
func (w *noFillWatch) requestsUnread() bool {
	card := w.p.vehicle.card
	if card == nil {
		return false
	}
	for _, s := range card.Stages {
		if s.Stage == StageFill && contains(s.Corners, w.p.Corner) {
			return true
		}
	}
	return false
}

func contains(cs []decode.Corner, c decode.Corner) bool {
	for _, o := range cs {
		if o == c {
			return true
		}
	}
	return false
}
