package session

import (
	"encoding/json"
	"time"

	"ridewitness/capture"
)

const (
	// GapBound is how long no bus must have a frame for it to be a gap. Vehicle buses that are awake
	// carry several frames a second (common practice, no source).
	GapBound = 2 * time.Second
	// maxKeptFacts bounds the lists of gaps and of damage; what lies beyond is counted.
	maxKeptFacts = 256
)

// Facts are what can be said of a session without knowing any definition. The zero value is an empty
// session; feed it every batch of a Source, in order. It is not safe for concurrent use.
type Facts struct {
	start, end capture.Stamp
	last       capture.Stamp // of the frame before
	began      bool          // start and last are known
	frames     uint64
	buses      [capture.MaxBuses]busFacts
	names      []string
	elsewhere  busFacts // losses that name no bus
	record     *SessionRecord
	mended     *MendedFrom
	goesOn     *DiskRecord
	added      bool // the present section was added when the recording had ended
	gaps       []Gap
	damage     []error
	moreGaps   int
	moreDamage int
}

// Gap is a stretch in which no bus had a frame.
type Gap struct{ From, To capture.Stamp }

// BusFacts are the facts of one bus.
type BusFacts struct {
	Name   string
	Frames uint64
	Lost   *uint64 // nil: nobody counted
}

// busFacts counts one bus. Losses are told by packets and by statistics, and each may know of some
// that the other doesn't: so in each section the larger number counts, never their sum.
type busFacts struct {
	frames  uint64
	told    uint64 // this section, by packets and `loss` records
	counted uint64 // this section, by its statistics
	before  uint64 // the sections before this one
	known   bool   // somebody counted
}

func (b *busFacts) lost() *uint64 {
	if !b.known {
		return nil
	}
	n := b.before + max(b.told, b.counted)
	return &n
}

func (b *busFacts) lose(n uint64) {
	b.told += n
	b.known = true
}

func (b *busFacts) section() {
	b.before += max(b.told, b.counted)
	b.told, b.counted = 0, 0
}

// Observe takes a batch.
func (f *Facts) Observe(b *capture.Batch) {
	next := 0
	for i := range b.Events {
		at := max(next, min(b.Events[i].Index, len(b.Frames)))
		f.observe(b.Frames[next:at])
		next = at
		f.event(&b.Events[i])
	}
	f.observe(b.Frames[next:])
}

func (f *Facts) observe(frames []capture.Frame) {
	if len(frames) == 0 {
		return
	}
	if !f.began {
		f.start, f.last, f.began = frames[0].At, frames[0].At, true
	}
	f.frames += uint64(len(frames))
	last, end := f.last, f.end
	for i := range frames {
		fr := &frames[i]
		f.buses[fr.Bus%capture.MaxBuses].frames++
		if fr.At-last > capture.Stamp(GapBound) {
			f.gap(last, fr.At)
		}
		last = fr.At
		end = max(end, last)
		if fr.Flags&capture.Error != 0 && fr.ControllerOverflow() {
			f.buses[fr.Bus%capture.MaxBuses].lose(1) // at least: the controller doesn't say how many
		}
	}
	f.last, f.end = last, end
}

func (f *Facts) gap(from, to capture.Stamp) {
	if len(f.gaps) == maxKeptFacts {
		f.moreGaps++
		return
	}
	f.gaps = append(f.gaps, Gap{From: from, To: to})
}

func (f *Facts) event(e *capture.Event) {
	bus := &f.buses[e.Bus%capture.MaxBuses]
	switch e.Kind {
	case capture.EventBus:
		for len(f.names) <= int(e.Bus%capture.MaxBuses) {
			f.names = append(f.names, "")
		}
		f.names[e.Bus%capture.MaxBuses] = e.Name
	case capture.EventJournal:
		f.journal(e)
	case capture.EventLoss:
		bus.lose(e.Count)
	case capture.EventCounters:
		if e.Dropped >= 0 {
			bus.counted, bus.known = uint64(e.Dropped), true
		}
	case capture.EventSection:
		f.section()
	case capture.EventDamage:
		if len(f.damage) == maxKeptFacts {
			f.moreDamage++
		} else {
			f.damage = append(f.damage, e.Err)
		}
	}
}

