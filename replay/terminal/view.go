package terminal

import (
	"fmt"
	"strings"
	"time"

	"ridewitness/decode"
	"ridewitness/safety"
)

// Options say what a terminal can show.
type Options struct {
	ASCII bool // its locale has no UTF-8
}

// Sizes at which the picture changes: plots, drawings, a table, one line a corner, one sentence.
const (
	plotWidth, plotHeight   = 120, 40
	drawWidth, drawHeight   = 80, 24
	tableWidth, tableHeight = 60, 20
	leastWidth, leastHeight = 30, 8
)

// Draw returns the picture of a state for a terminal of width columns and height rows.
func Draw(s *State, width, height int, o Options) *Picture {
	p := newPicture(max(width, 1), max(height, 1))
	named := *s
	for i, id := range decode.Corners {
		named.Corners[i].Corner = id // also in a state that was never filled
	}
	s = &named
	switch {
	case width >= drawWidth && height >= drawHeight:
		drawFull(p, s, width >= plotWidth && height >= plotHeight)
	case width >= tableWidth && height >= tableHeight:
		drawTable(p, s)
	case width >= leastWidth && height >= leastHeight:
		drawSmall(p, s)
	default:
		drawTiny(p, s)
	}
	if o.ASCII {
		p.ascii()
	}
	return p
}

// drawFull draws heads, band, four corners with their bellows, what happened, keys and caution.
func drawFull(p *Picture, s *State, plots bool) {
	p.stateRow(s, 0)
	p.stageRow(s, 1)
	p.busRow(s, 2)
	p.band(s, 3)
	if s.Pane != CornerPane {
		p.pane(s, bandTop+bandRows, p.height-3)
		p.foot(s)
		return
	}
	box := 6
	if plots {
		box = 9
	}
	w := (p.width - 2) / 2
	for i := range s.Corners {
		x, y := 0, bandTop+bandRows+box*(i/2)
		if i%2 == 1 {
			x = p.width - w
		}
		p.corner(s, i, x, y, w, box, plots)
	}
	y := bandTop + bandRows + 2*box
	if plots {
		p.rule(y)
		p.put(0, y+1, Dim, "Plots: the last 2 minutes; · is a gap. Bellows: the plate is the body, the fill is the pressure of 0 to 8 bar gauge.")
		y += 2
	}
	p.events(s, y, p.height-3)
	p.foot(s)
}

// foot writes the keys and the caution into the last three rows.
func (p *Picture) foot(s *State) {
	p.rule(p.height - 3)
	p.keys(s, p.height-2)
	caution := Caution
	if cells(CautionWide) <= p.width {
		caution = CautionWide
	}
	p.put(0, p.height-1, Plain, caution)
}

const bandTop, bandRows = 3, 3

func (p *Picture) rule(y int) { p.fill(0, p.width, y, Dim, '─') }

// stateParts returns the mode and the state in words, from the fullest to the shortest.
func (s *State) stateParts() (mode string, state []string) {
	head, causes := s.sightWords()
	for _, cause := range causes {
		switch {
		case cause == "":
			state = append(state, head)
		case s.Sight == Watching:
			state = append(state, head+"  "+cause)
		default:
			state = append(state, head+" "+cause)
		}
	}
	return s.modeWords(), state
}

// modeWords says that what is shown is not live, and how fast it goes; "" while live.
func (s *State) modeWords() string {
	if s.Mode == Live {
		return ""
	}
	return s.Mode.Word() + " " + s.speedWord()
}

// sightWords returns how much is seen, and the cause from the fullest words to the shortest.
func (s *State) sightWords() (head string, causes []string) {
	switch s.Sight {
	case Watching:
		return "WATCHING", []string{fmt.Sprintf("%d of %d signals fresh", s.Fresh, s.Signals), fmt.Sprintf("%d of %d", s.Fresh, s.Signals)}
	case PartBlind:
		return "?? PART BLIND ??", s.unseenCauses()
	default:
		why := s.Why
		if why == "" {
			why = "nothing is known"
		}
		return "?? BLIND ??", []string{why}
	}
}

