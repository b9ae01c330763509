package classroom

import (
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/safety"
)

// Lesson is what a trainer asks about a session. It does not change once it is loaded.
type Lesson struct {
	Name  string // of the file or the built-in
	Title string
	Plays Plays
	// Window is how much of the time before now the plots show.
	Window time.Duration
	Stops  []Stop
}

// Plays is the session of a lesson: a built-in scenario, a file, or neither where the command
// names one.
type Plays struct {
	Scenario string
	Seed     uint64
	Session  string
}

// Stop is a moment at which the session waits for a question.
type Stop struct {
	At       Moment
	Before   time.Duration   // it stops that much earlier
	Corners  []decode.Corner // those shown beside the question
	Question string
	Choices  []Choice
	Answer   int // index of the right choice, from 0
	Reason   string

	place string // file:line:column of the moment, for what is found wrong later
	file  string
}

// Choice is one line to choose.
type Choice struct {
	Text  string
	Wrong string // why it is wrong; empty where the lesson does not say, and for the answer
}

// Moment names a time of the session by what happens then. Exactly one of Finding, Mark and Timed
// counts.
type Moment struct {
	Finding string // name of a rule
	Outcome safety.Outcome
	Mark    string
	Corner  decode.Corner // of the finding or mark; NoCorner: any
	Number  int           // which of several, from 1
	Timed   bool
	Time    time.Duration // since the session's start
}

// Defaults of a lesson.
const (
	defaultWindow = 3 * time.Minute
	defaultSeed   = 1
)

// bound is a stop with its time in a course.
type bound struct {
	*Stop
	at capture.Stamp
	// eventFrom and eventTo are what the plots mark after the reveal.
	eventFrom, eventTo capture.Stamp
}
