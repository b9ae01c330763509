package review

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"ridewitness/capture"
	"ridewitness/decode"
)

// Caution stands in every output for people, in lines of a terminal's width.
const Caution = `Witness, not an interlock: it cannot see the lift and can be blind. Follow the
vehicle maker's instructions, local rules and licensed practice. Stored air injures.`

// heldMeans says what 'held' is worth, wherever held findings are listed.
const heldMeans = "'Held' means that this record shows no breach. It gives no leave to lower, to work underneath or to drive."

// Exit returns how a command ends that judged: NothingFound is 0, a warning or an altered file 3,
// everything else 4, an outcome that nobody worked out among it.
func (r *Review) Exit() Exit {
	switch {
	case r.Outcome == WarningGiven || r.Session.Integrity == "altered":
		return 3
	case r.Outcome == NothingFound && !r.partMissing():
		return 0
	default:
		return 4
	}
}

// clean takes out what could move a cursor, reorder a line or hide text: labels and notes come from
// cards and files that anybody may have written. A tab or a line end becomes a space.
func clean(s string) string {
	return strings.Map(func(c rune) rune {
		switch {
		case c == '\t' || c == '\n' || c == '\r':
			return ' '
		case unicode.Is(unicode.C, c) || c == unicode.ReplacementChar || c == '\u2028' || c == '\u2029':
			return '?'
		}
		return c
	}, s)
}

// OriginWords says where the frames came from, as a reader must see it: never shortened.
func OriginWords(origin string) string {
	switch origin {
	case "vehicle":
		return "VEHICLE, recorded on a vehicle's network"
	case "virtual":
		return "VIRTUAL, not a vehicle: recorded on a bus inside a computer"
	case "simulated":
		return "SIMULATED, not a vehicle"
	default:
		return "UNKNOWN: the file does not say where its frames came from"
	}
}

// integrityWords says what the file's seals prove, and what they don't.
func (r *Review) integrityWords() string {
	s := &r.Session
	note := clean(r.Record.IntegrityNote)
	if note == "" {
		note = integrityDefaults[s.Integrity]
	}
	words := strings.Join(nonEmpty(orNone(r.verdictWords()), note), ": ")
	if len(s.Anchors) == 0 {
		return words + "; no anchor (paper, key or time stamp)"
	}
	return words + "; anchored by " + clean(strings.Join(s.Anchors, ", "))
}

// verdictWords names the verdict on the file, and what it was mended from.
func (r *Review) verdictWords() string {
	words := clean(r.Session.Integrity)
	if from := r.Session.MendedFrom; from != nil {
		words += ", mended from a file that was " + clean(*from)
	}
	if before := r.Session.GoesOnFrom; before != nil {
		words += ", goes on from " + clean(*before)
	}
	return words
}

// integrityDefaults say what a verdict means where the reader of the file gave no reason.
var integrityDefaults = map[string]string{
	"sealed":    "no byte changed since the last seal; without an anchor that proves nothing against the file's owner",
	"unsealed":  "nothing in the file shows whether it was changed",
	"altered":   "bytes changed after they were sealed",
	"cut-short": "the file ends before its last seal",
}

// lostWords says how many frames are missing; a count that nobody made is unknown, not 0.
func (r *Review) lostWords() string {
	s, words := &r.Session, ""
	switch {
	case s.Lost == nil:
		words = "lost frames unknown: nobody counted"
	case *s.Lost == 0:
		words = "no frame counted as lost"
	default:
		words = fmt.Sprintf("%d of %d frames lost", *s.Lost, s.Frames+*s.Lost)
	}
	if len(r.Record.Damage) > 0 {
		words += ", and something could not be read"
	}
	return words
}

// title names the vehicle and the job.
func (r *Review) title() string {
	var parts []string
	for _, s := range []string{r.Record.Label, r.Record.Job} {
		if s != "" {
			parts = append(parts, clean(s))
		}
	}
	if len(parts) == 0 {
		return "a session without a job card's name"
	}
	return strings.Join(parts, ", ")
}

// date says when the session began and how long it lasted.
func (r *Review) date() string {
	if r.Record.Start == 0 {
		return "start unknown"
	}
	return r.Record.Start.Time().Format("2 January 2006, 15:04 UTC") + ", " + lengthWords(r.Record.End.Sub(r.Record.Start))
}

// lengthWords writes a duration in the largest unit that still says enough.
func lengthWords(d time.Duration) string {
	switch {
	case d < time.Second:
		return fmt.Sprintf("%.2f s", d.Seconds())
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case d < 3*time.Hour:
		return fmt.Sprintf("%.0f min", d.Minutes())
	default:
		return fmt.Sprintf("%.1f h", d.Hours())
	}
}

