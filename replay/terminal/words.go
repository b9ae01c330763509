package terminal

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode"

	"ridewitness/capture"
	"ridewitness/decode"
	"ridewitness/safety"
)

// Caution stands on every screen, always; CautionWide where there is room for more of it.
const (
	Caution     = "Witness, not an interlock. Maker’s instructions come first. Stored air injures."
	CautionWide = "Witness, not an interlock: it cannot see the lift and can be blind. Maker’s instructions come first. Stored air injures."
)

// noWarning is all that is ever said when nothing is known against lowering.
const noWarning = "No warning now. That is no proof: look at the lift."

const blindLine = "BLIND: nothing on this screen is news. Look at the lift, not here."

// clock writes a stamp as session time, hh:mm:ss.
func clock(start, at capture.Stamp) string {
	s := int64(max(at.Sub(start), 0) / time.Second)
	return fmt.Sprintf("%02d:%02d:%02d", s/3600, s/60%60, s%60)
}

// age writes how old something is: 4.2 s, 12:26, 3:12:26.
func age(d time.Duration) string {
	s := int64(d / time.Second)
	switch {
	case d < time.Minute:
		return fmt.Sprintf("%.1f s", float64(d/(100*time.Millisecond))/10)
	case d < time.Hour:
		return fmt.Sprintf("%d:%02d", s/60, s%60)
	default:
		return fmt.Sprintf("%d:%02d:%02d", s/3600, s/60%60, s%60)
	}
}

// Clock writes a stamp as the screens do: session time, hh:mm:ss.
func Clock(start, at capture.Stamp) string { return clock(start, at) }

// Age writes how old something is as the screens do.
func Age(d time.Duration) string { return age(d) }

// Blindness says in one sentence what is not seen, "" while everything is.
func (s *State) Blindness() string {
	switch {
	case s.Sight == Blind:
		return s.Why
	case s.Sight == PartBlind && len(s.Unseen) > 0:
		return fmt.Sprintf("%d of %d signals unseen, first %s", len(s.Unseen), s.Signals, unseenWords(&s.Unseen[0]))
	default:
		return ""
	}
}

// unsigned takes the sign from a value that rounds to nothing.
func unsigned(v float64, digits int) float64 {
	p := math.Pow10(digits)
	return math.Round(v*p)/p + 0 // -0 + 0 is 0
}

// grouped writes a count with spaces between the thousands.
func grouped(n uint64) string {
	digits := fmt.Sprint(n)
	var b strings.Builder
	for i, d := range digits {
		if i > 0 && (len(digits)-i)%3 == 0 {
			b.WriteByte(' ')
		}
		b.WriteRune(d)
	}
	return b.String()
}

// clean takes from a text what could move a cursor or break a row: control and format characters,
// combining ones, line ends.
func clean(text string) string {
	text = strings.Map(func(r rune) rune {
		switch {
		case r == unicode.ReplacementChar || unicode.In(r, unicode.Mn, unicode.Me, unicode.Cf, unicode.Co, unicode.Cs):
			return -1
		case unicode.IsSpace(r) || unicode.IsControl(r):
			return ' '
		case !unicode.IsPrint(r):
			return -1
		}
		return r
	}, text)
	return strings.Join(strings.Fields(text), " ")
}

