package classroom

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"ridewitness/decode"
	"ridewitness/decode/document"
	"ridewitness/decode/quantity"
	"ridewitness/replay/scenario"
	"ridewitness/safety"
)

// Version is the version of the lesson format that this package reads.
const Version = 1

// What fits on a projector read from four screen widths away, and on a phone without scrolling.
const (
	maxStops    = 40
	minChoices  = 2
	maxChoices  = 6
	maxQuestion = 140 // characters
	maxChoice   = 80
	maxReason   = 240
	maxWrong    = 160
)

// The keys of the maps of a lesson, in the order in which they are usually written.
var (
	lessonKeys = []string{"version", "title", "plays", "window", "stops"}
	playsKeys  = []string{"scenario", "seed", "session"}
	stopKeys   = []string{"at", "before", "corners", "question", "choices", "answer", "reason"}
	atKeys     = []string{"finding", "outcome", "mark", "corner", "number", "time"}
	choiceKeys = []string{"text", "wrong"}
)

// Load reads a lesson from the text of a file; name stands for the file in errors. The error joins
// a *document.Error for each mistake. Whether its stops come in a session is known only to NewRoom.
func Load(name string, text []byte) (*Lesson, error) {
	d, err := document.Parse(name, text)
	if err != nil {
		return nil, err
	}
	l := &Lesson{Name: name, Window: defaultWindow, Plays: Plays{Seed: defaultSeed}}
	if m, ok := d.Root().Map(lessonKeys...); ok {
		l.read(m)
	}
	if err := d.Err(); err != nil {
		return nil, err
	}
	return l, nil
}

// LoadFile reads a lesson from a file.
func LoadFile(path string) (*Lesson, error) {
	text, err := document.ReadFile(path)
	if err != nil {
		return nil, err
	}
	return Load(path, text)
}

func (l *Lesson) read(m document.Map) {
	m.Need("version", "version: 1").Uint(Version, Version)
	l.Title = shortText(m.Need("title", "what the lesson is about, in a few words"), maxQuestion)
	l.readPlays(m.Get("plays"))
	if d, ok := readDuration(m.Get("window"), time.Second, 48*time.Hour); ok {
		l.Window = d
	}
	stops, ok := m.Need("stops", "a list of stops").List("a list of stops")
	if !ok {
		return
	}
	if len(stops) == 0 || len(stops) > maxStops {
		m.Get("stops").Refuse(fmt.Sprintf("the list has %d stops", len(stops)), fmt.Sprintf("1 to %d", maxStops))
		return
	}
	for _, n := range stops {
		if s, ok := n.Map(stopKeys...); ok {
			l.Stops = append(l.Stops, readStop(l.Name, s))
		}
	}
}

// readPlays reads which session the lesson plays. A seed means something to a scenario only.
func (l *Lesson) readPlays(n document.Node) {
	m, ok := n.Map(playsKeys...)
	if !ok {
		return
	}
	l.Plays.Scenario, _ = m.Get("scenario").Word(scenario.Names()...)
	l.Plays.Session, _ = m.Get("session").Text()
	named := m.Get("scenario").Exists()
	switch {
	case named && m.Get("session").Exists():
		m.Get("session").Refuse("a lesson plays one session", "a scenario or a session, not both")
	case !named && !m.Get("session").Exists():
		n.Refuse("nothing to play is named", "a scenario or a session")
	}
	if seed := m.Get("seed"); seed.Exists() {
		if !named {
			seed.Refuse("a recording has no seed", "it with a scenario only")
		}
		l.Plays.Seed, _ = seed.Uint(0, 1<<63-1)
	}
}

func readStop(file string, m document.Map) Stop {
	s := Stop{file: file}
	at := m.Need("at", "a finding, a mark or a time")
	s.place = at.Place()
	if a, ok := at.Map(atKeys...); ok {
		s.At = readMoment(a)
	}
	s.Before, _ = readDuration(m.Get("before"), 0, time.Hour)
	s.Corners = readCorners(m.Get("corners"), s.At.Corner)
	s.Question = shortText(m.Need("question", "what the class is asked"), maxQuestion)
	s.Reason = shortText(m.Need("reason", "why the answer is right"), maxReason)
	choices := m.Need("choices", "the lines to choose from")
	items, ok := choices.List("a list of choices")
	if !ok {
		return s
	}
	if len(items) < minChoices || len(items) > maxChoices {
		choices.Refuse(fmt.Sprintf("the list has %d choices", len(items)), fmt.Sprintf("%d to %d", minChoices, maxChoices))
		return s
	}
	s.readChoices(items)
	answer := m.Need("answer", "the number of the right choice, from 1")
	if v, ok := answer.Uint(1, uint64(len(items))); ok {
		s.Answer = int(v) - 1
		if s.Choices[s.Answer].Wrong != "" {
			answer.Refuse(fmt.Sprintf("choice %d says why it is wrong", v), "the number of the right choice")
		}
	}
	return s
}

// readChoices reads the lines; equal ones would leave a class guessing which was meant.
func (s *Stop) readChoices(items []document.Node) {
	for _, n := range items {
		var c Choice
		if n.IsMap() {
			if m, ok := n.Map(choiceKeys...); ok {
				c.Text = shortText(m.Need("text", "the line to choose"), maxChoice)
				c.Wrong = shortText(m.Get("wrong"), maxWrong)
			}
		} else {
			c.Text = shortText(n, maxChoice)
		}
		if i := slices.IndexFunc(s.Choices, func(o Choice) bool { return o.Text == c.Text }); i >= 0 && c.Text != "" {
			n.Refuse(fmt.Sprintf("is the same as choice %d", i+1), "different choices")
		}
		s.Choices = append(s.Choices, c)
	}
}