// clock writes a time of the session: mm:ss since its start, hh:mm:ss in a session of an hour or
// more. What lies outside the session, a reading of the day before say, is written as a date.
func (r *Review) clock(at capture.Stamp) string {
	since, all := at.Sub(r.Record.Start), r.Record.End.Sub(r.Record.Start)
	if since < 0 || since > all {
		return at.Time().Format("2 January 2006 15:04:05 UTC")
	}
	s := int64(since / time.Second)
	if all > time.Hour {
		return fmt.Sprintf("%02d:%02d:%02d", s/3600, s/60%60, s%60)
	}
	return fmt.Sprintf("%02d:%02d", s/60, s%60)
}

// fine is clock with tenths, for evidence.
func (r *Review) fine(at capture.Stamp) string {
	since := at.Sub(r.Record.Start)
	if since < 0 || at > r.Record.End {
		return r.clock(at)
	}
	return fmt.Sprintf("%s.%d", r.clock(at), since%time.Second/(100*time.Millisecond))
}

// span writes a stretch of the session.
func (r *Review) span(from, to capture.Stamp) string {
	if r.clock(from) == r.clock(to) {
		return r.clock(from)
	}
	return r.clock(from) + " to " + r.clock(to)
}

// stampOf reads a time of the JSON form; false where it holds none.
func stampOf(s string) (capture.Stamp, bool) {
	t, err := time.Parse(time.RFC3339Nano, s)
	return capture.StampOf(t), err == nil
}

// spanOf is span for times in the JSON form.
func (r *Review) spanOf(from, to string) string {
	a, okA := stampOf(from)
	b, okB := stampOf(to)
	if !okA || !okB {
		return "time unknown"
	}
	return r.span(a, b)
}

// decimals is how many fraction digits a person reads of a value in that unit.
var decimals = map[string]int{"bar": 2, "kPa": 1, "Pa": 0, "mm": 1, "m": 4, "degC": 1, "K": 1, "rpm": 0, "km/h": 1, "V": 2, "s": 0}

// number writes v as a person reads it in that unit; one without an entry keeps four digits.
func number(v float64, unit string) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "unknown"
	}
	if d, ok := decimals[unit]; ok {
		return unsignedZero(strconv.FormatFloat(v, 'f', d, 64))
	}
	return strconv.FormatFloat(v, 'g', 4, 64)
}

// unsignedZero turns a rounded '-0.0' into '0.0'.
func unsignedZero(s string) string {
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return s
}

// measured writes a value with its unit and what it is measured from.
func measured(v float64, unit, reference string) string {
	s := number(v, unit)
	if unit != "" {
		s += " " + clean(unit)
	}
	switch reference {
	case "gauge", "absolute":
		return s + " " + reference
	case "design":
		return s + " from design height"
	}
	return s
}

// told is one evidence in words.
type told struct {
	Class, At, What, Value, Where string
}

// tell puts an evidence into words.
func (r *Review) tell(e *Evidence) told {
	t := told{Class: "seen", At: r.fine(e.At0), What: clean(e.Signal)}
	if e.Frame > 0 {
		t.Where = fmt.Sprintf("packet %d", e.Frame)
	}
	switch {
	case e.Mark != "":
		t.Class, t.What = "said", "mark '"+clean(e.Mark)+"'"
		if e.Record > 0 {
			t.Where = fmt.Sprintf("record J%d", e.Record)
		}
	case e.Message != "":
		t.What, t.Value = "message", clean(e.Message)
	case e.State != "":
		t.Value = clean(e.State)
	case e.Value != nil:
		t.Value = measured(*e.Value, e.Unit, e.Reference)
	}
	return t
}

// about names what a finding speaks of.
func (f *Finding) about() string {
	switch {
	case f.Corner != "":
		return f.Corner
	case f.Axle != "":
		return f.Axle + " axle"
	default:
		return "vehicle"
	}
}

// sentence is a finding's summary as a sentence of its own.
func (f *Finding) sentence() string { return sentence(clean(f.Summary)) }

// sentence gives s its full stop.
func sentence(s string) string {
	if s == "" || strings.HasSuffix(s, ".") || strings.HasSuffix(s, "?") {
		return s
	}
	return s + "."
}

// classWord is what a sentence of that class begins with.
func classWord(class string) string {
	if class == "worked-out" {
		return "worked out"
	}
	return class
}