// unseenCauses says which signals are not seen.
func (s *State) unseenCauses() []string {
	if len(s.Unseen) == 0 {
		return []string{""}
	}
	u := &s.Unseen[0]
	first := unseenWords(u)
	if n := len(s.Unseen); n > 1 {
		return []string{fmt.Sprintf("%d of %d signals unseen, first %s", n, s.Signals, first),
			fmt.Sprintf("%d of %d unseen, first %s", n, s.Signals, first),
			fmt.Sprintf("%d of %d signals unseen", n, s.Signals),
			fmt.Sprintf("%d of %d", n, s.Signals)}
	}
	if u.Never {
		first += " yet"
	}
	return []string{"no " + first, fmt.Sprintf("no %s %s", u.Corner, u.Quantity), u.Corner.String()}
}

func unseenWords(u *Unseen) string {
	if u.Never {
		return fmt.Sprintf("%s %s", u.Corner, u.Quantity)
	}
	return fmt.Sprintf("%s %s %s", u.Corner, u.Quantity, age(u.Age))
}

func (s *State) speedWord() string {
	switch {
	case s.Ended:
		return "ended"
	case s.Paused:
		return "paused"
	case s.Speed <= 0:
		return "as fast as it goes"
	case s.Speed < 1:
		return fmt.Sprintf("%.1fx", s.Speed)
	default:
		return fmt.Sprintf("%.0fx", s.Speed)
	}
}

// origin returns the origin in capitals, a word of its own on every screen.
func (s *State) origin() string {
	if s.Origin == "" {
		return "UNKNOWN"
	}
	return strings.ToUpper(clean(s.Origin))
}

func (s *State) clockWord() string {
	word := "rec"
	if s.Mode != Live {
		word = "at"
	}
	return word + " " + clock(s.Start, s.Now)
}

// stateRow writes mode, state, origin and session time, as full as they fit.
func (p *Picture) stateRow(s *State, y int) {
	mode, states := s.stateParts()
	rights := []string{"origin " + s.origin() + "  " + s.clockWord(), s.origin() + "  " + s.clockWord(), s.origin() + " " + clock(s.Start, s.Now)}
	if proofs := s.proofWords(); s.Sight == Watching && proofs != "" {
		states = append([]string{states[0] + "   " + proofs}, states...)
	}
	room := p.width - 2 // a blank at each end
	if mode != "" {
		room -= cells(mode) + 3
	}
	left, right := states[len(states)-1], rights[len(rights)-1]
	fits := func(l, r string) bool { return cells(l)+2+cells(r) <= room }
search:
	for _, l := range states {
		for _, r := range rights {
			if fits(l, r) {
				left, right = l, r
				break search
			}
		}
	}
	x := 0
	if mode != "" {
		x = p.put(0, y, Reverse, " "+mode+" ")
	}
	style := Dim
	if s.Sight != Watching {
		style = Reverse
	}
	p.put(x, y, style, " "+cut(left, max(room-2-cells(right), 0))+" ")
	p.right(p.width-1, y, Bold, right)
}

// proofWords counts the definitions by their proof, "" where there are none.
func (s *State) proofWords() string {
	if s.Proven+s.Assumed+s.Contradicted == 0 {
		return ""
	}
	return fmt.Sprintf("definitions: %d proven, %d assumed, %d contradicted", s.Proven, s.Assumed, s.Contradicted)
}

// stageRow writes the stage, the vehicle, the reference of pressures and the clock on the wall.
func (p *Picture) stageRow(s *State, y int) {
	stage := s.stageWords()
	right := "bar gauge"
	for _, r := range s.stageRights() {
		if cells(stage)+2+cells(r) <= p.width {
			right = r
			break
		}
	}
	p.put(0, y, Plain, cut(stage, p.width-cells(right)-2))
	p.right(p.width, y, Dim, right)
}

// stageRights returns what stands on the right of the stage, from the fullest to the shortest. The
// clock goes first, the reference of the pressures never.
func (s *State) stageRights() []string {
	const reference = "bar gauge"
	if s.Start == 0 {
		return []string{reference}
	}
	label := s.Label
	if label != "" {
		label = cut(label, labelMost) + "  "
	}
	at := s.Now.Time()
	if s.Zone != nil {
		return []string{label + reference + "  local " + at.In(s.Zone).Format("15:04:05"), label + reference, reference}
	}
	return []string{label + reference + "  UTC " + at.Format("2006-01-02 15:04"), label + reference + "  UTC " + at.Format("15:04"), label + reference, reference}
}

