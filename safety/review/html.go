package review

import (
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"regexp"
	"strings"
	"sync"
	"time"
	"unicode"

	"ridewitness/decode"
)

var htmlFormat = Format{Name: "html", Doc: "For people, one file that prints well", Write: writeHTML}

//go:embed page.html page.css page.js compare.html
var pageFiles embed.FS

// pageParts returns the parsed template and the texts beside it: parsed once, and only where a page
// is written, since every command pays for what is parsed at the start.
var pageParts = sync.OnceValues(func() (*pageText, error) {
	t, err := template.ParseFS(pageFiles, "page.html")
	if err != nil {
		return nil, err
	}
	css, err := pageFiles.ReadFile("page.css")
	if err != nil {
		return nil, err
	}
	script, err := pageFiles.ReadFile("page.js")
	return &pageText{t, string(css), string(script)}, err
})

type pageText struct {
	template    *template.Template
	css, script string
}

// writeHTML names style and script in the page's policy by their digest. A digest, since a word of
// leave that is the same in every report could be copied into an altered one.
func writeHTML(w io.Writer, r *Review) error {
	parts, err := pageParts()
	if err != nil {
		return err
	}
	r = whole(r)
	p := newPage(r)
	css := parts.css + r.footer()
	// html/template knows nothing of a digest over what it escapes, so these two go in as they are.
	// What goes in here is our own text, but for the footer, which escapes what comes from a card.
	p.CSS, p.Script = template.CSS(css), template.JS(parts.script)
	p.Policy = fmt.Sprintf("default-src 'none'; style-src 'sha256-%s'; script-src 'sha256-%s'; base-uri 'none'; form-action 'none'",
		digest(css), digest(parts.script))
	return parts.template.Execute(w, p)
}

// digest is how a content security policy names a text that it lets in.
func digest(s string) string {
	sum := sha256.Sum256([]byte(s))
	return base64.StdEncoding.EncodeToString(sum[:])
}

// footer is the style of the line under each printed page. Its text comes from a card, so every
// letter but plain ones is written as a CSS escape.
func (r *Review) footer() string {
	text := fmt.Sprintf("%s, %s: %s, outcome %s", r.title(), r.date(), originShort(r.Session.Origin), r.Outcome)
	return fmt.Sprintf("@page { @bottom-left { content: \"%s\"; font: 7.5pt sans-serif; width: 80%%; } "+
		"@bottom-right { content: \"page \" counter(page) \" of \" counter(pages); font: 7.5pt sans-serif; } }\n", cssText(text))
}

// cssText writes s for the inside of a CSS string. It names what may stand for itself rather than what
// may not: a list of dangerous signs is never complete.
func cssText(s string) string {
	var b strings.Builder
	for _, c := range clean(s) {
		if c < unicode.MaxASCII && (unicode.IsLetter(c) || unicode.IsDigit(c)) || strings.ContainsRune(" ,.:-", c) {
			b.WriteRune(c)
		} else {
			fmt.Fprintf(&b, "\\%06X", c)
		}
	}
	return b.String()
}

// originShort is the origin in the fewest words that can't be misread.
func originShort(origin string) string {
	word, _, _ := strings.Cut(OriginWords(origin), ",")
	word, _, _ = strings.Cut(word, ":")
	if word == "UNKNOWN" {
		return "ORIGIN UNKNOWN"
	}
	return word
}

// The page is one file: it must open in ten years, on a machine without a network, and be the same
// for whoever doubts it. So it holds no script that works anything out, no font, no picture of
// another file, and its policy refuses whatever somebody adds.
//
// Its order is that of a reader: where it comes from, what happened, how sure, where, when, the
// proof, what nobody could tell, what it stands on. Colour repeats what word, shape and place say.

// page is what the template shows. Its texts are clean; the template escapes them.
type page struct {
	Policy string
	CSS    template.CSS
	Script template.JS

	Title, Date, Origin, OriginWord string
	Panel, PanelWord                string
	PanelShape                      mark
	Outcome, RecordLine             string
	Headline, HeadlineMore          string
	Said3                           []claim // seen, worked out, said
	Tally                           []tally
	Caution, HeldMeans              string
	PressureScale                   string
	Corners                         []cornerView
	Plot                            template.HTML
	StagesSeen, StagesSaid          string
	MarksSaid                       string
	Findings                        []findingView
	NotShownCount                   int
	Leaks                           []leakView
	Sags                            []sagView
	Answers                         []answers
	NotShown                        []notShownView
	Thresholds                      []thresholdView
	Record                          []fact
	Cautions                        []string
}

