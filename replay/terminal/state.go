package terminal

import (
	"math"
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/safety"
)

// Mode says where the news comes from. The zero Mode is a live recording.
type Mode uint8

const (
	Live Mode = iota
	Replay
	Simulation
)

// Word returns what stands in front of the state, "" while live.
func (m Mode) Word() string { return [...]string{"", "REPLAY", "SIMULATION"}[m] }

// Sight says how much is seen. The zero Sight is Blind.
type Sight uint8

const (
	Blind Sight = iota
	PartBlind
	Watching
)

// String returns the word on the screen.
func (s Sight) String() string { return [...]string{"BLIND", "PART BLIND", "WATCHING"}[s] }

// State is all that a picture shows. The zero State is blind.
type State struct {
	Mode   Mode
	Origin string // vehicle, virtual, simulated or unknown
	Label  string // of the vehicle, from the job card
	Speed  float64
	Paused bool
	Ended  bool

	Start, Now, End capture.Stamp  // of the session; End is 0 where it is not known
	Zone            *time.Location // of the local clock; nil: none is shown

	Sight        Sight
	Why          string // of BLIND
	Fresh        int    // signals of air-sprung corners that are fresh
	Signals      int    // all of them
	Unseen       []Unseen
	Proven       int // definitions
	Assumed      int
	Contradicted int

	Buses     []Bus
	Frames    uint64
	Lost      uint64
	LostKnown bool
	Recording *Recording // nil: nothing is written
	Watched   string     // the file that is watched while somebody else writes it; "" for none

	Stage    safety.StageNow
	Standing []safety.StandingLine // worst first
	Dangers  []Danger              // newest first; those that are over stay
	Corners  [4]Corner             // in the order of decode.Corners
	Events   []Event               // oldest first

	Keys   []Key
	Notice string // the answer to the last key, for a while
	Loud   bool   // the notice stands against lowering, or must not be missed
	Pane   Pane   // what stands in the place of the corners
}

// Pane is what stands under the band. The zero Pane is the four corners and the last events.
type Pane uint8

const (
	CornerPane Pane = iota
	FrontPlots      // the last two minutes of the front corners
	RearPlots
	ListPane // what happened, as far back as there is room
	HelpPane // what each key does
)

// Unseen is a signal that is not fresh.
type Unseen struct {
	Corner   decode.Corner
	Quantity decode.Quantity
	Age      time.Duration // of its last valid value
	Never    bool          // there was none
}

// Bus is what a bus does.
type Bus struct {
	Name   string
	Rate   float64       // frames per second of the last seconds
	Silent time.Duration // since the last frame
}

// Recording is how the writing of a live session goes.
type Recording struct {
	File          string // that is being written; "" while none is
	WrittenAgo    time.Duration
	Sound         string // 'sound heard 00:02:11', 'SOUND NOT TESTED', 'sound not heard'
	SilencedUntil capture.Stamp
	Trouble       string // why nothing is being written; "" while it is
	Page          string // the address of the page that shows the same; "" for none
}

// Danger is a warning that takes the place of the standing line.
type Danger struct {
	Rule    string
	Corner  decode.Corner
	Since   capture.Stamp
	Brought capture.Stamp // when what showed it came: the last frame that it took, or a mark
	Until   capture.Stamp // 0 while it lasts
	Head    string        // in capitals, with what to do
	Figures string
	Short   string        // the figures in fewer words
	Over    string        // what it was, once it is over
	Told    time.Duration // from the frame to the warning; 0: not measured

	Silenced     capture.Stamp // when somebody silenced it, 0: nobody did
	Acknowledged capture.Stamp // when somebody said that it was seen, 0: nobody did
	Blind        bool          // it says that nothing is seen, not what was seen
}

// word is the signal word.
func (d *Danger) word() string {
	if d.Blind {
		return "BLIND"
	}
	return "DANGER"
}

// Is reports whether two tell of the same danger, at whatever moment.
func (d *Danger) Is(o *Danger) bool {
	return d.Rule == o.Rule && d.Corner == o.Corner && d.Since == o.Since && d.Head == o.Head
}

// Lasts reports whether the danger is there now.
func (d *Danger) Lasts() bool { return d.Until == 0 }