// outcomeWords are those a stop may wait for; what held is no moment.
var outcomeWords = []string{safety.Broken.String(), safety.CannotTell.String()}

func readMoment(m document.Map) Moment {
	at := Moment{Number: 1, Outcome: safety.Broken}
	at.Finding, _ = m.Get("finding").Word(ruleNames()...)
	if word, ok := m.Get("outcome").Word(outcomeWords...); ok && word == safety.CannotTell.String() {
		at.Outcome = safety.CannotTell
	}
	at.Mark, _ = m.Get("mark").Text()
	if word, ok := m.Get("corner").Word(cornerNames()...); ok {
		at.Corner, _ = decode.ParseCorner(word)
	}
	if n, ok := m.Get("number").Uint(1, 1000); ok {
		at.Number = int(n)
	}
	if t := m.Get("time"); t.Exists() {
		at.Timed = true
		if text, ok := t.Text(); ok {
			d, err := parseSessionTime(text)
			if err != nil {
				t.Refuse(t.Shown()+" "+err.Error(), "a time since the session's start such as 12:30 or 1:02:03")
			}
			at.Time = d
		}
	}
	refuseMixed(m)
	return at
}

// refuseMixed refuses moments that are named in more than one way, or with keys that mean nothing
// to them.
func refuseMixed(m document.Map) {
	finding, mark, timed := m.Get("finding"), m.Get("mark"), m.Get("time")
	count := 0
	for _, n := range []document.Node{finding, mark, timed} {
		if n.Exists() {
			count++
		}
	}
	switch {
	case count != 1:
		m.Refuse(fmt.Sprintf("names %d moments", count), "one of finding, mark and time")
	case timed.Exists() && m.Get("corner").Exists():
		m.Get("corner").Refuse("a time has no corner", "it with a finding or a mark only")
	case timed.Exists() && m.Get("number").Exists():
		m.Get("number").Refuse("a time comes once", "it with a finding or a mark only")
	case !finding.Exists() && m.Get("outcome").Exists():
		m.Get("outcome").Refuse("only a finding has an outcome", "it with a finding only")
	}
}

// readCorners reads the corners that stand beside the question; left out, those of the axle in
// question, or all four.
func readCorners(n document.Node, of decode.Corner) []decode.Corner {
	if !n.Exists() {
		if of == decode.NoCorner {
			return decode.Corners[:]
		}
		pair := []decode.Corner{of, of.Opposite()}
		slices.Sort(pair)
		return pair
	}
	items, _ := n.List("a list of corners")
	var list []decode.Corner
	for _, item := range items {
		word, ok := item.Word(cornerNames()...)
		if !ok {
			continue
		}
		c, _ := decode.ParseCorner(word)
		if slices.Contains(list, c) {
			item.Refuse(word+" is given twice", "each corner once")
			continue
		}
		list = append(list, c)
	}
	if n.IsList() && len(items) == 0 {
		n.Refuse("the list is empty", "at least one corner")
	}
	slices.Sort(list)
	return list
}

func cornerNames() []string {
	names := make([]string, len(decode.Corners))
	for i, c := range decode.Corners {
		names[i] = c.String()
	}
	return names
}

func ruleNames() []string {
	names := make([]string, len(safety.Rules))
	for i, r := range safety.Rules {
		names[i] = r.Name
	}
	return names
}

// shortText reads one line of at most that many characters.
func shortText(n document.Node, most int) string {
	text, ok := n.Text()
	if !ok {
		return ""
	}
	if c := utf8.RuneCountInString(text); c > most {
		n.Refuse(fmt.Sprintf("the text has %d characters", c), fmt.Sprintf("at most %d, to be read from afar", most))
		return ""
	}
	return text
}

func readDuration(n document.Node, least, most time.Duration) (time.Duration, bool) {
	if !n.Exists() {
		return 0, false
	}
	s, ok := n.Quantity(quantity.Second)
	if !ok {
		return 0, false
	}
	if s < least.Seconds() || s > most.Seconds() {
		n.Refuse(n.Shown()+" is out of range", fmt.Sprintf("%g s to %g s", least.Seconds(), most.Seconds()))
		return 0, false
	}
	return time.Duration(s * float64(time.Second)), true
}

var sessionTimeForm = regexp.MustCompile(`^(?:(\d{1,3}):)?(\d{1,2}):(\d{2})(\.\d{1,3})?$`)

// parseSessionTime reads 'mm:ss' or 'h:mm:ss', with up to three digits of a fraction.
func parseSessionTime(text string) (time.Duration, error) {
	m := sessionTimeForm.FindStringSubmatch(text)
	if m == nil {
		return 0, fmt.Errorf("is no session time")
	}
	part := [3]int{}
	for i, digits := range m[1:4] {
		if digits != "" {
			part[i], _ = strconv.Atoi(digits) // at most three digits
		}
	}
	if part[1] > 59 || part[2] > 59 {
		return 0, fmt.Errorf("has more than 59 minutes or seconds")
	}
	d := time.Duration(part[0])*time.Hour + time.Duration(part[1])*time.Minute + time.Duration(part[2])*time.Second
	if m[4] != "" {
		digits, _ := strconv.Atoi((strings.TrimPrefix(m[4], ".") + "00")[:3])
		d += time.Duration(digits) * time.Millisecond
	}
	return d, nil
}