// severityRank orders broken findings; a severity that is not named here comes last.
var severityRank = map[string]int{"danger": 3, "warning": 2, "advice": 1}

// outcomeRank puts what broke before what held and both before what nobody knows. An outcome that is
// not named here cannot tell.
var outcomeRank = map[string]int{"broken": 2, "held": 1}

// sorted holds the findings in the order in which people read them, with their numbers: the place
// in All, from 1.
type sorted struct {
	All                      []*Finding
	Broken, Held, CannotTell []*Finding
}

// sortFindings puts broken ones first, the worst at the head, then those that held, then those that
// can't be told, asked ones first.
func (r *Review) sortFindings() sorted {
	var s sorted
	for i := range r.Findings {
		s.All = append(s.All, &r.Findings[i])
	}
	slices.SortStableFunc(s.All, compareFindings)
	for _, f := range s.All {
		switch f.Outcome {
		case "broken":
			s.Broken = append(s.Broken, f)
		case "held":
			s.Held = append(s.Held, f)
		default:
			s.CannotTell = append(s.CannotTell, f)
		}
	}
	return s
}

// compareFindings orders broken findings by severity and time, the others by whether they were asked
// for. Where it finds them equal the order of the rules stays, which is that of a job.
func compareFindings(a, b *Finding) int {
	if d := outcomeRank[b.Outcome] - outcomeRank[a.Outcome]; d != 0 {
		return d
	}
	if a.Outcome == "broken" {
		if d := severityRank[b.Severity] - severityRank[a.Severity]; d != 0 {
			return d
		}
		return cmp.Compare(a.From0, b.From0)
	}
	if a.Asked != b.Asked {
		if a.Asked {
			return -1
		}
		return 1
	}
	return 0
}

// headline is the one sentence for a reader who reads no more.
func (r *Review) headline(s sorted) string {
	if r.Outcome == WarningGiven {
		for _, f := range s.Broken {
			if f.Severity != "advice" {
				return f.sentence()
			}
		}
	}
	switch {
	case r.Session.Integrity == "altered":
		return "The file was altered after it was sealed."
	case r.Outcome == NothingFound:
		return fmt.Sprintf("Nothing found. Not shown: %d.", len(s.CannotTell))
	case r.Outcome == WarningGiven:
		return "A warning was given."
	}
	return r.whyCannotTell(s)
}

// whyCannotTell says in one sentence what kept the session from an answer.
func (r *Review) whyCannotTell(s sorted) string {
	if r.Session.Integrity == "cut-short" {
		return "Cannot tell: the file is cut short."
	}
	if r.Session.MendedFrom != nil {
		return "Cannot tell: this is what could be kept of a damaged file; what came later is missing."
	}
	if before := r.Session.GoesOnFrom; before != nil {
		return "Cannot tell: this goes on from " + clean(*before) + ", and what was recorded there is judged there."
	}
	asked := 0
	for _, f := range s.CannotTell {
		if f.Asked {
			asked++
		}
	}
	if asked == 0 {
		return "Cannot tell: nothing that was asked could be judged."
	}
	first := s.CannotTell[0]
	if asked == 1 {
		return fmt.Sprintf("Cannot tell about %s: %s.", first.about(), strings.TrimSuffix(why(first), "."))
	}
	return fmt.Sprintf("Cannot tell: %d answers that were asked for are missing; the first, %s: %s.",
		asked, first.about(), strings.TrimSuffix(why(first), "."))
}

// why says why a rule can't tell: the rule's own note, else what its summary gives as the cause.
func why(f *Finding) string {
	if f.Note != "" {
		return clean(f.Note)
	}
	if _, cause, ok := strings.Cut(f.Summary, ", because "); ok {
		return clean(cause)
	}
	if f.Summary != "" {
		return clean(f.Summary)
	}
	return "the recording does not show it"
}

// notShown is one line of 'not shown, because': a rule, the places that share a cause, the cause.
type notShown struct {
	Rule, Title string
	Abouts      []string
	Asked       bool
	Why         string
	Findings    []*Finding
}

// notShown joins the places at which a rule can't tell for the same cause, asked ones first.
func (s *sorted) notShown() []*notShown {
	var lines []*notShown
	for _, f := range s.CannotTell {
		i := slices.IndexFunc(lines, func(n *notShown) bool {
			return n.Rule == f.Rule && n.Asked == f.Asked && n.Why == why(f)
		})
		if i < 0 {
			lines = append(lines, &notShown{Rule: f.Rule, Title: f.Title, Asked: f.Asked, Why: why(f)})
			i = len(lines) - 1
		}
		n := lines[i]
		n.Findings = append(n.Findings, f)
		if !slices.Contains(n.Abouts, f.about()) {
			n.Abouts = append(n.Abouts, f.about())
		}
	}
	return lines
}

