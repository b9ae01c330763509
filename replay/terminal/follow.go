package terminal

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/safety"
)

// Facts are what a follower is told about a session, since no frame says it.
type Facts struct {
	Mode   Mode
	Origin string
	Label  string
	Start  capture.Stamp // 0: that of the first frame
	End    capture.Stamp // 0 where it is not known
	Keys   []Key
	Zone   *time.Location
}

// Follower feeds a pipeline and keeps the State that a picture is drawn from. Its methods may be
// called from several goroutines.
type Follower struct {
	// Alarm, when set, is called at once when a danger begins, with the state that shows it. It
	// must not call the Follower.
	Alarm func(State)

	mu      sync.Mutex
	pipe    *safety.Pipeline
	look    *safety.Lookout
	facts   Facts
	buses   []busTrack
	frames  uint64
	dangers []danger
	events  []Event
	noted   uint64
	history [4]*History
	now     capture.Stamp
	links   map[string]string // state of each bus, as the journal tells it
	lostAt  capture.Stamp     // since when an adapter is lost, 0: they are there
}

// danger is a Danger and what ends it.
type danger struct {
	Danger
	finding  *safety.Finding // nil: the lookout's own
	descends bool            // it came with a descent, and ends with it
}

// maxEvents bounds the events that are kept, maxDangers the warnings.
const (
	maxEvents  = 50
	maxDangers = 32
)

// Follow returns a follower of a pipeline that was not fed yet. What was set as the judge's Alarm
// and Trace is called as before.
func Follow(p *safety.Pipeline, facts Facts) *Follower {
	f := &Follower{pipe: p, look: safety.NewLookout(p.Judge), facts: facts, links: map[string]string{}}
	for i := range f.history {
		f.history[i] = &History{}
	}
	f.look.Reading = func(r safety.Reading) {
		if i := slices.Index(decode.Corners[:], r.Corner); i >= 0 {
			f.history[i].Add(r)
		}
	}
	f.look.Unproven = f.unproven
	alarm, trace := p.Judge.Alarm, p.Judge.Trace
	p.Judge.Alarm = func(found safety.Finding) {
		if alarm != nil {
			alarm(found)
		}
		f.found(found)
	}
	p.Judge.Trace = func(h safety.Happening) {
		if trace != nil {
			trace(h)
		}
		f.happen(h)
	}
	return f
}

// Take feeds the pipeline with a batch and follows it.
func (f *Follower) Take(b *capture.Batch) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for i := range b.Events {
		f.event(&b.Events[i])
	}
	for i := range b.Frames {
		f.bus(b.Frames[i].Bus).frame(b.Frames[i].At)
	}
	f.frames += uint64(len(b.Frames))
	f.pipe.Take(b)
	f.now = max(f.now, f.pipe.Judge.Now())
	f.settle()
}

// Finish ends the pipeline.
func (f *Follower) Finish() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.pipe.Finish()
	f.settle()
}

// Danger reports whether a danger lasts.
func (f *Follower) Danger() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.ContainsFunc(f.dangers, func(d danger) bool { return d.Lasts() })
}

// Told notes how long a danger took from its frame to the screen.
func (f *Follower) Told(d *Danger, after time.Duration) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for i := range f.dangers {
		if known := &f.dangers[i].Danger; known.Is(d) && known.Told == 0 {
			known.Told = after
		}
	}
}

// Acknowledge notes that somebody has seen the dangers, and returns those that nobody had seen before.
func (f *Follower) Acknowledge(at capture.Stamp) []Danger {
	f.mu.Lock()
	defer f.mu.Unlock()
	var fresh []Danger
	for i := range f.dangers {
		if d := &f.dangers[i].Danger; d.Acknowledged == 0 {
			d.Acknowledged = at
			fresh = append(fresh, *d)
		}
	}
	return fresh
}

// Silence notes that somebody silenced the dangers that last.
func (f *Follower) Silence(at capture.Stamp) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for i := range f.dangers {
		if f.dangers[i].Lasts() {
			f.dangers[i].Silenced = at
		}
	}
}

// adapter follows adapters that are lost, or all there again. One lost while a corner hangs empty is a
// warning of its own (HAZARDS H10).
func (f *Follower) adapter(at capture.Stamp, lost bool) {
	if lost == (f.lostAt != 0) {
		return
	}
	f.now = max(f.now, at)
	if f.lostAt = 0; !lost {
		return
	}
	f.lostAt = at
	for _, s := range f.look.Standing(at) {
		if hangsEmpty(&s) {
			corner := s.Corner.String()
			f.warn(danger{Danger: Danger{Rule: adapterLost, Corner: s.Corner, Since: at, Brought: at, Blind: true, Over: "the adapter was lost while " + corner + " hung empty.",
				Head: "ADAPTER LOST, " + strings.ToUpper(corner) + " HANGS EMPTY. DO NOT LOWER."}})
			return
		}
	}
}

