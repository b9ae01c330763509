package handover

import (
	"fmt"
	"strings"
	"time"

	"ridewitness/capture"
	"ridewitness/safety/review"
)

// What stands before a sentence of the head.
const (
	flagAgainst = "!! "
	flagUnknown = " ? "
	flagOther   = " - "
)

// labelColumns is where the text behind a label begins.
const labelColumns = 13

// Text writes the report for a terminal of that many columns, 40 at least: first what must not be done,
// then what is open, last how old all of it is.
func (r *Report) Text(columns int) string {
	p := page{columns: max(columns, 40)}
	p.head(r)
	p.put("", "", "")
	p.put("", "", "At its end, "+r.atEnd()+":")
	p.flagged(r)
	p.put("", "", "")
	p.rows(r)
	p.put("", "", "")
	p.put("", "", r.lastFrame()+" "+r.AfterEnd)
	if h := r.Handed; h != nil {
		p.put("", "  ", fmt.Sprintf("J%d: %s", h.Record, h.words(dateOf(h.at))))
	}
	p.put("", "", r.Caution)
	return p.b.String()
}

// page gathers lines.
type page struct {
	b       strings.Builder
	columns int
}

// put writes a paragraph: first before its first line, rest before the others.
func (p *page) put(first, rest, text string) {
	for _, line := range review.Paragraph(first, rest, text, p.columns) {
		p.b.WriteString(strings.TrimRight(line, " "))
		p.b.WriteByte('\n')
	}
}

// row writes texts behind a label, each from a line of its own.
func (p *page) row(label string, texts ...string) {
	blanks := strings.Repeat(" ", labelColumns)
	first := fmt.Sprintf("%-*s", labelColumns, label)
	for _, text := range texts {
		p.put(first, blanks, text)
		first = blanks
	}
}

// head says whose frames these are and how whole the file is.
func (p *page) head(r *Report) {
	p.put("", "  ", r.File+"  origin "+review.OriginWords(r.Origin))
	var about []string
	for _, s := range []string{r.Label, r.Job} {
		if s != "" {
			about = append(about, s)
		}
	}
	if r.start != 0 {
		about = append(about, "begun "+r.start.Time().Format("2006-01-02 15:04 UTC"))
	}
	if len(about) > 0 {
		p.put("", "  ", strings.Join(about, ", "))
	}
	record := r.Record.Integrity
	if r.Record.Mended {
		record += ", mended"
	}
	p.put("record: ", "  ", record+": "+r.Record.Note+"; "+r.lostWords())
}

func (r *Report) lostWords() string {
	switch lost := r.Record.Lost; {
	case lost == nil:
		return "lost frames unknown: nobody counted"
	case *lost == 0:
		return "no frame counted as lost"
	default:
		return fmt.Sprintf("%d of %d frames lost", *lost, r.Record.Frames+*lost)
	}
}

func (r *Report) atEnd() string {
	if r.end == 0 {
		return "time unknown"
	}
	return r.clock(r.end)
}

// flagged writes what must not be done and what nobody can tell. One of the kinds is always there.
func (p *page) flagged(r *Report) {
	for _, s := range r.Against {
		p.put(flagAgainst, "   ", s)
	}
	for _, s := range r.CannotTell {
		p.put(flagUnknown, "   ", s)
	}
	for _, s := range r.Said {
		p.put(flagUnknown, "   ", s)
	}
	if r.NoWarning != "" {
		p.put(flagOther, "   ", r.NoWarning)
	}
}

// rows writes what is open, a label each. What is not known of is said as well: an absent line would
// read as good news.
func (p *page) rows(r *Report) {
	p.row("sight", r.Seen)
	p.row("stage", r.stageWords())
	p.row("lines", orElse(r.Lines, "none is marked open; nobody sees a line")...)
	p.row("bled", orElse(r.Bled, "no corner is known to be bled and not filled")...)
	p.row("refused", r.refusedWords()...)
	p.row("warnings", r.warningWords()...)
	p.row("said", r.marksWords()...)
	for i := range r.Before {
		h := &r.Before[i]
		p.row("handover", h.words(r.when(h.at))+fmt.Sprintf(" (J%d)", h.Record))
	}
}