// cornerList joins corners for a sentence.
func cornerList(cs []decode.Corner) string {
	names := make([]string, len(cs))
	for i, c := range cs {
		names[i] = c.String()
	}
	switch len(names) {
	case 0:
		return "no corner"
	case 1:
		return names[0]
	case 4:
		return "all four corners"
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}

const doNotLower = "Do not lower: "

// standingSentences returns what stands against lowering, worst first, without its head. full says
// since when and why; otherwise the figures alone.
func (s *State) standingSentences(full bool) []string {
	var all []string
	var done []safety.StandingKind
	for i := range s.Standing {
		l := &s.Standing[i]
		if slices.Contains(done, l.Kind) {
			continue
		}
		switch l.Kind {
		case safety.NotYetSeen:
			done = append(done, l.Kind)
			all = append(all, fmt.Sprintf("before this recording unknown; %s not yet seen above least pressure.", cornerList(s.standingAt(l.Kind))))
		case safety.NoLeastGiven:
			done = append(done, l.Kind)
			all = append(all, fmt.Sprintf("no least pressure given for %s; cannot tell.", cornerList(s.standingAt(l.Kind))))
		case safety.SaidFilled:
		default:
			all = append(all, s.standingSentence(l, full))
		}
	}
	return all
}

// standingAt returns the corners of one kind.
func (s *State) standingAt(kind safety.StandingKind) []decode.Corner {
	var cs []decode.Corner
	for i := range s.Standing {
		if s.Standing[i].Kind == kind {
			cs = append(cs, s.Standing[i].Corner)
		}
	}
	slices.Sort(cs)
	return cs
}

func (s *State) standingSentence(l *safety.StandingLine, full bool) string {
	at := func(t capture.Stamp) string { return clock(s.Start, t) }
	squeezed := ""
	if l.Squeezed {
		squeezed = " (squeezed)"
	}
	switch l.Kind {
	case safety.LineIsOpen:
		return fmt.Sprintf("%s line marked open %s.", l.Corner, at(l.Line))
	case safety.Unseen:
		if !l.Pressure.Seen {
			return fmt.Sprintf("%s unseen since %s.", l.Corner, at(s.Start))
		}
		if !full {
			return fmt.Sprintf("%s unseen since %s.", l.Corner, at(l.Pressure.Last.At))
		}
		return fmt.Sprintf("%s unseen since %s, then %.2f bar%s.", l.Corner, at(l.Pressure.Last.At), unsigned(l.Pressure.Last.Value, 2), squeezed)
	case safety.BledNoPressure:
		return fmt.Sprintf("%s bled %s, no fill answered since; it has no pressure signal.", l.Corner, at(l.Bled))
	}
	text := fmt.Sprintf("%s %.2f bar%s, least %.2f", l.Corner, unsigned(l.Pressure.Last.Value, 2), squeezed, l.Least.Value)
	if full && l.Bled != 0 {
		text += fmt.Sprintf("; bled %s, %s", at(l.Bled), fillWords(l, at))
	}
	return text + "."
}

// fillWords says what became of the filling after a bleed.
func fillWords(l *safety.StandingLine, at func(capture.Stamp) string) string {
	refused := ""
	if l.Refused != 0 {
		refused = " refused " + at(l.Refused)
		if l.Code != 0 {
			refused += fmt.Sprintf(" (0x%02X)", uint8(l.Code))
		}
	}
	steps := [...]string{"no filling seen since", "one fill step answered", "two fill steps answered", "three fill steps answered"}
	switch {
	case l.Fills == 0 && refused != "":
		return "the fill" + refused
	case l.Fills == 0:
		return steps[0]
	case refused != "":
		return fillCount(l.Fills, steps[:]) + ", the next" + refused
	default:
		return fillCount(l.Fills, steps[:]) + " since"
	}
}

func fillCount(n int, steps []string) string {
	if n < len(steps) {
		return steps[n]
	}
	return fmt.Sprintf("%d fill steps answered", n)
}

// said returns what was only said, one sentence a corner.
func (s *State) said() []string {
	var all []string
	for i := range s.Standing {
		if l := &s.Standing[i]; l.Kind == safety.SaidFilled {
			by := clean(l.SaidBy)
			if by != "" {
				by += ", "
			}
			all = append(all, fmt.Sprintf("Said, not seen: %s is filled (%s%s).", l.Corner, by, clock(s.Start, l.SaidAt)))
		}
	}
	return all
}

// StandingLine returns the standing line in full: what stands against lowering, or that nothing is
// known, which is no proof. It is "" when nothing is seen at all.
func (s *State) StandingLine() string {
	parts := s.said()
	if against := s.standingSentences(true); len(against) > 0 {
		parts = append([]string{doNotLower + strings.Join(against, " ")}, parts...)
	}
	if len(parts) == 0 && s.Sight != Blind {
		return noWarning
	}
	return strings.Join(parts, " ")
}

// GoingDown answers the mark 'going down' at once: what to say, and whether it sounds.
func (s *State) GoingDown() (answer string, sound bool) {
	switch against := s.standingSentences(true); {
	case len(against) > 0:
		return doNotLower + strings.Join(against, " "), true
	case s.Sight == Blind:
		return "Cannot tell: blind" + s.blindFor() + ". Look at the lift.", true
	default:
		return fmt.Sprintf("Marked going down %s. Watching.", clock(s.Start, s.Now)), false
	}
}

// blindFor says for how long no frame came, "" where none ever did.
func (s *State) blindFor() string {
	least := time.Duration(-1)
	for _, b := range s.Buses {
		if least < 0 || b.Silent < least {
			least = b.Silent
		}
	}
	if least < 0 {
		return ""
	}
	return " for " + age(least)
}

// standingVariants returns the standing line from the fullest to the shortest.
func (s *State) standingVariants() []string {
	full := s.StandingLine()
	if full == "" || full == noWarning {
		return []string{full}
	}
	all := []string{full}
	if short := s.standingSentences(false); len(short) > 0 {
		var cs []decode.Corner
		for i := range s.Standing {
			if s.Standing[i].Kind != safety.SaidFilled {
				cs = append(cs, s.Standing[i].Corner)
			}
		}
		all = append(all, doNotLower+strings.Join(short, " "))
		if len(cs) > 1 {
			all = append(all, doNotLower+s.standingGroups()+".")
			worst := s.standingSentences(true)[0]
			others := slices.DeleteFunc(slices.Clone(cs), func(c decode.Corner) bool { return strings.Contains(worst, c.String()) })
			all = append(all, doNotLower+worst+also(others), doNotLower+short[0]+also(others))
		}
		slices.Sort(cs)
		return append(all, doNotLower+cornerList(cs)+".", "Do not lower.")
	}
	return append(all, fmt.Sprintf("Said, not seen: %s filled.", cornerList(s.standingAt(safety.SaidFilled))))
}

// standingGroups names the corners by what stands against them.
func (s *State) standingGroups() string {
	words := map[safety.StandingKind]string{safety.LineIsOpen: "line marked open", safety.Unseen: "unseen", safety.BledNoPressure: "bled, no fill answered since",
		safety.NoLeastGiven: "no least pressure given", safety.NotYetSeen: "not yet seen above least pressure"}
	var groups []string
	var done []safety.StandingKind
	for i := range s.Standing {
		l := &s.Standing[i]
		switch {
		case l.Kind == safety.SaidFilled || slices.Contains(done, l.Kind):
		case l.Kind == safety.NotProven:
			groups = append(groups, strings.TrimSuffix(s.standingSentence(l, false), "."))
		default:
			done = append(done, l.Kind)
			groups = append(groups, cornerList(s.standingAt(l.Kind))+" "+words[l.Kind])
		}
	}
	return strings.Join(groups, "; ")
}

func also(cs []decode.Corner) string {
	if len(cs) == 0 {
		return ""
	}
	slices.Sort(cs)
	return " Also " + cornerList(cs) + "."
}

// headline returns the words for a finding that takes the warning's place, and what is said of it
// when it is over; "" for any other.
func headline(f *safety.Finding) (head, over string) {
	corner := f.Corner.String()
	loud := strings.ToUpper(corner)
	bar := evidenceBar(f)
	switch f.Rule.Name {
	case "lowered-without-pressure":
		return loud + " IS COMING DOWN ON AN EMPTY SPRING. STOP LOWERING.", corner + " came down on an empty spring."
	case "lowered-with-no-fill-seen":
		return loud + " COMES DOWN: BLED, NO FILLING SEEN. STOP LOWERING.", corner + " came down: bled, no filling seen."
	case "line-opened-under-pressure":
		return fmt.Sprintf("%s: LINE MARKED OPEN AT %s. STORED AIR INJURES. STEP BACK.", loud, bar), corner + ": line marked open under pressure."
	case "over-pressure":
		return fmt.Sprintf("%s %s, ABOVE ITS GREATEST. STOP FILLING.", loud, bar), corner + " had more than its greatest pressure."
	case "moved-unasked":
		return loud + ": PRESSURE MOVES AND NOBODY ASKED. HANDS OFF THE LINES.", corner + ": its pressure moved and nobody asked."
	}
	return "", ""
}

// evidenceBar returns the greatest pressure among the evidence, in the unit of its definition.
func evidenceBar(f *safety.Finding) string {
	best := -1
	for i, e := range f.Evidence {
		if e.Signal != "" && e.State == "" && (best < 0 || e.Value > f.Evidence[best].Value) {
			best = i
		}
	}
	if best < 0 {
		return "UNKNOWN PRESSURE"
	}
	return strings.ToUpper(fmt.Sprintf("%.2f %s", f.Evidence[best].Value, f.Evidence[best].Unit))
}

// unprovenHeadline returns the words for a descent on to a spring that was not seen filled.
func unprovenHeadline(l *safety.StandingLine, at func(capture.Stamp) string) (head, over string) {
	corner := l.Corner.String()
	over = corner + " came down, its pressure not proven."
	since := ""
	if l.Bled != 0 {
		since = " SINCE " + at(l.Bled)
	}
	return strings.ToUpper(corner) + " COMES DOWN, PRESSURE NOT PROVEN" + since + ". STOP LOWERING.", over
}

// figures returns the figures of a danger that lasts, in full and in fewer words.
func figures(d *Danger, s *State) (full, short string) {
	i := slices.Index(decode.Corners[:], d.Corner)
	if i < 0 || !d.Lasts() {
		return "", ""
	}
	c := &s.Corners[i]
	switch {
	case c.Closing && c.Before.Known:
		full = fmt.Sprintf("last %.2f bar before it closed, least %.2f", unsigned(c.Before.Reading.Value, 2), c.Least.Value)
		short = fmt.Sprintf("last %.2f bar, least %.2f", unsigned(c.Before.Reading.Value, 2), c.Least.Value)
	case c.Pressure.Fresh():
		full = fmt.Sprintf("now %.2f bar, least %.2f", unsigned(c.Pressure.Last.Value, 2), c.Least.Value)
		short = full
	case c.Pressure.Seen:
		full = fmt.Sprintf("last %.2f bar, %s old", unsigned(c.Pressure.Last.Value, 2), age(c.Pressure.Age))
		short = full
	}
	if !c.Closing || !c.Height.Fresh() {
		return full, short
	}
	closed := fmt.Sprintf("closed %.1f mm", c.ClosedMM)
	short = sentenceParts(short, fmt.Sprintf("closed %.0f mm", c.ClosedMM))
	if s, ok := c.LeftSeconds(); ok {
		closed += fmt.Sprintf(", %.0f mm and %.0f s left", c.LeftMM, s)
	} else if c.HeightRate.Known && c.HeightRate.Value < -steadyHeight {
		closed += fmt.Sprintf(", %.0f mm/s", -c.HeightRate.Value)
	}
	return sentenceParts(full, closed), short
}

// LeftSeconds returns how long it takes at the present rate until the corner is down where it was before
// it was raised.
func (c *Corner) LeftSeconds() (float64, bool) {
	if !c.LeftKnown || c.LeftMM <= 0 || !c.HeightRate.Known || c.HeightRate.Value >= -steadyHeight {
		return 0, false
	}
	return c.LeftMM / -c.HeightRate.Value, true
}

// sentenceParts joins what there is with semicolons.
func sentenceParts(parts ...string) string {
	return strings.Join(slices.DeleteFunc(parts, func(p string) bool { return p == "" }), "; ")
}
