package safety

import (
	"cmp"
	"slices"
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/decode/uds"
)

// Lookout follows, for a screen, what stands against letting the body down (HAZARDS H05, H06, H08).
// It answers from the first frame on, not only after the end, and only ever says "do not" or
// nothing: a corner counts as proven by what was seen of it, never by silence.
//
//	bled, line open, unseen, squeezed ----> not proven
//	a pressure above least by its uncertainty, its step and what a warm fill loses,
//	read while the corner does not close ----> proven
type Lookout struct {
	// Reading, when set, is told each valid pressure and height of a corner.
	Reading func(Reading)

	// Unproven, when set, is called when a descent begins, for each corner on air whose spring was
	// not seen above its least pressure since it was last bled or opened; and for one that joins.
	Unproven func(StandingLine, Happening)

	judge   *Judge
	corners [5]lookCorner
	stage   StageNow
	engine  capture.Stamp // since when it runs, 0: it does not, or nobody knows
	descent bool
}

// lookCorner is what the lookout remembers of one corner.
type lookCorner struct {
	proven   bool
	bled     capture.Stamp
	bledBy   *Mark // nil where a request or the pressure tells of it
	fills    int   // granted since the bleed
	filling  capture.Stamp
	refused  capture.Stamp
	code     uds.Code
	said     *Mark
	squeezed bool
	lowest   float64 // height since it was squeezed, mm
}

// NewLookout attaches a lookout to a judge that was not fed yet.
func NewLookout(j *Judge) *Lookout {
	l := &Lookout{judge: j}
	j.watch = append(j.watch, l)
	for i, s := range j.sensors {
		if s != nil && (s.signal.Corner != decode.NoCorner || s.signal.Quantity == decode.EngineSpeed) {
			j.takers[i] = append(j.takers[i], l)
		}
	}
	return l
}

// StandingKind says what stands against lowering at a corner. The zero value is nothing.
type StandingKind uint8

const (
	NothingSeen    StandingKind = iota // nothing is known against it; that is no proof
	SaidFilled                         // somebody said that it is filled, nobody saw it
	NotYetSeen                         // what went before is unknown, and it was not seen above least
	NoLeastGiven                       // the card gives no least pressure
	Unseen                             // its pressure is not fresh, or never was valid
	BledNoPressure                     // bled, no fill granted since, no pressure signal
	NotProven                          // its pressure does not prove it: below least, squeezed, warm
	LineIsOpen                         // its line is marked open
)

var standingNames = [...]string{"nothing-seen", "said-filled", "not-yet-seen", "no-least-given", "unseen", "bled-no-pressure", "not-proven", "line-open"}

// String returns the word used in JSON.
func (k StandingKind) String() string { return nameOf(standingNames[:], uint8(k), "StandingKind") }

// MarshalText implements encoding.TextMarshaler.
func (k StandingKind) MarshalText() ([]byte, error) { return []byte(k.String()), nil }

// StandingLine is what stands against lowering at one corner, with the facts for the sentence.
type StandingLine struct {
	Corner   decode.Corner
	Kind     StandingKind
	Pressure SignalState
	Least    Threshold
	Bled     capture.Stamp // 0: not seen and not said
	Fills    int           // fills granted since the bleed
	Refused  capture.Stamp // the last fill that was refused since the bleed, 0: none
	Code     uds.Code      // of the refusal
	Line     capture.Stamp // when it was marked open
	SaidAt   capture.Stamp // when it was said to be filled
	SaidBy   string
	Squeezed bool // its pressure was read while it closed, or after it came down unproven
}

// Standing returns what stands against lowering at now, worst first; corners at which nothing does
// are left out.
func (l *Lookout) Standing(now capture.Stamp) []StandingLine {
	var all []StandingLine
	for _, id := range decode.Corners {
		if s := l.Corner(id, now); s.Kind != NothingSeen {
			all = append(all, s)
		}
	}
	slices.SortStableFunc(all, func(a, b StandingLine) int { return cmp.Compare(b.Kind, a.Kind) })
	return all
}

