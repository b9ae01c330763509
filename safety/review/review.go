// Package review holds what a session comes to: its facts, its stages, what every rule says, with
// the evidence, and what could not be told. One file per output format writes it.
//
//	Source --batches--> Run ----> Review ----> text, JSON, HTML
//	                     |
//	            decode.Decoder, safety.Judge, decode.Buckets
//
// The invariant: every format holds the same facts; none of them works anything out.
//
// The JSON form is read by scripts and stable: schema ridewitness/review/1. Times are RFC 3339 in
// UTC with nine fraction digits; numbers carry SI or the unit beside them; what is unknown is null.
package review

import (
	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/safety"
)

// Schema names the JSON form.
const Schema = "ridewitness/review/1"

// Exit says how a command that judges ends: 0 done and nothing found, 3 warning, 4 cannot tell.
type Exit int

// Outcomes of a session.
const (
	NothingFound  = "nothing-found"
	WarningGiven  = "warning"
	CannotTellAny = "cannot-tell"
)

// Review is what a session comes to.
type Review struct {
	Schema   string    `json:"schema"`
	Session  Session   `json:"session"`
	Outcome  string    `json:"outcome"`
	Stages   []Stage   `json:"stages"`
	Findings []Finding `json:"findings"`
	Limits   []Limit   `json:"limits"`
	Leaks    []Leak    `json:"leaks"`
	Sag      []Sag     `json:"sag"`

	// What the people's formats show beside it.
	Record  Record    `json:"-"`
	Corners [5]Corner `json:"-"` // by decode.Corner; [0] is unused

	judged  *safety.Judge
	signals []decode.Signal
}

// Session is what is known of the recording.
type Session struct {
	File       string   `json:"file"`
	Start      string   `json:"start"`
	End        string   `json:"end"`
	Frames     uint64   `json:"frames"`
	Lost       *uint64  `json:"lost"` // null: nobody counted
	Origin     string   `json:"origin"`
	Integrity  string   `json:"integrity"`
	MendedFrom *string  `json:"mended_from"`  // what the seals said of the file that this is a mended copy of; null: it is none
	GoesOnFrom *string  `json:"goes_on_from"` // the file of the recording before this one; null: it begins here
	Anchors    []string `json:"anchors"`
	Buses      []Bus    `json:"buses"`
}

// Bus is one bus of the recording.
type Bus struct {
	Name   string  `json:"name"`
	Frames uint64  `json:"frames"`
	Lost   *uint64 `json:"lost"`
}

// Stage is a stretch of the session.
type Stage struct {
	Stage   string   `json:"stage"`
	Corners []string `json:"corners"`
	Start   string   `json:"start"`
	End     string   `json:"end"`
	From    string   `json:"from"`

	From0, To0 capture.Stamp `json:"-"`
}

// Finding is what one rule says at one corner, with its evidence.
type Finding struct {
	Rule     string     `json:"rule"`
	Outcome  string     `json:"outcome"`
	Asked    bool       `json:"asked"`
	Severity string     `json:"severity"`
	Corner   string     `json:"corner"`
	Axle     string     `json:"axle,omitempty"`
	Start    string     `json:"start"`
	End      string     `json:"end"`
	Summary  string     `json:"summary"`
	Class    string     `json:"class"`
	Source   string     `json:"source"`
	Proof    string     `json:"proof"`
	Evidence []Evidence `json:"evidence"`
	Reason   string     `json:"reason,omitempty"`
	Note     string     `json:"note,omitempty"`

	From0, To0 capture.Stamp `json:"-"`
	Title      string        `json:"-"`
	RestsOn    []string      `json:"-"` // signal names with their proof: 'rear_left_pressure (proven)'
}

// Evidence is one thing a finding rests on: a value with its packet, a mark with its record, or a
// message with its last packet.
type Evidence struct {
	Time    string   `json:"time"`
	Signal  string   `json:"signal,omitempty"`
	Value   *float64 `json:"value,omitempty"`
	State   string   `json:"state,omitempty"`
	Unit    string   `json:"unit,omitempty"`
	Frame   uint64   `json:"frame,omitempty"`
	Proof   string   `json:"proof,omitempty"`
	Mark    string   `json:"mark,omitempty"`
	Record  uint64   `json:"record,omitempty"`
	Message string   `json:"message,omitempty"` // hex, bytes separated by spaces

	At0       capture.Stamp `json:"-"`
	Reference string        `json:"-"` // of a pressure or a height: gauge, absolute or design; "" where not known
}

