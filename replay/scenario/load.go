package scenario

import (
	"math"
	"slices"

	"ridewitness/decode"
	"ridewitness/decode/document"
	"ridewitness/decode/quantity"
)

// maxSteps bounds a job, maxDuration one wait in it: a scenario is a day's work, written by hand.
const (
	maxSteps    = 2000
	maxDuration = 48 * 3600 // s
)

// fastestMove is the greatest speed of lift and jack, mm/s. A faster one is an accident that the
// stops of the model are not made for.
const fastestMove = 200

// Load reads a scenario from the text of a YAML file; name is the file's name in errors. Mistakes
// come as *document.Error with line and column, all of them joined.
func Load(name, text string) (*Scenario, error) {
	return load(name, text, 0)
}

// load reads a scenario that lies `depth` deep in `like:` chains.
func load(name, text string, depth int) (*Scenario, error) {
	d, err := document.Parse(name, []byte(text))
	if err != nil {
		return nil, err
	}
	l := loader{s: &Scenario{Name: name, pressures: true, temperature: 19, barometer: 101_000}}
	l.read(d.Root(), depth)
	if err := d.Err(); err != nil {
		return nil, err
	}
	return l.s, nil
}

// loader fills a scenario from a document.
type loader struct {
	s *Scenario
}

// read reads the whole document. With `like`, everything comes from another built-in scenario but
// what is written here; faults are added to its own.
func (l *loader) read(root document.Node, depth int) {
	m, ok := root.Map("version", "title", "like", "start", "vehicle", "heat", "pressures",
		"temperature", "barometer", "traffic", "steps", "faults")
	if !ok {
		return
	}
	m.Need("version", "1").Uint(1, 1)
	m.Get("vehicle").Word("demo wagon 7")
	l.like(m.Get("like"), depth)
	if title, ok := m.Get("title").Text(); ok {
		l.s.Title = title
	}
	l.readStart(m)
	l.readSurroundings(m)
	if n := m.Get("traffic"); n.Exists() {
		l.readTraffic(n)
	}
	l.readSteps(m)
	l.readFaults(m.Get("faults"))
}

// maxLike is how many scenarios may build on each other.
const maxLike = 3

func (l *loader) like(n document.Node, depth int) {
	name, ok := n.Word(Names()...)
	if !ok {
		return
	}
	if depth == maxLike {
		n.Refuse("builds on too many scenarios", "a scenario with steps of its own")
		return
	}
	base, err := builtin(name, depth+1)
	if err != nil {
		n.Refuse(err.Error(), "")
		return
	}
	own := l.s.Name
	*l.s = *base
	l.s.Name = own
	l.s.faults = slices.Clone(base.faults)
}

func (l *loader) readStart(m document.Map) {
	n := m.Get("start")
	if !m.Get("like").Exists() {
		n = m.Need("start", "when the job begins, such as 2026-03-02T09:14:05Z")
	}
	if at, ok := n.Time(); ok {
		l.s.start = at
	}
}

func (l *loader) readSurroundings(m document.Map) {
	if word, ok := m.Get("heat").Word("real", "none"); ok {
		l.s.isothermal = word == "none"
	}
	if on, ok := m.Get("pressures").Bool(); ok {
		l.s.pressures = on
	}
	l.s.temperature = within(m.Get("temperature"), quantity.Celsius, -40, 50, l.s.temperature)
	l.s.barometer = within(m.Get("barometer"), quantity.Pascal, 60_000, 108_000, l.s.barometer)
}

// within reads a quantity that has to lie from least to most, `missing` where there is none.
func within(n document.Node, unit quantity.Unit, least, most, missing float64) float64 {
	v, ok := n.Quantity(unit)
	switch {
	case !ok:
		return missing
	case v < least || v > most:
		n.Refuse(n.Shown()+" is out of range", span(least, most, unit))
		return missing
	}
	return v
}

func (l *loader) readTraffic(n document.Node) {
	m, ok := n.Map("identifiers", "per_second")
	if !ok {
		return
	}
	ids, okIDs := m.Need("identifiers", "how many").Uint(0, MaxIdentifiers)
	rate, okRate := m.Need("per_second", "frames of all of them together").Uint(0, MaxPerSecond)
	if okIDs && okRate {
		l.s.traffic = Traffic{Identifiers: int(ids), PerSecond: int(rate)}
	}
}

