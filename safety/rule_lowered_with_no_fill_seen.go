package safety

import (
	"fmt"
	"slices"

	"ridewitness/capture"
)

var loweredWithNoFillSeen = &Rule{
	Name:  "lowered-with-no-fill-seen",
	Title: "whether it was filled again after the bleed, before it came down",
	Doc: `The corner was bled or its line opened, and since then nobody asked for a fill that was
answered, nobody said that it is filled, and its pressure was not seen to rise by 0.3 bar at rest;
then the body came down, or somebody said that it goes down or is down. It needs no pressure
signal: it can break and never hold. Where the bleed is known from marks alone and the tester's
requests can't be read, or its pressure had risen by 0.3 bar where nobody saw it, or was not seen since a
stretch in which nothing was recorded, or is more since that than a bleed leaves, nothing can be told.`,
	Source:   "common practice, no source",
	Severity: Danger,
	Scope:    PerCorner,
	Asked:    AskedNever,
	Watch:    func(p *Pass) Watcher { return &noFillWatch{p: p} },
}

type noFillWatch struct {
	deaf
	p     *Pass
	bled  bool
	mark  *Mark      // by which it is known, nil where a request tells
	proof []Evidence // of the bleed
	class Class

	since  capture.Stamp // when it was bled
	filled capture.Stamp // when the last fill was seen: no mark before it counts again
}

func (w *noFillWatch) Happen(h Happening) {
	switch h.Kind {
	case MarkSet:
		w.marked(h.Mark)
	case MarkTaken:
		w.retrace(h.Mark)
	case RequestMade:
		w.asked(h.Request)
	case AirStep:
		if w.p.mine(h) && h.Move.Fill && h.Move.Change() >= airMoveLeast {
			w.bled, w.filled = false, h.At
		}
	case DescentBegan, DescentJoined:
		if w.p.mine(h) {
			w.down(h.Start, h.At, h.Closing.evidence(), Seen)
		}
	}
}

// asked follows a bleed or a fill that the tester asked for and the unit granted.
func (w *noFillWatch) asked(r *Request) {
	if !r.Accepted() || r.Stop || !slices.Contains(r.Corners, w.p.Corner) {
		return
	}
	if r.Stage == StageFill {
		w.bled, w.filled = false, r.Asked
		return
	}
	w.bled, w.since, w.mark, w.proof, w.class = true, r.Asked, nil, r.Evidence, Seen
}

func (w *noFillWatch) marked(m *Mark) {
	switch m.Name {
	case MarkGoingDown, MarkLowered:
		w.down(m.At, m.At, []Evidence{m.evidence()}, Said)
		return
	}
	if !w.p.meant(m) {
		return
	}
	switch m.Name {
	case MarkBled, MarkLineOpen:
		if !w.bled || w.mark != nil {
			w.bled, w.since, w.mark, w.proof, w.class = true, m.At, m, []Evidence{m.evidence()}, Said
		}
	case MarkFilled:
		w.bled = false
	}
}

// retrace finds the bleed that counts after a mark was taken back.
func (w *noFillWatch) retrace(taken *Mark) {
	if w.bled && w.mark == nil {
		return // a request tells of it
	}
	w.bled = false
	if last := w.p.vehicle.marks.last(w.p.Corner, MarkBled, MarkLineOpen, MarkFilled); last != nil && last.At > w.filled && w.p.meant(last) {
		w.marked(last)
	}
}

// unseen reports whether a fill may lie in a stretch in which nothing was recorded: its pressure was seen
// before, but not since, or is more now than a bleed leaves. One that was never seen shows no fill either way.
func (w *noFillWatch) unseen(at capture.Stamp) bool {
	p := w.p.corner().pressure
	gap := w.p.vehicle.unrecorded(w.since, at)
	return gap != 0 && p != nil && p.seen && (p.last.At < gap || p.last.Value-2*p.u > w.p.vehicle.limits.Get(LimitResidual, w.p.Corner).Value)
}

func (w *noFillWatch) down(from, at capture.Stamp, evidence []Evidence, class Class) {
	if !w.bled {
		return
	}
	w.bled = false
	v := Verdict{Start: from, End: at, Class: max(w.class, class), Evidence: append(slices.Clone(w.proof), evidence...)}
	readable, named := w.p.vehicle.readable(w.p.Corner, StageFill)
	switch {
	case w.mark != nil && named && !readable:
		v.Reason, v.Note = NotObservable, "the tester's requests on the job card could not be read from this recording"
	case w.p.corner().air.filledUnseen > w.since:
		v.Reason, v.Note = Gap, "its pressure had risen where nobody saw it: a fill may have been missed"
	case w.unseen(at):
		v.Reason, v.Note = Gap, "nothing was recorded for a while since, and its pressure says nothing against a fill meanwhile"
	default:
		v.Outcome = Broken
		v.Summary = fmt.Sprintf("%s came down: bled, and no filling seen since", w.p.Corner)
	}
	w.p.Report(v)
}
