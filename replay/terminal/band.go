package terminal

import (
	"fmt"
	"slices"
	"strings"

	"ridewitness/decode"
)

// line is one row of the band.
type line struct {
	text  string
	style Style
}

func lines(style Style, rows ...string) []line {
	all := make([]line, len(rows))
	for i, r := range rows {
		all[i] = line{r, style}
	}
	return all
}

// band writes the standing line or the warning into the three rows that are kept free for it.
func (p *Picture) band(s *State, y int) { p.bandIn(s, y, bandRows) }

// bandIn writes the band into at most `rows` rows and returns the row after them.
func (p *Picture) bandIn(s *State, y, rows int) int {
	for i, l := range s.band(p.width, rows) {
		text := l.text
		if l.style == Alarm || l.style == Reverse {
			text += strings.Repeat(" ", max(p.width-cells(text), 0))
		}
		p.put(0, y+i, l.style, text)
	}
	return y + rows
}

// band returns the rows of the band: a danger that lasts, or else blindness, what is over, and the
// standing line.
func (s *State) band(w, rows int) []line {
	if d := s.danger(); d != nil {
		return s.dangerBand(d, w, rows)
	}
	var head []line
	if s.Sight == Blind {
		head = lines(Reverse, firstFit(w, min(rows-1, 2), " "+blindLine, "BLIND: look at the lift, not here.", "Look at the lift, not here.")...)
	}
	if over := s.over(); over != "" {
		stays := " stays      " + s.staysWords()
		left := rows - len(head) - 1
		text := indented(over, w)
		if len(text)+1 <= left && cells(stays) <= w {
			text = append(text, stays)
		}
		if len(text) > left {
			text = wrap("!! "+s.overShort(), w, 3)
		}
		head = append(head, lines(Bold, text[:min(len(text), max(left, 0))]...)...)
	}
	return append(head, lines(Bold, firstFit(w, rows-len(head), s.standingVariants()...)...)...)
}

// firstFit returns the first text that fits into rows of w cells, wrapped; the last one cut, when
// none does.
func firstFit(w, rows int, texts ...string) []string {
	var wrapped []string
	for _, text := range texts {
		indent := 0
		if strings.HasPrefix(text, doNotLower) && w >= tableWidth {
			indent = len(doNotLower)
		}
		wrapped = wrap(text, w, indent)
		if len(wrapped) <= rows {
			if strings.HasPrefix(text, " ") && len(wrapped) == 1 {
				return []string{text}
			}
			return wrapped
		}
	}
	return wrapped[:max(min(rows, len(wrapped)), 0)]
}

// over says what danger there was, with its sign, newest first; "" for none.
func (s *State) over() string {
	text := s.overWords()
	if text == "" {
		return ""
	}
	return s.Dangers[0].sign() + text
}

// overWords is over without the sign.
func (s *State) overWords() string {
	var said []string
	for i := range s.Dangers {
		d := &s.Dangers[i]
		said = append(said, fmt.Sprintf("%s %s to %s.", d.Over, clock(s.Start, d.Since), clock(s.Start, d.Until)))
	}
	if len(said) == 0 {
		return ""
	}
	text := said[0]
	if n := len(said) - 1; n > 0 {
		text += fmt.Sprintf(" %d more before.", n)
	}
	return text
}

// staysWords says that what is over is not forgotten.
func (s *State) staysWords() string {
	if s.Mode != Live {
		return "This line stays until the end."
	}
	return s.silencedWords() + "This line stays until the recording ends."
}

// silencedWords says when the newest danger was silenced, and when somebody said that it was seen; ""
// where nobody did.
func (s *State) silencedWords() string {
	text := ""
	if len(s.Dangers) > 0 && s.Dangers[0].Silenced != 0 {
		text = "Silenced " + clock(s.Start, s.Dangers[0].Silenced) + ". "
	}
	if len(s.Dangers) > 0 && s.Dangers[0].Acknowledged != 0 {
		text += "Acknowledged " + clock(s.Start, s.Dangers[0].Acknowledged) + ". "
	}
	return text
}

func (s *State) overShort() string {
	if len(s.Dangers) == 0 {
		return ""
	}
	return s.Dangers[0].Over
}

// dangerSign stands before every danger, blindSign before one that nobody sees.
const (
	dangerSign = " !! DANGER  "
	blindSign  = " !! BLIND  "
)

func (d *Danger) sign() string {
	if d.Blind {
		return blindSign
	}
	return dangerSign
}