// Limit is a threshold that counted, and where it came from.
type Limit struct {
	Rule   string   `json:"rule"`
	Name   string   `json:"name"`
	Value  *float64 `json:"value"` // null: unknown
	Unit   string   `json:"unit"`
	From   string   `json:"from"`
	Corner string   `json:"corner,omitempty"` // where it counted; "" is an axle or the vehicle
}

// Interval is a value with the ends of its interval.
type Interval struct {
	Value float64 `json:"value"`
	Low   float64 `json:"low"`
	High  float64 `json:"high"`
	Unit  string  `json:"unit,omitempty"`
}

// Leak is what a stretch at rest says about the air that is lost.
type Leak struct {
	Corner      string    `json:"corner"`
	Regime      string    `json:"regime"`
	Start       string    `json:"start"`
	End         string    `json:"end"`
	Rate        *Interval `json:"rate"` // Pa m3/s at 20 degC; null without a volume
	RateANR     *Interval `json:"rate_anr_ml_min"`
	Confidence  float64   `json:"confidence"`
	LimitANR    *float64  `json:"limit_anr_ml_min"`
	Outcome     string    `json:"outcome"`
	NeedsS      *float64  `json:"needs_s"`
	SagMMIn12h  *float64  `json:"sag_mm_in_12h"`
	Note        string    `json:"note,omitempty"`
	PressureBar float64   `json:"pressure_bar,omitempty"` // mean gauge pressure it was measured at
}

// Sag is why a corner sank between two moments.
type Sag struct {
	Corner string  `json:"corner"`
	Start  string  `json:"start"`
	End    string  `json:"end"`
	DropMM float64 `json:"drop_mm"`
	Causes []Cause `json:"causes"`
	Note   string  `json:"note,omitempty"`
	// Sentence says it for a customer.
	Sentence string `json:"sentence,omitempty"`
}

// Cause is one part of a drop.
type Cause struct {
	Cause  string  `json:"cause"`
	MM     float64 `json:"mm"`
	LowMM  float64 `json:"low_mm"`
	HighMM float64 `json:"high_mm"`
	Weight float64 `json:"weight"`
	Note   string  `json:"note,omitempty"`
}

// Record is what a reader may want to know of the recording beside the session's facts.
type Record struct {
	Job, Label     string
	Start, End     capture.Stamp
	IntegrityNote  string   // what is proven, what is not, from where on
	Definitions    []string // names of the definition files or built-ins
	Card           string   // name of the job card, "" for none
	Proven         int      // definitions by proof
	Assumed        int
	Contradicted   int
	Replaced       []string // definitions that a later file replaced
	NotDecoded     []string // signals whose source this program or file can't serve
	Unreadable     []string // marks that could not be read
	Said           []string
	Gaps           []Gap    // nothing at all was recorded on any bus
	Losses         []Loss   // frames that were counted as lost, at most 200 stretches
	Damage         []string // what the reader left out, at most 20
	Marks          []Mark
	NotAirSprung   []string
	SpringsByGuess bool // no springs on the card: every corner with a pressure counts as on air
}

// Mark is a mark for the time axis.
type Mark struct {
	At     capture.Stamp
	Name   string
	Corner string
	Value  string
	Record uint64
}

// Gap is a stretch in which nothing was recorded.
type Gap struct{ From, To capture.Stamp }

// Loss is a stretch in which frames were counted as lost: a mark on the time axis, however short.
type Loss struct {
	From, To capture.Stamp
	Bus      string
	Frames   uint64
}

// Corner is what the plots show of one corner.
type Corner struct {
	Present  bool
	OnAir    bool
	Pressure Plot
	Height   Plot
	Least    *float64 // bar gauge
	Greatest *float64
	Series   *float64 // in the height signal's own reading, mm; nil where it is not tied
	Last     string   // words: '4.62 bar gauge, 0.3 mm'
}

// Plot is one signal over the session, thinned so that the least and the greatest value survive.
type Plot struct {
	Signal string
	Unit   string // bar gauge, or mm
	Points []PlotPoint
}

// PlotPoint is one bucket: the least and the greatest value in it. Break says that the line must
// not be drawn from the bucket before it.
type PlotPoint struct {
	From, To        capture.Stamp
	Least, Greatest float64
	First, Last     float64
	Break           bool
}