func (l *loader) readSteps(m document.Map) {
	n := m.Get("steps")
	if !m.Get("like").Exists() {
		n = m.Need("steps", "a list of what is done")
	}
	items, ok := n.List("a list of steps")
	if !ok {
		return
	}
	if len(items) == 0 || len(items) > maxSteps {
		n.Refuse("the list is too short or too long", "1 to 2000 steps")
		return
	}
	l.s.steps = nil
	off := false
	for _, item := range items {
		s := readStep(item)
		if s == nil {
			continue
		}
		switch s := s.(type) {
		case ignitionStep:
			off = !s.on
		case airStep, levelStep, engineStep:
			if off {
				item.Refuse("the ignition is off", "`ignition: on` before it")
			}
		}
		l.s.steps = append(l.s.steps, s)
	}
}

// stepKind is a step's key, and how it is read.
type stepKind struct {
	name string
	read func(n document.Node) (step, bool)
}

// stepKinds is the list: a new step is one entry.
var stepKinds = []stepKind{
	{"wait", readWait},
	{"moment", readMoment},
	{"mark", readMark},
	{"tape", readTape},
	{"lift", readLift},
	{"jack", readJack},
	{"ignition", readIgnition},
	{"engine", readEngine},
	{"open_line", readLine(true)},
	{"close_line", readLine(false)},
	{"renew", readRenew},
	{"bleed", readAir(false)},
	{"fill", readAir(true)},
	{"level", readLevel},
	{"weather", readWeather},
	{"night", readNight},
}

func stepNames() []string {
	names := make([]string, len(stepKinds))
	for i, k := range stepKinds {
		names[i] = k.name
	}
	return names
}

// readStep reads a map of one key.
func readStep(n document.Node) step {
	m, ok := n.Map(stepNames()...)
	if !ok {
		return nil
	}
	var found []stepKind
	for _, k := range stepKinds {
		if m.Get(k.name).Exists() {
			found = append(found, k)
		}
	}
	if pairs, _ := n.Pairs("a step"); len(pairs) != 1 {
		n.Refuse("an item has several steps or none", "a single key, such as `wait: 30 s`")
		return nil
	}
	if len(found) == 0 {
		return nil
	}
	if s, ok := found[0].read(m.Get(found[0].name)); ok {
		return s
	}
	return nil
}

// duration reads a time span and returns it in whole ticks, in nanoseconds.
func duration(n document.Node) (ns int64, ok bool) {
	s, ok := n.Quantity(quantity.Second)
	if !ok {
		return 0, false
	}
	if !(s >= 0 && s <= maxDuration) {
		n.Refuse(n.Shown()+" is out of range", "0 s to 48 h")
		return 0, false
	}
	return int64(math.Round(s/tickSeconds)) * tick, true
}

func durationOr(n document.Node, missing int64) int64 {
	if ns, ok := duration(n); ok {
		return ns
	}
	return missing
}

func readWait(n document.Node) (step, bool) {
	ns, ok := duration(n)
	return waitStep{ns}, ok
}

func readMoment(n document.Node) (step, bool) {
	name, ok := n.Text()
	return momentStep{name}, ok
}

func readMark(n document.Node) (step, bool) {
	m, ok := n.Map("name", "corner", "value", "note")
	if !ok {
		return nil, false
	}
	var s markStep
	s.name, ok = m.Need("name", "the mark's name, such as lift-up").Text()
	if c := m.Get("corner"); c.Exists() {
		s.corner, _ = corner(c)
	}
	s.value, _ = m.Get("value").Text()
	s.note, _ = m.Get("note").Text()
	return s, ok
}

var cornerWords = func() (words []string) {
	for _, c := range decode.Corners {
		words = append(words, c.String())
	}
	return words
}()

// corner reads one corner.
func corner(n document.Node) (decode.Corner, bool) {
	word, ok := n.Word(cornerWords...)
	if !ok {
		return decode.NoCorner, false
	}
	return decode.ParseCorner(word)
}

// cornerList reads one or more corners.
func cornerList(n document.Node) ([]decode.Corner, bool) {
	items, ok := n.List("a list of corners")
	if !ok {
		return nil, false
	}
	var list []decode.Corner
	for _, item := range items {
		if c, ok := corner(item); ok {
			list = append(list, c)
		}
	}
	if len(items) == 0 {
		n.Refuse("is empty", "at least one corner")
	}
	return list, len(list) > 0
}

func readTape(n document.Node) (step, bool) {
	m, ok := n.Map("corners", "every")
	if !ok {
		return nil, false
	}
	list, ok := cornerList(m.Need("corners", "where the tape is held"))
	return tapeStep{list, durationOr(m.Get("every"), 12e9)}, ok
}