// stageWords says what went on and who says so.
func (r *Report) stageWords() string {
	switch r.StageBy {
	case "":
		return r.Stage
	case "mark":
		return r.Stage + " (said, by mark)"
	default:
		return r.Stage + " (seen, by " + r.StageBy + ")"
	}
}

// shown is how many refusals and how many warnings the text lists; the JSON form has more.
const shown = 4

func (r *Report) refusedWords() []string {
	if r.Requests == 0 {
		return []string{"no request of a tester was read, so nothing is known of refusals"}
	}
	if r.RefusedN == 0 {
		return []string{fmt.Sprintf("none of %d requests that were read", r.Requests)}
	}
	var all []string
	granted := 0
	for i := range r.Refused {
		if f := &r.Refused[i]; f.Granted {
			granted++
		} else {
			all = append(all, r.clock(f.at)+" "+f.Says)
		}
	}
	more := max(r.RefusedN-granted-shown, 0)
	all = all[max(len(all)-shown, 0):]
	if more > 0 {
		words := fmt.Sprintf("and %d before", more)
		if r.RefusedN > len(r.Refused) {
			words += ", the earliest of them not looked through"
		}
		all = append(all, words)
	}
	if granted > 0 {
		all = append(all, fmt.Sprintf("%d more, granted when asked again", granted))
	}
	return all
}

func (r *Report) warningWords() []string {
	var all []string
	for i := range r.Warnings[:min(len(r.Warnings), shown)] {
		w := &r.Warnings[i]
		text := fmt.Sprintf("%s %s %s", r.clock(w.at), strings.ToUpper(w.Severity), w.Says)
		if w.Lasts {
			text += ", not over at the end"
		}
		all = append(all, text)
	}
	if more := r.WarningN - len(all); more > 0 {
		all = append(all, fmt.Sprintf("and %d more; 'ridewitness review' has all", more))
	}
	untold := fmt.Sprintf("%d of %d answers of the rules could not be told", r.Untold, r.Answers)
	if len(all) == 0 {
		return []string{"none; " + untold}
	}
	return append(all, untold)
}

// marksWords lists the last marks: what hands did, as somebody said.
func (r *Report) marksWords() []string {
	if len(r.Marks) == 0 {
		return []string{"no mark: nothing is known of what hands did"}
	}
	var words []string
	for i := range r.Marks {
		words = append(words, r.when(r.Marks[i].at)+" "+r.Marks[i].Says)
	}
	return []string{fmt.Sprintf("the last of %d marks: %s", r.MarksN, strings.Join(words, "; "))}
}

func (h *Handed) words(at string) string {
	text := "handed over to " + h.To
	if h.By != "" {
		text += " by " + h.By
	}
	text += ", " + at
	if h.Note != "" {
		text += ": " + h.Note
	}
	return text
}

// lastFrame says how old the news is.
func (r *Report) lastFrame() string {
	if r.last == 0 {
		return "There is no frame in the file."
	}
	text := fmt.Sprintf("The last frame came at %s of the session, %s: ", r.clock(r.last), dateOf(r.last))
	if r.AgoS == nil {
		return text + "how long ago is not known, since this machine's clock is earlier."
	}
	return text + agoWords(time.Duration(*r.AgoS*float64(time.Second))) + " ago by this machine's clock."
}

// when writes a moment as session time; what was added behind the session's end has a date.
func (r *Report) when(at capture.Stamp) string {
	if at > r.end {
		return dateOf(at)
	}
	return r.clock(at)
}

func dateOf(at capture.Stamp) string { return at.Time().Format("2006-01-02 15:04:05 UTC") }

// agoWords writes a duration in the two units that matter.
func agoWords(d time.Duration) string {
	switch s := int64(d / time.Second); {
	case d < 2*time.Minute:
		return fmt.Sprintf("%d s", s)
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min", s/60)
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h %d min", s/3600, s/60%60)
	default:
		return fmt.Sprintf("%d days", s/86400)
	}
}

// orElse returns the list, or where it is empty the sentence that says so.
func orElse(all []string, none string) []string {
	if len(all) == 0 {
		return []string{none}
	}
	return all
}
