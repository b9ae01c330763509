package terminal

import (
	"fmt"
	"strings"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/safety"
)

// What a state says, a sentence each, for reports that are no picture: the same words as on the screen.

// StateAt returns the state as it was at a moment that may lie before what was fed: marks are added to a
// session long after its end, and ages count from its end.
func (f *Follower) StateAt(at capture.Stamp) State {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.now = max(f.now, at)
	f.settle()
	return f.state(at)
}

// Against returns what stands against lowering, worst first.
func (s *State) Against() []string {
	all := s.standingSentences(true)
	for i := range all {
		all[i] = doNotLower + all[i]
	}
	return all
}

// Said returns what was only said and not seen.
func (s *State) Said() []string { return s.said() }

// Bled returns, for each corner that was bled and not proven since, when it was and what became of the
// filling.
func (s *State) Bled() []string {
	at := func(t capture.Stamp) string { return clock(s.Start, t) }
	var all []string
	for _, id := range decode.Corners {
		for i := range s.Standing {
			if l := &s.Standing[i]; l.Corner == id && l.Bled != 0 {
				all = append(all, fmt.Sprintf("%s bled %s, %s.", id, at(l.Bled), fillWords(l, at)))
			}
		}
	}
	return all
}

// Lines returns which lines are marked open, and since when.
func (s *State) Lines() []string {
	var all []string
	for _, id := range s.standingAt(safety.LineIsOpen) {
		for i := range s.Standing {
			if l := &s.Standing[i]; l.Corner == id {
				all = append(all, s.standingSentence(l, true))
			}
		}
	}
	return all
}

// SightWords returns how much was seen, and of what nothing.
func (s *State) SightWords() string {
	_, words := s.stateParts()
	return strings.ReplaceAll(words[0], "  ", ", ")
}

// StageWords returns what went on, and for how long.
func (s *State) StageWords() string { return strings.TrimPrefix(s.stageWords(), "stage: ") }

// Words returns what the danger tells: while it lasts what to do, then what it was.
func (d *Danger) Words() string {
	if d.Lasts() {
		words := d.word() + " " + sentences(d.Head)
		if d.Figures != "" {
			words += " " + upperFirst(d.Figures) + "."
		}
		return words
	}
	return d.word() + " " + d.Over
}

// RequestWords returns what the tester asked and what became of it.
func RequestWords(r *safety.Request) string { return requestWords(r) }