// mark is a shape with its number; words say to a screen reader what the shape shows.
type mark struct {
	Shape       template.HTML
	N           int
	NumberClass string
	NumberY     float64
	Words       string
}

type claim struct{ Class, Text string }

type tally struct {
	Mark  mark
	Count int
	Word  string
}

type cornerView struct {
	Name    string
	Bellows template.HTML
	Lines   []cornerLine
	Words   string
	Marks   []mark
}

type cornerLine struct{ Class, Value, Unit string }

type findingView struct {
	Mark                                 mark
	Severity, Word, Sentence             string
	About, Span, Note                    string
	Placed                               bool
	Evidence                             []evidenceView
	Rule, Class, Source, RestsOn, Limits string
}

type evidenceView struct {
	told
	ID, Ring string
}

type leakView struct {
	Corner, Regime, Sentence string
	Bar                      template.HTML
}

type sagView struct {
	Corner    string
	Bar       template.HTML
	Sentences []string
}

// answers is what all rules say about one place.
type answers struct {
	About string
	Rows  []answer
}

type answer struct {
	ID, Link, Place string
	Mark            mark
	Sentence, More  string
}

type notShownView struct {
	Rule, About, Why string
	Asked            bool
	Numbers          []int
}

type thresholdView struct{ Name, Value, Where, From string }

type fact struct{ Name, Text string }

// newPage turns a review into what the template shows.
func newPage(r *Review) *page {
	s := r.sortFindings()
	drawn, rings := r.drawPlot(s)
	p := &page{
		Title: r.title(), Date: r.date(), Origin: OriginWords(r.Session.Origin), OriginWord: originShort(r.Session.Origin),
		Outcome: clean(r.Outcome), RecordLine: spaced(r.recordLine()),
		Said3: r.claims(s), Tally: tallies(s), Caution: Caution, HeldMeans: heldMeans,
		Plot: template.HTML(drawn), NotShownCount: len(s.CannotTell), Cautions: cautions,
	}
	p.Headline = capital(minus(r.headline(s)))
	if r.Outcome == WarningGiven {
		p.Headline, p.HeadlineMore = split(p.Headline)
	}
	p.Panel, p.PanelWord, p.PanelShape = r.panel(s)
	p.StagesSeen, p.StagesSaid = r.stageWords()
	p.MarksSaid = r.allMarks()
	scale := pressureScale(r)
	p.PressureScale = fmt.Sprintf("%v to %v", svgNumber(scale.press.low), svgNumber(scale.press.high))
	for _, c := range decode.Corners {
		p.Corners = append(p.Corners, r.cornerView(c, s, scale))
	}
	for i, f := range s.Broken {
		p.Findings = append(p.Findings, r.findingView(f, i+1, rings))
	}
	p.worked(r)
	p.Answers = r.answers(s)
	p.notShown(s)
	for _, t := range r.thresholds() {
		p.Thresholds = append(p.Thresholds, thresholdView{t.Name, t.Value, orVehicle(joinCorners(t.Corners)), t.From})
	}
	p.Record = r.recordFacts()
	return p
}

// cautions close the page. They name what the program cannot do before what the reader must do.
var cautions = []string{
	"This is a witness, not an interlock: it stops nothing. It cannot see the lift, and it can be blind.",
	heldMeans,
	"Follow the vehicle maker's instructions, local rules and licensed practice.",
	"Stored air injures.",
}

// figures within a sentence: a minus that stands before a digit, not within a name or a date.
var minusBefore = regexp.MustCompile(`(^|[ (])-(\d)`)

// minus writes a true minus for people.
func minus(s string) string { return minusBefore.ReplaceAllString(s, "$1\u2212$2") }

// longNumber finds counts of five digits and more; years and identifiers are shorter.
var longNumber = regexp.MustCompile(`\b\d{5,}\b`)

// spaced parts the thousands of long counts by thin spaces.
func spaced(s string) string {
	return longNumber.ReplaceAllStringFunc(s, func(n string) string {
		var b strings.Builder
		for i, c := range n {
			if i > 0 && (len(n)-i)%3 == 0 {
				b.WriteRune('\u2009')
			}
			b.WriteRune(c)
		}
		return b.String()
	})
}

