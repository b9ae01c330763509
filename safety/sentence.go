package safety

import (
	"fmt"
	"strings"

	"ridewitness/decode"
)

// subject names what a pass is about, at the head of a sentence.
func (p *Pass) subject() string {
	switch p.Rule.Scope {
	case PerCorner:
		return p.Corner.String()
	case PerAxle:
		return p.Axle.String() + " axle"
	default:
		return "the vehicle"
	}
}

// cannotTellSentence says in one sentence what could not be told, and why.
func cannotTellSentence(p *Pass, f Finding) string {
	why := reasonWords[f.Reason]
	if f.Note != "" {
		why = f.Note
	}
	if why == "" {
		why = "the recording does not show it"
	}
	return fmt.Sprintf("%s: %s: cannot tell, because %s", p.subject(), p.Rule.Title, why)
}

var reasonWords = map[Reason]string{
	NoSignal:          "there is no signal for it",
	NoMark:            "there is no mark for it",
	NoLimit:           "no limit was given",
	Stale:             "a signal was stale when it mattered",
	Invalid:           "a signal was invalid when it mattered",
	IsContradicted:    "a signal contradicts itself",
	Gap:               "nothing was recorded when it mattered",
	InsideUncertainty: "the value lies inside its uncertainty",
	NotObservable:     "no signal and no mark shows it",
	BusAsleep:         "the bus was asleep",
}

// bar writes a pressure for a sentence.
func bar(v float64) string { return fmt.Sprintf("%.2f bar gauge", v) }

// mm writes a height or a distance for a sentence.
func mm(v float64) string { return fmt.Sprintf("%.1f mm", v) }

// list joins corner names for a sentence.
func list(cs []decode.Corner) string {
	names := make([]string, len(cs))
	for i, c := range cs {
		names[i] = c.String()
	}
	return strings.Join(names, ", ")
}