// Corner is what is shown of a corner.
type Corner struct {
	safety.CornerView
	PressureRate Rate // bar/s
	HeightRate   Rate // mm/s
	History      *History
}

// Rate is how fast a value changes, per second.
type Rate struct {
	Value float64
	Known bool
}

// Event is one line of what happened last.
type Event struct {
	At   capture.Stamp
	Word string // DANGER, WARNING, ADVICE, mark, request, lost, blind, seen, link, clock, disk, power
	Text string

	Number uint64 // from 1 on
	Band   bool   // it stands as a Danger too
}

// Key is a key and what it does: in the row of keys, there in fewer letters, and in the help.
type Key struct{ Name, Does, Short, Long string }

// short is what it does in fewer letters.
func (k Key) short() string {
	if k.Short != "" {
		return k.Short
	}
	return k.Does
}

// LiveKeys, WatchKeys and ReplayKeys are the keys of a recording, of one that is followed, and of a
// replay.
var (
	LiveKeys = []Key{
		{Name: "SPACE", Does: "now", Long: "notes this moment; name it by a digit within 60 s"},
		{Name: "0-9", Does: "mark", Long: "1 lift up, 2 wheels off, 3 bled, 4 line open, 5 line closed, 6 filled, 7 wheels on, 8 first contact, 9 lowered, 0 tightened. " +
			"Then the corner, as on the car: E R front, D F rear; ESC: all worked on"},
		{Name: "J", Does: "jack", Long: "a jack lifts one axle or wheel from below"},
		{Name: "G", Does: "going down", Long: "going down: says at once what stands against it"},
		{Name: "S", Does: "silence", Long: "silences for 60 s; a new danger sounds all the same"},
		{Name: "U", Does: "take back", Long: "withdraws the last mark; it stays on record"},
		{Name: "?", Long: "A acknowledge, T test the sound, P plots, L list, ? back"},
	}
	WatchKeys = []Key{
		{Name: "P", Does: "plots", Long: "the last two minutes: front axle, rear axle, back"},
		{Name: "L", Does: "list", Long: "what happened, as far back as there is room"},
		{Name: "?", Does: "help", Long: "this page; marks are set where the recording is made, or by the command mark"},
		{Name: "Q", Does: "quit", Long: "ends the watching; the recording goes on"},
	}
	ReplayKeys = []Key{{Name: "SPACE", Does: "pause"}, {Name: "+", Does: "faster"}, {Name: "-", Does: "slower"}, {Name: "N", Does: "next stage", Short: "stage"},
		{Name: "F", Does: "next finding", Short: "finding"}, {Name: "R", Does: "again"}, {Name: "Q", Does: "quit"}}
)

// historySeconds is how far back the plots go.
const historySeconds = 120

// History keeps the last two minutes of a corner, a value a second.
type History struct {
	spots [historySeconds]spot
}

type spot struct {
	second           int64 // since 1970
	pressure, height float64
	hasP, hasH       bool
}

func secondOf(at capture.Stamp) int64 { return int64(at) / int64(time.Second) }

// Add notes a reading; of several in a second the last one stays.
func (h *History) Add(r safety.Reading) {
	n := secondOf(r.At)
	s := &h.spots[uint64(n)%historySeconds]
	if s.second != n {
		*s = spot{second: n}
	}
	switch r.Quantity {
	case decode.Pressure:
		s.pressure, s.hasP = r.Value, true
	case decode.Height:
		s.height, s.hasH = r.Value, true
	}
}

// Second returns the last pressure (bar) and the last height (mm) of a second since 1970, NaN where
// there is none. Only the last two minutes are kept.
func (h *History) Second(second int64) (pressure, height float64) {
	pressure, height = math.NaN(), math.NaN()
	if h == nil {
		return pressure, height
	}
	s := h.at(second)
	if s.hasP {
		pressure = s.pressure
	}
	if s.hasH {
		height = s.height
	}
	return pressure, height
}

// at returns what is known of a second.
func (h *History) at(second int64) spot {
	if s := h.spots[uint64(second)%historySeconds]; s.second == second {
		return s
	}
	return spot{}
}