// hereSilences is what silences the sound of the terminal itself.
const hereSilences = "S silences for 60 s"

// dangerBand writes the newest danger first, its figures, and since when, or the one before it.
func (s *State) dangerBand(d *Danger, w, rows int) []line {
	var all []string
	layouts := s.dangerLayouts(d)
	for n, parts := range layouts {
		sign := d.sign()
		if n == len(layouts)-1 {
			sign = strings.TrimSpace(sign) + " "
		}
		all = all[:0]
		for i, part := range parts {
			lead := "    "
			if i == 0 {
				lead = sign
			}
			all = append(all, indented(lead+part, w)...)
		}
		if len(all) <= rows {
			break
		}
	}
	all = all[:min(len(all), rows)]
	for len(all) < rows {
		all = append(all, "")
	}
	return lines(Alarm, all...)
}

// dangerLayouts returns what a band says of a danger that lasts: its headline, its figures, and since
// when or the one before it, in ever fewer words. silences says how the sound is silenced.
func (s *State) dangerLayouts(d *Danger) [][]string {
	since, shorter := s.sinceWords(d, hereSilences)
	if second := s.secondWords(); second != "" {
		since, shorter = second, second
	}
	return withoutEmpty([][]string{
		{d.Head, d.Figures, since},
		{d.Head + " " + d.Figures, since},
		{d.Head + " " + d.Short, since},
		{d.Head + " " + d.Short, shorter},
		{d.Head + " " + sentenceParts(d.Short, shorter)},
		{d.Head + " " + shorter},
		{d.Head + " " + d.Short},
		{d.Head},
		{s.shortHead(d)},
	})
}

// withoutEmpty leaves out the sentences that say nothing.
func withoutEmpty(layouts [][]string) [][]string {
	for i := range layouts {
		layouts[i] = slices.DeleteFunc(layouts[i], func(part string) bool { return part == "" })
	}
	return layouts
}

// secondWords names the second of several dangers that last, "" where there is one.
func (s *State) secondWords() string {
	lasting, text := 0, ""
	for i := range s.Dangers {
		if s.Dangers[i].Lasts() {
			lasting++
			if lasting == 2 {
				text = "!! " + s.Dangers[i].Head
			}
		}
	}
	if lasting > 2 {
		text += fmt.Sprintf(" %d more.", lasting-2)
	}
	return text
}

// shortHead names the corners in danger and says what to do, where there is no room for the deed.
func (s *State) shortHead(d *Danger) string {
	var corners []decode.Corner
	for i := range s.Dangers {
		if o := &s.Dangers[i]; o.Lasts() && !slices.Contains(corners, o.Corner) {
			corners = append(corners, o.Corner)
		}
	}
	parts := strings.Split(strings.TrimSuffix(d.Head, "."), ". ")
	return strings.ToUpper(cornerList(corners)) + ": " + parts[len(parts)-1] + "."
}

// indented wraps a text that begins with blanks and keeps them; further rows begin with four.
func indented(text string, w int) []string {
	body := strings.TrimLeft(text, " ")
	lead := len(text) - len(body)
	for _, sign := range []string{dangerSign, blindSign} {
		if rest, ok := strings.CutPrefix(text, sign); ok {
			body, lead = rest, len(sign)
		}
	}
	rows := wrap(strings.Repeat("x", lead)+body, w, 4)
	if len(rows) > 0 {
		rows[0] = text[:lead] + rows[0][lead:]
	}
	return rows
}

// sinceWords says since when a danger lasts, how old its news is, and what the sound does, in full
// and in fewer words.
func (s *State) sinceWords(d *Danger, silences string) (full, short string) {
	text := fmt.Sprintf("since %s, %.0f s", clock(s.Start, d.Since), max(s.Now.Sub(d.Since).Seconds(), 0))
	full = text
	if d.Corner != decode.NoCorner {
		full += "; data " + s.Corners[d.Corner-1].ageWord() + " old"
	}
	if d.Told > 0 {
		full += fmt.Sprintf("; first shown %.1f s after the frame", d.Told.Seconds())
	}
	switch {
	case s.Recording == nil:
		return full, text
	case s.Recording.SilencedUntil > s.Now:
		silenced := fmt.Sprintf("; silenced for %.0f s more", s.Recording.SilencedUntil.Sub(s.Now).Seconds())
		return full + silenced, text + silenced
	default:
		return full + "; sounding; " + silences, text + "; " + silences
	}
}