// Corner returns what stands against lowering at one corner.
func (l *Lookout) Corner(id decode.Corner, now capture.Stamp) StandingLine {
	c, k := l.judge.vehicle.corners[id], &l.corners[id]
	s := StandingLine{Corner: id, Pressure: c.pressure.state(now), Least: l.judge.vehicle.least(id),
		Bled: k.bled, Fills: k.fills, Refused: k.refused, Code: k.code, Squeezed: k.squeezed}
	if k.said != nil {
		s.SaidAt, s.SaidBy = k.said.At, k.said.By
	}
	if c.lineOpen != nil {
		s.Line = c.lineOpen.At
	}
	// A bleed or an open line that somebody marked at a corner tells of air there, whatever is not known
	// of it (HAZARDS H06).
	if c.onAir || c.lineOpen != nil || k.bled != 0 {
		s.Kind = l.kind(c, k, &s)
	}
	return s
}

// kind finds what counts at a corner. What somebody said stands in for what was not seen, never for
// what was.
func (l *Lookout) kind(c *corner, k *lookCorner, s *StandingLine) StandingKind {
	low := s.Pressure.Seen && s.Pressure.Last.Value < s.Least.Value
	switch {
	case c.lineOpen != nil:
		return LineIsOpen
	case s.Pressure.Fresh() && low:
		return NotProven
	case k.said != nil && !k.proven:
		return SaidFilled
	case c.pressure == nil && k.bled != 0 && k.fills == 0 && k.filling == 0:
		return BledNoPressure
	case c.pressure == nil && k.bled == 0:
		return NotYetSeen
	case c.pressure == nil:
		return NothingSeen
	case k.bled == 0 && !s.Pressure.Seen:
		return NotYetSeen
	case !s.Pressure.Fresh():
		return Unseen
	case !s.Least.Known || s.Least.From != "card":
		return NoLeastGiven
	case !k.proven:
		return NotProven
	default:
		return NothingSeen
	}
}

// Sample follows a reading of a corner or of the engine.
func (l *Lookout) Sample(r Reading) {
	switch r.Quantity {
	case decode.Pressure:
		l.pressure(r)
	case decode.Height:
		k := &l.corners[r.Corner]
		k.lowest = min(k.lowest, r.Value)
		if k.squeezed && l.judge.vehicle.phase == Standing && r.Value >= k.lowest+openBy {
			k.squeezed = false // it was filled: air has lifted the body off it
		}
	case decode.EngineSpeed:
		l.runs(r)
		return
	}
	if l.Reading != nil {
		l.Reading(r)
	}
}

func (l *Lookout) runs(r Reading) {
	switch runs := r.Value >= l.judge.vehicle.limits.Get(LimitEngineSpeed, decode.NoCorner).Value; {
	case !runs:
		l.engine = 0
	case l.engine == 0:
		l.engine = r.At
	}
}

// pressure holds a reading against the least pressure. A rise while the bellows is crushed proves
// nothing; a low reading always counts.
func (l *Lookout) pressure(r Reading) {
	v := l.judge.vehicle
	c, k := v.corners[r.Corner], &l.corners[r.Corner]
	least := v.least(r.Corner)
	if r.Value < least.Value || r.sensor.contradicted {
		k.proven = false
		return
	}
	if k.squeezed || c.closing != nil || !least.Known {
		return
	}
	warm, _ := c.air.warm(r.At, c.settle(v.limits.Get(LimitSettle, r.Corner)))
	if r.Value-warm-2*r.sensor.u-r.sensor.q >= least.Value {
		k.proven = true
	}
}

// Happen follows what happens to the vehicle.
func (l *Lookout) Happen(h Happening) {
	switch h.Kind {
	case PhaseChanged:
		l.phase(h)
	case CornerClosing:
		l.squeeze(h.Corner, h.Closing.Level)
	case CornerReturn:
		l.corners[h.Corner].squeezed = false
	case DescentBegan, DescentJoined:
		l.down(h)
	case DescentEnded:
		l.descent = false
		l.stage = StageNow{}
	case AirStep:
		l.airStep(h.Move)
	case RequestMade:
		l.asked(h.Request)
	case MarkSet:
		l.marked(h.Mark)
	case MarkTaken:
		l.retrace(h.Mark)
	}
}

