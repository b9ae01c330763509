package handover

import (
	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/safety"
)

// Schema names the JSON form of a Report.
const Schema = "ridewitness/handover/1"

// Lowering says what the end of the session tells of letting the body down. The zero value is that
// nobody can tell.
type Lowering uint8

const (
	CannotTell   Lowering = iota // something is not known
	DoNotLower                   // something is known against it
	NothingKnown                 // nothing is known against it; that is no proof
)

var loweringNames = [...]string{"cannot-tell", "do-not-lower", "nothing-known"}

// String returns the word used in JSON.
func (l Lowering) String() string {
	if int(l) < len(loweringNames) {
		return loweringNames[l]
	}
	return loweringNames[CannotTell]
}

// MarshalText implements encoding.TextMarshaler.
func (l Lowering) MarshalText() ([]byte, error) { return []byte(l.String()), nil }

// Report is what the one who takes over must know: schema ridewitness/handover/1. Times are RFC 3339 in
// UTC with nine fraction digits; times within sentences count from the session's start, hh:mm:ss. What is
// unknown is null.
type Report struct {
	Schema   string   `json:"schema"`
	File     string   `json:"file"`
	Origin   string   `json:"origin"` // vehicle, virtual, simulated or unknown
	Label    string   `json:"label,omitempty"`
	Job      string   `json:"job,omitempty"`
	Record   Record   `json:"record"`
	Start    *string  `json:"start"`
	End      *string  `json:"end"` // all that is said of pressures and of sight is said of this moment
	Last     *string  `json:"last_frame"`
	AgoS     *float64 `json:"last_frame_ago_s"` // by the clock of the machine that made the report
	AfterEnd string   `json:"after_end"`

	Lowering   Lowering `json:"lowering"`
	Against    []string `json:"against"`     // what stands against lowering, worst first
	CannotTell []string `json:"cannot_tell"` // why nobody can tell more
	NoWarning  string   `json:"no_warning,omitempty"`
	Open       []string `json:"open"` // all that is open, as the record of a handover keeps it

	Corners  []Corner  `json:"corners"`
	Stage    string    `json:"stage"`
	StageBy  string    `json:"stage_by,omitempty"` // mark, request or signals
	Sight    string    `json:"sight"`              // watching, part-blind or blind
	Seen     string    `json:"seen"`               // the same in a sentence, with its cause
	Lines    []string  `json:"lines"`              // that are marked open
	Bled     []string  `json:"bled"`               // and not proven since
	Requests int       `json:"requests"`           // of the tester that were read
	Refused  []Refusal `json:"refused"`            // the last few
	RefusedN int       `json:"refused_all"`
	Warnings []Warning `json:"warnings"` // those that last first, then the worst
	WarningN int       `json:"warnings_all"`
	Answers  int       `json:"answers"` // of the rules
	Untold   int       `json:"untold"`  // of these 'cannot tell'
	Said     []string  `json:"said"`    // and not seen
	Marks    []Mark    `json:"marks"`   // the last few
	MarksN   int       `json:"marks_all"`
	Before   []Handed  `json:"handovers"` // earlier ones, the last few
	Handed   *Handed   `json:"handed"`    // this one; null: it was only asked what is open
	Caution  string    `json:"caution"`

	clock            func(capture.Stamp) string // writes a moment as session time
	start, end, last capture.Stamp
}

// Record says how whole the file is.
type Record struct {
	Integrity string  `json:"integrity"` // sealed, unsealed, altered or cut-short
	Note      string  `json:"note"`
	Mended    bool    `json:"mended"`       // it is what was left of a damaged file
	GoesOn    *string `json:"goes_on_from"` // the file of the recording before this one; null: it begins here
	Damaged   int     `json:"damaged"`      // pieces that could not be read
	Frames    uint64  `json:"frames"`
	Lost      *uint64 `json:"lost"` // null: nobody counted
}

// Corner is a corner at the end of the session.
type Corner struct {
	Corner   string              `json:"corner"`
	OnAir    bool                `json:"on_air"`
	Against  safety.StandingKind `json:"against"`      // nothing-seen: nothing is known against lowering, which is no proof
	Pressure *float64            `json:"pressure_bar"` // gauge: the last valid one, however old
	AgeS     *float64            `json:"pressure_age_s"`
	Fresh    bool                `json:"pressure_fresh"`
	Least    *float64            `json:"least_bar"`
	LineOpen *string             `json:"line_open"` // since when
	Bled     *string             `json:"bled"`
	Fills    int                 `json:"fills"` // that were granted since
}

// Refusal is a request that the control unit did not grant.
type Refusal struct {
	At      string `json:"at"`
	Says    string `json:"says"`
	Granted bool   `json:"granted_later"` // the same was asked again, and granted

	at capture.Stamp
}

// Warning is a broken rule, a warning of the screen's own (a descent on to a spring that nobody had seen
// filled, an adapter that was lost), or one of which only the journal tells.
type Warning struct {
	Rule     string `json:"rule"` // "" for such a descent
	Severity string `json:"severity"`
	Corner   string `json:"corner"`
	Start    string `json:"start"`
	Says     string `json:"says"`
	Lasts    bool   `json:"lasts"` // it was not over at the end

	at capture.Stamp
}

// Mark is something that hands did, as somebody said.
type Mark struct {
	At     string `json:"at"`
	Record uint64 `json:"record"` // of the journal: J12
	Says   string `json:"says"`

	at capture.Stamp
}

// Handed is who took over from whom.
type Handed struct {
	At     string `json:"at"`
	Record uint64 `json:"record"`
	To     string `json:"to"`
	By     string `json:"by"`
	Note   string `json:"note"`

	at capture.Stamp
}

// Journal returns the record that keeps the handover in the session: who takes over, from whom, and what
// was open.
func (r *Report) Journal(to, by, note string) session.HandoverRecord {
	return session.HandoverRecord{Kind: session.KindHandover, To: to, By: by, Note: note, Open: r.Open}
}

// Hand notes that the handover was journalled at a time, under a number.
func (r *Report) Hand(record session.HandoverRecord, at capture.Stamp, number uint64) {
	r.Handed = &Handed{At: at.String(), Record: number, To: record.To, By: record.By, Note: record.Note, at: at}
}