// hangsEmpty reports whether what was seen last of a corner, or said, is that its spring is empty. That
// its pressure is stale already does not fill it.
func hangsEmpty(s *safety.StandingLine) bool {
	switch s.Kind {
	case safety.NotProven, safety.LineIsOpen, safety.BledNoPressure:
		return true
	case safety.Unseen:
		return s.Pressure.Seen && s.Pressure.Last.Value < s.Least.Value
	default:
		return false
	}
}

const adapterLost = "adapter-lost"

func (f *Follower) bus(id capture.BusID) *busTrack {
	for len(f.buses) <= int(id) {
		f.buses = append(f.buses, busTrack{name: fmt.Sprintf("bus %d", len(f.buses))})
	}
	return &f.buses[id]
}

func (f *Follower) event(e *capture.Event) {
	if e.Bus >= capture.MaxBuses {
		return
	}
	switch e.Kind {
	case capture.EventBus:
		f.bus(e.Bus).name = clean(e.Name)
	case capture.EventLoss:
		of := f.bus(e.Bus).name
		if e.Name != "" {
			of = clean(e.Name)
		}
		f.note(e.At, "lost", fmt.Sprintf("%s frames on %s", grouped(e.Count), of))
	case capture.EventTimeBack:
		f.note(e.At, "blind", fmt.Sprintf("the time of %s steps back by %s", f.bus(e.Bus).name, time.Duration(e.Count).Round(time.Millisecond)))
	case capture.EventDamage:
		f.note(e.At, "blind", "something could not be read and was left out")
	case capture.EventJournal:
		f.journal(e)
	}
}

// note adds a line to what happened last.
func (f *Follower) note(at capture.Stamp, word, text string) {
	if len(f.events) == maxEvents {
		f.events = slices.Delete(f.events, 0, 1)
	}
	f.noted++
	f.events = append(f.events, Event{At: at, Word: word, Text: clean(text), Number: f.noted})
}

// happen follows what happens to the vehicle.
func (f *Follower) happen(h safety.Happening) {
	switch h.Kind {
	case safety.MarkSet:
		f.mark(h.Mark)
	case safety.MarkTaken:
		f.note(h.At, "mark", h.Mark.Name+" taken back")
		f.dangers = slices.DeleteFunc(f.dangers, func(d danger) bool { return d.rests(h.Mark) })
	case safety.RequestMade:
		f.note(h.At, "request", requestWords(h.Request))
	case safety.PhaseChanged:
		if h.To != safety.PhaseUnknown {
			f.note(h.At, "seen", "the body is "+h.To.String())
		}
	case safety.DescentBegan:
		f.note(h.Start, "seen", "the corners close together")
	case safety.CornerClosing:
		if h.Closing.Jack {
			f.note(h.At, "seen", h.Corner.String()+" closes alone, a jack is marked")
		}
	case safety.Contradiction:
		f.contradicted(h)
	}
}

// contradicted notes what contradicts a signal: once, where it is the same for two corners.
func (f *Follower) contradicted(h safety.Happening) {
	if last := len(f.events) - 1; last < 0 || f.events[last].At != h.At || f.events[last].Text != clean(h.Why) {
		f.note(h.At, "blind", h.Why)
	}
}

// mark notes a mark; 'going down' is answered at once.
func (f *Follower) mark(m *safety.Mark) {
	text := strings.Join(strings.Fields(strings.Join([]string{m.Name, m.Corner.String(), m.Value, m.Note}, " ")), " ")
	if m.Name == safety.MarkGoingDown {
		s := f.state(max(f.now, m.At))
		answer, _ := s.GoingDown()
		text += ". " + answer
	}
	f.note(m.At, "mark", text)
}

func requestWords(r *safety.Request) string {
	what := r.Stage + " of " + cornerList(r.Corners)
	if r.Stop {
		what = "end of the " + what
	}
	if r.Code != 0 {
		return fmt.Sprintf("%s: %s, 0x%02X %s", what, r.Verdict, uint8(r.Code), r.Code.Words())
	}
	return what + ": " + r.Verdict.String()
}