// capital begins a sentence with a capital letter.
func capital(s string) string {
	for i, c := range s {
		return string(unicode.ToUpper(c)) + s[i+len(string(c)):]
	}
	return s
}

// split parts a long headline from its figures, which stand below it.
func split(s string) (head, more string) {
	const least = 20
	head, more, ok := strings.Cut(s, ": ")
	if !ok || len(head) < least {
		return s, ""
	}
	return head + ".", capital(more)
}

// say is a finding's sentence as the page shows it.
func (f *Finding) say() string { return capital(minus(f.sentence())) }

// orVehicle names the whole vehicle where a threshold belongs to no corner.
func orVehicle(s string) string {
	if s == "" {
		return "vehicle"
	}
	return s
}

// markOf returns the shape of a finding with its number.
func markOf(f *Finding, n int) mark {
	words := strings.ToUpper(f.Severity)
	switch f.Outcome {
	case "broken":
	case "held":
		words = "held"
	default:
		words = "cannot tell"
	}
	return mark{template.HTML(shapeOf(f.Outcome, f.Severity)), n, numberClass(f, n), numberBase(f), fmt.Sprintf("%s %d: ", words, n)}
}

// bare is a shape without a number.
func bare(outcome, severity string) mark {
	return mark{Shape: template.HTML(shapeOf(outcome, severity))}
}

// panel returns the class, the word and the shape at the head of the page.
func (r *Review) panel(s sorted) (class, word string, shape mark) {
	switch {
	case r.Outcome == WarningGiven && len(s.Broken) > 0 && s.Broken[0].Severity == "danger":
		return "danger", "DANGER", exclaim("danger")
	case r.Outcome == WarningGiven:
		return "warning", "WARNING", exclaim("warning")
	case r.Outcome == NothingFound:
		return "nothing-found", "NOTHING FOUND", mark{Shape: template.HTML(shapeOf("held", ""))}
	default:
		return "cannot-tell", "CANNOT TELL", mark{Shape: template.HTML(shapeOf("", "") + `<text class="gn" x="12" y="16.2">?</text>`)}
	}
}

// exclaim is the sign at the head of a page that warns.
func exclaim(severity string) mark {
	f := &Finding{Outcome: "broken", Severity: severity}
	return mark{Shape: template.HTML(fmt.Sprintf(`%s<text class="%s" x="12" y="%v">!</text>`, shapeOf("broken", severity), numberClass(f, 0), numberBase(f)))}
}

// tallies counts the answers. Broken ones show the shape of the worst.
func tallies(s sorted) []tally {
	worst := bare("broken", "advice")
	if len(s.Broken) > 0 {
		worst = bare("broken", s.Broken[0].Severity)
	}
	return []tally{{worst, len(s.Broken), "broken"}, {bare("held", ""), len(s.Held), "held"}, {bare("", ""), len(s.CannotTell), "cannot tell"}}
}

// recordLine says how whole the record is.
func (r *Review) recordLine() string {
	seal := r.verdictWords()
	if len(r.Session.Anchors) == 0 {
		seal += ", no anchor"
	}
	return seal + "; " + r.lostWords()
}

// claims returns what was seen, worked out and said, each class in a paragraph of its own.
func (r *Review) claims(s sorted) []claim {
	const most = 3
	var seen, worked, said []string
	for i, f := range s.Broken {
		if f.Severity == "advice" {
			continue
		}
		words := f.say()
		if i == 0 {
			words = r.firstEvidence(f)
		}
		switch {
		case words == "":
		case f.Class == "worked-out" && len(worked) < most:
			worked = append(worked, words)
		case f.Class == "said" && len(said) < most:
			said = append(said, words)
		case f.Class == "seen" && len(seen) < most:
			seen = append(seen, words)
		}
	}
	for i := range r.Sag {
		if len(worked) < most {
			worked = append(worked, capital(minus(r.Sag[i].sentence(r))))
		}
	}
	if n := len(r.Record.Marks); n > 0 {
		said = append(said, fmt.Sprintf("%d marks, the last: %s.", n, r.markWords(&r.Record.Marks[n-1])))
	}
	var all []claim
	if r.Outcome == CannotTellAny {
		all = s.missing()
	}
	for _, c := range []claim{{"Seen", strings.Join(seen, " ")}, {"Worked out", strings.Join(worked, " ")}, {"Said", strings.Join(said, " ")}} {
		if c.Text != "" {
			all = append(all, c)
		}
	}
	return all
}

