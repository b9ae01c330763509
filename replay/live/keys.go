package live

import (
	"fmt"
	"strings"
	"time"

	"ridewitness/capture"
	"ridewitness/capture/session"
	"ridewitness/decode"
	"ridewitness/replay/terminal"
	"ridewitness/safety"
)

// digit is a mark on a digit key.
type digit struct {
	name   string
	corner bool // which corner is asked for
	claims bool // without a corner it would claim too much: that all of them are filled, or closed
}

// digits are the marks in the order of a job.
var digits = map[byte]digit{
	'1': {name: safety.MarkLiftUp},
	'2': {name: safety.MarkWheelsOff},
	'3': {name: safety.MarkBled, corner: true},
	'4': {name: safety.MarkLineOpen, corner: true},
	'5': {name: safety.MarkLineClosed, corner: true, claims: true},
	'6': {name: safety.MarkFilled, corner: true, claims: true},
	'7': {name: safety.MarkWheelsOn},
	'8': {name: safety.MarkFirstContact},
	'9': {name: safety.MarkLowered},
	'0': {name: safety.MarkTightened, corner: true},
}

// question is a mark whose corner is asked for.
type question struct {
	digit
	at    capture.Stamp // of the mark
	until time.Time
}

func (q *question) words(start capture.Stamp) string {
	return fmt.Sprintf("%s %s: which corner? E front-left, R front-right, D rear-left, F rear-right, ESC all worked on", spoken(q.name), terminal.Clock(start, q.at))
}

// moment is one that SPACE noted and no digit has named yet.
type moment struct {
	at     capture.Stamp
	record uint64
	until  time.Time
}

const (
	cornerWait = 6 * time.Second  // for the key that names a corner
	momentWait = 60 * time.Second // for the digit that names a moment
	endWait    = 5 * time.Second  // for the second Ctrl-C
	silenceFor = 60 * time.Second // H10
)

// spoken writes the name of a mark as words.
func spoken(name string) string { return strings.ReplaceAll(name, "-", " ") }

// press does what a key says.
func (d *Desk) press(key byte) {
	if key >= 'A' && key <= 'Z' {
		key += 'a' - 'A'
	}
	switch {
	case d.watches(key):
	case d.answers(key):
	case key == terminal.Interrupt:
		d.Interrupt()
	case key == terminal.Suspend:
		d.Suspend()
	case d.o.Keep == nil:
		d.elsewhere(key)
	default:
		d.does(key)
	}
}

// watches takes the keys that change what is shown.
func (d *Desk) watches(key byte) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	next := map[byte]map[terminal.Pane]terminal.Pane{
		'p': {terminal.FrontPlots: terminal.RearPlots, terminal.RearPlots: terminal.CornerPane, terminal.CornerPane: terminal.FrontPlots,
			terminal.ListPane: terminal.FrontPlots, terminal.HelpPane: terminal.FrontPlots},
		'l': {terminal.ListPane: terminal.CornerPane, terminal.CornerPane: terminal.ListPane, terminal.FrontPlots: terminal.ListPane,
			terminal.RearPlots: terminal.ListPane, terminal.HelpPane: terminal.ListPane},
		'?': {terminal.HelpPane: terminal.CornerPane, terminal.CornerPane: terminal.HelpPane, terminal.FrontPlots: terminal.HelpPane,
			terminal.RearPlots: terminal.HelpPane, terminal.ListPane: terminal.HelpPane},
	}[key]
	if next == nil {
		return false
	}
	d.pane = next[d.pane]
	return true
}

// elsewhere takes the keys of somebody who only watches.
func (d *Desk) elsewhere(key byte) {
	switch {
	case key == 'q':
		d.o.End()
	case key == ' ' || key >= '0' && key <= '9' || strings.ContainsRune("jgsuaty", rune(key)):
		d.say(false, "this screen only watches: press it where the recording is made, or use the command mark")
	}
}

// answers takes the keys that answer a question: which corner, was the sound heard.
func (d *Desk) answers(key byte) bool {
	d.mu.Lock()
	q, sound := d.asked, d.sound
	corner, named := terminal.CornerKeys[key]
	if q == nil || !named && key != terminal.Escape {
		d.mu.Unlock()
		if (key == 'y' || key == 'n') && sound == soundAsked {
			d.heard(key == 'y')
			return true
		}
		return false
	}
	d.asked = nil
	d.mu.Unlock()
	d.mark(q.at, q.name, corner, "")
	return true
}

// does takes the keys of a recording.
func (d *Desk) does(key byte) {
	now := d.o.Now()
	switch key {
	case ' ':
		d.note(now)
	case 'j':
		d.mark(now, safety.MarkJack, decode.NoCorner, "")
	case 'g':
		d.goingDown(now)
	case 's':
		d.silence(now)
	case 'u':
		d.takeBack(now)
	case 'a':
		d.acknowledge(now)
	case 't':
		d.hush() // the question stands in its place
		d.testSound()
	case 'q':
		d.say(false, "Ctrl-C twice ends the recording")
	default:
		if g, ok := digits[key]; ok {
			d.digit(now, g)
		}
	}
}

// note marks the moment; what it was can be said later.
func (d *Desk) note(now capture.Stamp) {
	n, ok := d.keep(now, session.MarkRecord{Kind: session.KindMark, Name: safety.MarkNote, Note: "now"})
	if !ok {
		return
	}
	d.mu.Lock()
	d.moment = moment{at: now, record: n, until: time.Now().Add(momentWait)}
	d.remember(n)
	d.mu.Unlock()
	d.say(false, fmt.Sprintf("noted as J%d; a digit within 60 s says what it was", n))
}