// move reads the keys `to` and `speed` of a mover, in metres.
func move(m document.Map, least, most, speed float64) (to, at float64, ok bool) {
	n := m.Need("to", "a height over design height, in mm")
	to = within(n, quantity.Millimetre, least, most, math.NaN())
	at = within(m.Get("speed"), quantity.MillimetrePerSecond, 1, fastestMove, speed)
	return to / 1000, at / 1000, !math.IsNaN(to)
}

func readLift(n document.Node) (step, bool) {
	m, ok := n.Map("to", "speed")
	if !ok {
		return nil, false
	}
	to, speed, ok := move(m, -1000*-liftDown, 2200, 45)
	return liftStep{to, speed}, ok
}

func readJack(n document.Node) (step, bool) {
	m, ok := n.Map("corner", "to", "away", "speed")
	if !ok {
		return nil, false
	}
	c, ok := corner(m.Need("corner", "whose wheel the jack lifts"))
	if away, given := m.Get("away").Bool(); given && away {
		speed := within(m.Get("speed"), quantity.MillimetrePerSecond, 1, fastestMove, 12)
		return jackStep{c, jackAway, speed / 1000}, ok
	}
	to, speed, okMove := move(m, -80, 100, 12)
	return jackStep{c, to, speed}, ok && okMove
}

func readIgnition(n document.Node) (step, bool) {
	word, ok := n.Word("on", "off")
	return ignitionStep{word == "on"}, ok
}

func readEngine(n document.Node) (step, bool) {
	word, ok := n.Word("on", "off")
	return engineStep{word == "on"}, ok
}

func readLine(open bool) func(document.Node) (step, bool) {
	return func(n document.Node) (step, bool) {
		c, ok := corner(n)
		return lineStep{c, open}, ok
	}
}

func readRenew(n document.Node) (step, bool) {
	m, ok := n.Map("corners", "takes")
	if !ok {
		return nil, false
	}
	list, ok := cornerList(m.Need("corners", "whose springs are changed"))
	return renewStep{list, durationOr(m.Get("takes"), 4*60e9)}, ok
}

func readAir(fill bool) func(document.Node) (step, bool) {
	return func(n document.Node) (step, bool) {
		m, ok := n.Map("corner", "to", "at_most")
		if !ok {
			return nil, false
		}
		c, ok := corner(m.Need("corner", "whose spring it is"))
		gauge := within(m.Need("to", "a gauge pressure, such as 1.2 bar"), quantity.Bar, 0, 15, math.NaN())
		atMost := durationOr(m.Get("at_most"), 90e9)
		return airStep{fill, c, gauge, atMost}, ok && !math.IsNaN(gauge)
	}
}

func readLevel(n document.Node) (step, bool) {
	m, ok := n.Map("corners", "to", "within", "at_most")
	if !ok {
		return nil, false
	}
	list, ok := cornerList(m.Need("corners", "which the control unit levels"))
	s := levelStep{
		corners: list,
		offset:  within(m.Get("to"), quantity.Millimetre, -60, 60, 0),
		within:  within(m.Get("within"), quantity.Millimetre, 0.5, 20, 2),
		atMost:  durationOr(m.Get("at_most"), 120e9),
	}
	return s, ok
}

func readWeather(n document.Node) (step, bool) {
	m, ok := n.Map("to", "over")
	if !ok {
		return nil, false
	}
	to := within(m.Need("to", "a temperature"), quantity.Celsius, -40, 50, math.NaN())
	over, ok := duration(m.Need("over", "how long it takes"))
	return weatherStep{to, max(over, tick)}, ok && !math.IsNaN(to)
}

func readNight(n document.Node) (step, bool) {
	m, ok := n.Map("takes", "wakes_every", "awake")
	if !ok {
		return nil, false
	}
	s := nightStep{
		every: durationOr(m.Get("wakes_every"), 3600e9),
		awake: durationOr(m.Get("awake"), 20e9),
	}
	s.ns, ok = duration(m.Need("takes", "how long the vehicle stands"))
	if s.every < restTick {
		m.Get("wakes_every").Refuse(m.Get("wakes_every").Shown()+" is too short", "at least 1 s")
	}
	return s, ok
}

func (l *loader) readFaults(n document.Node) {
	items, ok := n.List("a list of faults")
	if !ok {
		return
	}
	if len(items) > maxSteps {
		n.Refuse("the list is too long", "at most 2000 faults")
		return
	}
	for _, item := range items {
		if f, ok := l.readFault(item); ok {
			l.s.faults = append(l.s.faults, f)
		}
	}
}