// missing says what kept the asked rules from an answer, the first few of them.
func (s *sorted) missing() []claim {
	const most = 4
	var parts []string
	for _, n := range s.notShown() {
		if n.Asked && len(parts) < most {
			parts = append(parts, sentence(capital(n.About()+": "+minus(n.Why))))
		}
	}
	if len(parts) == 0 {
		return nil
	}
	return []claim{{"Not shown", strings.Join(parts, " ")}}
}

// firstEvidence says where the proof of the headline begins, instead of the headline again.
func (r *Review) firstEvidence(f *Finding) string {
	for i := range f.Evidence {
		if e := r.tell(&f.Evidence[i]); e.Class == "seen" {
			return fmt.Sprintf("From %s; the evidence begins with %s (%s).", r.span(f.From0, f.To0), strings.TrimSpace(e.What+" "+minus(e.Value)), e.Where)
		}
	}
	return fmt.Sprintf("From %s.", r.span(f.From0, f.To0))
}

// allMarks lists the marks with their journal records: a picture has no room for all of them.
func (r *Review) allMarks() string {
	var parts []string
	for i := range r.Record.Marks {
		parts = append(parts, r.markWords(&r.Record.Marks[i]))
	}
	return strings.Join(parts, "; ")
}

// findingView is a broken finding in full.
func (r *Review) findingView(f *Finding, n int, rings map[[2]int]bool) findingView {
	v := findingView{Mark: markOf(f, n), Severity: clean(f.Severity), Word: strings.ToUpper(clean(f.Severity)), Sentence: f.say(), About: clean(f.about()),
		Span: r.span(f.From0, f.To0), Note: capital(sentence(minus(clean(f.Note)))), Placed: f.placed(), Rule: clean(f.Rule),
		Class: classWord(clean(f.Class)), Source: clean(f.Source), RestsOn: f.restsOn(), Limits: r.limitsOf(f)}
	for i := range f.Evidence {
		e := evidenceView{told: r.tell(&f.Evidence[i]), ID: fmt.Sprintf("e%d-%d", n, i+1)}
		e.Value = minus(e.Value)
		if rings[[2]int{n, i + 1}] {
			e.Ring = fmt.Sprintf("g%d-%d", n, i+1)
		}
		v.Evidence = append(v.Evidence, e)
	}
	return v
}

// placed reports whether the picture has the finding's shape: it knows the corners and the vehicle.
func (f *Finding) placed() bool {
	_, known := decode.ParseCorner(f.Corner)
	return known
}

// limitsOf says which thresholds counted for a finding.
func (r *Review) limitsOf(f *Finding) string {
	var parts []string
	only := Review{}
	for _, l := range r.Limits {
		if l.Rule == f.Rule && (l.Corner == f.Corner || l.Corner == "") {
			l.Corner = ""
			only.Limits = append(only.Limits, l)
		}
	}
	for _, t := range only.thresholds() {
		parts = append(parts, t.String())
	}
	return strings.Join(parts, "; ")
}

// answers lists what every rule says, place by place: the vehicle and axles after the corners. Beside
// 'held' stands the sentence of the rule, never its name.
func (r *Review) answers(s sorted) []answers {
	var all []answers
	index := map[string]int{}
	for _, c := range decode.Corners {
		index[c.String()] = len(all)
		all = append(all, answers{About: c.String()})
	}
	for i, f := range s.All {
		k, ok := index[f.about()]
		if !ok {
			k = len(all)
			index[f.about()] = k
			all = append(all, answers{About: clean(f.about())})
		}
		all[k].Rows = append(all[k].Rows, r.answer(f, i+1))
	}
	var filled []answers
	for _, a := range all {
		if len(a.Rows) > 0 {
			filled = append(filled, a)
		}
	}
	return filled
}

// answer is one line: a broken finding links to its full text, the others have their full text here,
// with the packets and signals that a reader needs to check them.
func (r *Review) answer(f *Finding, n int) answer {
	a := answer{Mark: markOf(f, n), Sentence: f.say()}
	if f.Outcome == "broken" {
		a.Link = fmt.Sprintf("#f%d", n)
		return a
	}
	a.ID = fmt.Sprintf("f%d", n)
	if f.placed() {
		a.Place = fmt.Sprintf("#p%d", n)
	}
	more := []string{r.span(f.From0, f.To0)}
	for i := range f.Evidence {
		if where := r.tell(&f.Evidence[i]).Where; where != "" {
			more = append(more, where)
		}
	}
	if f.Outcome == "held" && f.Note != "" {
		more = append(more, clean(f.Note))
	}
	a.More = strings.Join(append(more, f.restsOn()), "; ")
	a.More = strings.TrimSuffix(a.More, "; ")
	return a
}

