package review

import (
	"fmt"
	"io"
	"strings"
	"unicode"

	"golang.org/x/text/width"
)

// TextWidth is how wide the text form is where nobody says otherwise.
const TextWidth = 80

// leastWidth keeps a column beside the labels.
const leastWidth = 24

var textFormat = Format{Name: "text", Doc: "For people at a terminal, 80 columns", Write: func(w io.Writer, r *Review) error {
	return WriteText(w, r, TextWidth)
}}

// WriteText writes the review for a terminal of that many columns, at least 24. It wraps, never cuts, and
// uses neither colour nor drawing characters.
func WriteText(w io.Writer, r *Review, columns int) error {
	r = whole(r)
	t := &textPage{r: r, s: r.sortFindings(), columns: max(columns, leastWidth)}
	t.facts()
	t.broken()
	t.workedOut()
	t.held()
	t.notShown()
	t.line("")
	t.stages()
	t.said()
	t.thresholds()
	t.record()
	t.line("")
	t.para("", "", clean(Caution))
	_, err := io.WriteString(w, t.b.String())
	return err
}

// textPage gathers the lines of one page. Everything is written into memory first: a terminal that
// takes no more would otherwise leave half a review, and half of one may read as good news.
type textPage struct {
	r       *Review
	s       sorted
	columns int
	b       strings.Builder
}

// line writes one line without blanks at its end.
func (t *textPage) line(s string) {
	t.b.WriteString(strings.TrimRight(s, " "))
	t.b.WriteByte('\n')
}

// para writes text behind first, its later lines behind rest.
func (t *textPage) para(first, rest, text string) {
	for i, l := range wrap(text, t.columns-columnsOf(first), t.columns-columnsOf(rest)) {
		if i == 0 {
			t.line(first + l)
		} else {
			t.line(rest + l)
		}
	}
}

// labelColumns is where the text of a labelled line begins.
const labelColumns = 14

// item writes a labelled text and, at the right edge where there is room, where it is found.
func (t *textPage) item(label, text, where string) {
	t.columnsBehind(fmt.Sprintf("   %-*s", labelColumns-3, label), labelColumns, text, where)
}

// columnsBehind writes text behind first, its later lines behind that many blanks, and where at the
// right edge: on the last line if two blanks stay between, else below.
func (t *textPage) columnsBehind(first string, blanks int, text, where string) {
	rest := strings.Repeat(" ", blanks)
	lines := wrap(text, t.columns-columnsOf(first), t.columns-blanks)
	lines[0] = first + lines[0]
	for i := range lines[1:] {
		lines[i+1] = rest + lines[i+1]
	}
	last := len(lines) - 1
	switch free := t.columns - columnsOf(lines[last]) - columnsOf(where); {
	case where == "":
	case free >= 2:
		lines[last] += strings.Repeat(" ", free) + where
	default:
		for _, l := range wrap(where, t.columns-blanks, t.columns-blanks) {
			lines = append(lines, strings.Repeat(" ", t.columns-columnsOf(l))+l)
		}
	}
	for _, l := range lines {
		t.line(l)
	}
}

// facts writes the lines that a reader sees who reads no more: where the frames came from, before
// anything they say; the outcome with what could not be told beside what broke; how whole the
// record is. A warning needs no sentence here, since its finding follows.
func (t *textPage) facts() {
	r := t.r
	t.para("", "  ", clean(r.Session.File)+"  origin "+OriginWords(r.Session.Origin))
	t.para("", "  ", r.title()+"; "+r.date())
	t.para("", "  ", fmt.Sprintf("outcome: %s    %d broken, %d held, %d cannot tell", clean(r.Outcome), len(t.s.Broken), len(t.s.Held), len(t.s.CannotTell)))
	if r.Outcome != WarningGiven || len(t.s.Broken) == 0 {
		t.para("", "  ", r.headline(t.s))
	}
	record := r.verdictWords()
	if len(r.Session.Anchors) == 0 {
		record += ", no anchor"
	}
	record += "; " + r.lostWords()
	if gaps := r.gapWords(); gaps != "" {
		record += "; " + gaps
	}
	t.para("record: ", "  ", record)
}

// flags are what a broken finding begins with.
var flags = map[string]string{"danger": "!! DANGER", "warning": " ! WARNING", "advice": " i ADVICE"}

// broken writes the findings that matter, worst first, each with its evidence. The source of the rule
// stands beside its name, so that common practice is never taken for a standard, and every signal
// has its proof, since a finding is as good as the definitions it rests on.
func (t *textPage) broken() {
	for i, f := range t.s.Broken {
		t.line("")
		head := fmt.Sprintf("%s %d  ", flags[f.Severity], i+1)
		t.columnsBehind(head, min(columnsOf(head), labelColumns), f.sentence(), t.r.span(f.From0, f.To0))
		t.evidence(f)
		if f.Note != "" {
			t.item("note", sentence(clean(f.Note)), "")
		}
		t.item("rule", clean(fmt.Sprintf("%s (%s); %s", f.Rule, classWord(f.Class), f.Source)), "")
		if rests := f.restsOn(); rests != "" {
			t.item("rests on", rests, "")
		}
	}
}

// evidence writes one line each: what a frame shows is seen, whatever was worked out from it.
func (t *textPage) evidence(f *Finding) {
	for i := range f.Evidence {
		e := t.r.tell(&f.Evidence[i])
		t.item(e.Class, strings.Join(nonEmpty(e.At, strings.TrimSpace(e.What+" "+e.Value)), "  "), e.Where)
	}
}