// About joins the places, all four corners in one word.
func (n *notShown) About() string { return joinCorners(n.Abouts) }

// joinCorners lists places, four corners in two words: a line of four names hides the one that
// matters in other lines.
func joinCorners(names []string) string {
	if len(names) == len(decode.Corners) && !slices.Contains(names, "vehicle") {
		return "all corners"
	}
	return clean(strings.Join(names, ", "))
}

// threshold is one limit as people read it, once for all rules that took it.
type threshold struct {
	Name, Value, From string
	Corners           []string
}

// Most rules take the same few thresholds at four corners. Listed one by one they would be longer
// than the findings, and nobody would see the one that somebody changed.

// thresholds joins the rules and corners that counted with the same number.
func (r *Review) thresholds() []*threshold {
	var all []*threshold
	for i := range r.Limits {
		l := &r.Limits[i]
		t := &threshold{Name: strings.ReplaceAll(clean(l.Name), "_", " "), Value: "none given", From: clean(l.From)}
		if l.Value != nil {
			t.Value = strings.TrimSpace(strconv.FormatFloat(*l.Value, 'g', 6, 64) + " " + clean(l.Unit))
		}
		if l.Unit == "bar" && l.Value != nil {
			t.Value += " gauge"
		}
		t.join(&all, l.Corner)
	}
	return all
}

// join adds t to the list, or its corner to the line that says the same.
func (t *threshold) join(all *[]*threshold, corner string) {
	i := slices.IndexFunc(*all, func(o *threshold) bool {
		return o.Name == t.Name && o.Value == t.Value && o.From == t.From && (corner == "") == (len(o.Corners) == 0)
	})
	if i < 0 {
		*all = append(*all, t)
		i = len(*all) - 1
	}
	if o := (*all)[i]; corner != "" && !slices.Contains(o.Corners, corner) {
		o.Corners = append(o.Corners, corner)
	}
}

// String is the threshold in a few words.
func (t *threshold) String() string {
	s := t.Name
	if len(t.Corners) > 0 {
		s += " " + joinCorners(t.Corners)
	}
	if t.From == "none" {
		return s + " " + t.Value
	}
	return s + " " + t.Value + " (" + t.From + ")"
}

// sentence says what a leak check tells of a corner.
func (l *Leak) sentence(r *Review) string {
	where := fmt.Sprintf("%s, %s %s", clean(l.Corner), l.Regime, r.spanOf(l.Start, l.End))
	if l.PressureBar > 0 {
		where += fmt.Sprintf(" at %.1f bar gauge", l.PressureBar)
	}
	var parts []string
	if l.RateANR != nil {
		parts = append(parts, fmt.Sprintf("loses %s ml/min ANR (%.3g to %.3g, %.0f %%)", number(l.RateANR.Value, ""),
			l.RateANR.Low, l.RateANR.High, l.Confidence*100))
	}
	if l.LimitANR != nil {
		parts = append(parts, fmt.Sprintf("limit %.3g ml/min", *l.LimitANR))
	} else {
		parts = append(parts, "no limit given")
	}
	parts = append(parts, strings.ReplaceAll(l.Outcome, "cannot-tell", "cannot tell"))
	said := where + ": " + strings.Join(parts, ", ")
	if l.NeedsS != nil && *l.NeedsS > 0 {
		said += "; " + lengthWords(time.Duration(*l.NeedsS*float64(time.Second))) + " more would tell"
	}
	// A rate that may as well be none says nothing of the night.
	if l.SagMMIn12h != nil && l.RateANR != nil && l.RateANR.Low > 0 {
		said += fmt.Sprintf("; at this rate %.0f mm lower after 12 h", *l.SagMMIn12h)
	}
	return sentence(said + noteOf(l.Note))
}

// noteOf appends a note to a sentence.
func noteOf(note string) string {
	if note == "" {
		return ""
	}
	return "; " + clean(note)
}

// sentence says how far a corner sank, and by what.
func (s *Sag) sentence(r *Review) string {
	var causes []string
	for _, c := range s.Causes {
		causes = append(causes, fmt.Sprintf("%.1f mm (%.1f to %.1f) %s", c.MM, c.LowMM, c.HighMM, causeWords(c.Cause)))
	}
	said := fmt.Sprintf("%s, %s: %s", clean(s.Corner), r.spanOf(s.Start, s.End), sankWords(s.DropMM))
	if len(causes) > 0 {
		said += ": " + strings.Join(causes, ", ")
	}
	return sentence(said + noteOf(s.Note))
}