// notShown fills in what could not be told, with the numbers of the findings it stands for.
func (p *page) notShown(s sorted) {
	number := map[*Finding]int{}
	for i, f := range s.All {
		number[f] = i + 1
	}
	for _, n := range s.notShown() {
		v := notShownView{Rule: clean(n.Rule), About: n.About(), Why: minus(n.Why), Asked: n.Asked}
		for _, f := range n.Findings {
			v.Numbers = append(v.Numbers, number[f])
		}
		p.NotShown = append(p.NotShown, v)
	}
}

// worked fills in what models say.
func (p *page) worked(r *Review) {
	bars := leakScale(r.Leaks)
	for i := range r.Leaks {
		l := &r.Leaks[i]
		p.Leaks = append(p.Leaks, leakView{clean(l.Corner), clean(l.Regime), capital(minus(l.sentence(r))), leakBar(l, bars)})
	}
	for i := range r.Sag {
		s := &r.Sag[i]
		v := sagView{Corner: clean(s.Corner), Bar: sagBars(s), Sentences: []string{capital(minus(s.sentence(r)))}}
		if s.Sentence != "" {
			v.Sentences = append([]string{capital(sentence(minus(clean(s.Sentence))))}, v.Sentences...)
		}
		p.Sags = append(p.Sags, v)
	}
}

// recordFacts says what the answers stand on.
func (r *Review) recordFacts() []fact {
	s, rec := &r.Session, &r.Record
	facts := []fact{{"origin", OriginWords(s.Origin)}, {"file", clean(s.File)}, {"integrity", spaced(r.integrityWords())}}
	for i := range s.Buses {
		facts = append(facts, fact{"bus", spaced(s.Buses[i].words())})
	}
	facts = append(facts, fact{"lost", spaced(r.lostWords())})
	if gaps := r.gapWords(); gaps != "" {
		facts = append(facts, fact{"gaps", gaps})
	}
	facts = append(facts, fact{"clock", "times count from a monotonic clock that started " + clean(s.Start)},
		fact{"definitions", r.definitionWords()}, fact{"job card", orNone(clean(rec.Card))})
	for _, said := range rec.Said {
		facts = append(facts, fact{"said", clean(said)})
	}
	for _, n := range r.recordNotes() {
		facts = append(facts, fact{"note", n})
	}
	return facts
}

// cornerView is a corner as it stood at the end.
func (r *Review) cornerView(c decode.Corner, s sorted, scale *picture) cornerView {
	k := &r.Corners[c]
	v := cornerView{Name: c.String()}
	press, pressKnown := r.atEnd(&k.Pressure)
	rise, riseKnown := r.atEnd(&k.Height)
	v.Bellows = bellows(v.Name, scale, k, press, pressKnown, rise, riseKnown)
	if riseKnown {
		v.Lines = append(v.Lines, cornerLine{"big height", minus(number(rise, "mm")), "mm"})
	}
	if pressKnown {
		v.Lines = append(v.Lines, cornerLine{"big pressure", minus(number(press, "bar")), "bar gauge"})
	}
	v.Words = k.words(r, pressKnown, riseKnown)
	for i, f := range s.Broken {
		if f.Corner == v.Name {
			v.Marks = append(v.Marks, markOf(f, i+1))
		}
	}
	return v
}

// words says what the figures don't: that there is no spring, no signal, or an old value.
func (k *Corner) words(r *Review, pressKnown, riseKnown bool) string {
	switch {
	case !k.Present:
		return "no signal"
	case !k.OnAir && !pressKnown:
		return strings.Join(nonEmpty("not an air spring", r.wasWords(&k.Height, "mm", riseKnown)), "; ")
	}
	words := nonEmpty(r.wasWords(&k.Pressure, "bar", pressKnown), r.wasWords(&k.Height, "mm", riseKnown))
	if pressKnown && k.Least != nil {
		words = append(words, "least "+number(*k.Least, "bar")+" bar gauge")
	}
	if riseKnown && k.Series != nil {
		words = append(words, "series "+number(*k.Series, "mm")+" mm")
	}
	return minus(strings.Join(words, "; "))
}

