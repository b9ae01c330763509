// Package jobcard reads what the workshop knows about a job: springs, reference heights, limits,
// what the tester's requests mean, and what was said.
//
//	card.yaml --document--> checked values, each with its unit --> Card
//
// The invariant: everything on a card is optional, and what is not there is unknown. No value of a
// Card may be used before its Known field was asked. Pressures on a card are gauge.
package jobcard

import (
	"ridewitness/capture"
	"ridewitness/decode"
)

// Number is a value that a card may or may not give. The zero value is unknown.
type Number struct {
	Value float64
	Known bool
}

// Card is one job card. The zero Card knows nothing.
type Card struct {
	Job      string
	Label    string // of the vehicle
	Serviced []decode.Corner

	HasSprings bool              // the card says which corners ride on air
	Springs    [5]*Spring        // by decode.Corner; nil: not an air spring, when HasSprings
	Circuits   [][]decode.Corner // corners that share one air circuit
	NewSprings [5]*NewSpring
	Heights    [5]*Height
	Readings   []Reading
	Limits     map[string]Limit // by name, LimitNames; only those that the card gives
	Ask        []string         // names of rules
	Stages     []StageRequest
	Said       []Said
	Marks      []MarkName

	askPlaces []string // file:line:column of each of Ask
}

// Spring is one air spring as the card knows it.
type Spring struct {
	Name        string // as the card calls it: rear
	Place       string // file:line:column
	Volume      Number // m3 at design height, lines included
	Area        Number // m2, the spring's own effective area
	MotionRatio Number // spring travel per wheel travel
	LeastBar    Number // gauge; below it the bellows must not carry or be rolled
	GreatestBar Number // gauge
}

// NewSpring is what stands on the box of a new spring.
type NewSpring struct {
	UseBy            capture.Stamp // the first instant after its last day, UTC; 0 is unknown
	LengthMM         Number
	GreatestLengthMM Number
}

// Height is the reference height of a corner, wheel-hub centre to wheel-arch edge, by tape.
type Height struct {
	BeforeMM    Number
	SeriesMM    Number
	ToleranceMM Number
}

// Reading ties the network's height signal to a tape reading.
type Reading struct {
	Place  string // file:line:column
	Corner decode.Corner
	At     capture.Stamp
	TapeMM float64
}

// Limit is a threshold that the card overrides, in the unit that LimitNames gives for it.
type Limit struct {
	Value float64
	Unit  string
}

// RequestKind is how a tester asks for a stage.
type RequestKind uint8

const (
	Routine     RequestKind = iota + 1 // ISO 14229-1 service 0x31
	InputOutput                        // ISO 14229-1 service 0x2F
)

// StageRequest says what a tester's request means on this vehicle.
type StageRequest struct {
	Place      string // file:line:column
	Stage      string // bleed, fill
	Corners    []decode.Corner
	Kind       RequestKind
	Identifier uint16
	Address    decode.Address
}

// Said is something that no network can show.
type Said struct {
	Place string // file:line:column
	Item  string
	By    string
	At    capture.Stamp // 0 is unknown
}

// MarkName is a mark that the card adds to the built-in ones.
type MarkName struct {
	Name string
	Key  string // one lower-case letter
}