// labelMost is how many cells the name of a vehicle may take.
const labelMost = 40

func (s *State) stageWords() string {
	if s.Stage.Name == "" {
		return "stage: unknown"
	}
	name := strings.ReplaceAll(s.Stage.Name, "-", " ")
	if s.Stage.Name == safety.StageLowering {
		name = strings.ToUpper(name)
	}
	if n := len(s.Stage.Corners); n > 0 && n < 4 {
		name += " " + cornerList(s.Stage.Corners)
	}
	d := max(s.Now.Sub(s.Stage.Since), 0)
	return fmt.Sprintf("stage: %s, %d min %d s of it", name, int(d.Minutes()), int(d.Seconds())%60)
}

// busRow writes what the buses do and how much is kept, lost and written.
func (p *Picture) busRow(s *State, y int) {
	if s.Recording != nil && s.Recording.Trouble != "" {
		p.fill(0, p.width, y, Reverse, ' ')
		p.put(0, y, Reverse, cut(" "+s.troubleWords(), p.width))
		return
	}
	lost := "lost " + s.lostWords()
	kept := "kept"
	if s.Mode != Live {
		kept = "frames"
	}
	written, right := "", ""
	switch {
	case s.Recording != nil:
		written = "  written " + age(s.Recording.WrittenAgo) + " ago"
		right = s.Recording.Sound
	case s.Watched != "":
		right = cut("watches "+clean(s.Watched), p.width/2)
	case s.End > s.Start:
		right = clock(s.Start, s.Now) + " of " + clock(s.Start, s.End)
	}
	frames := fmt.Sprintf("%s %s  ", kept, grouped(s.Frames))
	room := p.width - cells(right) - 2
	for _, left := range []string{busWords(s.Buses, true) + frames + lost + written, busWords(s.Buses, true) + lost + written,
		busWords(s.Buses, false) + lost + written, lost + written} {
		if cells(left) <= room || left == lost+written {
			p.put(0, y, Plain, cut(left, room))
			break
		}
	}
	p.right(p.width, y, Dim, right)
}

// troubleWords says that nothing is written, since when and why.
func (s *State) troubleWords() string {
	return fmt.Sprintf("NOTHING IS WRITTEN, last %s ago: %s", age(s.Recording.WrittenAgo), clean(s.Recording.Trouble))
}

func (s *State) lostWords() string {
	if !s.LostKnown && s.Lost == 0 {
		return "unknown"
	}
	return grouped(s.Lost)
}

// busWords names the buses, with their frames per second where there is room.
func busWords(buses []Bus, rates bool) string {
	var words strings.Builder
	for _, b := range buses {
		if rates {
			fmt.Fprintf(&words, "%s %.0f/s  ", b.Name, b.Rate)
		} else {
			words.WriteString(b.Name + " ")
		}
	}
	return words.String()
}

// events writes the last of what happened between two rows, oldest first.
func (p *Picture) events(s *State, y, to int) {
	rows := to - y
	if rows <= 0 {
		return
	}
	rows -= p.notice(s, y, to)
	last := s.Events[max(len(s.Events)-rows, 0):]
	for i, e := range last {
		style := Plain
		if e.Word == "DANGER" {
			style = Bold
		}
		p.put(0, y+i, style, cut(fmt.Sprintf("%s %-7s %s", clock(s.Start, e.At), e.Word, e.Text), p.width))
	}
}

// notice writes the answer to the last key into the last rows before to, and returns how many it took.
func (p *Picture) notice(s *State, y, to int) int {
	if s.Notice == "" {
		return 0
	}
	const most = 3
	text := wrap(s.Notice, p.width, 2)
	text = text[:min(len(text), most, to-y)]
	for i, row := range text {
		at, style := to-len(text)+i, Bold
		if s.Loud {
			style = Reverse
			p.fill(0, p.width, at, style, ' ')
		}
		p.put(0, at, style, row)
	}
	return len(text)
}