// wasWords gives an old value with its age, never as if it were news.
func (r *Review) wasWords(plot *Plot, unit string, known bool) string {
	what := "height"
	if unit == "bar" {
		what, unit = "pressure", "bar gauge"
	}
	if known {
		return ""
	}
	if len(plot.Points) == 0 {
		return "no " + what
	}
	last := plot.Points[len(plot.Points)-1]
	name, _, _ := strings.Cut(unit, " ")
	return fmt.Sprintf("%s unseen since %s, was %s %s", what, r.clock(last.To), number(last.Last, name), unit)
}

// lastWithin is how near to the end a value must lie to stand for the end.
const lastWithin = 10 * time.Second

// atEnd returns the last value of a signal, false where it was no longer news at the end.
func (r *Review) atEnd(plot *Plot) (float64, bool) {
	if len(plot.Points) == 0 {
		return 0, false
	}
	last := plot.Points[len(plot.Points)-1]
	return last.Last, r.Record.End.Sub(last.To) <= lastWithin
}

// pressureScale returns the scales that the corners share with the plot.
func pressureScale(r *Review) *picture {
	p := &picture{r: r}
	p.scales()
	return p
}

// bellows draws a spring: its plate where the body is, filled as far as its pressure goes.
func bellows(name string, scale *picture, k *Corner, press float64, pressKnown bool, rise float64, riseKnown bool) template.HTML {
	const floor, ceiling = 122.0, 12.0 // of the plate
	plate := (floor-40+ceiling)/2 + 10
	if riseKnown {
		plate = ceiling + scale.rise.y(rise, floor-48-ceiling)
	}
	s := &svg{}
	s.add(`<svg class="bel" viewBox="0 0 100 130" aria-hidden="true" focusable="false">`)
	switch {
	case k.Present && !k.OnAir && !pressKnown:
		s.add(`<path d="M50 %vV%v" stroke="var(--ink2)" stroke-width="4"/>`, plate, floor)
	default:
		s.spring(name, scale, k, press, pressKnown, plate+3, floor)
	}
	dashes := ""
	if !riseKnown {
		dashes = "7 6"
	}
	s.add(`<path d="M8 %vH92" stroke="var(--height)" stroke-width="6" stroke-dasharray="%v"/><path d="M14 %vH86" stroke="var(--ink2)" stroke-width="6"/></svg>`, plate, dashes, floor+3)
	return template.HTML(s.b.String())
}

// spring draws the bellows between top and floor, with a question mark where its pressure is unknown.
func (s *svg) spring(name string, scale *picture, k *Corner, press float64, known bool, top, floor float64) {
	shape := bellowsPath(top, floor)
	level := func(v float64) float64 { return top + scale.press.y(v, floor-top) }
	if known {
		s.add(`<clipPath id="fill-%v"><path d="%v"/></clipPath>`, name, shape)
		s.add(`<rect clip-path="url(#fill-%v)" x="0" y="%v" width="100" height="%v" fill="var(--pressure)"/>`, name, level(press), floor-level(press))
	}
	s.add(`<path d="%v" fill="none" stroke="var(--ink)" stroke-width="2.2" stroke-linejoin="round"/>`, shape)
	switch {
	case !known:
		s.add(`<text x="50" y="%v" text-anchor="middle" font-size="30" font-weight="700" fill="var(--ink)">?</text>`, (top+floor)/2+11)
	case k.Least != nil:
		s.add(`<path d="M4 %vH18M82 %vH96" stroke="var(--ink)" stroke-width="2.6"/>`, level(*k.Least), level(*k.Least))
	}
}

// bellowsPath is the outline of three folds between top and floor.
func bellowsPath(top, floor float64) string {
	fold := (floor - top) / 3
	var b strings.Builder
	fmt.Fprintf(&b, "M26 %s", coordinate(floor))
	for range 3 {
		fmt.Fprintf(&b, "q-14 %s 0 %s", coordinate(-fold/2), coordinate(-fold))
	}
	b.WriteString("H74")
	for range 3 {
		fmt.Fprintf(&b, "q14 %s 0 %s", coordinate(fold/2), coordinate(fold))
	}
	b.WriteString("z")
	return b.String()
}