// Finish implements Watcher.
func (l *Lookout) Finish(capture.Stamp) {}

func (l *Lookout) phase(h Happening) {
	if h.To != Rising && h.To != Hanging {
		return
	}
	for i := range l.corners {
		l.corners[i].squeezed = false
	}
}

// squeeze notes that a corner closes before it was proven.
func (l *Lookout) squeeze(id decode.Corner, level float64) {
	if k := &l.corners[id]; !k.proven {
		k.squeezed, k.lowest = true, level
	}
}

func (l *Lookout) down(h Happening) {
	first := !l.descent
	l.descent = true
	if first {
		l.stage = StageNow{Name: StageLowering, Since: h.Start, From: "signals"}
	}
	if h.Closing.Blind {
		l.squeeze(h.Corner, h.Closing.Level)
	}
	if l.Unproven == nil {
		return
	}
	for _, id := range decode.Corners {
		if s := l.Corner(id, h.At); (first || id == h.Corner) && l.judge.vehicle.corners[id].onAir && !l.corners[id].proven && s.Kind != NothingSeen {
			l.Unproven(s, h)
		}
	}
}

// airStep follows air that was seen to move with no request for it, or beside one.
func (l *Lookout) airStep(m *AirMove) {
	k := &l.corners[m.Corner]
	switch {
	case m.Change() < airMoveLeast:
	case m.Fill:
		k.filling, k.squeezed = m.End(), false
	case k.bled == 0 || k.filling > k.bled || k.fills > 0:
		k.bleed(m.Start(), nil)
	}
}

func (k *lookCorner) bleed(at capture.Stamp, by *Mark) {
	*k = lookCorner{bled: at, bledBy: by, squeezed: k.squeezed, lowest: k.lowest}
}

func (l *Lookout) asked(r *Request) {
	for _, id := range r.Corners {
		k := &l.corners[id]
		switch {
		case r.Stop:
		case r.Stage == StageBleed && r.Accepted():
			k.bleed(r.Asked, nil)
		case r.Stage == StageFill && r.Accepted():
			k.fills++
			k.squeezed, k.refused = false, 0
		case r.Stage == StageFill && r.Refused():
			k.refused, k.code = r.Decided, r.Code
		}
	}
}

func (l *Lookout) marked(m *Mark) {
	for _, c := range l.judge.vehicle.meant(m) {
		k := &l.corners[c.id]
		switch m.Name {
		case MarkBled, MarkLineOpen:
			if k.bled == 0 || k.fills > 0 || k.filling > k.bled || k.said != nil {
				k.bleed(m.At, m)
			}
			k.proven = false
		case MarkFilled:
			k.said = m
		}
	}
}

// retrace forgets what a mark that was taken back had said.
func (l *Lookout) retrace(taken *Mark) {
	for _, c := range l.judge.vehicle.meant(taken) {
		k := &l.corners[c.id]
		if k.said == taken {
			k.said = nil
		}
		if k.bledBy != taken {
			continue
		}
		k.bled, k.bledBy = 0, nil
		if m := l.judge.vehicle.marks.last(c.id, MarkBled, MarkLineOpen); m != nil {
			k.bled, k.bledBy = m.At, m
		}
	}
}

// StageNow is the stretch of the session that goes on at present. Name is empty where nobody can
// tell.
type StageNow struct {
	Name    string
	Corners []decode.Corner
	Since   capture.Stamp
	From    string // mark, request or signals
}