// keys writes the keys and what they do; where they do not fit, in fewer words, then without those
// before the last, which is the one that helps or leaves.
func (p *Picture) keys(s *State, y int) {
	if len(s.Keys) == 0 {
		return
	}
	gap := "  "
	does := func(k Key) string { return k.Does }
	if keysWidth(s.Keys, gap, does) > p.width {
		gap, does = " ", Key.short
	}
	last := s.Keys[len(s.Keys)-1]
	room := p.width - keysWidth([]Key{last}, gap, does)
	x := 1
	for _, k := range s.Keys[:len(s.Keys)-1] {
		if x+keyWidth(k, gap, does)+2 <= room+1 {
			x = p.key(x, y, k, gap, does) + 2
		}
	}
	p.key(x, y, last, gap, does)
}

func (p *Picture) key(x, y int, k Key, gap string, does func(Key) string) int {
	x = p.put(x, y, Bold, k.Name)
	if does(k) != "" {
		x = p.put(x, y, Plain, gap+does(k))
	}
	return x
}

func keyWidth(k Key, gap string, does func(Key) string) int {
	if does(k) == "" {
		return cells(k.Name)
	}
	return cells(k.Name) + len(gap) + cells(does(k))
}

func keysWidth(keys []Key, gap string, does func(Key) string) int {
	w := 1
	for _, k := range keys {
		w += keyWidth(k, gap, does) + 2
	}
	return w - 2
}

// drawTable draws the corners as a table: there is no room for bellows.
func drawTable(p *Picture, s *State) {
	p.stateRow(s, 0)
	p.busRow(s, 1)
	p.band(s, 2)
	p.rule(5)
	caution := wrap(Caution, p.width, 0)
	end := p.height - len(caution)
	if s.Pane != CornerPane {
		p.pane(s, 6, end-2)
	} else {
		p.put(0, 6, Dim, "   corner       bar gauge  height mm  state      age")
		for i := range s.Corners {
			p.tableRow(s, i, 7+i)
		}
		p.rule(11)
		p.put(0, 12, Plain, cut(s.stageWords(), p.width))
		p.events(s, 13, end-2)
	}
	p.rule(end - 2)
	p.keys(s, end-1)
	for i, row := range caution {
		p.put(0, end+i, Plain, row)
	}
}

func (p *Picture) tableRow(s *State, i, y int) {
	c := &s.Corners[i]
	word := c.word()
	if s.inDanger(c.Corner) {
		p.put(0, y, Alarm, "!!")
		word = "DANGER"
	}
	p.put(3, y, Plain, c.Corner.String())
	pressure, pStyle := figure(&c.Pressure, "%.2f", "--.--")
	height, hStyle := figure(&c.Height, "%.1f", "---.-")
	p.right(25, y, pStyle, pressure)
	p.right(36, y, hStyle, height)
	p.put(38, y, Bold, word)
	p.right(56, y, Plain, c.ageWord())
}

// figure returns a value that is fresh, or dashes in reverse.
func figure(s *safety.SignalState, form, dashes string) (string, Style) {
	switch {
	case s.Fresh():
		return fmt.Sprintf(form, unsigned(s.Last.Value, 2)), Plain
	case !s.Defined:
		return dashes, Dim
	default:
		return dashes, Reverse
	}
}

// ageWord is the age of the older of the corner's two values.
func (c *Corner) ageWord() string {
	oldest, seen := time.Duration(0), false
	for _, s := range []*safety.SignalState{&c.Pressure, &c.Height} {
		if s.Defined && !s.Seen {
			return "never"
		}
		if s.Seen {
			oldest, seen = max(oldest, s.Age), true
		}
	}
	if !seen {
		return "-"
	}
	return age(oldest)
}

// word says what a corner does.
func (c *Corner) word() string {
	pressure := c.Pressure.Fresh() || !c.Pressure.Defined
	switch {
	case !c.Pressure.Defined && !c.Height.Defined:
		return "no signal"
	case !pressure && !c.Height.Fresh():
		return "UNSEEN"
	case c.Closing && c.Jack:
		return "on a jack"
	case c.Closing:
		return "closing"
	case c.Phase == safety.PhaseUnknown:
		return "unknown"
	default:
		return c.Phase.String()
	}
}