// rests reports whether a danger was found by a mark.
func (d *danger) rests(m *safety.Mark) bool {
	return d.finding != nil && slices.ContainsFunc(d.finding.Evidence, func(e safety.Evidence) bool {
		return e.Mark != "" && e.Record == m.Record && e.At == m.At
	})
}

// found follows a broken rule. Only those of HAZARDS H10 take the place of the standing line.
func (f *Follower) found(found safety.Finding) {
	word := strings.ToUpper(found.Rule.Severity.String())
	f.note(found.End, word, found.Summary)
	head, over := headline(&found)
	if head == "" {
		return
	}
	f.events[len(f.events)-1].Band = true
	// A corner of which nothing was known a moment ago is known to be empty now: one warning.
	f.dangers = slices.DeleteFunc(f.dangers, func(d danger) bool {
		return d.finding == nil && d.Corner == found.Corner && d.Lasts()
	})
	f.warn(danger{Danger: Danger{Rule: found.Rule.Name, Corner: found.Corner, Since: found.Start, Brought: f.pipe.Judge.Now(), Head: head, Over: over},
		finding: &found, descends: strings.HasPrefix(found.Rule.Name, "lowered-") && f.look.Descending()})
}

// unproven follows a descent on to a spring that nobody has seen filled.
func (f *Follower) unproven(s safety.StandingLine, h safety.Happening) {
	if slices.ContainsFunc(f.dangers, func(d danger) bool { return d.Corner == s.Corner && d.Lasts() }) {
		return
	}
	head, over := unprovenHeadline(&s, f.clock)
	f.note(h.At, "DANGER", over)
	f.events[len(f.events)-1].Band = true
	f.warn(danger{Danger: Danger{Corner: s.Corner, Since: h.Start, Brought: f.pipe.Judge.Now(), Head: head, Over: over}, descends: true})
}

func (f *Follower) warn(d danger) {
	if len(f.dangers) == maxDangers {
		f.dangers = slices.Delete(f.dangers, 0, 1)
	}
	f.dangers = append(f.dangers, d)
	if f.Alarm != nil {
		f.now = max(f.now, f.pipe.Judge.Now())
		f.Alarm(f.state(f.now))
	}
}

// settle ends the dangers that are over.
func (f *Follower) settle() {
	for i := range f.dangers {
		d := &f.dangers[i]
		if d.Lasts() && f.isOver(d) {
			d.Until = f.now
		}
	}
}

// lastsLeast is how long a warning stays that nothing seen can end.
const lastsLeast = 30 * time.Second

func (f *Follower) isOver(d *danger) bool {
	v := f.look.View(d.Corner, f.now)
	switch {
	case d.Blind:
		return f.lostAt == 0
	case d.descends || f.look.Descending() && strings.HasPrefix(d.Rule, "lowered-"):
		d.descends = true
		return !f.look.Descending()
	case d.Rule == "over-pressure":
		return v.Pressure.Fresh() && v.Greatest.Known && v.Pressure.Last.Value <= v.Greatest.Value
	case d.Rule == "line-opened-under-pressure":
		return v.Pressure.Fresh() && v.Pressure.Last.Value <= residual || !v.LineOpen
	case d.Rule == "lowered-with-no-fill-seen":
		k := f.look.Corner(d.Corner, f.now).Kind
		return k == safety.NothingSeen || k == safety.SaidFilled
	default:
		return f.now.Sub(d.Since) > lastsLeast
	}
}

// residual is what is left behind a line after a proper bleed, in bar gauge (common practice, no
// source).
const residual = 0.2

// State returns what there is to show at now; an earlier now than what was fed counts as that.
func (f *Follower) State(now capture.Stamp) State {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.now = max(f.now, now)
	f.settle()
	return f.state(f.now)
}

func (f *Follower) state(now capture.Stamp) State {
	j := f.pipe.Judge
	s := State{Mode: f.facts.Mode, Origin: f.facts.Origin, Label: clean(f.facts.Label), Speed: 1, Start: f.start(), Now: now,
		End: f.facts.End, Zone: f.facts.Zone, Keys: f.facts.Keys, Frames: f.frames}
	s.Proven, s.Assumed, s.Contradicted = j.Proofs()
	s.Lost, s.LostKnown = f.look.Lost()
	s.Stage = f.look.Stage()
	s.Standing = f.look.Standing(now)
	s.Events = slices.Clone(f.events)
	for i, id := range decode.Corners {
		s.Corners[i] = f.corner(i, id, now)
	}
	for _, b := range f.buses {
		s.Buses = append(s.Buses, b.bus(now))
	}
	for _, d := range slices.Backward(f.dangers) {
		d.Figures, d.Short = figures(&d.Danger, &s)
		s.Dangers = append(s.Dangers, d.Danger)
	}
	see(&s)
	if f.lostAt != 0 {
		s.Sight, s.Why = Blind, "adapter lost "+age(max(now.Sub(f.lostAt), 0))
	}
	return s
}