// Stage returns what goes on now: the descent first, then what the tester does, the lines, the
// engine, and how the body rests. Names beside those of stages are the phases.
func (l *Lookout) Stage() StageNow {
	v := l.judge.vehicle
	if l.descent {
		return l.stage
	}
	for _, r := range slices.Backward(v.requests.runs) {
		if r.End == 0 {
			return StageNow{Name: r.Stage, Corners: r.Corners, Since: r.Start, From: "request"}
		}
	}
	open := StageNow{Name: StageLineOpen, From: "mark"}
	for _, id := range decode.Corners {
		if m := v.corners[id].lineOpen; m != nil {
			open.Corners = append(open.Corners, id)
			if open.Since == 0 || m.At < open.Since {
				open.Since = m.At
			}
		}
	}
	switch {
	case open.Since != 0:
		return open
	case l.engine != 0:
		return StageNow{Name: StageEngineRun, Since: l.engine, From: "signals"}
	case v.phase == Rising:
		return StageNow{Name: StageLift, Since: v.raiseStart, From: "signals"}
	case v.phase != PhaseUnknown:
		return StageNow{Name: v.phase.String(), Since: v.phaseSince, From: "signals"}
	default:
		return StageNow{}
	}
}

// SignalState says what can be shown of a signal. The zero value is one that is not defined.
type SignalState struct {
	Defined      bool
	Name         string
	Seen         bool // a valid value came
	Last         Reading
	Age          time.Duration // of the last valid value
	Stale        bool          // older than its rhythm allows, or it never came
	Invalid      bool          // what comes now is not a value
	Contradicted bool          // it can't be true
}

// Fresh reports whether the last value may be shown as what is there now.
func (s *SignalState) Fresh() bool {
	return s.Defined && s.Seen && !s.Stale && !s.Invalid && !s.Contradicted
}

// state returns what can be shown of a signal at now.
func (s *sensor) state(now capture.Stamp) SignalState {
	if s == nil {
		return SignalState{}
	}
	st := SignalState{Defined: true, Name: s.signal.Name, Seen: s.seen, Last: s.last, Invalid: s.bad > 0, Contradicted: s.contradicted}
	if s.seen {
		st.Age = max(now.Sub(s.last.At), 0)
	}
	st.Stale = !s.seen || st.Age > s.rhythm.Limit()
	return st
}

// CornerView is what a screen shows of a corner.
type CornerView struct {
	Corner           decode.Corner
	OnAir            bool
	Pressure, Height SignalState
	Least, Greatest  Threshold
	Phase            Phase // of the body
	Closing          bool  // it is on its way down
	Jack             bool  // and a jack explains it
	ClosedMM         float64
	Before           Pressure0 // what counts for the closing
	LineOpen         bool
	Squeezed         bool    // see StandingLine
	OverDesignMM     float64 // height over design
	OverDesignKnown  bool
	LeftMM           float64 // of the way down to where it was before it was raised, else to design height
	LeftKnown        bool
}

// View returns what a screen shows of a corner at now.
func (l *Lookout) View(id decode.Corner, now capture.Stamp) CornerView {
	v := l.judge.vehicle
	c := v.corners[id]
	w := CornerView{Corner: id, OnAir: c.onAir, Pressure: c.pressure.state(now), Height: c.height.state(now),
		Least: v.least(id), Greatest: v.limits.Get(LimitGreatest, id), Phase: v.phase, LineOpen: c.lineOpen != nil,
		Squeezed: l.corners[id].squeezed}
	if cl := c.closing; cl != nil {
		w.Closing, w.Jack, w.Before = true, cl.Jack, cl.P0
		w.ClosedMM = max(cl.Level-c.height.last.Value, 0)
	}
	if shift, ok := v.overDesign(c); ok && w.Height.Seen {
		w.OverDesignMM, w.OverDesignKnown = w.Height.Last.Value+shift, true
		w.LeftMM, w.LeftKnown = max(w.OverDesignMM, 0), true
	}
	if c.openStart.At != 0 && w.Height.Seen {
		w.LeftMM, w.LeftKnown = max(w.Height.Last.Value-c.openStart.Value, 0), true
	}
	return w
}

// Start returns the stamp of the first thing that the judge was fed, 0 before it.
func (j *Judge) Start() capture.Stamp { return j.vehicle.start }

// Descending reports whether a descent goes on.
func (l *Lookout) Descending() bool { return l.judge.vehicle.descent != nil }

// Lost returns how many frames are known to be lost so far; known is false where nobody counted.
func (l *Lookout) Lost() (frames uint64, known bool) {
	return l.judge.record.total(), l.judge.record.known
}
