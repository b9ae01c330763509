package terminal

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/safety"
)

// Lines writes what changes as one sentence a line, for pipes and for readers of lines. Nothing it
// writes moves a cursor.
type Lines struct {
	Out   io.Writer
	ASCII bool
	Bell  bool // what sounds is written before what it is about

	begun    bool
	ended    bool
	notice   string
	file     string // that is being written
	trouble  string
	troubled capture.Stamp // when the trouble was written last
	sight    Sight
	stated   capture.Stamp // when the state was written last
	standing []against
	dangers  map[dangerKey]capture.Stamp // when it was written last
	over     map[dangerKey]bool
	event    uint64 // number of the last one written
	err      error
}

// against is what stands against lowering at a corner, without its figures, which change all the time.
type against struct {
	corner        decode.Corner
	kind          safety.StandingKind
	bled, refused capture.Stamp
	fills         int
}

type dangerKey struct {
	rule   string
	corner decode.Corner
	since  capture.Stamp
}

// How often what lasts is said again, in session time.
const (
	stateEvery  = time.Minute
	dangerEvery = 5 * time.Second
)

// Update writes what is new in a state. After an error of the writer it writes nothing more and
// returns the error again.
func (p *Lines) Update(s *State) error {
	if !p.begun {
		p.begin(s)
	}
	p.events(s)
	if s.Recording != nil {
		p.writing(s)
	}
	if s.Notice != p.notice {
		if p.notice = s.Notice; s.Notice != "" {
			p.say(s, s.Now, s.Notice)
		}
	}
	if s.Sight != p.sight || s.Ended != p.ended || s.Now.Sub(p.stated) >= stateEvery {
		p.sight, p.ended, p.stated = s.Sight, s.Ended, s.Now
		p.say(s, s.Now, p.stateLine(s))
	}
	p.dangersOf(s)
	var now []against
	for i := range s.Standing {
		l := &s.Standing[i]
		now = append(now, against{l.Corner, l.Kind, l.Bled, l.Refused, l.Fills})
	}
	if !slices.Equal(now, p.standing) {
		p.standing = now
		if line := s.StandingLine(); line != "" {
			p.say(s, s.Now, line)
		}
	}
	return p.err
}

// Restart forgets what was written: the session begins anew.
func (p *Lines) Restart() { *p = Lines{Out: p.Out, ASCII: p.ASCII, Bell: p.Bell, err: p.err} }

// Ring sounds the bell, where one was asked for.
func (p *Lines) Ring() error {
	if p.Bell && p.err == nil {
		_, p.err = io.WriteString(p.Out, bell)
	}
	return p.err
}

func (p *Lines) begin(s *State) {
	p.begun, p.dangers, p.over = true, map[dangerKey]capture.Stamp{}, map[dangerKey]bool{}
	p.sight, p.stated = s.Sight, s.Now
	p.write(Caution)
	p.say(s, s.Now, p.stateLine(s))
}

func (p *Lines) stateLine(s *State) string {
	mode, states := s.stateParts()
	text := "state "
	if mode != "" {
		text += mode + ", "
	}
	text += strings.ReplaceAll(states[0], "  ", ", ")
	if s.LostKnown {
		text += ", lost " + grouped(s.Lost)
	}
	text += ", origin " + strings.ToLower(s.origin())
	if s.Sight == Blind {
		text += ". " + blindLine
	}
	return text
}

// events writes those that came since the last one written.
func (p *Lines) events(s *State) {
	for _, e := range s.Events {
		if e.Number <= p.event {
			continue
		}
		p.event = e.Number
		if !e.Band {
			p.say(s, e.At, e.Word+" "+e.Text)
		}
	}
}

// writing says that nothing is written, as loudly as a danger, and where the recording goes on.
func (p *Lines) writing(s *State) {
	r := s.Recording
	switch {
	case r.Trouble != "":
		if r.Trouble != p.trouble || s.Now.Sub(p.troubled) >= dangerEvery {
			p.troubled = s.Now
			p.say(s, s.Now, "disk "+s.troubleWords())
		}
	case r.File != p.file && r.File != "" && p.file != "":
		p.say(s, s.Now, "disk the recording goes on in "+clean(r.File))
	case p.trouble != "":
		p.say(s, s.Now, "disk the recording is written again")
	}
	p.trouble = r.Trouble
	if r.File != "" {
		p.file = r.File
	}
}

// dangersOf writes what begins, what lasts, every 5 s, and what is over.
func (p *Lines) dangersOf(s *State) {
	for i := len(s.Dangers) - 1; i >= 0; i-- {
		d := &s.Dangers[i]
		key := dangerKey{d.Rule, d.Corner, d.Since}
		last, known := p.dangers[key]
		switch {
		case !known:
			p.say(s, d.Since, d.word()+" "+sentences(d.Head)+" "+upperFirst(d.Figures))
		case !d.Lasts() && !p.over[key]:
			p.over[key] = true
			p.say(s, d.Until, d.word()+" over: "+d.Over+" The finding stays.")
			continue
		case !d.Lasts() || s.Now.Sub(last) < dangerEvery:
			continue
		default:
			p.say(s, s.Now, d.word()+" still so: "+sentences(d.Head)+" "+upperFirst(d.Figures))
		}
		p.dangers[key] = s.Now
	}
}

func (p *Lines) say(s *State, at capture.Stamp, text string) {
	p.write(clock(s.Start, at) + " " + strings.TrimSpace(text))
}

func (p *Lines) write(text string) {
	if p.err != nil {
		return
	}
	if p.ASCII {
		text = asciiText(text)
	}
	_, p.err = fmt.Fprintln(p.Out, text)
}

func asciiText(text string) string {
	p := newPicture(max(cells(text), 1), 1)
	p.put(0, 0, Plain, text)
	p.ascii()
	return strings.TrimRight(plainText(p.row(0)), " ")
}

// sentences writes capitals as sentences: 'rear-right comes down. Stop lowering.'
func sentences(loud string) string {
	parts := strings.SplitAfter(strings.ToLower(loud), ". ")
	for i := range parts {
		if i > 0 {
			parts[i] = upperFirst(parts[i])
		}
	}
	return strings.Join(parts, "")
}

func upperFirst(text string) string {
	if text == "" {
		return ""
	}
	return strings.ToUpper(text[:1]) + text[1:]
}

// LastLines returns the facts of a state as plain lines, for the scrollback when a screen is left.
func LastLines(s *State) []string {
	mode, states := s.stateParts()
	head := strings.TrimSpace(mode + " " + states[0])
	all := []string{fmt.Sprintf("%s, %s, origin %s", clock(s.Start, s.Now), strings.ReplaceAll(head, "  ", ", "), strings.ToLower(s.origin()))}
	for i := range s.Dangers {
		d := &s.Dangers[i]
		until := "now"
		if !d.Lasts() {
			until = clock(s.Start, d.Until)
		}
		all = append(all, fmt.Sprintf("%s %s %s to %s.", d.word(), d.Over, clock(s.Start, d.Since), until))
	}
	if line := s.StandingLine(); line != "" {
		all = append(all, line)
	}
	return append(all, Caution)
}