func (f *Follower) corner(i int, id decode.Corner, now capture.Stamp) Corner {
	c := Corner{CornerView: f.look.View(id, now)}
	h := *f.history[i]
	c.History = &h
	if c.Pressure.Fresh() {
		c.PressureRate = rate(c.History, c.Pressure.Last, func(s spot) (float64, bool) { return s.pressure, s.hasP })
	}
	if c.Height.Fresh() {
		c.HeightRate = rate(c.History, c.Height.Last, func(s spot) (float64, bool) { return s.height, s.hasH })
	}
	return c
}

// rate sets the last reading against one of two to four seconds before it.
func rate(h *History, last safety.Reading, of func(spot) (float64, bool)) Rate {
	n := secondOf(last.At)
	for back := int64(3); back <= 4; back++ {
		if v, ok := of(h.at(n - back)); ok {
			// The value kept of a second is its last: its end is its time.
			dt := float64(last.At)/1e9 - float64(n-back+1)
			return Rate{(last.Value - v) / dt, true}
		}
	}
	return Rate{}
}

// clock writes a stamp as session time.
func (f *Follower) clock(at capture.Stamp) string { return clock(f.start(), at) }

// start is when the session began: as it was told, else with the first frame.
func (f *Follower) start() capture.Stamp {
	if f.facts.Start != 0 {
		return f.facts.Start
	}
	return f.pipe.Judge.Start()
}

// busTrack counts the frames of a bus per second.
type busTrack struct {
	name   string
	last   capture.Stamp
	second int64
	n      [rateSeconds + 1]uint32 // by second, the present one included
}

const rateSeconds = 4

func (b *busTrack) frame(at capture.Stamp) {
	n := secondOf(at)
	b.turn(n)
	if n == b.second {
		b.n[uint64(n)%uint64(len(b.n))]++
	}
	b.last = max(b.last, at)
}

// turn forgets the seconds that lie too far back.
func (b *busTrack) turn(second int64) {
	if second <= b.second {
		return
	}
	for i := max(b.second+1, second-rateSeconds); i <= second; i++ {
		b.n[uint64(i)%uint64(len(b.n))] = 0
	}
	b.second = second
}

func (b *busTrack) bus(now capture.Stamp) Bus {
	t := *b
	t.turn(secondOf(now))
	sum := uint32(0)
	for i, n := range t.n {
		if uint64(i) != uint64(t.second)%uint64(len(t.n)) {
			sum += n
		}
	}
	return Bus{Name: b.name, Rate: float64(sum) / rateSeconds, Silent: max(now.Sub(b.last), 0)}
}

// silentAfter is how long no frame may come on any bus before nothing on the screen is news.
const silentAfter = 2 * time.Second

// see works out how much is seen.
func see(s *State) {
	for i := range s.Corners {
		c := &s.Corners[i]
		if !c.OnAir {
			continue
		}
		s.count(c.Corner, decode.Pressure, &c.Pressure)
		s.count(c.Corner, decode.Height, &c.Height)
	}
	quietest := -1
	for i := range s.Buses {
		if quietest < 0 || s.Buses[i].Silent < s.Buses[quietest].Silent {
			quietest = i
		}
	}
	switch {
	case quietest < 0 || s.Frames == 0:
		s.Why = "no frame yet"
	case s.Buses[quietest].Silent > silentAfter:
		name := s.Buses[quietest].Name
		if len(s.Buses) > 1 {
			name = "any bus"
		}
		s.Why = fmt.Sprintf("no frame on %s %s", name, age(s.Buses[quietest].Silent))
	case s.Signals == 0 || len(s.Unseen) == s.Signals && !slices.ContainsFunc(s.Unseen, func(u Unseen) bool { return !u.Never }):
		s.Why = "no definition matches"
	case len(s.Unseen) > 0:
		s.Sight = PartBlind
	default:
		s.Sight = Watching
	}
}

func (s *State) count(id decode.Corner, q decode.Quantity, signal *safety.SignalState) {
	if !signal.Defined {
		return
	}
	s.Signals++
	if signal.Fresh() {
		s.Fresh++
		return
	}
	s.Unseen = append(s.Unseen, Unseen{Corner: id, Quantity: q, Age: signal.Age, Never: !signal.Seen})
}