func faultNames() []string {
	names := make([]string, len(faultKinds))
	for i, k := range faultKinds {
		names[i] = k.name
	}
	return names
}

// readFault reads one fault: its kind says which keys belong to it.
func (l *loader) readFault(n document.Node) (fault, bool) {
	all, ok := n.Map("kind", "from", "until", "corner", "with", "quantity", "size", "state", "bus")
	if !ok {
		return fault{}, false
	}
	name, ok := all.Need("kind", "what is wrong").Word(faultNames()...)
	if !ok {
		return fault{}, false
	}
	kind := faultKinds[slices.Index(faultNames(), name)]
	keys := slices.Concat([]string{"kind", "from", "until"}, kind.takes, kind.may)
	m, _ := n.Map(keys...)
	for _, key := range kind.takes {
		m.Need(key, "the kind "+name+" takes it")
	}
	f := fault{kind: kind, bus: -1, from: l.readWhen(m.Get("from")), until: l.readWhen(m.Get("until"))}
	l.readFaultKeys(m, &f)
	return f, true
}

// readFaultKeys reads what is there of the keys that say where and how much.
func (l *loader) readFaultKeys(m document.Map, f *fault) {
	f.corner, _ = corner(m.Get("corner"))
	f.with, _ = corner(m.Get("with"))
	if f.with == f.corner && f.with != decode.NoCorner {
		m.Get("with").Refuse("is the corner itself", "another corner")
	}
	switch word, _ := m.Get("quantity").Word("pressure", "height"); word {
	case "pressure":
		f.quantity = decode.Pressure
	case "height":
		f.quantity = decode.Height
	}
	f.state, _ = m.Get("state").Word("closed", "open")
	if name, ok := m.Get("bus").Word(l.busNames()...); ok {
		f.bus = slices.Index(l.busNames(), name)
	}
	if slices.Contains(f.kind.takes, "size") {
		f.size = readSize(m.Get("size"), f.kind)
	}
	if f.kind.name == "cross-flow" && f.corner != 0 && f.with != 0 && equalPressures(f.corner, f.with) {
		m.Get("with").Refuse("carries the same pressure as "+f.corner.String(), "a corner with another one")
	}
}

func (l *loader) busNames() []string {
	names := make([]string, l.s.traffic.buses())
	for i := range names {
		names[i] = busName(i)
	}
	return names
}

// equalPressures reports whether two corners of the wagon stand on pressures less than 0.05 bar
// apart.
func equalPressures(a, b decode.Corner) bool {
	pa := wagon.springs[indexOf(a)].standingPressure(0)
	pb := wagon.springs[indexOf(b)].standingPressure(0)
	return max(pa, pb)-min(pa, pb) < 5000
}

// sizes are the units and ranges of faults' sizes, by the unit of the kind. A leak of 20 l/min
// empties a spring in half a minute.
var sizes = []struct {
	name        string
	unit        quantity.Unit
	least, most float64
}{
	{"ml/min", quantity.MillilitrePerMinute, 0.01, 20_000},
	{"mm", quantity.Millimetre, -150, 150},
	{"bar", quantity.Bar, 0, 15},
	{"%", quantity.Percent, 0, 100},
	{"", quantity.One, 0.0001, 10_000},
}

func readSize(n document.Node, kind *faultKind) float64 {
	for _, s := range sizes {
		if s.name == kind.unit {
			return within(n, s.unit, s.least, s.most, 0)
		}
	}
	return 0
}

// readWhen reads a time after the start, or the name of a moment, or `{moment: lowering, after:
// 5 s}`.
func (l *loader) readWhen(n document.Node) when {
	m, ok := n.Map("moment", "after")
	if !ok {
		return when{}
	}
	w := when{given: true, after: durationOr(m.Get("after"), 0)}
	name := m.Get("moment")
	if !name.Exists() {
		m.Need("after", "a time after the start, or after the moment")
		return w
	}
	moments := l.momentNames()
	if len(moments) == 0 {
		name.Refuse("no moment has a name in this job", "a step such as `moment: lowering`")
		return when{}
	}
	w.moment, w.given = name.Word(moments...)
	return w
}

// momentNames returns the moments of the job.
func (l *loader) momentNames() []string {
	var names []string
	for _, s := range l.s.steps {
		if m, ok := s.(momentStep); ok {
			names = append(names, m.name)
		}
	}
	return names
}

// span says what a quantity may be.
func span(least, most float64, unit quantity.Unit) string {
	return trimmed(least) + " to " + trimmed(most) + " " + unit.Name
}