// inDanger reports whether a danger at the corner lasts, or left it on an empty spring.
func (s *State) inDanger(id decode.Corner) bool {
	for i := range s.Dangers {
		d := &s.Dangers[i]
		if d.Corner == id && (d.Lasts() || s.Corners[id-1].Squeezed) {
			return true
		}
	}
	return false
}

// drawSmall draws state, band, one line a corner and the caution, each wrapped.
func drawSmall(p *Picture, s *State) {
	caution := wrap(Caution, p.width, 0)
	head := wrap(s.shortState(), p.width, 1)
	rows := p.height - len(caution) - len(head)
	corners := 4
	if rows < 6 {
		corners = 2
	}
	if rows < 4 {
		corners, caution = 1, wrap(cautionShort, p.width, 0)
		rows = p.height - len(caution) - len(head)
	}
	y := p.lines(0, head, s.headStyle())
	y = p.bandIn(s, y, min(max(rows-corners, 1), bandRows))
	p.cornerLines(s, y, p.height-len(caution)-y)
	p.lines(p.height-len(caution), caution, Plain)
}

const cautionShort = "Witness, not an interlock. Stored air injures."

func (s *State) headStyle() Style {
	if s.Sight == Watching && s.Mode == Live {
		return Dim
	}
	return Reverse
}

// shortState is mode, state, origin and time in one sentence.
func (s *State) shortState() string {
	mode, states := s.stateParts()
	if s.Recording != nil && s.Recording.Trouble != "" {
		mode = "NOT WRITTEN " + mode
	}
	return strings.TrimSpace(mode + " " + states[len(states)-1] + " " + s.origin() + " " + clock(s.Start, s.Now))
}

func (p *Picture) lines(y int, rows []string, style Style) int {
	for _, row := range rows {
		p.put(0, y, style, row)
		y++
	}
	return y
}

// cornerLines writes the corners in as many rows as there are: one each, an axle a row, or all in
// one.
func (p *Picture) cornerLines(s *State, y, rows int) {
	per := 1
	switch {
	case rows < 1:
		return
	case rows < 2:
		per = 4
	case rows < 4:
		per = 2
	}
	w := p.width / per
	sign := [...]string{1: "!! ", 2: "!!", 4: "!"}[per]
	for i := range s.Corners {
		c := &s.Corners[i]
		style, danger := Plain, ""
		if s.inDanger(c.Corner) {
			style, danger = Alarm, sign
		}
		p.put(w*(i%per), y+i/per, style, cut(danger+c.line(per, w-cells(danger)), w-min(per-1, 1)))
	}
}

// line is a corner in one line of w cells, in two to a row, or in four to a row.
func (c *Corner) line(per, w int) string {
	pressure, _ := figure(&c.Pressure, "%.2f", "--.--")
	short := [...]string{"FL", "FR", "RL", "RR"}[c.Corner-1]
	switch per {
	case 1:
		height, _ := figure(&c.Height, "%.0f", "---")
		full := fmt.Sprintf("%s %s bar gauge %s mm %s", c.Corner, pressure, height, c.ageWord())
		if cells(full) <= w {
			return full
		}
		return fmt.Sprintf("%s %s bar %s mm %s", c.Corner, pressure, height, c.ageWord())
	case 2:
		return fmt.Sprintf("%s %s bar", short, pressure)
	default:
		if !c.Pressure.Fresh() {
			return short + "--"
		}
		return short + fmt.Sprintf("%.1f", unsigned(c.Pressure.Last.Value, 1))
	}
}

// drawTiny writes the state and the standing line or the warning, as full as they fit, and nothing
// else.
func drawTiny(p *Picture, s *State) {
	state, style := s.shortState()+". ", s.headStyle()
	var texts []string
	if d := s.danger(); d != nil {
		style = Alarm
		texts = []string{"!! DANGER " + d.Head + " " + state, "!! DANGER " + s.shortHead(d)}
	} else {
		for _, v := range s.standingVariants() {
			texts = append(texts, state+v)
		}
	}
	p.lines(0, firstFit(p.width, p.height, texts...), style)
}

// danger returns the newest one that lasts, nil for none.
func (s *State) danger() *Danger {
	for i := range s.Dangers {
		if s.Dangers[i].Lasts() {
			return &s.Dangers[i]
		}
	}
	return nil
}