// workedOut writes what models say of leaks and sag; no line of it holds anything seen.
func (t *textPage) workedOut() {
	if len(t.r.Leaks)+len(t.r.Sag) > 0 {
		t.line("")
	}
	for i := range t.r.Leaks {
		t.item("worked out", t.r.Leaks[i].sentence(t.r), "")
	}
	for i := range t.r.Sag {
		t.item("worked out", t.r.Sag[i].sentence(t.r), "")
	}
}

// held writes one sentence for each rule that held, without its name: beside the word it would read
// as a pass.
func (t *textPage) held() {
	if len(t.s.Held) == 0 {
		return
	}
	t.line("")
	t.para(" o ", "   ", fmt.Sprintf("%d held. %s", len(t.s.Held), heldMeans))
	for _, f := range t.s.Held {
		t.para("   o ", "     ", f.sentence())
	}
}

// notShown writes what the record could not answer. Those that were asked for come first and say so,
// as only they decide the outcome.
func (t *textPage) notShown() {
	lines := t.s.notShown()
	if len(lines) == 0 {
		return
	}
	t.line("")
	t.line(" ? not shown, because")
	for _, n := range lines {
		asked := ""
		if n.Asked {
			asked = " (asked)"
		}
		t.para("   ? ", "     ", fmt.Sprintf("%s, %s%s: %s", n.Rule, n.About(), asked, n.Why))
	}
}

// stages writes where the session's stretches lie; those that a mark gave are said, not seen.
func (t *textPage) stages() {
	seen, said := t.r.stageWords()
	if seen != "" {
		t.item("seen", "stages "+seen, "")
	}
	if said != "" {
		t.item("said", "stages "+said, "")
	}
}

// thresholds writes what the rules counted with, and whether the card gave it or a default did. A
// limit that nobody gave is listed too: it explains why a rule could not tell.
func (t *textPage) thresholds() {
	var parts []string
	for _, l := range t.r.thresholds() {
		parts = append(parts, l.String())
	}
	if len(parts) > 0 {
		t.item("limits", strings.Join(parts, "; "), "")
	}
}

// said writes what people claimed. No line of it holds anything that a frame shows.
func (t *textPage) said() {
	var parts []string
	for i := range t.r.Record.Marks {
		parts = append(parts, t.r.markWords(&t.r.Record.Marks[i]))
	}
	if len(parts) > 0 {
		t.item("said", "marks "+strings.Join(parts, "; "), "")
	}
	for _, s := range t.r.Record.Said {
		t.item("said", clean(s), "")
	}
}

// record writes what the answers stand on: definitions, card, seals, and what was left out.
func (t *textPage) record() {
	rec := &t.r.Record
	for _, b := range t.r.Session.Buses {
		t.item("bus", b.words(), "")
	}
	t.item("signals", t.r.definitionWords(), "")
	t.item("job card", orNone(clean(rec.Card)), "")
	t.item("integrity", t.r.integrityWords(), "")
	for _, n := range t.r.recordNotes() {
		t.item("note", n, "")
	}
}

// columnsOf returns how many columns a terminal takes for s: two for wide letters, none for
// combining marks (Unicode Standard Annex 11).
func columnsOf(s string) int {
	n := 0
	for _, c := range s {
		switch {
		case unicode.In(c, unicode.Mn, unicode.Me):
		case wide(c):
			n += 2
		default:
			n++
		}
	}
	return n
}

// wide reports whether terminals give c two columns. What is ambiguous counts as one, as terminals
// outside East Asia do.
func wide(c rune) bool {
	k := width.LookupRune(c).Kind()
	return k == width.EastAsianWide || k == width.EastAsianFullwidth
}

// Paragraph returns text as lines of at most columns columns, for other reports than this package's:
// first stands before the first line, rest before the others. What could move a cursor, reorder a line or
// hide text is taken out of text.
func Paragraph(first, rest, text string, columns int) []string {
	lines := wrap(clean(text), columns-columnsOf(first), columns-columnsOf(rest))
	for i, line := range lines {
		if i == 0 {
			lines[i] = first + line
		} else {
			lines[i] = rest + line
		}
	}
	return lines
}

// wrap breaks text into lines of at most first and rest columns, at blanks, and inside a word only
// where the word is longer than a line. It always returns a line.
func wrap(text string, first, rest int) []string {
	var lines []string
	// A room of less than one column would never take a letter and the loop below would not end.
	line, room := "", max(first, 1)
	end := func() { lines, line, room = append(lines, line), "", max(rest, 1) }
	for _, word := range words(text) {
		gap := 0
		if line != "" {
			gap = len(word.gap)
		}
		if line != "" && columnsOf(line)+gap+columnsOf(word.text) > room {
			end()
			gap = 0
		}
		line += word.gap[:gap]
		for columnsOf(word.text) > room {
			var head string
			head, word.text = splitAt(word.text, room)
			line = head
			end()
		}
		line += word.text
	}
	return append(lines, line)
}

// gapped is a word and the blanks before it, which are kept within a line.
type gapped struct{ gap, text string }

// words parts text at its blanks and keeps them: two blanks part a figure from its name, and should
// survive where both stand on one line.
func words(text string) []gapped {
	var all []gapped
	for text != "" {
		body := strings.TrimLeft(text, " ")
		gap := text[:len(text)-len(body)]
		end := strings.IndexByte(body, ' ')
		if end < 0 {
			end = len(body)
		}
		all = append(all, gapped{gap, body[:end]})
		text = body[end:]
	}
	return all
}

// splitAt cuts s behind at most columns columns, behind one letter at least.
func splitAt(s string, columns int) (string, string) {
	n := 0
	for i, c := range s {
		n += columnsOf(string(c))
		if n > columns && i > 0 {
			return s[:i], s[i:]
		}
	}
	return s, ""
}