// section begins another section, with counters of its own.
func (f *Facts) section() {
	for i := range f.buses {
		f.buses[i].section()
	}
	f.elsewhere.section()
	f.added = false
}

// journal follows a record. A mark that was added the day after does not make the session a day
// longer.
func (f *Facts) journal(e *capture.Event) {
	switch e.Name {
	case KindSession:
		f.session(e)
	case KindLoss:
		f.loss(e.Body)
	case KindDisk:
		if r := ReadGoesOn(e); r != nil && f.goesOn == nil {
			f.goesOn = r
		}
	}
	if !f.added {
		f.end = max(f.end, e.At)
	}
}

func (f *Facts) session(e *capture.Event) {
	record := ReadSession(e)
	if record == nil {
		return
	}
	f.added = record.Added
	if record.MendedFrom != nil {
		f.mended = record.MendedFrom
	}
	if f.record != nil || f.added {
		return
	}
	f.record = record
	if !f.began {
		f.start, f.last, f.began = e.At, e.At, true
	}
}

func (f *Facts) loss(body []byte) {
	var l LossRecord
	if json.Unmarshal(body, &l) != nil {
		return
	}
	for i, name := range f.names {
		if name == l.Bus && name != "" {
			f.buses[i].lose(l.Count)
			return
		}
	}
	f.elsewhere.lose(l.Count)
}

// Start returns when the session began: the time of its `session` record, else of its first frame.
func (f *Facts) Start() capture.Stamp { return f.start }

// End returns the time of the last frame, or of the last journal record where that is later. Records
// that were added afterwards don't count.
func (f *Facts) End() capture.Stamp { return f.end }

// Frames counts the frames, error and remote frames too.
func (f *Facts) Frames() uint64 { return f.frames }

// Lost returns how many frames were lost on all buses, at least; nil where nobody counted.
func (f *Facts) Lost() *uint64 {
	total := f.elsewhere.lost()
	for i := range f.buses {
		if n := f.buses[i].lost(); n != nil {
			if total == nil {
				total = new(uint64)
			}
			*total += *n
		}
	}
	return total
}

// Buses returns the buses in the order of their numbers.
func (f *Facts) Buses() []BusFacts {
	all := make([]BusFacts, len(f.names))
	for i, name := range f.names {
		all[i] = BusFacts{Name: name, Frames: f.buses[i].frames, Lost: f.buses[i].lost()}
	}
	return all
}

// Record returns the `session` record of the recording, nil where it has none.
func (f *Facts) Record() *SessionRecord { return f.record }

// Mended returns what the session was saved from, nil when it was not mended. A mended session is
// sealed, and its end is missing all the same.
func (f *Facts) Mended() *MendedFrom { return f.mended }

// GoesOn returns from which file of its recording the session goes on, nil where it begins the recording.
func (f *Facts) GoesOn() *DiskRecord { return f.goesOn }

// Origin returns where the frames come from, OriginUnknown where the session doesn't say in a word
// that is known.
func (f *Facts) Origin() string {
	if f.record != nil {
		switch origin := f.record.Origin; origin {
		case OriginVehicle, OriginVirtual, OriginSimulated:
			return origin
		}
	}
	return OriginUnknown
}

// Gaps returns the stretches longer than GapBound in which no bus had a frame, the first few hundred
// of them.
func (f *Facts) Gaps() []Gap { return f.gaps }

// Damage returns what could not be read, the first few hundred of it.
func (f *Facts) Damage() []error { return f.damage }

// Untold returns how many gaps and how much damage the lists leave out.
func (f *Facts) Untold() (gaps, damage int) { return f.moreGaps, f.moreDamage }