// digit begins a mark of this moment, or of the one that SPACE noted before.
func (d *Desk) digit(now capture.Stamp, g digit) {
	d.unanswered() // one that still waits for its corner
	d.mu.Lock()
	at, note := now, ""
	if m := d.moment; m.at != 0 && time.Now().Before(m.until) {
		at, note = m.at, fmt.Sprintf("noted as J%d", m.record)
	}
	d.moment = moment{}
	if g.corner {
		d.asked = &question{digit: g, at: at, until: time.Now().Add(cornerWait)}
	}
	d.mu.Unlock()
	if !g.corner {
		d.mark(at, g.name, decode.NoCorner, note)
	}
}

// unanswered ends a question that nobody answered: the mark then speaks of all corners that are worked on. One
// that would claim too much that way becomes a note.
func (d *Desk) unanswered() {
	d.mu.Lock()
	q := d.asked
	d.asked = nil
	d.mu.Unlock()
	switch {
	case q == nil:
	case q.claims:
		d.mark(q.at, safety.MarkNote, decode.NoCorner, q.name+"; nobody said at which corner")
	default:
		d.mark(q.at, q.name, decode.NoCorner, "nobody said at which corner")
	}
}

// mark puts a mark on record and says so.
func (d *Desk) mark(at capture.Stamp, name string, corner decode.Corner, note string) {
	where := ""
	if corner != decode.NoCorner {
		where = corner.String()
	}
	n, ok := d.keep(at, session.MarkRecord{Kind: session.KindMark, Name: name, Corner: where, Note: note})
	if !ok {
		return
	}
	d.mu.Lock()
	d.remember(n)
	d.mu.Unlock()
	text := strings.Join(strings.Fields(fmt.Sprintf("%s %s", spoken(name), where)), " ")
	if name == safety.MarkNote {
		text = note
	}
	d.say(false, fmt.Sprintf("J%d: %s. U takes it back", n, text))
}

// remember keeps the number of a mark that can be taken back. The lock is held.
func (d *Desk) remember(n uint64) {
	if d.status.File != d.file {
		d.file, d.marks = d.status.File, nil // the numbers of another file mean something else
	}
	d.marks = append(d.marks, n)
}

// goingDown marks it, and answers at once (HAZARDS H05).
func (d *Desk) goingDown(now capture.Stamp) {
	s := d.State()
	answer, sounds := s.GoingDown()
	d.say(sounds, answer)
	if sounds {
		d.ring()
	}
	if n, ok := d.keep(now, session.MarkRecord{Kind: session.KindMark, Name: safety.MarkGoingDown}); ok {
		d.mu.Lock()
		d.remember(n)
		d.mu.Unlock()
	}
}

// silence ends the sound for a while (HAZARDS H10).
func (d *Desk) silence(now capture.Stamp) {
	d.follow.Silence(now)
	d.mu.Lock()
	d.silenced = now.Add(silenceFor)
	d.mu.Unlock()
	d.keep(now, session.AcknowledgeRecord{Kind: session.KindAcknowledge, Silenced: silenceFor.Seconds()})
	d.say(false, "silenced for 60 s; a new danger sounds all the same")
}

// takeBack withdraws the last mark.
func (d *Desk) takeBack(now capture.Stamp) {
	d.mu.Lock()
	if d.asked != nil {
		d.asked = nil // it is not on record yet
		d.mu.Unlock()
		d.say(false, "taken back before it was on record")
		return
	}
	if d.status.File != d.file || len(d.marks) == 0 {
		d.mu.Unlock()
		d.say(false, "there is no mark to take back in this file")
		return
	}
	last := d.marks[len(d.marks)-1]
	d.marks = d.marks[:len(d.marks)-1]
	d.mu.Unlock()
	if _, ok := d.keep(now, session.MarkRecord{Kind: session.KindMark, Name: session.MarkTakeBack, Value: fmt.Sprintf("J%d", last)}); ok {
		d.say(false, fmt.Sprintf("J%d is taken back; it stays on record", last))
	}
}

// acknowledge puts on record that the warnings were seen. It silences nothing.
func (d *Desk) acknowledge(now capture.Stamp) {
	fresh := d.follow.Acknowledge(now)
	if len(fresh) == 0 {
		d.say(false, "there is no warning that was not acknowledged")
		return
	}
	for i := range fresh {
		w := &fresh[i]
		d.keep(now, session.AcknowledgeRecord{Kind: session.KindAcknowledge, Rule: w.Rule, Corner: cornerWord(w.Corner), Since: w.Since.String()})
	}
	d.say(false, fmt.Sprintf("%d acknowledged and on record; S silences", len(fresh)))
}

func cornerWord(c decode.Corner) string {
	if c == decode.NoCorner {
		return ""
	}
	return c.String()
}

// Interrupt asks once, and ends the recording the second time. Somebody who only watches may go at once.
func (d *Desk) Interrupt() {
	d.mu.Lock()
	again := time.Now().Before(d.ending)
	d.ending = time.Now().Add(endWait)
	d.mu.Unlock()
	if again || d.o.Keep == nil {
		d.o.End()
		return
	}
	d.say(true, "The recording goes on. Ctrl-C once more within 5 s ends it.")
}

// Suspend answers Ctrl-Z.
func (d *Desk) Suspend() {
	d.say(true, "Ctrl-Z does nothing here: a recording that is put aside records nothing.")
}