// sankWords says which way the body went: a negative drop is a rise, and reads as one.
func sankWords(mm float64) string {
	if mm < 0 {
		return fmt.Sprintf("rose %.1f mm", -mm)
	}
	return fmt.Sprintf("sank %.1f mm", mm)
}

// causeWords names a cause of sag within a sentence.
func causeWords(cause string) string {
	switch cause {
	case "leak":
		return "by a leak"
	case "cooling":
		return "by cooling"
	case "cross-flow":
		return "by air that flowed to another corner"
	case "load":
		return "by load"
	case "commanded":
		return "by air let out on request"
	case "sensor":
		return "by a moved sensor, not by the body"
	case "under-filled":
		return "low from the start"
	default:
		return "unexplained"
	}
}

// markWords is a mark in a few words.
func (r *Review) markWords(m *Mark) string {
	s := r.clock(m.At) + " " + clean(m.Name)
	for _, more := range []string{m.Corner, m.Value} {
		if more != "" {
			s += " " + clean(more)
		}
	}
	if m.Record > 0 {
		s += fmt.Sprintf(" (J%d)", m.Record)
	}
	return s
}

// stageWords lists the stages, those that signals and requests show apart from those that marks say.
func (r *Review) stageWords() (seen, said string) {
	var bySignals, byMarks []string
	for i := range r.Stages {
		s := &r.Stages[i]
		words := strings.Join(nonEmpty(clean(s.Stage), joinCorners(s.Corners)), " ") + " " + r.span(s.From0, s.To0)
		if s.From == "mark" {
			byMarks = append(byMarks, words)
		} else {
			bySignals = append(bySignals, words)
		}
	}
	return strings.Join(bySignals, "; "), strings.Join(byMarks, "; ")
}

// restsOn lists the signals that a finding rests on, each once, with their proof.
func (f *Finding) restsOn() string {
	names := slices.Clone(f.RestsOn)
	slices.Sort(names)
	return clean(strings.Join(slices.Compact(names), ", "))
}

// words says what was recorded of the bus.
func (b *Bus) words() string {
	lost := "lost unknown"
	if b.Lost != nil {
		lost = fmt.Sprintf("%d lost", *b.Lost)
	}
	return fmt.Sprintf("%s, %d frames, %s", clean(b.Name), b.Frames, lost)
}

// definitionWords says which definitions were used and how sure they are.
func (r *Review) definitionWords() string {
	rec := &r.Record
	if len(rec.Definitions) == 0 {
		return "none"
	}
	return fmt.Sprintf("%s; %d proven, %d assumed, %d contradicted", clean(strings.Join(rec.Definitions, ", ")),
		rec.Proven, rec.Assumed, rec.Contradicted)
}

// gapWords lists the stretches without any frame, at most six.
func (r *Review) gapWords() string {
	const most = 6
	var parts []string
	for i, g := range r.Record.Gaps {
		if i == most {
			parts = append(parts, fmt.Sprintf("%d more", len(r.Record.Gaps)-most))
			break
		}
		parts = append(parts, r.span(g.From, g.To))
	}
	if len(parts) == 0 {
		return ""
	}
	return "no frame " + strings.Join(parts, ", ")
}

// recordNotes lists what was left out, replaced or could not be read, a sentence each.
func (r *Review) recordNotes() []string {
	rec := &r.Record
	var notes []string
	add := func(what string, names []string) {
		if len(names) > 0 {
			notes = append(notes, sentence(what+clean(strings.Join(names, ", "))))
		}
	}
	add("signals that could not be read: ", rec.NotDecoded)
	add("marks that could not be read: ", rec.Unreadable)
	add("definitions replaced by a later file: ", rec.Replaced)
	add("not on air springs: ", rec.NotAirSprung)
	if rec.SpringsByGuess {
		notes = append(notes, "The job card names no springs: every corner with a pressure counts as one on air.")
	}
	add("left out as damaged: ", rec.Damage)
	return notes
}

// orNone writes what is absent as a word. An empty line could be a fault of the page.
func orNone(s string) string {
	if s == "" {
		return "none"
	}
	return s
}

// nonEmpty leaves out the empty ones.
func nonEmpty(all ...string) []string {
	return slices.DeleteFunc(all, func(s string) bool { return s == "" })
}
